package incidence

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
)

// MostDays is where a simulated run is cut off: about a thousand years.
const MostDays = 365_250

// Simulated is the time to the signal by seeded simulation, in days.
type Simulated struct {
	Mean          float64
	StandardError float64 // of Mean
	Median        float64
	NineInTen     float64 // nine in ten runs are not longer
	Runs          int
	Cut           int // runs cut off at MostDays; with any, Mean is too low; above 1 % an error
}

// Simulate is the time to the signal where exposure varies: expected is the events of each
// day at the reference rate, and starts again at its end; each run begins on a day of it
// drawn at random, with the sum at start. The true rate is increase times the reference. The
// same seed gives the same runs.
//
// It goes from event to event, as on the days between the sum can only fall.
func (g Signal) Simulate(expected []float64, increase, start float64, runs int, seed uint64) (Simulated, error) {
	if err := first(
		g.check(), checkRange("the true increase", increase, 0.01, 1000),
		checkRange("the start", start, 0, g.H), checkRange("the number of runs", float64(runs), 2, 100_000),
	); err != nil {
		return Simulated{}, err
	}
	var total float64
	cum := make([]float64, len(expected)) // expected events up to the end of the day
	for i, e := range expected {
		if err := checkRange(fmt.Sprintf("the expected number of events of day %d", i+1), e, 0, 100); err != nil {
			return Simulated{}, err
		}
		total += e
		cum[i] = total
	}
	if err := checkRange("the expected number of events of a day, on average,", total/max(1, float64(len(expected))), 1e-6, 2); err != nil {
		return Simulated{}, err
	}
	random := rand.New(rand.NewPCG(seed, 1985))
	days := make([]float64, runs)
	s := Simulated{Runs: runs}
	for i := range days {
		days[i] = g.run(random, expected, cum, increase, start)
		if days[i] != MostDays {
			continue
		}
		if s.Cut++; s.Cut > max(10, runs/100) {
			return Simulated{}, fmt.Errorf("the signal is too rare to simulate: %d runs of %d days were without one", s.Cut, MostDays)
		}
	}
	s.Mean, s.StandardError = meanOf(days)
	slices.Sort(days)
	s.Median, s.NineInTen = days[(runs-1)/2], days[int(math.Ceil(0.9*float64(runs)))-1]
	return s, nil
}

// run is the days of one run, at most MostDays.
func (g Signal) run(random *rand.Rand, expected, cum []float64, increase, s float64) float64 {
	if g.Signals(s) {
		return 0
	}
	n, total := len(cum), cum[len(cum)-1]
	// The day, counted from the profile's first, on which so many events have been expected.
	dayOf := func(sum float64) int {
		cycle := int(sum / total)
		rest := sum - float64(float64(cycle)*total)
		return cycle*n + min(n-1, sort.Search(n, func(i int) bool { return cum[i] > rest }))
	}
	// Events expected up to the end of a day.
	upTo := func(day int) float64 { return float64(float64(day/n)*total) + cum[day%n] }

	began := random.IntN(n)
	done := upTo(began) - expected[began]
	event := done + random.ExpFloat64()/increase
	for {
		day, events := dayOf(event), 0
		if day-began >= MostDays {
			return MostDays
		}
		for ; dayOf(event) == day; events++ {
			event += random.ExpFloat64() / increase
		}
		today := expected[day%n]
		s = max(0, s-float64((g.R-1)*(upTo(day)-today-done)))
		s, done = g.step(s, events, today), upTo(day)
		if g.Signals(s) {
			return float64(day - began + 1)
		}
	}
}

// meanOf is the mean and its standard error.
func meanOf(values []float64) (mean, se float64) {
	n := float64(len(values))
	for _, v := range values {
		mean += v / n
	}
	var squares float64
	for _, v := range values {
		squares += (v - mean) * (v - mean)
	}
	return mean, math.Sqrt(squares / (n - 1) / n)
}
