package incidence

import (
	"fmt"
	"math"
)

// Signal is the sequential signal for exposure that varies from day to day. Each day adds
// the log-likelihood ratio of a rate R times the reference against the reference:
// S = max(0, S + y ln R − μ (R−1)), with y events where μ are expected at the reference rate.
// It signals at S ≥ H. With equal exposure it is Lucas's Cusum, times ln R.
type Signal struct {
	R float64 // the increase it is built to notice, 1.25 to 20
	H float64 // threshold, above 0; DesignFor finds it
}

// Step is the sum s after a day with events where expected many were.
func (g Signal) Step(s float64, events int, expected float64) (float64, error) {
	if err := first(g.check(), checkRange("the sum", s, 0, mostSize), checkDay(events, expected)); err != nil {
		return 0, err
	}
	return g.step(s, events, expected), nil
}

func (g Signal) step(s float64, events int, expected float64) float64 {
	return max(0, s+float64(float64(events)*math.Log(g.R))-float64(expected*(g.R-1)))
}

// Weight is what a day adds to the sum before it is held at 0.
func (g Signal) Weight(events int, expected float64) (float64, error) {
	if err := first(g.check(), checkDay(events, expected)); err != nil {
		return 0, err
	}
	return float64(events)*math.Log(g.R) - expected*(g.R-1), nil
}

// Signals says whether the sum s calls for a look.
func (g Signal) Signals(s float64) bool { return g.walk(0).signals(s) }

// Restart is where the sum goes on after a person has acknowledged a signal: at half of the
// threshold, as Lucas's fast initial response, since what raised it may not be over.
func (g Signal) Restart() float64 { return g.H / 2 }

// Day is what Follow is given of one day.
type Day struct {
	Events       int
	Expected     float64 // events at the reference rate and the day's exposure
	Acknowledged bool    // a person acknowledged the standing signal at the day's end
}

// Point is the sum at the end of one day, before any acknowledgement.
type Point struct {
	Sum    float64
	Signal bool // stands: reached that day or before, and not acknowledged till then
}

// Follow is the sum day by day from a start, oldest first. A signal stands until it is
// acknowledged, also if the sum falls meanwhile; acknowledging no signal changes nothing.
func (g Signal) Follow(start float64, days []Day) ([]Point, error) {
	if err := first(g.check(), checkRange("the start", start, 0, mostSize)); err != nil {
		return nil, err
	}
	points, s, standing := make([]Point, len(days)), start, false
	for i, d := range days {
		if err := checkDay(d.Events, d.Expected); err != nil {
			return nil, fmt.Errorf("day %d: %w", i+1, err)
		}
		s = g.step(s, d.Events, d.Expected)
		standing = standing || g.Signals(s)
		points[i] = Point{s, standing}
		if standing && d.Acknowledged {
			s, standing = g.Restart(), false
		}
	}
	return points, nil
}

func checkDay(events int, expected float64) error {
	if err := first(checkCount("the number of events", events), checkRange("the expected number of events", expected, 0, mostMean)); err != nil {
		return err
	}
	if events > 0 && expected == 0 {
		return fmt.Errorf("the expected number of events is 0, so nobody was at risk, but there are events: %d; correct the exposure or the day", events)
	}
	return nil
}

// walk is the sum as it goes with equal exposure, of expected events a day.
func (g Signal) walk(expected float64) walk {
	return walk{up: math.Log(g.R), down: expected * (g.R - 1), h: g.H}
}

func (g Signal) check() error {
	return first(checkIncrease(g.R), checkRange("the threshold H", g.H, 1.0/thresholdSteps, 100))
}

// checkIncrease leaves out increases that no small unit can notice in a lifetime.
func checkIncrease(r float64) error { return checkRange("the increase R", r, 1.25, 20) }
