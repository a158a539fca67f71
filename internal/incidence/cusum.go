package incidence

import (
	"fmt"
	"math"
)

// Cusum is the classical cumulative sum of counts with equal exposure (Lucas 1985):
// S = max(0, S + events − K), with a signal at S ≥ H, or with Above only at S > H. Books
// disagree on which; the run lengths differ much, so it has to be said.
type Cusum struct {
	K     float64 // reference value, events per step, above 0
	H     float64 // threshold, events, above 0
	Above bool
}

// ReferenceValue is Lucas's K between an acceptable and a detectable mean of events per step,
// (detectable − acceptable) / (ln detectable − ln acceptable).
func ReferenceValue(acceptable, detectable float64) (float64, error) {
	if err := first(checkSize("the acceptable mean", acceptable), checkSize("the detectable mean", detectable)); err != nil {
		return 0, err
	}
	if detectable <= acceptable {
		return 0, fmt.Errorf("the detectable mean must lie above the acceptable one, %v; it is %v", acceptable, detectable)
	}
	return (detectable - acceptable) / math.Log(detectable/acceptable), nil
}

// HeadStart is the fast initial response: the sum starts at half of the threshold.
func (c Cusum) HeadStart() float64 { return c.H / 2 }

// Step is the sum s after one more step with so many events.
func (c Cusum) Step(s float64, events int) (float64, error) {
	if err := first(c.check(), checkRange("the sum", s, 0, mostSize), checkCount("the number of events", events)); err != nil {
		return 0, err
	}
	return max(0, s+float64(events)-c.K), nil
}

// Signals says whether the sum s calls for a look.
func (c Cusum) Signals(s float64) bool { return c.walk().signals(s) }

// RunLength is the average number of steps from a sum at start to the signal, at a mean of
// events per step; 0 from a start that signals. Exact to about 1e-11 of itself.
func (c Cusum) RunLength(mean, start float64) (float64, error) {
	if err := first(c.check(), checkRange("the mean of events per step", mean, 1e-6, 1000), checkRange("the start", start, 0, mostSize)); err != nil {
		return 0, err
	}
	return c.walk().runLength(mean, start)
}

func (c Cusum) walk() walk { return walk{up: 1, down: c.K, h: c.H, above: c.Above} }

func (c Cusum) check() error {
	return first(checkRange("the reference value K", c.K, 1e-6, 1000), checkRange("the threshold H", c.H, 1e-3, 1000))
}
