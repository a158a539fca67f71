package trend

import "math"

const (
	// RescueRunLength is the average number of sessions until Rescue signals although nothing is
	// wrong: about ten years of three sessions a week. The project's own choice, no source.
	RescueRunLength = 1500
	// rescueThreshold is the lowest threshold, in thousandths, with that run length. The tests
	// compute it.
	rescueThreshold = 3.580
)

// Bernoulli is a cumulative sum of yes-or-no observations (Reynolds & Stoumbos 1999): the
// log-likelihood ratio of P1 against P0, never below 0, that signals at H.
type Bernoulli struct {
	P0 float64 // probability of an event while nothing is wrong, above 0
	P1 float64 // probability of an event to be found, above P0, below 1
	H  float64 // threshold, above 0
}

// Rescue is the chart of how often a blunt session needs a sharp needle, per session past
// forming. Both probabilities are the project's own choice, no source. The threshold is the
// lowest with an average run of RescueRunLength sessions at P0 (it is 1,504.5). At P1 it signals
// after 58.8 sessions on average, about twenty weeks, at half of P1 after 229.9.
func Rescue() Bernoulli { return Bernoulli{P0: 0.02, P1: 0.08, H: rescueThreshold} }

// Weights returns what the sum gains with an event, above 0, and without one, below 0.
func (b Bernoulli) Weights() (event, none float64) {
	return math.Log(b.P1 / b.P0), math.Log1p(-b.P1) - math.Log1p(-b.P0)
}

// Step returns the sum after one more observation, from sum s.
func (b Bernoulli) Step(s float64, event bool) float64 {
	w, none := b.Weights()
	if !event {
		w = none
	}
	return max(0, s+w)
}
