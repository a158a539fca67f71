package incidence_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"cannulary/internal/incidence"

	"pgregory.net/rapid"
)

// At 0.26 per 100 patient-months (the national fistula level of 2014) and a false alarm in
// 10 to 13 years, the delays lie about those simulated apart from the project: 20 patients
// about 40 months for a doubled and 22 for a tripled rate, 60 patients 23 and 11.
func TestDelaysOfASmallUnit(t *testing.T) {
	for _, c := range []struct{ patients, r, about float64 }{{20, 2, 40}, {20, 3, 22}, {60, 2, 23}, {60, 3, 11}} {
		s := incidence.Setting{PatientMonths: c.patients, Rate: 0.26}
		short := must(must(incidence.DesignFor(s, c.r, 120))(t).RunLength(c.r))(t).FromZero
		long := must(must(incidence.DesignFor(s, c.r, 156))(t).RunLength(c.r))(t).FromZero
		t.Logf("%v patients, %v-fold: %.1f to %.1f months", c.patients, c.r, short, long)
		if !(short <= c.about && c.about <= long) {
			t.Errorf("%v patients, %v-fold: %v to %v months, not about %v", c.patients, c.r, short, long, c.about)
		}
	}
}

func TestDesignLeast(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		s := incidence.Setting{PatientMonths: rapid.Float64Range(5, 400).Draw(r, "patients"), Rate: rapid.Float64Range(0.1, 2).Draw(r, "rate")}
		ratio := rapid.Float64Range(1.5, 5).Draw(r, "R")
		months := rapid.Float64Range(12, 240).Draw(r, "months")
		d, err := incidence.DesignFor(s, ratio, months)
		if err != nil {
			r.Fatal(err)
		}
		l, err := d.RunLength(1)
		if err != nil || l.FromZero < months || l.FromZero != d.InControl || l.FromRestart != d.AfterRestart || d.AfterRestart > d.InControl*(1+1e-9) {
			r.Fatalf("%+v runs %+v, wanted %v (%v)", d, l, months, err)
		}
		// In control it runs e to the threshold at least (Lorden 1971, from memory), in days.
		if l.FromZero*incidence.DaysPerMonth < math.Exp(d.H)*(1-1e-9) {
			r.Fatalf("%+v runs %v", d, l)
		}
		doubled, err := d.RunLength(2)
		if err != nil || doubled.FromZero > l.FromZero || doubled.FromRestart > doubled.FromZero*(1+1e-9) {
			r.Fatalf("doubled %+v, in control %+v (%v)", doubled, l, err)
		}
		if d.H -= 0.001; d.H >= 0.001 {
			if l, err := d.RunLength(1); err != nil || l.FromZero >= months {
				r.Fatalf("a lower threshold %v runs %v too (%v)", d.H, l, err)
			}
		}
	})
}

// A unit in which an event is rarer than a false alarm may be.
func TestOneEventIsASignal(t *testing.T) {
	d := must(incidence.DesignFor(incidence.Setting{PatientMonths: 2, Rate: 0.26}, 2, 120))(t)
	if !d.OneEvent() {
		t.Errorf("%+v", d)
	}
	// It waits for one event, on average 1/μ.
	digits(t, "in control", d.InControl, 100/(2*0.26), 1e-3)
	if d := must(incidence.DesignFor(incidence.Setting{PatientMonths: 20, Rate: 0.26}, 2, 120))(t); d.OneEvent() {
		t.Errorf("%+v", d)
	}
}

func TestTable(t *testing.T) {
	rows := must(incidence.Table([]float64{20, 60, 200}, 0.26, 2, 120, []float64{1, 2, 3, 5}))(t)
	if len(rows) != 3 {
		t.Fatal(rows)
	}
	for i, row := range rows {
		near(t, "in control", row.Delays[0].FromZero, row.InControl, 0)
		near(t, "false alarms in ten years", row.FalseAlarms, 120/row.AfterRestart, 1e-12)
		if row.FalseAlarms < 1 || row.FalseAlarms > 1.2 {
			t.Errorf("%v false alarms", row.FalseAlarms)
		}
		for j := range row.Delays[1:] {
			if row.Delays[j+1].FromZero >= row.Delays[j].FromZero {
				t.Errorf("a greater increase takes longer: %+v", row.Delays)
			}
			if i > 0 && row.Delays[j+1].FromZero >= rows[i-1].Delays[j+1].FromZero {
				t.Errorf("a greater unit takes longer: %+v, %+v", row.Delays, rows[i-1].Delays)
			}
		}
		t.Logf("%v patients: H %.3f, %.1f months, %.2f false alarms in ten years, %+v", row.PatientMonths, row.H, row.InControl, row.FalseAlarms, row.Delays)
	}
}

func TestNotice(t *testing.T) {
	d := must(incidence.DesignFor(incidence.Setting{PatientMonths: 20, Rate: 0.26}, 2, 120))(t)
	n := must(d.Notice(12))(t)
	digits(t, "just noticed", must(d.RunLength(n.Increase))(t).FromZero, 12, 1e-4)
	near(t, "doubled", n.Doubled, must(d.RunLength(2))(t).FromZero, 0)
	near(t, "tripled", n.Tripled, must(d.RunLength(3))(t).FromZero, 0)
	for _, c := range []struct {
		patients, rate, within float64
		want                   []string
	}{
		{20, 0.26, 12, []string{
			"With 20 patients and 0.26 events per 100 patient-months as usual, this signal notices a doubled rate after 36 months on average and a tripled one after 20 months;",
			"to be noticed within 12 months on average, the rate must become at least 4.4 times the usual.",
			"While nothing is wrong it gives a false alarm after 10 years on average."}},
		{20, 0.26, 0.1, []string{"not even a rate 100 times the usual is noticed within less than a month on average."}},
		{1, 0.26, 12, []string{"With 1 patient and", "a doubled rate after 16 years", "At this size every single event is a signal."}},
		{900, 3, 1, []string{"a doubled rate after less than a month", "within 1 month on average"}},
	} {
		d := must(incidence.DesignFor(incidence.Setting{PatientMonths: c.patients, Rate: c.rate}, 2, 120))(t)
		n := must(d.Notice(c.within))(t)
		for _, want := range c.want {
			if got := n.Sentence(); !strings.Contains(got, want) {
				t.Errorf("%q is missing in: %s", want, got)
			}
		}
	}
	// Half of what a hundredfold rate takes is too little for any.
	fastest := must(d.RunLength(incidence.MostIncrease))(t).FromZero
	if n := must(d.Notice(fastest * 0.6))(t); !math.IsInf(n.Increase, 1) {
		t.Errorf("%+v", n)
	}
	if n := must(d.Notice(fastest * 1.01))(t); !(n.Increase < incidence.MostIncrease) {
		t.Errorf("%+v", n)
	}
	rare := incidence.Notice{Design: d, Within: 12, Increase: 4, Doubled: 3000, Tripled: 70}
	if got := rare.Sentence(); !strings.Contains(got, "after more than a hundred years on average and a tripled one after 6 years") {
		t.Error(got)
	}
	if got := n.Sentence(); strings.Contains(got, "single event") {
		t.Error(got)
	}
}

// The increase that is named is noticed in time, and no smaller one is.
func TestNoticeLeast(t *testing.T) {
	for _, patients := range []float64{20, 60, 200} {
		d := must(incidence.DesignFor(incidence.Setting{PatientMonths: patients, Rate: 0.26}, 2, 120))(t)
		for _, within := range []float64{3, 12, 60} {
			n := must(d.Notice(within))(t)
			at, less := must(d.RunLength(n.Increase))(t), must(d.RunLength(n.Increase*0.9998))(t)
			if !(at.FromZero <= within && within < less.FromZero) {
				t.Errorf("%+v: %+v, %+v", n, at, less)
			}
		}
	}
}

// A threshold for one unit is found in less than 200 ms: some 3 ms for the increases that a
// small unit may look for, and up to 90 ms for the smallest increase and the longest time.
// Those have no bound here that a busy machine could keep, only one that a mistake would not.
func TestThresholdIsQuick(t *testing.T) {
	for _, c := range []struct {
		patients, rate, r, months float64
		within                    time.Duration
	}{
		{20, 0.26, 2, 120, thresholdWithin}, {60, 0.26, 3, 120, thresholdWithin}, {1000, 3, 2, 240, thresholdWithin},
		{60, 0.26, 1.25, 600, 10 * thresholdWithin}, {5, 0.26, 1.25, 600, 10 * thresholdWithin},
		{0.8, 0.26, 1.25, 600, 10 * thresholdWithin}, {1000, 0.26, 1.25, 600, 10 * thresholdWithin},
	} {
		took := c.within + 1
		for range 5 {
			if took > c.within {
				began := time.Now()
				must(incidence.DesignFor(incidence.Setting{PatientMonths: c.patients, Rate: c.rate}, c.r, c.months))(t)
				took = time.Since(began)
			}
		}
		t.Logf("%+v: %v", c, took)
		if took > c.within {
			t.Errorf("%+v took %v at the fifth try", c, took)
		}
	}
}

func BenchmarkDesignFor(b *testing.B) {
	for b.Loop() {
		if _, err := incidence.DesignFor(incidence.Setting{PatientMonths: 60, Rate: 0.26}, 1.25, 600); err != nil {
			b.Fatal(err)
		}
	}
}
