package surveil

import (
	"cmp"
	"slices"
	"time"

	"cannulary/internal/incidence"
)

// Watch is all of a facility's surveillance.
type Watch struct {
	Unit
	Zone   *time.Location
	Name   string         // as registered; empty if it is not
	Charts []WatchedChart // by technique and class
	// Unmatched are the acknowledgements, in the order of the log, that answered no signal.
	Unmatched []Acknowledgement
	// Replaced are thresholds that another one took the place of, oldest first.
	Replaced []Threshold
}

// WatchedChart is a chart with its signals and what was answered to them.
type WatchedChart struct {
	Chart
	Signals          []Raised // oldest first
	Acknowledgements []Acknowledgement
	Former           []Former // oldest first
}

// Former is a chart as it was before its threshold was set anew.
type Former struct {
	Threshold
	Until   Day      // its last day; before From where it had none
	Sum     float64  // at the end of that day, by what is known now
	Signals []Raised // those that it gave; they stand among the chart's too
}

// Reached is the day on which a signal's sum reached the threshold by what is known now: ok is
// false where it would not have. known is false where that cannot be said: the signal is of a
// chart before its threshold was set anew.
func (w *WatchedChart) Reached(r Raised) (d Day, ok, known bool) {
	if !w.Threshold.Stands() || r.Day < w.Threshold.From || r.Seq < w.Threshold.Seq {
		return 0, false, false
	}
	from, until := First, never
	for _, a := range w.Acknowledgements {
		switch {
		case a.Fact == r.Acknowledged:
			until = a.On
		case a.Seq < w.Threshold.Seq || a.On < w.Threshold.From: // it restarted nothing here
		case a.Seq <= r.Seq && a.On >= from:
			from = a.On + 1
		}
	}
	g := incidence.Signal{R: w.Threshold.R, H: w.Threshold.H}
	for _, p := range w.Points {
		if from <= p.Day && p.Day <= until && g.Signals(p.Sum) {
			return p.Day, true, true
		}
	}
	return 0, false, true
}

// Standing is the oldest signal that nobody has acknowledged, nil where there is none.
func (w *WatchedChart) Standing() *Raised {
	for i := range w.Signals {
		if w.Signals[i].Acknowledged == "" {
			return &w.Signals[i]
		}
	}
	return nil
}

// Run runs the charts of the thresholds with the signals that were raised and the
// acknowledgements on record, of whatever chart. A signal that stands stays although its
// threshold was taken back: its chart is then one without a threshold or points.
func (w *Watch) Run(thresholds map[ChartName]Threshold, raised []Raised, acks []Acknowledgement) error {
	names := make([]ChartName, 0, len(thresholds))
	for n := range thresholds {
		if n.Class != "" {
			names = append(names, n)
		}
	}
	for _, r := range raised {
		if _, set := thresholds[r.ChartName]; !set && !slices.Contains(names, r.ChartName) {
			names = append(names, r.ChartName)
		}
	}
	slices.SortFunc(names, func(a, b ChartName) int {
		return cmp.Or(cmp.Compare(a.Technique, b.Technique), cmp.Compare(a.Class, b.Class))
	})
	acks = slices.Clone(acks)
	slices.SortStableFunc(acks, func(a, b Acknowledgement) int { return cmp.Compare(a.Seq, b.Seq) })
	w.Charts, w.Unmatched = nil, nil
	matched := map[string]bool{}
	for _, n := range names {
		ch := answered(n, raised, acks)
		for _, a := range ch.Acknowledgements {
			matched[a.Fact] = true
		}
		t, set := thresholds[n]
		if set {
			var err error
			if ch.Former, err = w.former(t, &ch); err != nil {
				return err
			}
			if t.Began == 0 && len(ch.Former) > 0 {
				t.Began = ch.Former[0].From
			}
			if ch.Chart, err = w.Chart(w.takesOver(t, ch.Acknowledgements)); err != nil {
				return err
			}
			ch.Threshold = t
		} else if ch.Threshold.ChartName = n; ch.Standing() == nil {
			continue
		}
		w.Charts = append(w.Charts, ch)
	}
	for _, a := range acks {
		if !matched[a.Fact] {
			w.Unmatched = append(w.Unmatched, a)
		}
	}
	return nil
}

// takesOver tells what a chart has to do with those before its threshold was set anew: with
// which events known it was set, and which acknowledgements may still be to restart it.
func (w *Watch) takesOver(t Threshold, acks []Acknowledgement) (Threshold, []Acknowledgement) {
	var before uint64 // of the log: the one that t took the place of
	for _, o := range w.Replaced {
		switch {
		case o.ChartName != t.ChartName || o.Fact == t.Fact:
		case o.From < t.From && o.Seq < t.Seq:
			before = o.Seq
		case o.From == t.From && o.Seen != nil:
			// It had no day of its own: what it had still to count is now t's.
			t.Seen = slices.DeleteFunc(slices.Clone(t.Seen), func(fact string) bool { return !slices.Contains(o.Seen, fact) })
		}
	}
	// What was acknowledged before that one restarts nothing, nor has it still to.
	return t, slices.DeleteFunc(slices.Clone(acks), func(a Acknowledgement) bool { return a.Seq < before })
}

// former are the charts that t took the place of, one after another.
func (w *Watch) former(t Threshold, ch *WatchedChart) ([]Former, error) {
	var list []Threshold
	for _, o := range w.Replaced {
		if o.ChartName == t.ChartName {
			list = append(list, o)
		}
	}
	var out []Former
	for i, o := range list {
		next := t
		if i+1 < len(list) {
			next = list[i+1]
		}
		f := Former{Threshold: o, Until: next.From - 1}
		u := w.Unit
		u.AsOf = min(u.AsOf, f.Until)
		var acks []Acknowledgement
		for _, a := range ch.Acknowledgements {
			if a.Seq < next.Seq {
				acks = append(acks, a)
			}
		}
		o.Began = list[0].From
		c, err := u.Chart(w.takesOver(o, acks))
		if err != nil {
			return nil, err
		}
		f.Sum = c.Sum()
		for _, s := range ch.Signals {
			if gave(s, list, t) == i {
				f.Signals = append(f.Signals, s)
			}
		}
		out = append(out, f)
	}
	return out, nil
}

// gave is the place of the threshold that gave a signal, len(list) for t: the last one that
// the log held by then. A threshold that is dated before another may have come after it.
func gave(s Raised, list []Threshold, t Threshold) int {
	if t.Seq <= s.Seq {
		return len(list)
	}
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].Seq <= s.Seq {
			return i
		}
	}
	return -1
}

// answered gathers a chart's signals and the acknowledgements, in the order of the log, that
// answer one: those that the log held before.
func answered(n ChartName, raised []Raised, acks []Acknowledgement) WatchedChart {
	var out WatchedChart
	for _, r := range raised {
		if r.ChartName == n {
			out.Signals = append(out.Signals, r)
		}
	}
	for _, a := range acks {
		if a.ChartName != n {
			continue
		}
		answers := false
		for i := range out.Signals {
			if s := &out.Signals[i]; s.Acknowledged == "" && s.Seq < a.Seq {
				s.Acknowledged, answers = a.Fact, true
				a.On = max(a.On, s.Day) // told too early: nobody answers before the signal
			}
		}
		if answers {
			out.Acknowledgements = append(out.Acknowledgements, a)
		}
	}
	slices.SortStableFunc(out.Acknowledgements, func(a, b Acknowledgement) int { return cmp.Compare(a.On, b.On) })
	return out
}

// Seen lists the facts of the events that a chart knows of, up to a day.
func (w *Watch) Seen(n ChartName, until Day) []string {
	out := []string{}
	for _, e := range w.Cases(n.Class, Group(n.Technique), First, until) {
		out = append(out, e.Fact)
	}
	return out
}
