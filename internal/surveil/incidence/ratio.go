package incidence

import (
	"cmp"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Group is events in an exposure. The two groups of a ratio have the same unit of exposure.
type Group struct {
	Events   int
	Exposure float64
}

// Ratio is the rate of one group divided by that of another, conditional on the total of events.
// Given the total, the first group's share is binomial (Clopper & Pearson 1934).
type Ratio struct {
	Value float64 // +Inf without events in the second group, NaN without any at all
	Level float64 // as in Count
	Exact Limits  // 0 to +Inf without any events
	MidP  Limits
	Test  Test // against a ratio of 1; all 1 without any events
}

// RateRatio compares two groups at a level of confidence.
func RateRatio(one, two Group, level float64) (Ratio, error) {
	if err := cmp.Or(
		checkCount("the number of events of the first group", one.Events),
		checkCount("the number of events of the second group", two.Events),
		checkSize("the exposure of the first group", one.Exposure),
		checkSize("the exposure of the second group", two.Exposure),
		checkLevel(level),
	); err != nil {
		return Ratio{}, err
	}
	x, n, side := one.Events, one.Events+two.Events, (1-level)/2
	scale := two.Exposure / one.Exposure
	r := Ratio{Level: level, Value: float64(x) / float64(two.Events) * scale}
	r.Exact = oddsLimits(x, n, side, 0).times(scale)
	r.MidP = oddsLimits(x, n, side, 0.5).times(scale)
	share := one.Exposure / (one.Exposure + two.Exposure)
	r.Test = test(binomialAtLeast(x, n, share), binomialAtLeast(n-x, n, 1-share), binomialExactly(x, n, share))
	return r, nil
}

// oddsLimits returns the limits of the odds that belong to x of n. It inverts the tails as
// poissonLimits does.
func oddsLimits(x, n int, side, part float64) Limits {
	l := Limits{0, math.Inf(1)}
	// 0 times an infinite logarithm is NaN, so a power of 0 is left out.
	if x > 0 {
		l.Lower = lowerOdds(x, n, side, part)
	}
	if x < n {
		// The inverse of the other group's lower limit keeps the two exactly symmetric.
		l.Upper = 1 / lowerOdds(n-x, n, side, part)
	}
	return l
}

// lowerOdds searches on the logarithm of the odds, so that a share near 1 loses no digits.
func lowerOdds(x, n int, side, part float64) float64 {
	return math.Exp(rising(-60, 60, func(log float64) float64 {
		share := 1 / (1 + math.Exp(-log))
		return binomialAtLeast(x, n, share) - part*binomialExactly(x, n, share) - side
	}))
}

// binomialAtLeast returns the probability of x or more of n.
func binomialAtLeast(x, n int, share float64) float64 {
	if x <= 0 {
		return 1
	}
	return mathext.RegIncBeta(float64(x), float64(n-x)+1, share)
}

func binomialExactly(x, n int, share float64) float64 {
	a, _ := math.Lgamma(float64(n) + 1)
	b, _ := math.Lgamma(float64(x) + 1)
	c, _ := math.Lgamma(float64(n-x) + 1)
	log := a - b - c
	// 0 times an infinite logarithm is no number, so a power of 0 is left out.
	if x > 0 {
		log += float64(x) * math.Log(share)
	}
	if x < n {
		log += float64(n-x) * math.Log1p(-share)
	}
	return math.Exp(log)
}
