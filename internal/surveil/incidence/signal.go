package incidence

import (
	"cmp"
	"fmt"
	"math"
)

// Signal is the sequential signal for exposure that varies from day to day. Each day adds the
// log-likelihood ratio of a rate R times the reference against the reference: S = max(0, S + y
// ln R − μ (R−1)), with y events where μ are expected at the reference rate. It signals at S ≥
// H. With equal exposure it is Lucas's chart (1985), times ln R.
type Signal struct {
	R float64 // the increase it is built to notice, 1.25 to 20
	H float64 // threshold, above 0; DesignFor finds it
}

// Step returns the sum after a day, from sum s. expected is the number of events that the day
// brings at the reference rate.
func (g Signal) Step(s float64, events int, expected float64) (float64, error) {
	if err := cmp.Or(g.check(), checkRange("the sum", s, 0, mostSize), checkDay(events, expected)); err != nil {
		return 0, err
	}
	return g.step(s, events, expected), nil
}

func (g Signal) step(s float64, events int, expected float64) float64 {
	return max(0, s+float64(float64(events)*math.Log(g.R))-float64(expected*(g.R-1)))
}

// Weight returns what a day adds to the sum before the sum is held at 0.
func (g Signal) Weight(events int, expected float64) (float64, error) {
	if err := cmp.Or(g.check(), checkDay(events, expected)); err != nil {
		return 0, err
	}
	return float64(events)*math.Log(g.R) - expected*(g.R-1), nil
}

// Signals reports whether the sum s calls for a look.
func (g Signal) Signals(s float64) bool { return g.walk(0).signals(s) }

// Restart returns where the sum goes on after a person has acknowledged a signal: at half of the
// threshold, as in Lucas's fast initial response, because the cause may not be over.
func (g Signal) Restart() float64 { return g.H / 2 }

func checkDay(events int, expected float64) error {
	if err := cmp.Or(checkCount("the number of events", events), checkRange("the expected number of events", expected, 0,
		mostMean)); err != nil {
		return err
	}
	if events > 0 && expected == 0 {
		return fmt.Errorf(
			"the expected number of events is 0, so nobody was at risk, but there are events: %d; correct the exposure or the day", events)
	}
	return nil
}

// walk is the sum with equal exposure, of expected events a day.
func (g Signal) walk(expected float64) walk {
	return walk{up: math.Log(g.R), down: expected * (g.R - 1), h: g.H}
}

func (g Signal) check() error {
	return cmp.Or(checkIncrease(g.R), checkRange("the threshold H", g.H, 1.0/thresholdSteps, 100))
}

// checkIncrease refuses increases that no small unit can notice in a lifetime.
func checkIncrease(r float64) error { return checkRange("the increase R", r, 1.25, 20) }
