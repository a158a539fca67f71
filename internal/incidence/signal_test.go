package incidence_test

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"cannulary/internal/incidence"
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

func TestFollow(t *testing.T) {
	g := incidence.Signal{R: math.E, H: 2} // an event adds 1, and a day takes 1.718 of what is expected
	quiet := 0.25 / (math.E - 1)           // takes down a quarter
	days := []incidence.Day{
		{Events: 1, Expected: quiet, Acknowledged: true}, // nothing to acknowledge
		{Events: 1, Expected: quiet},
		{Events: 1, Expected: quiet}, // reached
		{Expected: 2 * quiet},        // fallen below, still standing
		{Expected: quiet, Acknowledged: true},
		{Expected: quiet}, // from the restart
		{Events: 2, Expected: quiet},
	}
	got := must(g.Follow(0, days))(t)
	want := []incidence.Point{{0.75, false}, {1.5, false}, {2.25, true}, {1.75, true}, {1.5, true}, {0.75, false}, {2.5, true}}
	for i := range want {
		near(t, "sum", got[i].Sum, want[i].Sum, 1e-12)
		if got[i].Signal != want[i].Signal {
			t.Errorf("day %d: %+v", i+1, got[i])
		}
	}
	if got := must(g.Follow(0, nil))(t); len(got) != 0 {
		t.Errorf("no days: %v", got)
	}
}

// With equal exposure the signal is Lucas's chart, times ln R.
func TestSignalIsLucas(t *testing.T) {
	d := must(incidence.DesignFor(incidence.Setting{PatientMonths: 60, Rate: 0.26}, 3, 120))(t)
	perDay := 0.26 / 100 * 60 / 30.44
	c := incidence.Cusum{K: must(incidence.ReferenceValue(perDay, 3*perDay))(t), H: d.H / math.Log(3)}
	for _, increase := range []float64{1, 2, 3} {
		l := must(d.RunLength(increase))(t)
		digits(t, "from 0", must(c.RunLength(increase*perDay, 0))(t)/30.44, l.FromZero, 1e-6)
		digits(t, "from the restart", must(c.RunLength(increase*perDay, c.HeadStart()))(t)/30.44, l.FromRestart, 1e-6)
	}
}

// dayByDay is the mean run length in days and its standard error, by Step alone: another way
// than Simulate's, which goes from event to event.
func dayByDay(g incidence.Signal, expected []float64, increase, start float64, runs int, seed uint64) (mean, se float64) {
	random := rand.New(rand.NewPCG(seed, 7))
	var sum, squares float64
	for range runs {
		n, s, day := 0.0, start, random.IntN(len(expected))
		for ; !g.Signals(s); day++ {
			today := expected[day%len(expected)]
			s, _ = g.Step(s, poisson(random, increase*today), today)
			n++
		}
		sum, squares = sum+n, squares+n*n
	}
	mean = sum / float64(runs)
	return mean, math.Sqrt((squares/float64(runs) - mean*mean) / float64(runs))
}

// The chain, Simulate and plain day-by-day simulation agree within three standard errors.
func TestSimulateEqualExposure(t *testing.T) {
	for i, c := range []struct{ size, r, increase float64 }{{20, 2, 1}, {20, 2, 2}, {60, 3, 1}, {60, 3, 3}, {300, 2, 1}, {300, 2, 2}} {
		d := must(incidence.DesignFor(incidence.Setting{PatientMonths: c.size, Rate: 0.26}, c.r, 60))(t)
		perDay := []float64{d.Expected() / incidence.DaysPerMonth}
		exact := must(d.RunLength(c.increase))(t)
		s := must(d.Simulate(perDay, c.increase, 0, 20_000, uint64(i)))(t)
		t.Logf("%+v: %.2f days, simulated %.2f (standard error %.2f), median %v, nine in ten %v", c, exact.FromZero*30.44, s.Mean, s.StandardError, s.Median, s.NineInTen)
		near(t, "from 0", s.Mean, exact.FromZero*30.44, 3*s.StandardError)
		s = must(d.Simulate(perDay, c.increase, d.Restart(), 20_000, uint64(i)+100))(t)
		near(t, "from the restart", s.Mean, exact.FromRestart*30.44, 3*s.StandardError)
		mean, se := dayByDay(d.Signal, perDay, c.increase, 0, 300, uint64(i))
		near(t, "day by day", mean, exact.FromZero*30.44, 3*se)
	}
}

// Exposure that halves over a year, with two days a week without sessions.
func TestSimulateVaryingExposure(t *testing.T) {
	g := incidence.Signal{R: 2, H: 2}
	year := make([]float64, 364)
	for i := range year {
		if i%7 < 5 {
			year[i] = 0.02 * (1 - float64(i)/728)
		}
	}
	for i, increase := range []float64{1, 2, 4} {
		s := must(g.Simulate(year, increase, 0, 20_000, uint64(i)))(t)
		mean, se := dayByDay(g, year, increase, 0, 1000, uint64(i))
		t.Logf("%v: %.2f (%.2f), day by day %.2f (%.2f)", increase, s.Mean, s.StandardError, mean, se)
		near(t, "mean", s.Mean, mean, 3*math.Hypot(s.StandardError, se))
		if !(s.Median < s.Mean && s.Mean < s.NineInTen) || s.Cut != 0 || s.Runs != 20_000 {
			t.Errorf("%+v", s)
		}
	}
}

func TestSimulateRepeats(t *testing.T) {
	g, days := incidence.Signal{R: 2, H: 1}, []float64{0.1, 0, 0.3}
	a, b, c := must(g.Simulate(days, 2, 0, 500, 4))(t), must(g.Simulate(days, 2, 0, 500, 4))(t), must(g.Simulate(days, 2, 0, 500, 5))(t)
	if !reflect.DeepEqual(a, b) || reflect.DeepEqual(a, c) {
		t.Errorf("%+v %+v %+v", a, b, c)
	}
	if s := must(g.Simulate(days, 2, g.H, 500, 4))(t); s.Mean != 0 {
		t.Errorf("from the threshold: %+v", s)
	}
	// Any event signals: geometric days, the mean of 1/(1-e^-0.1).
	any := incidence.Signal{R: 2, H: 0.001}
	s := must(any.Simulate([]float64{0.1}, 1, 0, 100_000, 1))(t)
	near(t, "any event", s.Mean, 1/-math.Expm1(-0.1), 3*s.StandardError)
	near(t, "its median", s.Median, 7, 0)      // the least n with e^(-n/10) ≤ 1/2
	near(t, "nine in ten", s.NineInTen, 24, 1) // and ≤ 1/10, which 23.03 misses by a hair
	near(t, "its error", s.StandardError, math.Sqrt(math.Exp(-0.1))/-math.Expm1(-0.1)/math.Sqrt(100_000), 0.001)
}

// The chance of a signal within a time, by following every possible sum from day to day, from 0
// and from shares of the threshold, and where the signal is the first event by
// 1 - e^(-events expected).
func TestChanceWithinATime(t *testing.T) {
	for _, c := range []struct{ patients, rate, r, increase, months, from float64 }{
		{20, 0.26, 2, 1, 12, 0}, {20, 0.26, 2, 3, 12, 0}, {60, 0.26, 3, 2, 6, 0}, {200, 0.9, 2, 1, 12, 0}, {200, 0.9, 1.5, 2, 1, 0}, {900, 3, 2, 2, 0.5, 0},
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
	near(t, "the chance on one day", must(never.Chance(1, 1/incidence.DaysPerMonth))(t), must(never.Chance(1, 1.2/incidence.DaysPerMonth))(t), 0)
}

// Half of the simulated runs end by their median, nine in ten by that of nine.
func TestChanceIsThatOfSimulation(t *testing.T) {
	for i, c := range []struct{ patients, r, increase float64 }{{20, 2, 2}, {60, 2, 1}, {60, 3, 3}, {200, 2, 5}} {
		d := must(incidence.DesignFor(incidence.Setting{PatientMonths: c.patients, Rate: 0.26}, c.r, 60))(t)
		s := must(d.Simulate([]float64{d.Expected() / incidence.DaysPerMonth}, c.increase, 0, 20_000, uint64(i)+40))(t)
		within := func(days float64) float64 {
			return must(d.Chance(c.increase, days/incidence.DaysPerMonth))(t)
		}
		// Four standard errors of a share of 20,000 runs, and the step of one day.
		near(t, "half", within(s.Median), 0.5, 4*math.Sqrt(0.25/20_000)+within(s.Median)-within(s.Median-1))
		near(t, "nine in ten", within(s.NineInTen), 0.9, 4*math.Sqrt(0.09/20_000)+within(s.NineInTen)-within(s.NineInTen-1))
	}
}
