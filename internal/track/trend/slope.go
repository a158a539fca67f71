package trend

// TheilSen is the median of the slopes of all pairs of equally spaced observations, oldest
// first, in the unit of y per step. It is not ok with fewer than two.
func TheilSen(y []float64) (slope float64, ok bool) {
	x := make([]float64, len(y))
	for i := range x {
		x[i] = float64(i)
	}
	return TheilSenXY(x, y)
}

// TheilSenXY is the median of the slopes of all pairs of points with different x, in the
// unit of y per unit of x. It is not ok if no pair has different x, or if x and y differ in
// length.
func TheilSenXY(x, y []float64) (slope float64, ok bool) {
	if len(x) != len(y) || len(x) < 2 {
		return 0, false
	}
	slopes := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if x[i] != x[j] {
				slopes = append(slopes, (y[j]-y[i])/(x[j]-x[i]))
			}
		}
	}
	if len(slopes) == 0 {
		return 0, false
	}
	return median(slopes), true
}

// pressureLook is the number of sessions in one look at the pressure. Looks do not overlap: a
// look after each session would find a trend in nearly every stable track within a year.
const pressureLook = 12

// Trend is one look at the pressure.
type Trend struct {
	N              int
	SlopePerTwelve float64 // Theil–Sen slope per session times twelve, mmHg per twelve sessions
	P              float64 // one-sided Mann–Kendall probability, 0 to 1
	Rising         bool
}

// PressureTrend judges exactly 12 pressures in mmHg of consecutive sessions, oldest
// first; any other number is not ok. The slope per twelve sessions is the Theil–Sen slope per
// session times twelve. The trend is rising if P is at most alpha and that slope is at least
// minSlopePerTwelve.
func PressureTrend(y []float64, minSlopePerTwelve, alpha float64) (t Trend, ok bool) {
	if len(y) != pressureLook {
		return Trend{}, false
	}
	slope, _ := TheilSen(y)
	t = Trend{N: len(y), SlopePerTwelve: slope * pressureLook, P: MannKendall(y).P}
	t.Rising = t.P <= alpha && t.SlopePerTwelve >= minSlopePerTwelve
	return t, true
}
