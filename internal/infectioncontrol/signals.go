package infectioncontrol

import (
	"fmt"

	"cannulary/internal/incidence"
	"cannulary/internal/surveil"
)

// shownDays is how far back a chart is told: two years.
const shownDays = 730

func charts(w *surveil.Watch) []Chart {
	out := []Chart{}
	for i := range w.Charts {
		out = append(out, chart(w, &w.Charts[i]))
	}
	return out
}

func chart(w *surveil.Watch, ch *surveil.WatchedChart) Chart {
	t := ch.Threshold
	c := Chart{ChartName: t.ChartName, Reference: six(t.Reference), RateRatio: six(t.R), Threshold: six(t.H), InControl: six(t.InControl),
		SetBy: t.SetBy, Sum: six(ch.Sum()), Signals: []Signal{}, Points: []ChartPoint{}}
	if t.Stands() {
		c.From = t.From.String()
	}
	for _, s := range ch.Signals {
		one := Signal{Day: s.Day.String(), Sum: six(s.Sum)}
		for _, a := range ch.Acknowledgements {
			if s.Acknowledged != "" && a.Fact == s.Acknowledged {
				one.On, one.By, one.Reason = a.On.String(), a.By, a.Reason
			}
		}
		c.Signals = append(c.Signals, one)
	}
	s := ch.Standing()
	c.Standing = s != nil
	switch {
	case s != nil && !t.Stands():
		c.Says = fmt.Sprintf("A signal stands since %s, although its threshold was taken back: look into it, and acknowledge it with what was done.", s.Day)
		c.Notice = "What it can notice cannot be said: no threshold is set."
		return c
	case s != nil:
		c.Says = fmt.Sprintf("A signal stands since %s: look into it, and acknowledge it with what was done.", s.Day)
	case len(ch.Points) == 0:
		c.Says = "The chart has not begun yet."
	default:
		c.Says = fmt.Sprintf("No signal stands. The sum is %s of the %s that is a signal.", two(c.Sum), two(c.Threshold))
	}
	c.Notice = canNotice(w, t)
	points := ch.Points
	if len(points) > shownDays {
		points = points[len(points)-shownDays:]
	}
	for i, p := range points {
		if i > 0 && i < len(points)-1 && quiet(points[i-1]) && quiet(p) && quiet(points[i+1]) {
			continue
		}
		c.Points = append(c.Points, ChartPoint{Day: p.Day.String(), Events: p.Events, Sum: six(p.Sum), Restart: p.Restart})
	}
	return c
}

func quiet(p surveil.Point) bool { return p.Events == 0 && !p.Restart && p.Sum == 0 }

// canNotice says what increase the chart as it is set can notice at the unit's size.
func canNotice(w *surveil.Watch, t surveil.Threshold) string {
	patients := w.Size(t.Technique, sizeMonths)
	if patients < 0.5 {
		return fmt.Sprintf("What it can notice cannot be said: on average %s patients were at risk in the last %d whole months.", one(patients), sizeMonths)
	}
	d := incidence.Design{Setting: incidence.Setting{PatientMonths: tenth(patients), Rate: t.Reference}, Signal: incidence.Signal{R: t.R, H: t.H}}
	run, err := d.RunLength(1)
	if err != nil {
		return "What it can notice cannot be said: " + err.Error() + "."
	}
	d.InControl, d.AfterRestart = run.FromZero, run.FromRestart
	n, err := d.Notice(min(noticeWithin, d.InControl/2))
	if err != nil {
		return "What it can notice cannot be said: " + err.Error() + "."
	}
	return n.Sentence()
}

// unset lists the charts that could be kept and are not.
func unset(w *surveil.Watch) Unset {
	out := Unset{Charts: []surveil.ChartName{}}
	for _, t := range []surveil.Technique{surveil.ConstantSite, surveil.OtherFistula} {
		for _, c := range infections() {
			n := surveil.ChartName{Technique: t, Class: c}
			has := false
			for i := range w.Charts {
				has = has || w.Charts[i].Threshold.ChartName == n && w.Charts[i].Threshold.Stands()
			}
			if !has {
				out.Charts = append(out.Charts, n)
			}
		}
	}
	if len(out.Charts) > 0 {
		out.How = fmt.Sprintf("To have a chart, compute its threshold with `cannulary threshold --facility %s --technique %s --class %s`; with --set-by it writes the message that sets it.", w.Facility, out.Charts[0].Technique, out.Charts[0].Class)
	}
	return out
}

func between(w *surveil.Watch) ([]Between, error) {
	var out []Between
	for _, c := range infections() {
		for _, g := range []surveil.Group{surveil.AllAccess, surveil.Group(surveil.ConstantSite), surveil.Group(surveil.OtherFistula)} {
			b, err := gaps(w, c, g)
			if err != nil {
				return nil, err
			}
			out = append(out, b)
		}
	}
	return out, nil
}

func gaps(w *surveil.Watch, c surveil.Class, g surveil.Group) (Between, error) {
	b := Between{Class: c, Group: g, Gaps: []Gap{}}
	list := w.Cases(c, g, surveil.First, w.AsOf)
	if len(list) == 0 {
		b.Says = "No event is on record."
		return b, nil
	}
	last := list[len(list)-1].Day
	since := int(w.AsOf - last)
	b.Last, b.Since = last.String(), &since
	days := w.Gaps(c, g)
	for i, d := range days {
		l, err := gapLimits(days[:i])
		if err != nil {
			return b, err
		}
		b.Gaps = append(b.Gaps, Gap{Day: list[i+1].Day.String(), Days: int(d), Limits: l})
	}
	var err error
	if b.Limits, err = gapLimits(days); err != nil {
		return b, err
	}
	b.Says = spaced(&b)
	return b, nil
}

// fewGaps is how many gaps there must be for limits (ours): the upper one by fewer is so
// high that it says nothing.
const fewGaps = 3

// beyond is the probability beyond each limit of days between events, so that these limits
// are 95 % as all others are. The sequential signal decides; this is a view beside it.
const beyond = 0.025

// gapLimits are the limits for the next gap; nil where the gaps before it tell none.
func gapLimits(days []float64) (*GapLimits, error) {
	sum := 0.0
	for _, d := range days {
		sum += d
	}
	if len(days) < fewGaps || sum == 0 {
		return nil, nil
	}
	t, err := incidence.TChart(days, beyond)
	if err != nil {
		return nil, err
	}
	return &GapLimits{six(t.Lower), six(t.Centre), six(t.Upper)}, nil
}

func spaced(b *Between) string {
	if b.Limits == nil {
		return "Too few events for limits."
	}
	newest := b.Gaps[len(b.Gaps)-1]
	switch {
	case newest.Limits != nil && float64(newest.Days) < newest.Limits.Lower:
		return fmt.Sprintf("The newest event came %d days after the one before, sooner than the limit. By itself that is no proof; look at the signal.", newest.Days)
	case float64(*b.Since) > b.Limits.Upper:
		return "No event for longer than the limit: things have become better, or reports are missing."
	}
	return "Within the limits."
}
