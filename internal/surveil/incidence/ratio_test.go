package incidence_test

import (
	"math"
	"testing"

	"cannulary/internal/surveil/incidence"

	"pgregory.net/rapid"
)

func TestRateRatio(t *testing.T) {
	for _, c := range []struct {
		what                 string
		one, two             incidence.Group
		value                float64
		lower, upper         float64
		midLower, midUpper   float64
		p                    float64
		vTol, lTol, uTol, pT float64
	}{
		// Counts and patient-years: Nesrallah, CJASN 2010, read, the 8 by subtraction; the
		// ratio computed apart from the project. (The paper's 6.4 is an odds ratio.)
		{"8 in 93.4 against 2 in 193.5", incidence.Group{Events: 8, Exposure: 93.4}, incidence.Group{Events: 2, Exposure: 193.5},
			8.29, 1.654, 80.10, 1.916, 57.12, 0.005746, 5e-3, 5.1e-4, 5.1e-3, 5.1e-7},
		// Computed apart from the project.
		{"6 in 1,200 against 4 in 3,600", incidence.Group{Events: 6, Exposure: 1200}, incidence.Group{Events: 4, Exposure: 3600},
			4.5, 1.0671, 21.6807, 0, 0, 0.039455, 1e-12, 5.1e-5, 5.1e-5, 5.1e-7},
	} {
		r := must(incidence.RateRatio(c.one, c.two, 0.95))(t)
		near(t, c.what+", ratio", r.Value, c.value, c.vTol)
		near(t, c.what+", lower", r.Exact.Lower, c.lower, c.lTol)
		near(t, c.what+", upper", r.Exact.Upper, c.upper, c.uTol)
		near(t, c.what+", p", r.Test.Exact, c.p, c.pT)
		if c.midLower > 0 {
			near(t, c.what+", mid-P lower", r.MidP.Lower, c.midLower, c.lTol)
			near(t, c.what+", mid-P upper", r.MidP.Upper, c.midUpper, c.uTol)
		}
		if !r.Test.Differs(0.95) {
			t.Errorf("%s: %+v", c.what, r.Test)
		}
	}
}

func TestRateRatioWithoutEvents(t *testing.T) {
	none, three := incidence.Group{Exposure: 100}, incidence.Group{Events: 3, Exposure: 100}
	r := must(incidence.RateRatio(three, none, 0.95))(t)
	// Given 3 of 3 the lower share is 0.025^(1/3), in closed form; mid-P 0.05^(1/3).
	odds := func(share float64) float64 { return share / (1 - share) }
	if !math.IsInf(r.Value, 1) || !math.IsInf(r.Exact.Upper, 1) || !math.IsInf(r.MidP.Upper, 1) {
		t.Errorf("three against none: %+v", r)
	}
	digits(t, "lower", r.Exact.Lower, odds(math.Cbrt(0.025)), 1e-9)
	digits(t, "mid-P lower", r.MidP.Lower, odds(math.Cbrt(0.05)), 1e-9)
	near(t, "p", r.Test.Exact, 2*0.125, 1e-12)
	near(t, "mid-P", r.Test.MidP, 0.125, 1e-12)

	r = must(incidence.RateRatio(none, three, 0.95))(t)
	if r.Value != 0 || r.Exact.Lower != 0 || r.MidP.Lower != 0 {
		t.Errorf("none against three: %+v", r)
	}
	digits(t, "upper", r.Exact.Upper, 1/odds(math.Cbrt(0.025)), 1e-9)

	r = must(incidence.RateRatio(none, none, 0.95))(t)
	all := incidence.Limits{Lower: 0, Upper: math.Inf(1)}
	if !math.IsNaN(r.Value) || r.Exact != all || r.MidP != all || r.Test != (incidence.Test{AtLeast: 1, AtMost: 1, Exact: 1, MidP: 1}) ||
		r.Test.Differs(0.95) {
		t.Errorf("none against none: %+v", r)
	}
}

// The groups exchanged, everything is upside down.
func TestRateRatioSymmetric(t *testing.T) {
	group := rapid.Custom(func(r *rapid.T) incidence.Group {
		return incidence.Group{Events: rapid.IntRange(0, 80).Draw(r, "events"), Exposure: rapid.Float64Range(0.5, 5000).Draw(r, "exposure")}
	})
	rapid.Check(t, func(r *rapid.T) {
		one, two := group.Draw(r, "one"), group.Draw(r, "two")
		level := rapid.Float64Range(0.6, 0.999).Draw(r, "level")
		a, err := incidence.RateRatio(one, two, level)
		if err != nil {
			r.Fatal(err)
		}
		b, err := incidence.RateRatio(two, one, level)
		if err != nil {
			r.Fatal(err)
		}
		if one.Events+two.Events > 0 {
			digits(r, "ratio", b.Value, 1/a.Value, 1e-12)
		}
		digits(r, "lower", b.Exact.Lower, 1/a.Exact.Upper, 1e-10)
		digits(r, "upper", b.Exact.Upper, 1/a.Exact.Lower, 1e-10)
		digits(r, "mid-P lower", b.MidP.Lower, 1/a.MidP.Upper, 1e-10)
		digits(r, "mid-P upper", b.MidP.Upper, 1/a.MidP.Lower, 1e-10)
		near(r, "p", b.Test.Exact, a.Test.Exact, 1e-10)
		near(r, "mid-P", b.Test.MidP, a.Test.MidP, 1e-10)
		near(r, "sides", b.Test.AtLeast, a.Test.AtMost, 1e-10)
		if math.Abs(a.Test.Exact-(1-level)) > 1e-9 {
			if out := a.Exact.Lower > 1 || a.Exact.Upper < 1; out != a.Test.Differs(level) {
				r.Fatalf("limits and test contradict: %+v", a)
			}
		}
		if a.Exact.Lower > a.MidP.Lower || a.MidP.Upper > a.Exact.Upper {
			r.Fatalf("mid-P not within exact: %+v", a)
		}
	})
}

// In one exposure of a thousand the other group is all but certain: then the first group's
// limits are nearly those of its own count.
func TestRateRatioAgainstMany(t *testing.T) {
	c := must(incidence.CountLimits(3, 0.95))(t)
	r := must(incidence.RateRatio(incidence.Group{Events: 3, Exposure: 1}, incidence.Group{Events: 900_000, Exposure: 900_000}, 0.95))(t)
	digits(t, "lower", r.Exact.Lower, c.Exact.Lower, 2e-3)
	digits(t, "upper", r.Exact.Upper, c.Exact.Upper, 2e-3)
}
