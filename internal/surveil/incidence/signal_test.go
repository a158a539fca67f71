package incidence_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"cannulary/internal/surveil/incidence"
)

func TestSignalWeight(t *testing.T) {
	// The log-likelihood ratio of two Poisson means, computed apart from the project.
	g := incidence.Signal{R: 3, H: 2}
	for y, want := range []float64{-0.3, 0.79861, 1.89722} {
		near(t, "weight", must(g.Weight(y, 0.15))(t), want, 5.1e-6)
	}
	near(t, "step", must(g.Step(0.1, 1, 0.15))(t), 0.1+math.Log(3)-0.3, 1e-15)
	near(t, "step below 0", must(g.Step(0.1, 0, 0.15))(t), 0, 0)
	near(t, "a day without patients", must(g.Step(1.7, 0, 0))(t), 1.7, 0)
	if g.Signals(1.999) || !g.Signals(2) {
		t.Error("signals not from the threshold on")
	}
	near(t, "restart", g.Restart(), 1, 0)
}

// An event adds 1, and a day takes off a quarter. A day that falls below 0 stays at 0. After an
// acknowledgement the sum goes on at half of the threshold.
func TestStepsOfASignal(t *testing.T) {
	g := incidence.Signal{R: math.E, H: 2}
	quiet := 0.25 / (math.E - 1)
	s := 0.0
	for day, c := range []struct {
		events      int
		expected    float64
		sum         float64
		signal      bool
		acknowledge bool
	}{
		{1, quiet, 0.75, false, false}, {1, quiet, 1.5, false, false}, {1, quiet, 2.25, true, false}, {0, 2 * quiet, 1.75, false, true},
		{0, quiet, 0.75, false, false}, {2, quiet, 2.5, true, false}, {0, 12 * quiet, 0, false, false},
	} {
		s = must(g.Step(s, c.events, c.expected))(t)
		near(t, "sum", s, c.sum, 1e-12)
		if g.Signals(s) != c.signal {
			t.Errorf("day %d: %v", day+1, s)
		}
		if c.acknowledge {
			s = g.Restart()
		}
	}
	// 1 less seven tenths is 0.3 but for rounding, and that is at the threshold.
	g.H, s = 0.3, 0
	for day := range 7 {
		events := 0
		if day == 0 {
			events = 1
		}
		s = must(g.Step(s, events, 0.1/(math.E-1)))(t)
	}
	if s == 0.3 || !g.Signals(s) || g.Signals(0.299999) {
		t.Errorf("%v does not signal, or 0.299999 does", s)
	}
}

// With equal exposure the signal is Lucas's chart, times ln R.
func TestSignalIsLucas(t *testing.T) {
	d := must(incidence.DesignFor(incidence.Setting{PatientMonths: 60, Rate: 0.26}, 3, 120))(t)
	perDay := 0.26 / 100 * 60 / 30.44
	c := incidence.Lucas{K: 2 * perDay / math.Log(3), H: d.H / math.Log(3)}
	for _, increase := range []float64{1, 2, 3} {
		l := must(d.RunLength(increase))(t)
		digits(t, "from 0", must(c.RunLength(increase*perDay, 0))(t)/30.44, l.FromZero, 1e-6)
		digits(t, "from the restart", must(c.RunLength(increase*perDay, c.H/2))(t)/30.44, l.FromRestart, 1e-6)
	}
}

// simulate returns the days until the signal in seeded runs with equal exposure, sorted, and their
// mean with its standard error. It goes from event to event, because on the days between them the
// sum can only fall. The package computes the same by a chain.
func simulate(g incidence.Signal, perDay, increase, start float64, runs int, seed uint64) (days []float64, mean, se float64) {
	random := rand.New(rand.NewPCG(seed, 1985))
	for range runs {
		s, day, last := start, 0.0, 0.0
		event := random.ExpFloat64() / increase / perDay
		for !g.Signals(s) {
			day = math.Floor(event) + 1
			n := 0.0
			for ; event < day; n++ {
				event += random.ExpFloat64() / increase / perDay
			}
			down := perDay * (g.R - 1)
			s = max(0, max(0, s-(day-last-1)*down)+n*math.Log(g.R)-down)
			last = day
		}
		days = append(days, day)
		mean += day / float64(runs)
	}
	for _, d := range days {
		se += (d - mean) * (d - mean)
	}
	slices.Sort(days)
	return days, mean, math.Sqrt(se / float64(runs-1) / float64(runs))
}

// dayByDay is the mean run length in days and its standard error, by Step alone.
func dayByDay(g incidence.Signal, perDay, increase float64, runs int, seed uint64) (mean, se float64) {
	random := rand.New(rand.NewPCG(seed, 7))
	var sum, squares float64
	for range runs {
		n, s := 0.0, 0.0
		for ; !g.Signals(s); n++ {
			s, _ = g.Step(s, poisson(random, increase*perDay), perDay)
		}
		sum, squares = sum+n, squares+n*n
	}
	mean = sum / float64(runs)
	return mean, math.Sqrt((squares/float64(runs) - mean*mean) / float64(runs))
}

// The chain agrees with both simulations within three standard errors.
func TestRunLengthSimulated(t *testing.T) {
	for i, c := range []struct{ size, r, increase float64 }{{20, 2, 1}, {20, 2, 2}, {60, 3, 1}, {60, 3, 3}, {300, 2, 1}, {300, 2, 2}} {
		d := must(incidence.DesignFor(incidence.Setting{PatientMonths: c.size, Rate: 0.26}, c.r, 60))(t)
		perDay := d.Expected() / incidence.DaysPerMonth
		exact := must(d.RunLength(c.increase))(t)
		_, mean, se := simulate(d.Signal, perDay, c.increase, 0, 20_000, uint64(i))
		t.Logf("%+v: %.2f days, simulated %.2f (standard error %.2f)", c, exact.FromZero*30.44, mean, se)
		near(t, "from 0", mean, exact.FromZero*30.44, 3*se)
		_, mean, se = simulate(d.Signal, perDay, c.increase, d.Restart(), 20_000, uint64(i)+100)
		near(t, "from the restart", mean, exact.FromRestart*30.44, 3*se)
		mean, se = dayByDay(d.Signal, perDay, c.increase, 300, uint64(i))
		near(t, "day by day", mean, exact.FromZero*30.44, 3*se)
	}
}

// The chance of a signal within a time, by following every possible sum from day to day, from 0
// and from shares of the threshold, and where the signal is the first event by
// 1 - e^(-events expected).
func TestChanceWithinATime(t *testing.T) {
	for _, c := range []struct{ patients, rate, r, increase, months, from float64 }{
		{20, 0.26, 2, 1, 12, 0}, {20, 0.26, 2, 3, 12, 0}, {60, 0.26, 3, 2, 6, 0}, {200, 0.9, 2, 1, 12, 0}, {200, 0.9, 1.5, 2, 1, 0},
		{900, 3, 2, 2, 0.5, 0},
		{20, 0.26, 2, 1, 12, 0.5}, {60, 0.26, 3, 2, 6, 0.5}, {200, 0.9, 2, 1, 12, 0.9}, {20, 0.26, 2, 1, 12, 1},
	} {
		d := must(incidence.DesignFor(incidence.Setting{PatientMonths: c.patients, Rate: c.rate}, c.r, 120))(t)
		mean := c.patients * c.rate / 100 / incidence.DaysPerMonth
		days := int(math.Round(c.months * incidence.DaysPerMonth))
		from := d.H * c.from
		sums, signal := map[int64]float64{int64(math.Round(from * 1e12)): 1}, 0.0
		if from == d.H {
			sums, signal = nil, 1
		}
		for range days {
			next := map[int64]float64{}
			for key, p := range sums {
				chance := math.Exp(-mean * c.increase)
				for y := 0; y < 40; y++ {
					to := max(0, float64(key)/1e12+float64(y)*math.Log(c.r)-mean*(c.r-1))
					if to >= d.H {
						signal += p * chance
					} else {
						next[int64(math.Round(to*1e12))] += p * chance
					}
					chance *= mean * c.increase / float64(y+1)
				}
			}
			sums = next
		}
		got := must(d.ChanceFrom(from, c.increase, c.months))(t)
		t.Logf("%+v: %.6f", c, got)
		near(t, "the chance", got, signal, 1e-9)
		if c.from == 0 {
			near(t, "the chance from 0", must(d.Chance(c.increase, c.months))(t), signal, 1e-9)
		}
	}
	one := must(incidence.DesignFor(incidence.Setting{PatientMonths: 2, Rate: 0.26}, 2, 120))(t)
	near(t, "the chance of the first event", must(one.Chance(3, 24))(t), -math.Expm1(-3*2*0.26/100*math.Round(24*30.44)/30.44), 1e-9)
	never := must(incidence.DesignFor(incidence.Setting{PatientMonths: 60, Rate: 0.26}, 2, 120))(t)
	near(t, "the chance on one day", must(never.Chance(1, 1/incidence.DaysPerMonth))(t),
		must(never.Chance(1, 1.2/incidence.DaysPerMonth))(t), 0)
}

// Half of the simulated runs end by their median, nine in ten by that of nine.
func TestChanceIsThatOfSimulation(t *testing.T) {
	for i, c := range []struct{ patients, r, increase float64 }{{20, 2, 2}, {60, 2, 1}, {60, 3, 3}, {200, 2, 5}} {
		d := must(incidence.DesignFor(incidence.Setting{PatientMonths: c.patients, Rate: 0.26}, c.r, 60))(t)
		days, _, _ := simulate(d.Signal, d.Expected()/incidence.DaysPerMonth, c.increase, 0, 20_000, uint64(i)+40)
		half, nine := days[len(days)/2-1], days[len(days)*9/10-1]
		within := func(days float64) float64 {
			return must(d.Chance(c.increase, days/incidence.DaysPerMonth))(t)
		}
		// Four standard errors of a share of 20,000 runs, and the step of one day.
		near(t, "half", within(half), 0.5, 4*math.Sqrt(0.25/20_000)+within(half)-within(half-1))
		near(t, "nine in ten", within(nine), 0.9, 4*math.Sqrt(0.09/20_000)+within(nine)-within(nine-1))
	}
}
