package incidence

import (
	"fmt"
	"math"
)

// U is the limit of a u-chart and what it does at a small unit. It stands here to show why
// not: three standard deviations of a nearly empty count are no rare event, so that one or
// two events "signal" many times more often than the 0.00135 that the chart is meant for.
// Use FunnelLimits or AtLeast.
type U struct {
	Rate       float64 // centre line, events per unit of exposure
	Exposure   float64
	Limit      float64 // Rate + 3√(Rate / Exposure), in the unit of Rate
	Signals    int     // the least count above the limit
	FalseAlarm float64 // exact probability of that count while nothing is wrong
}

// ThreeSigma is the probability beyond three standard deviations on one side of a normal
// distribution, which a u-chart is meant to have.
const ThreeSigma = 0.0013498980316301

// UChart is the upper limit of a u-chart (NIST/SEMATECH e-Handbook 6.3.3.1).
func UChart(rate, exposure float64) (U, error) {
	if err := first(checkSize("the rate", rate), checkSize("the exposure", exposure), checkRange("the expected number of events", rate*exposure, leastSize, mostMean/2)); err != nil {
		return U{}, err
	}
	u := U{Rate: rate, Exposure: exposure, Limit: rate + 3*math.Sqrt(rate/exposure)}
	u.Signals = int(math.Floor(u.Limit*exposure)) + 1
	u.FalseAlarm = atLeast(u.Signals, rate*exposure)
	return u, nil
}

// G is the limits of a g-chart (Benneyan 2001): cases or days between events, geometrically
// distributed.
type G struct {
	Mean   float64
	Limits // Mean ± 3√(Mean (Mean+1)), not below 0: the lower limit is always 0
}

// GChart is the limits of a g-chart by the mean number between events. Its lower limit is
// always 0, so it never shows events that come too close: for those use TChart or Signal.
func GChart(mean float64) (G, error) {
	if err := checkSize("the mean number between events", mean); err != nil {
		return G{}, err
	}
	return G{Mean: mean, Limits: Limits{0, mean + 3*math.Sqrt(mean*(mean+1))}}, nil
}

// T is the limits of the days (or exposure) between events. They are exact: the time to the
// next event of a steady risk is exponential, and by the mean of n earlier such times it is
// an F(2, 2n), in closed form. Nelson's power 1/3.6 makes the times nearly normal, but then
// needs their spread, which a handful of gaps does not give, and is only nearly right at the
// lower end, where the danger is; NelsonScale is kept for drawing. A time below Lower came
// too soon, one above Upper says that things have become better, or that reports are missing.
type T struct {
	Gaps   int     // how many the mean is of; 0 if the mean is known
	Mean   float64 // days, as are the limits
	Centre float64 // median: half of the times are shorter
	Limits
	Beyond float64 // probability beyond each limit while nothing changes
}

// TChart is the limits for the next gap by the gaps so far, in days (fractions allowed, for
// exposure), with the probability beyond on each side.
func TChart(gaps []float64, beyond float64) (T, error) {
	if len(gaps) == 0 {
		return T{}, fmt.Errorf("the gaps between events must be at least one; there is none")
	}
	var sum float64
	for i, g := range gaps {
		if err := checkRange(fmt.Sprintf("gap %d between events", i+1), g, 0, mostSize); err != nil {
			return T{}, err
		}
		sum += g
	}
	t, err := TChartKnown(sum/float64(len(gaps)), beyond)
	if err != nil {
		return T{}, err
	}
	// P(next > c × mean) = (1 + c/n)^-n.
	n := float64(len(gaps))
	at := func(longer float64) float64 { return t.Mean * n * math.Expm1(-math.Log(longer)/n) }
	t.Gaps, t.Centre = len(gaps), at(0.5)
	t.Limits = Limits{t.Mean * n * math.Expm1(-math.Log1p(-beyond)/n), at(beyond)}
	return t, nil
}

// TChartKnown is the limits by a known mean time between events, which is exposure by rate.
func TChartKnown(mean, beyond float64) (T, error) {
	if err := first(checkSize("the mean time between events", mean), checkRange("the probability beyond a limit", beyond, 1e-6, 0.25)); err != nil {
		return T{}, err
	}
	return T{Mean: mean, Centre: mean * math.Ln2, Beyond: beyond, Limits: Limits{-mean * math.Log1p(-beyond), -mean * math.Log(beyond)}}, nil
}

// NelsonScale is a time between events on the scale where it is nearly normal (Nelson 1994),
// for an axis that shows short and long gaps alike. Negative times and NaN are an error.
func NelsonScale(gap float64) (float64, error) {
	if err := checkRange("a gap between events", gap, 0, mostSize); err != nil {
		return 0, err
	}
	return math.Pow(gap, 1/3.6), nil
}
