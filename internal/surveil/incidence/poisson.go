package incidence

import (
	"cmp"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Limits are a confidence interval, or control limits, in the unit of what they belong to.
// An upper limit may be +Inf.
type Limits struct{ Lower, Upper float64 }

// Count is the limits of the mean of a count of which Events were seen, in events.
type Count struct {
	Events int
	Level  float64 // of confidence, 0.95 for 95 %; half of the rest on each side
	Exact  Limits  // Garwood 1936
	MidP   Limits  // Lancaster 1961
}

// Rate is events per exposure, with the limits of Count.
type Rate struct {
	Events   int
	Exposure float64 // patient-months, access-days or the like
	Per      float64 // 100 for a rate per 100 patient-months
	Value    float64 // Events / Exposure × Per, as are the limits
	Level    float64 // as in Count
	Exact    Limits
	MidP     Limits
}

// Test says how probable the observation is if nothing differs. P values are two-sided: twice
// the smaller side, at most 1.
type Test struct {
	AtLeast float64 // probability of as many or more, exact
	AtMost  float64 // probability of as many or fewer, exact
	Exact   float64 // twice the smaller of the two
	MidP    float64 // the same with half of the probability of exactly as many
}

// Differs decides at a level of confidence, by Exact (see the package's comment). It is true
// exactly if the exact limits at that level leave out the value that was compared with.
func (t Test) Differs(level float64) bool { return t.Exact < 1-level }

// test combines the two exact sides and the probability of exactly what was seen.
func test(atLeast, atMost, point float64) Test {
	return Test{
		AtLeast: atLeast, AtMost: atMost,
		Exact: min(1, 2*min(atLeast, atMost)),
		// Half of a point from each side leaves two sides that add up to 1.
		MidP: max(0, min(1, 2*(min(atLeast, atMost)-point/2))),
	}
}

func atLeast(x int, mean float64) float64 {
	if x <= 0 {
		return 1
	}
	return mathext.GammaIncReg(float64(x), mean)
}

func atMost(x int, mean float64) float64 {
	if x < 0 {
		return 0
	}
	if mean == 0 {
		return 1
	}
	return mathext.GammaIncRegComp(float64(x)+1, mean)
}

// exactly returns the probability of x events at a mean above 0.
func exactly(x int, mean float64) float64 {
	log, _ := math.Lgamma(float64(x) + 1)
	return math.Exp(float64(x)*math.Log(mean) - mean - log)
}

// CountLimits returns the limits of the mean of which events were seen, at a level of
// confidence.
func CountLimits(events int, level float64) (Count, error) {
	if err := cmp.Or(checkCount("the number of events", events), checkLevel(level)); err != nil {
		return Count{}, err
	}
	side := (1 - level) / 2
	return Count{
		Events: events, Level: level,
		Exact: poissonLimits(events, side, 0),
		MidP:  poissonLimits(events, side, 0.5),
	}, nil
}

// poissonLimits inverts the tails. At the lower limit, as many or more events have the
// probability side; at the upper limit, as many or fewer. part of the probability of exactly as
// many is left out.
func poissonLimits(x int, side, part float64) (l Limits) {
	top := float64(x) + 10
	for atMost(x, top) > side/2 {
		top *= 2
	}
	if x > 0 {
		l.Lower = rising(0, top, func(m float64) float64 {
			return atLeast(x, m) - part*exactly(x, m) - side
		})
	}
	l.Upper = rising(0, top, func(m float64) float64 {
		return side - atMost(x, m) + part*exactly(x, m)
	})
	return l
}

// rising returns where a rising function passes 0 between lo and hi. It halves down to the
// precision of the numbers.
func rising(lo, hi float64, f func(float64) float64) float64 {
	for {
		mid := lo + (hi-lo)/2
		if mid <= lo || mid >= hi {
			return mid
		}
		if f(mid) < 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
}

// RateOf returns a rate with its limits: events in an exposure, per so much of it.
func RateOf(events int, exposure, per, level float64) (Rate, error) {
	if err := cmp.Or(checkSize("the exposure", exposure), checkSize("the unit of the rate", per)); err != nil {
		return Rate{}, err
	}
	c, err := CountLimits(events, level)
	if err != nil {
		return Rate{}, err
	}
	scale := per / exposure
	return Rate{
		Events: events, Exposure: exposure, Per: per, Level: level,
		Value: float64(events) * scale, Exact: c.Exact.times(scale), MidP: c.MidP.times(scale),
	}, nil
}

func (l Limits) times(f float64) Limits { return Limits{l.Lower * f, l.Upper * f} }
