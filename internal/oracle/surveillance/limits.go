package surveillance

import "math"

// Limits are a confidence interval of 95 %.
type Limits struct{ Lower, Upper float64 }

// Rate is events by a denominator, with limits by Garwood (1936) and mid-P (Lancaster 1961).
type Rate struct {
	Value       float64
	Exact, MidP Limits
}

// Against is a figure that is compared with 1: an SIR, or one technique's rate by another's.
type Against struct {
	Rate
	// AtLeast and AtMost are the probabilities of as many events or more, or fewer, if the
	// figure were 1; P is twice the smaller, PMid the same with half of as many.
	AtLeast, AtMost, P, PMid float64
}

// beyond is what may lie outside the limits on each side.
const beyond = 0.025

// poisson is the probability of each count from 0 up to x.
func poisson(x int, mean float64) []float64 {
	out := []float64{math.Exp(-mean)}
	for i := 1; i <= x; i++ {
		out = append(out, out[i-1]*mean/float64(i))
	}
	return out
}

// binomial is the probability of each number from 0 to n, each with probability p.
func binomial(n int, p float64) []float64 {
	out := make([]float64, n+1)
	for i := range out {
		choices := 1.0
		for k := range i {
			choices = choices * float64(n-k) / float64(k+1)
		}
		out[i] = choices * math.Pow(p, float64(i)) * math.Pow(1-p, float64(n-i))
	}
	return out
}

// tails are the probabilities of x or more and of x or fewer, each with the given part of
// the probability of exactly x: 1 is exact, a half mid-P.
func tails(chances []float64, x int, part float64) (atLeast, atMost float64) {
	below := 0.0
	for _, p := range chances[:x] {
		below += p
	}
	return 1 - below - (1-part)*chances[x], below + part*chances[x]
}

// solve finds where a rising function reaches a value, between 0 and a bound.
func solve(to, value float64, f func(float64) float64) float64 {
	from := 0.0
	for range 100 {
		if middle := (from + to) / 2; f(middle) < value {
			from = middle
		} else {
			to = middle
		}
	}
	return (from + to) / 2
}

// countLimits are those of the mean of which x events were seen.
func countLimits(x int, part float64) Limits {
	most := 10*float64(x) + 20
	out := Limits{Upper: solve(most, 1-beyond, func(m float64) float64 {
		_, atMost := tails(poisson(x, m), x, part)
		return 1 - atMost
	})}
	if x > 0 {
		out.Lower = solve(most, beyond, func(m float64) float64 {
			atLeast, _ := tails(poisson(x, m), x, part)
			return atLeast
		})
	}
	return out
}

// times are limits by a factor.
func (l Limits) times(f float64) Limits { return Limits{l.Lower * f, l.Upper * f} }

// rate is events by exposure, per so much of it.
func (u *unit) rate(events int, exposure, per float64) *Rate {
	exact, mid := 1.0, 0.5
	if u.is(MidPIsExact) {
		mid = exact
	}
	f := per / exposure
	return &Rate{float64(events) * f, countLimits(events, exact).times(f), countLimits(events, mid).times(f)}
}

// against adds the test of 1 to a rate.
func (u *unit) against(r Rate, chances []float64, x int) *Against {
	out := Against{Rate: r}
	out.AtLeast, out.AtMost = tails(chances, x, 1)
	atLeast, atMost := tails(chances, x, 0.5)
	sides := 2.0
	if u.is(OneSided) {
		sides = 1
	}
	out.P = min(1, sides*min(out.AtLeast, out.AtMost))
	out.PMid = min(1, sides*min(atLeast, atMost))
	return &out
}

// observedTo compares with what was predicted.
func (u *unit) observedTo(observed int, predicted float64) *Against {
	return u.against(*u.rate(observed, predicted, 1), poisson(observed, predicted), observed)
}

// ratio compares two rates, given the total of events (Clopper and Pearson 1934).
func (u *unit) ratio(one, two int, oneDays, twoDays int) *Against {
	n := one + two
	share := func(part float64) Limits {
		out := Limits{0, 1}
		if one > 0 {
			out.Lower = solve(1, beyond, func(p float64) float64 {
				atLeast, _ := tails(binomial(n, p), one, part)
				return atLeast
			})
		}
		if two > 0 {
			out.Upper = solve(1, 1-beyond, func(p float64) float64 {
				_, atMost := tails(binomial(n, p), one, part)
				return 1 - atMost
			})
		}
		odds := func(p float64) float64 { return p / (1 - p) * float64(twoDays) / float64(oneDays) }
		return Limits{odds(out.Lower), odds(out.Upper)}
	}
	r := Rate{Value: float64(one) / float64(oneDays) / (float64(two) / float64(twoDays)), Exact: share(1), MidP: share(0.5)}
	if u.is(RatioUpsideDown) {
		r.Value = 1 / r.Value
	}
	return u.against(r, binomial(n, float64(oneDays)/float64(oneDays+twoDays)), one)
}
