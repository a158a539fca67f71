package incidence_test

import (
	"math"
	"strings"
	"testing"

	"cannulary/internal/surveil/incidence"

	"pgregory.net/rapid"
)

// failed is the error of a call.
func failed[V any](_ V, err error) error { return err }

func TestRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	signal := incidence.Signal{R: 2, H: 1}
	twenty := incidence.Setting{PatientMonths: 20, Rate: 0.26}
	design := must(incidence.DesignFor(twenty, 2, 120))(t)
	ok := incidence.Group{Events: 1, Exposure: 10}
	for _, c := range []struct {
		err  error
		want string
	}{
		{failed(incidence.CountLimits(2_000_000, 0.95)), "from 0 to 1000000; it is 2000000"},
		{failed(incidence.CountLimits(2, 95)), "the confidence level must lie between 0.5 and 0.9999 (0.95 for 95 %); it is 95"},
		{failed(incidence.CountLimits(2, nan)), "it is NaN"},
		{failed(incidence.CountLimits(2, 1)), "confidence level"},
		{failed(incidence.RateOf(2, 0, 100, 0.95)), "the exposure must lie between 1e-06 and 1e+12; it is 0"},
		{failed(incidence.RateOf(2, inf, 100, 0.95)), "it is +Inf"},
		{failed(incidence.RateOf(2, 10, -100, 0.95)), "the unit of the rate must lie between"},
		{failed(incidence.RateOf(-2, 10, 100, 0.95)), "it is -2"},
		{failed(incidence.ObservedToPredicted(2, -1, 0.95)), "the predicted number of events must lie between 0 and 900000; it is -1"},
		{failed(incidence.ObservedToPredicted(2, nan, 0.95)), "it is NaN"},
		{failed(incidence.ObservedToPredicted(-2, 0.5, 0.95)), "the number of events must be a count"},
		{failed(incidence.ObservedToPredicted(2, 0.5, 0.95)), "no ratio is given: fewer than one event was predicted"},
		{failed(incidence.RateRatio(incidence.Group{Events: -1, Exposure: 1}, ok, 0.95)),
			"the number of events of the first group must be a count"},
		{failed(incidence.RateRatio(ok, incidence.Group{Events: -1, Exposure: 1}, 0.95)),
			"the number of events of the second group must be a count"},
		{failed(incidence.RateRatio(incidence.Group{Exposure: nan}, ok, 0.95)),
			"the exposure of the first group must lie between 1e-06 and 1e+12; it is NaN"},
		{failed(incidence.RateRatio(ok, incidence.Group{}, 0.95)),
			"the exposure of the second group must lie between 1e-06 and 1e+12; it is 0"},
		{failed(incidence.RateRatio(ok, ok, 0.2)), "confidence level"},
		{failed(incidence.FunnelLimits(0)), "the expected number of events must lie between 1e-06 and 900000; it is 0"},
		{failed(incidence.FunnelLimits(1e6)), "it is 1e+06"},
		{failed(incidence.TChart(nil, 0.025)), "the gaps between events must be at least one; there is none"},
		{failed(incidence.TChart([]float64{4, -1}, 0.025)), "gap 2 between events must lie between 0 and 1e+12; it is -1"},
		{failed(incidence.TChart([]float64{0, 0}, 0.025)), "the mean time between events must lie"},
		{failed(incidence.TChart([]float64{4}, 0)), "the probability beyond a limit must lie between 1e-06 and 0.25; it is 0"},
		{failed(incidence.TChartKnown(inf, 0.025)), "the mean time between events must lie"},
		{failed(incidence.TChartKnown(40, 0.975)), "the probability beyond a limit must lie"},
		{failed(incidence.Lucas{K: 1e-6, H: 1000}.RunLength(1e-6, 0)),
			"the run length is too long to compute: the threshold is too high, or the expected number of events too low"},
		{failed(incidence.Signal{R: 1, H: 1}.Step(0, 0, 0.1)), "the increase R must lie between 1.25 and 20; it is 1"},
		{failed(incidence.Signal{R: 2}.Weight(0, 0.1)), "the threshold H must lie between 0.001 and 100; it is 0"},
		{failed(signal.Step(nan, 0, 0.1)), "the sum must lie"},
		{failed(signal.Step(0, -1, 0.1)), "the number of events must be a count"},
		{failed(signal.Step(0, 0, -0.1)), "the expected number of events must lie"},
		{failed(signal.Weight(1, 0)),
			"the expected number of events is 0, so nobody was at risk, but there are events: 1; correct the exposure or the day"},
		{failed(incidence.DesignFor(incidence.Setting{PatientMonths: nan, Rate: 1}, 2, 120)),
			"the exposure in patient-months a month must lie"},
		{failed(incidence.DesignFor(incidence.Setting{PatientMonths: 20, Rate: -1}, 2, 120)),
			"the reference rate per 100 patient-months must lie"},
		{failed(incidence.DesignFor(incidence.Setting{PatientMonths: 0.1, Rate: 0.26}, 2, 120)),
			"the number of events expected in a month must lie between 0.002 and 30; it is 0.00026"},
		{failed(incidence.DesignFor(twenty, 1, 120)), "the increase R must lie"},
		{failed(incidence.DesignFor(twenty, 2, nan)), "the wanted months between false alarms must lie between 1 and 600; it is NaN"},
		{failed(design.RunLength(-1)), "the true increase must lie between 0.01 and 1000; it is -1"},
		{failed(incidence.Design{}.RunLength(1)), "the exposure in patient-months a month must lie"},
		{failed(design.Chance(0, 12)), "the true increase must lie between 0.01 and 1000; it is 0"},
		{failed(design.ChanceFrom(-0.1, 2, 12)), "the sum must lie between 0 and 1e+12; it is -0.1"},
		{failed(design.Chance(2, 601)), "the number of months to notice within must lie between 0.0328515111695138 and 600; it is 601"},
		{failed(incidence.Design{}.Chance(2, 12)), "the exposure in patient-months a month must lie"},
		{failed(design.Notice(0)), "the number of months to notice within must lie"},
		{failed(design.Notice(150)), "the number of months to notice within must be below the 120.1 between false alarms; it is 150"},
		{failed(incidence.Design{}.Notice(1)), "the exposure in patient-months a month must lie"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("%v, want %q", c.err, c.want)
		}
	}
}

// wild are numbers as no one should send them, and some that one may.
func wild() *rapid.Generator[float64] {
	return rapid.OneOf(
		rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -1, 1e-320, 1e-6, 1e12, 1e300, 900_000, 1}),
		rapid.Float64Range(0, 3), rapid.Float64Range(0, 1e6), rapid.Float64(),
	)
}

// Whatever comes, the answer is an error or limits in order; never a panic, never NaN.
func TestWildInput(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		x := rapid.OneOf(rapid.IntRange(-2, 40), rapid.IntRange(0, incidence.MostEvents+1)).Draw(r, "x")
		y := rapid.OneOf(rapid.IntRange(-2, 40), rapid.IntRange(0, incidence.MostEvents+1)).Draw(r, "y")
		a, b := wild().Draw(r, "a"), wild().Draw(r, "b")
		level := rapid.OneOf(rapid.SampledFrom([]float64{0.5, 0.95, 0.9999}), wild()).Draw(r, "level")
		order := func(what string, err error, values ...float64) {
			if err != nil {
				return
			}
			for i, v := range values {
				if math.IsNaN(v) || i > 0 && v < values[i-1] {
					r.Fatalf("%s: %v", what, values)
				}
			}
		}
		c, err := incidence.CountLimits(x, level)
		order("count", err, 0, c.Exact.Lower, c.MidP.Lower, float64(x), c.MidP.Upper, c.Exact.Upper)
		rate, err := incidence.RateOf(x, a, b, level)
		order("rate", err, 0, rate.Exact.Lower, rate.Value, rate.Exact.Upper)
		s, err := incidence.ObservedToPredicted(x, a, level)
		order("ratio to predicted", err, 0, s.Exact.Lower, s.Value, s.Exact.Upper)
		order("its p", err, 0, s.Test.MidP, s.Test.Exact, 1)
		q, err := incidence.RateRatio(incidence.Group{Events: x, Exposure: a}, incidence.Group{Events: y, Exposure: b}, level)
		order("rate ratio's limits", err, 0, q.Exact.Lower, q.MidP.Lower, q.MidP.Upper, q.Exact.Upper)
		order("its p", err, 0, q.Test.MidP, q.Test.Exact, 1)
		f, err := incidence.FunnelLimits(a)
		order("funnel", err, 0, f.Outer.Lower, f.Inner.Lower, f.Inner.Upper, f.Outer.Upper)
		c2, err := incidence.TChart([]float64{a, b}, 0.001)
		order("t-chart", err, 0, c2.Lower, c2.Centre, c2.Upper)
		w, err := incidence.Signal{R: 2, H: 1}.Step(a, x, b)
		order("signal", err, 0, w)
	})
}
