package unit

import "slices"

// Observation is how long something was watched, in whole days, and whether it was reached then.
type Observation struct {
	Days    int
	Reached bool
}

// Step is the share that has not reached it after so many days.
type Step struct {
	Days int
	Left float64
}

// Curve is the estimate of Kaplan and Meier.
type Curve struct {
	N, Reached int
	Steps      []Step // one for each day on which any reached it
}

// KaplanMeier estimates the share that has not reached it by each day. Who was watched for just so
// many days and did not reach it counts as watched on that day.
func KaplanMeier(list []Observation) Curve {
	c := Curve{N: len(list)}
	sorted := slices.Clone(list)
	slices.SortFunc(sorted, func(a, b Observation) int { return a.Days - b.Days })
	left := 1.0
	for i := 0; i < len(sorted); {
		day, watched, reached := sorted[i].Days, len(sorted)-i, 0
		for ; i < len(sorted) && sorted[i].Days == day; i++ {
			if sorted[i].Reached {
				reached++
			}
		}
		if reached > 0 {
			left *= float64(watched-reached) / float64(watched)
			c.Reached += reached
			c.Steps = append(c.Steps, Step{day, left})
		}
	}
	return c
}

// hair is for rounding: a product of fractions that is a half may come out a little above it.
const hair = 1e-12

// By returns the first day by which the share p has reached it; ok is false if the curve does not
// come down so far.
func (c Curve) By(p float64) (days int, ok bool) {
	for _, s := range c.Steps {
		if s.Left <= 1-p+hair {
			return s.Days, true
		}
	}
	return 0, false
}
