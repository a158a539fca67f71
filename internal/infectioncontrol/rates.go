package infectioncontrol

import (
	"fmt"
	"math"

	"cannulary/internal/incidence"
	"cannulary/internal/surveil"
)

func rates(w *surveil.Watch, m surveil.Month) ([]Rate, error) {
	var out []Rate
	for _, c := range surveil.Classes() {
		for _, g := range surveil.Groups() {
			for _, win := range []struct {
				name string
				of   surveil.Period
			}{{WindowMonth, surveil.One(m)}, {WindowYear, surveil.Year(m)}} {
				l, err := w.Line(c, g, win.of)
				if err != nil {
					return nil, err
				}
				out = append(out, rate(&l, win.name))
			}
		}
	}
	return out, nil
}

func rate(l *surveil.Line, window string) Rate {
	r := Rate{Class: l.Class, Group: l.Group, Window: window, Events: l.Events, AccessDays: l.AccessDays,
		PerHundred: estimate(l.PerHundred), NoPerHundred: l.NoCensus, PerThousand: estimate(l.PerThousand), NoSIR: l.NoSIR}
	if l.NoCensus == "" {
		n := l.PatientMonths
		r.PatientMonths = &n
	}
	if l.PerThousand == nil {
		r.NoPerThousand = nobody
	}
	if s := l.SIR; s != nil {
		r.SIR = &SIR{Predicted: six(s.Predicted), P: six(s.Test.Exact), Estimate: Estimate{Value: six(s.Value), Exact: interval(s.Exact), MidP: interval(s.MidP)}}
	}
	return r
}

// monthly are the rates that the figure shows, of the months since the record began.
func monthly(w *surveil.Watch, m surveil.Month) ([]MonthlyRate, error) {
	var out []MonthlyRate
	for month := surveil.Year(m).From; month <= m; month++ {
		if month.Last() < w.Since {
			continue
		}
		for _, g := range []surveil.Group{surveil.Group(surveil.ConstantSite), surveil.Group(surveil.OtherFistula)} {
			l, err := w.Line(surveil.AccessRelated, g, surveil.One(month))
			if err != nil {
				return nil, err
			}
			out = append(out, MonthlyRate{Month: month.String(), Group: g, Events: l.Events, AccessDays: l.AccessDays, PerThousand: estimate(l.PerThousand), Partial: observed(w, surveil.One(month)) < month.Days()})
		}
	}
	return out, nil
}

func comparisons(w *surveil.Watch, m surveil.Month) ([]Comparison, error) {
	var out []Comparison
	for _, class := range infections() {
		c, err := w.Compare(class, surveil.Year(m))
		if err != nil {
			return nil, err
		}
		out = append(out, comparison(&c))
	}
	return out, nil
}

func comparison(c *surveil.Comparison) Comparison {
	out := Comparison{Class: c.Class, Events: c.ConstantSite.Events, AccessDays: c.ConstantSite.AccessDays, OtherEvents: c.Other.Events, OtherAccessDays: c.Other.AccessDays}
	if c.Ratio == nil {
		out.Says = "No ratio: " + c.Why + "."
		return out
	}
	exact, midP, p, pMidP := interval(c.Ratio.Exact), interval(c.Ratio.MidP), six(c.Ratio.Test.Exact), six(c.Ratio.Test.MidP)
	out.Exact, out.MidP, out.P, out.PMidP = &exact, &midP, &p, &pMidP
	out.MoreThanByChance = c.Ratio.Test.Differs(surveil.Level)
	if !math.IsInf(c.Ratio.Value, 1) {
		v := six(c.Ratio.Value)
		out.Ratio = &v
	}
	out.Says = compared(&out)
	return out
}

// compared says in a sentence what a ratio means.
func compared(c *Comparison) string {
	var found string
	if c.Ratio == nil {
		found = "All events were with constant-site needling, so the ratio has no value and no upper limit"
	} else {
		found = fmt.Sprintf("Constant-site needling had %s times the rate of other needling", two(*c.Ratio))
	}
	within := fmt.Sprintf("anything from %s times upwards", two(c.Exact.Lower))
	if c.Exact.Upper != nil {
		within = fmt.Sprintf("anything from %s to %s times", two(c.Exact.Lower), two(*c.Exact.Upper))
	}
	if c.MoreThanByChance {
		return fmt.Sprintf("%s; that is more than chance explains (p = %s), and fits %s.", found, three(*c.P), within)
	}
	return fmt.Sprintf("%s; that fits %s, so no difference is shown, and none is excluded (p = %s).", found, within, three(*c.P))
}

func funnels(w *surveil.Watch, all []*surveil.Watch, m surveil.Month) ([]Funnel, error) {
	var out []Funnel
	for _, c := range infections() {
		f, err := funnel(w, all, c, surveil.Year(m))
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	return out, nil
}

// funnel compares the facilities whose record reaches the end of the year. What is expected
// is what each would have had at the rates of all of them together, technique by technique.
func funnel(w *surveil.Watch, all []*surveil.Watch, c surveil.Class, p surveil.Period) (Funnel, error) {
	out := Funnel{Class: c, Points: []FunnelPoint{}}
	var reach []*surveil.Watch
	for _, o := range all {
		if o.AsOf >= min(p.To.Last(), w.AsOf) {
			reach = append(reach, o)
		}
	}
	switch {
	case len(all) < 2:
		out.Says = "There is one facility in this register, so there is none to compare it with."
		return out, nil
	case len(reach) < 2:
		out.Says = "No other facility's record reaches the end of the month, so there is none to compare with."
		return out, nil
	}
	out.Says = "Expected is what the facility would have had at the rates of all facilities together, technique by technique."
	events, days := map[surveil.Technique]int{}, map[surveil.Technique]int{}
	for _, o := range reach {
		for _, t := range surveil.Techniques() {
			events[t] += counted(o, c, t, p)
			days[t] += o.AccessDays(surveil.Group(t), p)
		}
	}
	for _, o := range reach {
		pt := FunnelPoint{Facility: o.Facility}
		for _, t := range surveil.Techniques() {
			pt.Events += counted(o, c, t, p)
			if days[t] > 0 {
				pt.Expected += float64(events[t]) * float64(o.AccessDays(surveil.Group(t), p)) / float64(days[t])
			}
		}
		if pt.Expected < 0.005 {
			pt.Says = "next to nothing is expected, so there are no limits"
			pt.Expected = six(pt.Expected)
			out.Points = append(out.Points, pt)
			continue
		}
		f, err := incidence.FunnelLimits(pt.Expected)
		if err != nil {
			return out, err
		}
		pt.Expected, pt.Inner, pt.Outer, pt.Says = six(pt.Expected), interval(f.Inner), interval(f.Outer), placed(float64(pt.Events), f)
		out.Points = append(out.Points, pt)
	}
	return out, nil
}

func counted(w *surveil.Watch, c surveil.Class, t surveil.Technique, p surveil.Period) int {
	return len(w.Cases(c, surveil.Group(t), p.From.First(), min(p.To.Last(), w.AsOf)))
}

func placed(events float64, f incidence.Funnel) string {
	switch {
	case events > f.Outer.Upper:
		return "above the 99.8 % limit: far more than chance explains"
	case events > f.Inner.Upper:
		return "above the 95 % limit: to be looked at"
	case events < f.Outer.Lower:
		return "below the 99.8 % limit: far fewer than chance explains, or reports are missing"
	case events < f.Inner.Lower:
		return "below the 95 % limit"
	}
	return "within the limits"
}
