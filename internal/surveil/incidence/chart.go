package incidence

import (
	"cmp"
	"fmt"
	"math"
)

// T is the limits of the days (or exposure) between events. They are exact. The time to the next
// event of a steady risk is exponential. Divided by the mean of n earlier such times it is an
// F(2, 2n), in closed form. A time below Lower came too soon. One above Upper says that things
// have become better, or that reports are missing.
type T struct {
	Gaps   int     // number of gaps in the mean; 0 if the mean is known
	Mean   float64 // days, as are the limits
	Centre float64 // median: half of the times are shorter
	Limits
}

// TChart returns the limits for the next gap by the gaps so far, in days (fractions allowed, for
// exposure). beyond is the probability on each side.
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

// TChartKnown returns the limits by a known mean time between events, which is exposure by rate.
func TChartKnown(mean, beyond float64) (T, error) {
	if err := cmp.Or(checkSize("the mean time between events", mean), checkRange("the probability beyond a limit", beyond,
		1e-6, 0.25)); err != nil {
		return T{}, err
	}
	return T{Mean: mean, Centre: mean * math.Ln2, Limits: Limits{-mean * math.Log1p(-beyond), -mean * math.Log(beyond)}},
		nil
}
