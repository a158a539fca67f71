package infectioncontrol

import (
	"fmt"
	"slices"
	"strings"

	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// shownDays is how far back a chart is shown, days: two years.
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
		SetBy: t.SetBy, Sum: six(ch.Sum()), Signals: []Signal{}, Former: []FormerChart{}, Points: []ChartPoint{}}
	if t.Stands() {
		c.From = t.From.String()
	}
	for _, s := range ch.Signals {
		one := Signal{Day: s.Day.String(), Sum: six(s.Sum), Since: changedSince(w, ch, s)}
		if a := answer(ch, s); a != nil {
			one.On, one.By, one.Reason = a.On.String(), a.By, a.Reason
		}
		c.Signals = append(c.Signals, one)
	}
	for _, f := range ch.Former {
		c.Former = append(c.Former, former(&f))
	}
	c.Standing = ch.Standing() != nil
	c.Says = stands(ch)
	c.Notice, c.Rule, c.Now = canNotice(w, ch)
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

// stands says whether a signal stands, or what the sum is.
func stands(ch *surveil.WatchedChart) string {
	t := ch.Threshold
	switch s := ch.Standing(); {
	case s != nil && !t.Stands():
		return fmt.Sprintf(
			"A signal stands since %s, although its threshold was withdrawn: look into it, and acknowledge it with what was done.", s.Day)
	case s != nil:
		return fmt.Sprintf("A signal stands since %s: look into it, and acknowledge it with what was done.", s.Day)
	case len(ch.Points) == 0:
		return "The chart has not begun yet."
	case ch.Restarts != 0:
		last := ch.Acknowledgements[len(ch.Acknowledgements)-1]
		when := "on " + ch.Restarts.String()
		if ch.Restarts == ch.Points[len(ch.Points)-1].Day+1 {
			when = "tomorrow"
		}
		says := fmt.Sprintf("No signal stands: it was acknowledged on %s by %s; the chart restarts %s at %s, half of its threshold of %s.",
			last.On, last.By, when, sum(incidence.Signal{R: t.R, H: t.H}.Restart()), sum(t.H))
		if n := len(ch.Waits); n > 0 {
			says += fmt.Sprintf(" Infections that became known since then and count from the restart on: %d.", n)
		}
		return says
	}
	return fmt.Sprintf("No signal stands. The sum is %s of the %s that is a signal.", sum(ch.Sum()), sum(t.H))
}

// answer returns the acknowledgement of a signal, nil while it stands.
func answer(ch *surveil.WatchedChart, s surveil.Raised) *surveil.Acknowledgement {
	for i := range ch.Acknowledgements {
		if a := &ch.Acknowledgements[i]; s.Acknowledged != "" && a.Fact == s.Acknowledged {
			return a
		}
	}
	return nil
}

// former describes a chart that a later one replaced.
func former(f *surveil.Former) FormerChart {
	out := FormerChart{Reference: six(f.Reference), RateRatio: six(f.R), Threshold: six(f.H), SetBy: f.SetBy, From: f.From.String(),
		Until: f.Until.String(), Sum: six(f.Sum), Raised: []string{}}
	gave := "It gave no signal"
	for _, s := range f.Signals {
		out.Raised = append(out.Raised, s.Day.String())
	}
	if len(out.Raised) > 0 {
		gave = "It gave a signal on " + strings.Join(out.Raised, " and on ")
	}
	if f.Until < f.From {
		out.Says = fmt.Sprintf("A threshold of %s, set by %s on %s, was replaced before its first day had ended.",
			sum(f.H), f.SetBy, f.From)
		return out
	}
	out.Says = fmt.Sprintf("Before, from %s to %s, the chart ran with a threshold of %s for %s times %s per 100 patient-months, set by "+
		"%s. %s; its last sum was %s.", f.From, f.Until, sum(f.H), decimal(out.RateRatio), decimal(out.Reference), f.SetBy,
		gave, sum(f.Sum))
	return out
}

// changedSince says why a signal would not have been raised, or not on its day, by what is known
// now. It is empty if it would have been, or if that cannot be said.
func changedSince(w *surveil.Watch, ch *surveil.WatchedChart, s surveil.Raised) string {
	day, ok, known := ch.Reached(s)
	if !known || ok && day == s.Day {
		return ""
	}
	reached := "would not have been reached"
	if ok {
		reached = "was reached on " + day.String()
	}
	lost := lost(w, ch, s)
	if len(lost) == 0 {
		return "By what is known now the threshold " + reached + "."
	}
	without := "without it"
	if len(lost) > 1 {
		without = "without them"
	}
	return fmt.Sprintf("Raised by %s; %s the threshold %s.", strings.Join(lost, " and "), without, reached)
}

// lost names the events that raised a signal and no longer count.
func lost(w *surveil.Watch, ch *surveil.WatchedChart, s surveil.Raised) []string {
	n := ch.Threshold.ChartName
	counts := w.Seen(n, w.AsOf)
	var out []string
	for _, fact := range s.Seen {
		if slices.Contains(counts, fact) {
			continue
		}
		what := "an infection that is no longer on record"
		for i := range w.People {
			for k := range w.People[i].Events {
				e := &w.People[i].Events[k]
				if e.Fact != fact || e.Facility != w.Facility {
					continue
				}
				if e.Day < ch.Threshold.From {
					what = ""
					continue
				}
				what = thing(e) + " of " + e.Day.String() + " " + noMore(e, n)
			}
		}
		if what != "" {
			out = append(out, what)
		}
	}
	return out
}

func thing(e *surveil.Event) string {
	switch e.Kind {
	case surveil.BloodCulture:
		return "a culture"
	case surveil.SiteSigns:
		return "signs at a site"
	}
	return "an event"
}

// noMore says why an event no longer belongs to a chart.
func noMore(e *surveil.Event, n surveil.ChartName) string {
	switch {
	case !e.Counted:
		return "that no longer counts (" + e.Why + ")"
	case n.Class == surveil.AccessRelated && e.Source == cannularyv1.SuspectedSource_SUSPECTED_SOURCE_OTHER_SITE:
		return "since assessed as another site"
	case n.Class == surveil.AccessRelated && e.Source == cannularyv1.SuspectedSource_SUSPECTED_SOURCE_CONTAMINATION:
		return "since assessed as contamination"
	case e.Related:
		return "since taken for part of an access-related bloodstream infection"
	case e.Technique != n.Technique:
		return "that is now of another technique"
	}
	return "that no longer counts"
}

func quiet(p surveil.Point) bool { return p.Events == 0 && !p.Restart && p.Sum == 0 }

// canNotice says which increase the chart can notice at the unit's size from a sum of 0, what
// single infections mean there, and what holds from the present sum.
func canNotice(w *surveil.Watch, ch *surveil.WatchedChart) (says, rule, now string) {
	t := ch.Threshold
	if !t.Stands() {
		return "Nobody can say what it can notice: no threshold is set.", "", ""
	}
	patients := w.Size(t.Technique, sizeMonths)
	if patients < 0.5 {
		return fmt.Sprintf("Nobody can say what it can notice: on average %s patients were at risk in the last %d whole months.",
			one(patients), sizeMonths), "", ""
	}
	d := incidence.Design{Setting: incidence.Setting{PatientMonths: tenth(patients), Rate: t.Reference},
		Signal: incidence.Signal{R: t.R, H: t.H}}
	run, err := d.RunLength(1)
	if err != nil {
		return "Nobody can say what it can notice: " + err.Error() + ".", "", ""
	}
	d.InControl, d.AfterRestart = run.FromZero, run.FromRestart
	n, err := d.Notice(min(noticeWithin, d.InControl/2))
	if err != nil {
		return "Nobody can say what it can notice: " + err.Error() + ".", "", ""
	}
	n.Asked = t.InControl
	return n.Sentence(), n.Rule(), fromHere(d, ch)
}

// fromHere says what holds from the present sum, or from the sum at the restart. It is empty at
// a sum of 0, and if a signal stands or the next day gives one.
func fromHere(d incidence.Design, ch *surveil.WatchedChart) string {
	from := ch.Sum()
	if ch.Restarts != 0 {
		from = d.Restart()
		if n := len(ch.Waits); n > 0 {
			var err error
			if from, err = d.Step(from, n, d.Expected()/incidence.DaysPerMonth); err != nil {
				return ""
			}
		}
	}
	if from == 0 || d.Signals(from) || ch.Standing() != nil {
		return ""
	}
	says, err := d.Stands(from)
	if err != nil {
		return ""
	}
	return says
}

// unset returns the charts that have no threshold.
func unset(w *surveil.Watch) Unset {
	out := Unset{Charts: []surveil.ChartName{}}
	for _, t := range []surveil.Technique{surveil.ConstantSite, surveil.OtherFistula} {
		for _, c := range surveil.Infections() {
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
		out.How = fmt.Sprintf("To have a chart, compute its threshold: cannulary threshold --facility %s --technique %s --class %s (with "+
			"--set-by it writes the message that sets it).", w.Facility, out.Charts[0].Technique, out.Charts[0].Class)
	}
	return out
}

func between(w *surveil.Watch) ([]Between, error) {
	var out []Between
	for _, c := range surveil.Infections() {
		for _, g := range groupsCompared() {
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

// fewGaps is the lowest number of gaps for limits (ours): with fewer the upper limit is so high
// that it says nothing.
const fewGaps = 3

// beyond is the probability beyond each limit of days between events, so that these limits are
// 95 % like all others. The sequential signal decides; this is an additional view.
const beyond = 0.025

// gapLimits returns the limits for the next gap, nil if too few gaps come before it.
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
		return fmt.Sprintf("The newest event came %s after the one before, sooner than the limit. By itself that is no proof; look at "+
			"the signal.", number(newest.Days, "day"))
	case float64(*b.Since) > b.Limits.Upper:
		return "No event for longer than the limit: things have become better, or reports are missing."
	}
	return "Within the limits."
}
