package incidence_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"cannulary/internal/surveil/incidence"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func TestFunnelLimits(t *testing.T) {
	// Computed apart from the project, interpolated after Spiegelhalter 2005 (from memory).
	for _, c := range []struct{ e, inner, outer float64 }{{1, 2.9019, 4.8676}, {5, 9.3766, 12.7714}, {20, 28.7458, 34.7135}} {
		f := must(incidence.FunnelLimits(c.e))(t)
		near(t, "95 %", f.Inner.Upper, c.inner, 5.1e-5)
		near(t, "99.8 %", f.Outer.Upper, c.outer, 5.1e-5)
	}
	// With e expected, none has the probability e^-e: above 2.5 % there is no lower limit,
	// below it there is one above 0.
	for _, c := range []struct {
		e    float64
		none bool
	}{{3.6, true}, {3.8, false}} {
		if f := must(incidence.FunnelLimits(c.e))(t); (f.Inner.Lower == 0) != c.none {
			t.Errorf("%v expected: lower limit %v", c.e, f.Inner.Lower)
		}
	}
}

func TestFunnelProperties(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		e := rapid.Float64Range(0.01, 2000).Draw(r, "e")
		f, err := incidence.FunnelLimits(e)
		if err != nil {
			r.Fatal(err)
		}
		if !(0 <= f.Outer.Lower && f.Outer.Lower <= f.Inner.Lower && f.Inner.Lower < e && f.Inner.Upper <= f.Outer.Upper) {
			r.Fatalf("%+v", f)
		}
		// Beyond a limit lies at most what it says, and one count nearer more than that.
		p := distuv.Poisson{Lambda: e}
		if above := 1 - p.CDF(math.Ceil(f.Outer.Upper)); above > 0.001+1e-12 {
			r.Fatalf("%v above %v", above, f.Outer.Upper)
		}
		if above := 1 - p.CDF(math.Ceil(f.Inner.Upper)-1); above < 0.025-1e-12 {
			r.Fatalf("%v above %v less one", above, f.Inner.Upper)
		}
		g, err := incidence.FunnelLimits(e * 1.01)
		if err != nil || g.Inner.Upper < f.Inner.Upper || g.Inner.Lower < f.Inner.Lower {
			r.Fatalf("more expected, lower limits: %+v %+v %v", f, g, err)
		}
	})
}

// By the exponential distribution's own quantiles.
func TestTChartKnown(t *testing.T) {
	c := must(incidence.TChartKnown(40, 0.00135))(t)
	p := distuv.Exponential{Rate: 1.0 / 40}
	near(t, "below", p.CDF(c.Lower), 0.00135, 1e-12)
	near(t, "above", p.Survival(c.Upper), 0.00135, 1e-12)
	near(t, "centre", p.CDF(c.Centre), 0.5, 1e-12)
	if c.Gaps != 0 || c.Mean != 40 {
		t.Errorf("%+v", c)
	}
}

// By the F distribution, and by what happens: the next gap after n of the same kind.
func TestTChart(t *testing.T) {
	gaps := []float64{30, 50, 10, 90, 20}
	c := must(incidence.TChart(gaps, 0.025))(t)
	f := distuv.F{D1: 2, D2: 10}
	near(t, "mean", c.Mean, 40, 1e-12)
	near(t, "below", f.CDF(c.Lower/40), 0.025, 1e-9)
	near(t, "above", f.Survival(c.Upper/40), 0.025, 1e-9)
	near(t, "centre", f.CDF(c.Centre/40), 0.5, 1e-9)
	if c.Gaps != 5 {
		t.Errorf("%+v", c)
	}
	random := rand.New(rand.NewPCG(5, 1994))
	var soon, late, known float64
	const runs = 20000
	for range runs {
		for i := range gaps {
			gaps[i] = random.ExpFloat64() * 40
		}
		next := random.ExpFloat64() * 40
		c := must(incidence.TChart(gaps, 0.025))(t)
		k := must(incidence.TChartKnown(c.Mean, 0.025))(t)
		if next < c.Lower {
			soon++
		}
		if next > c.Upper {
			late++
		}
		if next > k.Upper {
			known++
		}
	}
	se := math.Sqrt(0.025 * 0.975 / runs)
	near(t, "too soon", soon/runs, 0.025, 3*se)
	near(t, "too late", late/runs, 0.025, 3*se)
	if known/runs < 0.025+10*se {
		t.Errorf("taking five gaps for the truth does no harm: %v", known/runs)
	}
	// Many gaps are as good as knowing.
	many := make([]float64, 100_000)
	for i := range many {
		many[i] = 40
	}
	near(t, "of many", must(incidence.TChart(many, 0.025))(t).Upper, must(incidence.TChartKnown(40, 0.025))(t).Upper, 0.01)
}
