package trend

import "math"

// The run lengths by which the threshold of Rescue was chosen. The product needs the threshold only.

const (
	// ThresholdStep is the step in which ForRunLength looks for a threshold.
	ThresholdStep = 0.001

	mostSteps = 1e7   // of either weight up to the threshold
	leastMass = 1e-16 // share of the probability of a signal below which a rest is left out
)

// Signals reports whether the sum s has reached the threshold.
func (b Bernoulli) Signals(s float64) bool { return s >= b.H }

func (b Bernoulli) valid() bool {
	if !(b.P0 > 0 && b.P0 < b.P1 && b.P1 < 1 && b.H > 0) {
		return false
	}
	event, none := b.Weights()
	return event > 0 && none < 0 && b.H <= mostSteps*min(event, -none)
}

// RunLength returns the average number of observations until the signal if the probability of an
// event is p and the sum starts at start. It is 0 from a start at the threshold or above, and
// +Inf if p is 0. It is NaN if p is no probability, if b is no chart, or if its threshold is
// more than ten million weights high.
//
// The chain needs no grid. Between two visits to 0 the sum is start, plus a whole number of
// event weights, less a whole number of the other weights. Those lattice points are the states.
// So the result is exact but for rounding and a rest of 1e-16 of the probability of a signal.
// The time grows with the number of lattice points that matter: some thousands for a threshold
// of some dozens of the smaller weight.
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
// signals. It returns the average number of observations and the probability of the signal. It
// goes row by row: each row has one event more, and within a row the number of observations
// without an event grows.
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

// ForRunLength returns the chart of p0 against p1 with the lowest threshold, in whole
// ThresholdStep, whose RunLength from 0 at p0 is at least wanted. It works in steps, because the
// run length jumps at thresholds that the sum can meet exactly, where there is no lowest one.
// The threshold is NaN if p0 and p1 make no chart or wanted is not finite.
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
