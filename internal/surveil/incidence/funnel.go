package incidence

// Funnel is the control limits of a count by what is expected, in events. A unit outside them
// stands out more than chance explains. Multiplied by rate / expected they are limits of a rate.
type Funnel struct {
	Expected float64
	Inner    Limits // 95 %: 2.5 % beyond each
	Outer    Limits // 99.8 %: 0.1 % beyond each
}

// FunnelLimits returns exact limits with interpolation between counts (Spiegelhalter 2005), for
// an expected number of events from 1e-6 to 900,000.
func FunnelLimits(expected float64) (Funnel, error) {
	if err := checkRange("the expected number of events", expected, leastSize, mostMean); err != nil {
		return Funnel{}, err
	}
	return Funnel{
		Expected: expected,
		Inner:    Limits{between(0.025, expected), between(0.975, expected)},
		Outer:    Limits{between(0.001, expected), between(0.999, expected)},
	}, nil
}

// between returns the count below which the probability is p, interpolated and not below 0. It
// starts at the lowest count x with P(≤x) at least p. From there it goes back towards x-1, by
// the part of the probability of x that is not needed.
func between(p, mean float64) float64 {
	lo, hi := -1, 1 // P(≤lo) < p
	for atMost(hi, mean) < p {
		lo, hi = hi, 2*hi
	}
	for hi-lo > 1 {
		if mid := lo + (hi-lo)/2; atMost(mid, mean) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	below := atMost(lo, mean)
	return max(0, float64(lo)+(p-below)/(atMost(hi, mean)-below))
}
