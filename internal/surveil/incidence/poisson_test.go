package incidence_test

import (
	"errors"
	"math"
	"testing"

	"cannulary/internal/surveil/incidence"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func TestCountLimitsPublished(t *testing.T) {
	// Published tables of Garwood's limits as the trade prints them: 0, 10 and 25 events.
	for _, c := range []struct {
		x            int
		level        float64
		lower, upper float64
		tolerance    float64
	}{
		{0, 0.95, 0, 3.689, 5e-4}, {10, 0.95, 4.80, 18.39, 5e-3},
		{25, 0.95, 16.18, 36.90, 5e-3}, {25, 0.90, 17.38, 34.92, 5e-3},
	} {
		l := must(incidence.CountLimits(c.x, c.level))(t).Exact
		near(t, "lower", l.Lower, c.lower, c.tolerance)
		near(t, "upper", l.Upper, c.upper, c.tolerance)
	}
	// Computed apart from the project from Garwood's formula, and by mid-P.
	for _, c := range []struct {
		x                              int
		exactLower, exactUpper         float64
		midLower, midUpper             float64
		ninetyNineLower, ninetyNineTop float64
	}{
		{0, 0, 3.6889, 0, 2.9957, 0, 5.2983},
		{1, 0.0253, 5.5716, 0.0500, 4.9319, 0.0050, 7.4301},
		{3, 0.6187, 8.7673, 0.7631, 8.1645, 0.3379, 10.9775},
		{5, 1.6235, 11.6683, 1.8320, 11.0824, 1.0779, 14.1498},
		{10, 4.7954, 18.3904, 5.0795, 17.8249, 3.7169, 21.3978},
		{20, 12.2165, 30.8884, 12.5597, 30.3396, 10.3533, 34.6680},
		{100, 81.3640, 121.6268, 81.7918, 121.1035, 76.1205, 128.7606},
	} {
		l := must(incidence.CountLimits(c.x, 0.95))(t)
		near(t, "lower", l.Exact.Lower, c.exactLower, 5.1e-5)
		near(t, "upper", l.Exact.Upper, c.exactUpper, 5.1e-5)
		near(t, "mid-P lower", l.MidP.Lower, c.midLower, 5.1e-5)
		near(t, "mid-P upper", l.MidP.Upper, c.midUpper, 5.1e-5)
		l = must(incidence.CountLimits(c.x, 0.99))(t)
		near(t, "99 % lower", l.Exact.Lower, c.ninetyNineLower, 5.1e-5)
		near(t, "99 % upper", l.Exact.Upper, c.ninetyNineTop, 5.1e-5)
	}
}

// tail is P(x or more), or P(fewer than x), by summing the terms that are small.
func tails(x int, mean float64) (atLeast, below float64) {
	p := distuv.Poisson{Lambda: mean}
	for i := range x {
		below += p.Prob(float64(i))
	}
	for i := x; float64(i) < float64(x)+mean+400; i++ {
		atLeast += p.Prob(float64(i))
	}
	return atLeast, below
}

// By their definition (Garwood 1936): at the lower limit as many or more, and at the upper as
// many or fewer, have half of the rest; with mid-P less half of exactly as many. Sums of
// terms, and Garwood's own formula by chi-squared.
func TestCountLimitsInvertTheTail(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		x := rapid.IntRange(0, 150).Draw(r, "x")
		level := rapid.Float64Range(0.5, 0.999).Draw(r, "level")
		c, err := incidence.CountLimits(x, level)
		if err != nil {
			r.Fatal(err)
		}
		side := (1 - level) / 2
		if x > 0 {
			more, _ := tails(x, c.Exact.Lower)
			near(r, "lower tail", more, side, 1e-9)
			digits(r, "by chi-squared", c.Exact.Lower, distuv.ChiSquared{K: 2 * float64(x)}.Quantile(side)/2, 1e-8)
			more, _ = tails(x, c.MidP.Lower)
			near(r, "mid-P lower", more-distuv.Poisson{Lambda: c.MidP.Lower}.Prob(float64(x))/2, side, 1e-9)
		}
		_, fewer := tails(x+1, c.Exact.Upper)
		near(r, "upper tail", fewer, side, 1e-9)
		digits(r, "by chi-squared", c.Exact.Upper, distuv.ChiSquared{K: 2*float64(x) + 2}.Quantile(1-side)/2, 1e-8)
		_, fewer = tails(x+1, c.MidP.Upper)
		near(r, "mid-P upper", fewer-distuv.Poisson{Lambda: c.MidP.Upper}.Prob(float64(x))/2, side, 1e-9)
		if !(c.Exact.Lower <= c.MidP.Lower && c.MidP.Lower <= float64(x) && float64(x) <= c.MidP.Upper && c.MidP.Upper <= c.Exact.Upper) {
			r.Fatalf("mid-P not within exact: %+v", c)
		}
	})
}

// Exact limits cover at least as often as they say, whatever the mean (Garwood 1936).
func TestCountLimitsCover(t *testing.T) {
	var limits []incidence.Limits
	for x := range 60 {
		limits = append(limits, must(incidence.CountLimits(x, 0.95))(t).Exact)
	}
	for mean := 0.05; mean < 20; mean += 0.05 {
		var covered float64
		for x, l := range limits {
			if l.Lower <= mean && mean <= l.Upper {
				covered += distuv.Poisson{Lambda: mean}.Prob(float64(x))
			}
		}
		if covered < 0.95 {
			t.Errorf("%.2f is covered with %v", mean, covered)
		}
	}
}

func TestRate(t *testing.T) {
	// 9 bacteraemias at 0.073 per 1,000 fistula-days (O'Brien, Clinical Kidney Journal
	// 2012;5:526, read); the limits computed apart from the project.
	r := must(incidence.RateOf(9, 9/0.073*1000, 1000, 0.95))(t)
	near(t, "rate", r.Value, 0.073, 1e-12)
	near(t, "lower", r.Exact.Lower, 0.0334, 5.1e-5)
	near(t, "upper", r.Exact.Upper, 0.1386, 5.1e-5)
	if r.Per != 1000 || r.Events != 9 || r.Level != 0.95 {
		t.Errorf("%+v", r)
	}
	// No event in 240 patient-months: at most so many per 100.
	r = must(incidence.RateOf(0, 240, 100, 0.95))(t)
	near(t, "none", r.Value, 0, 0)
	near(t, "upper of none", r.Exact.Upper, 3.688879454/2.4, 1e-8)
	near(t, "mid-P upper of none", r.MidP.Upper, -math.Log(0.05)/2.4, 1e-12)
}

func TestObservedToPredicted(t *testing.T) {
	// Computed apart from the project.
	s := must(incidence.ObservedToPredicted(4, 1.2, 0.95))(t)
	near(t, "ratio", s.Value, 3.333, 5e-4)
	near(t, "exact lower", s.Exact.Lower, 0.908, 5.1e-4)
	near(t, "exact upper", s.Exact.Upper, 8.535, 5.1e-4)
	near(t, "mid-P lower", s.MidP.Lower, 1.059, 5.1e-4)
	near(t, "mid-P upper", s.MidP.Upper, 8.040, 5.1e-4)
	near(t, "as many or more", s.Test.AtLeast, 0.03377, 5.1e-6)
	near(t, "two-sided", s.Test.Exact, 2*s.Test.AtLeast, 1e-15)
	near(t, "two-sided mid-P", s.Test.MidP, 2*s.Test.AtLeast-distuv.Poisson{Lambda: 1.2}.Prob(4), 1e-12)
	// Here the two conventions disagree, and the decision is by exact.
	if s.MidP.Lower <= 1 || s.Test.MidP >= 0.05 || s.Test.Differs(0.95) {
		t.Errorf("%+v", s)
	}
	if s := must(incidence.ObservedToPredicted(0, 5, 0.95))(t); s.Value != 0 || s.Exact.Lower != 0 || !s.Test.Differs(0.95) {
		t.Errorf("none of five: %+v", s)
	}
	if s := must(incidence.ObservedToPredicted(1, 1, 0.95))(t); s.Value != 1 || s.Test.Exact != 1 || s.Test.Differs(0.95) {
		t.Errorf("one of one: %+v", s)
	}
}

func TestFewPredicted(t *testing.T) {
	for _, predicted := range []float64{0, 0.3, math.Nextafter(1, 0)} {
		s, err := incidence.ObservedToPredicted(2, predicted, 0.95)
		if !errors.Is(err, incidence.ErrFewPredicted) || s != (incidence.SIR{}) {
			t.Errorf("%v: %+v, %v", predicted, s, err)
		}
	}
}

// The decision and the exact limits never contradict each other; nor do P and mid-P limits.
func TestTestAgreesWithLimits(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		x := rapid.IntRange(0, 60).Draw(r, "x")
		e := rapid.Float64Range(1, 40).Draw(r, "e")
		level := rapid.Float64Range(0.6, 0.999).Draw(r, "level")
		s, err := incidence.ObservedToPredicted(x, e, level)
		if err != nil {
			r.Fatal(err)
		}
		if out := s.Exact.Lower > 1 || s.Exact.Upper < 1; out != s.Test.Differs(level) {
			r.Fatalf("%+v", s)
		}
		if out := s.MidP.Lower > 1 || s.MidP.Upper < 1; out != (s.Test.MidP < 1-level) {
			r.Fatalf("mid-P: %+v", s)
		}
	})
}
