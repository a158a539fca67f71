package infectioncontrol

import (
	"fmt"

	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
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
				r, err := rate(&l, win.name)
				if err != nil {
					return nil, err
				}
				out = append(out, r)
			}
		}
	}
	return out, nil
}

func rate(l *surveil.Line, window string) (Rate, error) {
	r := Rate{Class: l.Class, Group: l.Group, Window: window, Events: l.Events, AccessDays: l.AccessDays,
		PerHundred: estimate(l.PerHundred), NoPerHundred: l.NoCensus, PerThousand: estimate(l.PerThousand), NoSIR: l.NoSIR}
	if l.NoCensus == "" || l.NoCensus == surveil.CensusNobody {
		r.PatientMonths = new(l.PatientMonths)
	}
	if l.PerThousand == nil {
		r.NoPerThousand = nobody
	}
	if s := l.SIR; s != nil {
		r.SIR = &SIR{Predicted: six(s.Predicted), P: six(s.Test.Exact), Estimate: Estimate{Value: six(s.Value), Exact: interval(s.Exact),
			MidP: interval(s.MidP)}}
	}
	var err error
	r.EventsLimits, err = counted95(l.Events)
	return r, err
}

// monthly returns the rates that the figure shows, for the months since the record began.
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
			limits, err := counted95(l.Events)
			if err != nil {
				return nil, err
			}
			out = append(out, MonthlyRate{Month: month.String(), Group: g, Events: l.Events, EventsLimits: limits, AccessDays: l.AccessDays,
				PerThousand: estimate(l.PerThousand),
				Partial:     observed(w, surveil.One(month)) < month.Days()})
		}
	}
	return out, nil
}

func funnels(w *surveil.Watch, all []*surveil.Watch, m surveil.Month) ([]Funnel, error) {
	var out []Funnel
	for _, c := range surveil.Infections() {
		f, err := funnel(w, all, c, surveil.Year(m))
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	return out, nil
}

// funnel compares the facilities whose record reaches the end of the year. Expected is what each
// would have had at the rates of all of them together, technique by technique.
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
	events, days := map[surveil.Technique]int{}, map[surveil.Technique]int{}
	own, whole := w.AccessDays(surveil.AllAccess, p), 0
	for _, o := range reach {
		whole += o.AccessDays(surveil.AllAccess, p)
		for _, t := range surveil.Techniques() {
			events[t] += counted(o, c, t, p)
			days[t] += o.AccessDays(surveil.Group(t), p)
		}
	}
	out.Says = ownExpectation(own, whole)
	for _, o := range reach {
		pt := FunnelPoint{Facility: o.Facility, AccessDays: o.AccessDays(surveil.AllAccess, p)}
		for _, t := range surveil.Techniques() {
			pt.Events += counted(o, c, t, p)
			if days[t] > 0 {
				pt.Expected += float64(events[t]) * float64(o.AccessDays(surveil.Group(t), p)) / float64(days[t])
			}
		}
		var err error
		if pt.EventsLimits, err = counted95(pt.Events); err != nil {
			return out, err
		}
		if pt.Expected < 0.005 {
			pt.Says = "almost nothing is expected, so there are no limits"
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

// ownExpectation says what is expected, and that the facility itself is a part of it.
func ownExpectation(own, all int) string {
	says := "Expected is what the facility would have had at the rates of all facilities together, technique by technique. " +
		"Each facility is part of its own expectation, so it looks less apart than it is."
	if all > 0 {
		says += fmt.Sprintf(" Of all access-days behind the expectation %.0f %% are this facility's own.", 100*float64(own)/float64(all))
	}
	return says
}

func counted(w *surveil.Watch, c surveil.Class, t surveil.Technique, p surveil.Period) int {
	return len(w.Cases(c, surveil.Group(t), p.From.First(), min(p.To.Last(), w.AsOf)))
}

func placed(events float64, f incidence.Funnel) string {
	switch {
	case events > f.Outer.Upper:
		return "above the 99.8 % limit: far more than chance explains"
	case events > f.Inner.Upper:
		return "above the 95 % limit: look into it"
	case events < f.Outer.Lower:
		return "below the 99.8 % limit: far fewer than chance explains, or reports are missing"
	case events < f.Inner.Lower:
		return "below the 95 % limit"
	}
	return "within the limits"
}
