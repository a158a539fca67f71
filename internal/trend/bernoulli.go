package trend

import "math"

const (
	// ThresholdStep is the step in which ForRunLength looks for a threshold.
	ThresholdStep = 0.001
	// RescueRunLength is how many sessions Rescue runs on average while nothing is wrong:
	// about ten years of three a week. The project's own choice, no source.
	RescueRunLength = 1500

	// rescueThreshold is ForRunLength(0.02, 0.08, RescueRunLength).
	rescueThreshold = 3.580

	mostSteps = 1e7   // of either weight up to the threshold
	leastMass = 1e-16 // of the probability of a signal, past which a rest is left out
)

// Bernoulli is a cumulative sum of yes-or-no observations (Reynolds & Stoumbos 1999): the
// log-likelihood ratio of P1 against P0, never below 0, that signals at H.
type Bernoulli struct {
	P0 float64 // probability of an event while nothing is wrong, above 0
	P1 float64 // probability of an event to be found, above P0, below 1
	H  float64 // threshold, above 0
}

// Rescue watches how often a blunt session had to be rescued with a sharp needle, per
// session past forming. Both probabilities are the project's own choice, no source. The
// threshold is the least that runs RescueRunLength sessions on average at P0 (it runs
// 1,504.5); at P1 it signals after 58.8 sessions on average, about twenty weeks, and at half
// of P1 after 229.9.
func Rescue() Bernoulli { return Bernoulli{P0: 0.02, P1: 0.08, H: rescueThreshold} }

// Weights are what an event adds, above 0, and what none adds, below 0.
func (b Bernoulli) Weights() (event, none float64) {
	return math.Log(b.P1 / b.P0), math.Log1p(-b.P1) - math.Log1p(-b.P0)
}

// Step is the sum s after one more observation.
func (b Bernoulli) Step(s float64, event bool) float64 {
	w, none := b.Weights()
	if !event {
		w = none
	}
	return max(0, s+w)
}

// Signals says whether the sum s has reached the threshold.
func (b Bernoulli) Signals(s float64) bool { return s >= b.H }

func (b Bernoulli) valid() bool {
	if !(b.P0 > 0 && b.P0 < b.P1 && b.P1 < 1 && b.H > 0) {
		return false
	}
	event, none := b.Weights()
	return event > 0 && none < 0 && b.H <= mostSteps*min(event, -none)
}

// RunLength is the average number of observations until the signal, when the probability of
// an event is p and the sum starts at start. It is 0 from a start at the threshold or above,
// +Inf if p is 0, and NaN if p is no probability, b is no chart, or its threshold is more
// than ten million weights high.
//
// The chain is not put on a grid: between two visits to 0 the sum is start plus a whole
// number of event weights less a whole number of the others, so the states are exactly those
// lattice points, and the answer is exact but for rounding and a rest of 1e-16 of the
// probability of a signal. It takes time in proportion to the lattice points that matter,
// some thousands for a threshold of some dozens of the smaller weight.
func (b Bernoulli) RunLength(p, start float64) float64 {
	switch {
	case !b.valid() || !(p >= 0 && p <= 1) || math.IsNaN(start):
		return math.NaN()
	case start >= b.H:
		return 0
	case p == 0:
		return math.Inf(1)
	}
	// From 0 the sum waits 1/p observations for an event, and then rises by its weight.
	zero := 1 / p
	if event, _ := b.Weights(); event < b.H {
		steps, signal := b.excursion(p, event)
		if signal == 0 {
			return math.Inf(1)
		}
		zero = (1/p + steps) / signal
	}
	if start <= 0 {
		return zero
	}
	steps, signal := b.excursion(p, start)
	return steps + (1-signal)*zero
}

// excursion follows the sum from start, between 0 and the threshold, until it falls to 0 or
// signals: the average number of observations, and the probability of the signal. Row by
// row, each with one event more, and in a row by the number of observations without.
func (b Bernoulli) excursion(p, start float64) (steps, signal float64) {
	up, none := b.Weights()
	at := func(events, others int) float64 {
		return start + float64(events)*up + float64(others)*none
	}
	arrive, low := []float64{1}, 0 // arrive[k] is at low+k others
	for row := 0; ; row++ {
		var entering, before float64
		mass := make([]float64, 0, len(arrive))
		for j := low; at(row, j) > 0; j++ {
			here := (1 - p) * before
			if k := j - low; k < len(arrive) {
				here += arrive[k]
				entering += arrive[k]
			}
			mass = append(mass, here)
			steps += here
			before = here
		}
		if entering == 0 || entering <= leastMass*signal {
			return steps, signal
		}
		skip := 0
		for ; skip < len(mass) && at(row+1, low+skip) >= b.H; skip++ {
			signal += p * mass[skip]
		}
		mass, low = mass[skip:], low+skip
		for k := range mass {
			mass[k] *= p
		}
		arrive = mass
	}
}

// ForRunLength is the chart of p0 against p1 with the least threshold, in whole
// ThresholdStep, whose RunLength from 0 at p0 is at least wanted. Steps, since the run length
// jumps at thresholds that the sum can meet exactly, and just there is no least one. The
// threshold is NaN if p0 and p1 make no chart or wanted is not finite.
func ForRunLength(p0, p1, wanted float64) Bernoulli {
	try := func(k int) Bernoulli { return Bernoulli{p0, p1, float64(k) * ThresholdStep} }
	enough := func(k int) bool { return try(k).RunLength(p0, 0) >= wanted }
	if !try(1).valid() || math.IsNaN(wanted) || math.IsInf(wanted, 0) {
		return Bernoulli{p0, p1, math.NaN()}
	}
	// The run length is at least e to the threshold (Lorden 1971), so this ends.
	lo, hi := 0, 1
	for !enough(hi) {
		if lo, hi = hi, 2*hi; !try(hi).valid() {
			return Bernoulli{p0, p1, math.NaN()}
		}
	}
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; enough(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return try(hi)
}
