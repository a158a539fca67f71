package surveil

import (
	"cmp"
	"slices"
	"time"

	"cannulary/internal/surveil/incidence"
)

// Watch is all of a facility's surveillance.
type Watch struct {
	Unit
	Zone   *time.Location
	Name   string         // as registered; empty if it is not
	Charts []WatchedChart // by technique and class
	// Unmatched are the acknowledgements that answered no signal, in the order of the log.
	Unmatched []Acknowledgement
	// Replaced are thresholds that a later one replaced, oldest first.
	Replaced []Threshold
}

// WatchedChart is a chart with its signals and the answers to them.
type WatchedChart struct {
	Chart
	Signals          []Raised // oldest first
	Acknowledgements []Acknowledgement
	Former           []Former // oldest first
}

// Former is a chart as it was before its threshold was set anew.
type Former struct {
	Threshold
	Until   Day      // its last day; before From if it had none
	Sum     float64  // at the end of that day, by what is known now
	Signals []Raised // those that it gave; the chart's own list has them too
}

// Reached returns the day on which a signal's sum reaches the threshold by what is known now; ok
// is false if it does not. known is false if that cannot be said: the signal belongs to a chart
// before its threshold was set anew.
func (w *WatchedChart) Reached(r Raised) (d Day, ok, known bool) {
	if !w.Threshold.Stands() || r.Day < w.Threshold.From || r.Seq < w.Threshold.Seq {
		return 0, false, false
	}
	from, until := First, never
	for _, a := range w.Acknowledgements {
		switch {
		case a.Fact == r.Acknowledged:
			until = a.On
		case a.Seq < w.Threshold.Seq || a.On < w.Threshold.From: // it restarts nothing here
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

// Standing returns the oldest signal that nobody has acknowledged, nil if there is none.
func (w *WatchedChart) Standing() *Raised {
	for i := range w.Signals {
		if w.Signals[i].Acknowledged == "" {
			return &w.Signals[i]
		}
	}
	return nil
}

// Run computes the charts of the thresholds, with the signals that were raised and the
// acknowledgements on record, of whatever chart. A standing signal stays if its threshold is
// voided. Its chart then has no threshold and no points.
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

// takesOver returns the threshold with what it takes over from the one before it: the events
// that were known when it was set, and the acknowledgements that can still restart it.
func (w *Watch) takesOver(t Threshold, acks []Acknowledgement) (Threshold, []Acknowledgement) {
	var before uint64 // sequence in the log of the threshold that t replaced
	for _, o := range w.Replaced {
		switch {
		case o.ChartName != t.ChartName || o.Fact == t.Fact:
		case o.From < t.From && o.Seq < t.Seq:
			before = o.Seq
		case o.From == t.From && o.Seen != nil:
			// The replaced threshold had no day of its own, so t counts what it had not counted
			// yet.
			t.Seen = slices.DeleteFunc(slices.Clone(t.Seen), func(fact string) bool { return !slices.Contains(o.Seen, fact) })
		}
	}
	// Acknowledgements from before that threshold restart nothing.
	return t, slices.DeleteFunc(slices.Clone(acks), func(a Acknowledgement) bool { return a.Seq < before })
}

// former returns the charts that t replaced, one after another.
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

// gave returns the index of the threshold that gave a signal, len(list) for t: the last one that
// the log held by then. A threshold that is dated earlier can have arrived later.
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

// answered returns a chart with its signals and, in the order of the log, the acknowledgements
// that answer one: the log held the signal before the acknowledgement.
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
				a.On = max(a.On, s.Day) // the date is too early: nobody answers before the signal
			}
		}
		if answers {
			out.Acknowledgements = append(out.Acknowledgements, a)
		}
	}
	slices.SortStableFunc(out.Acknowledgements, func(a, b Acknowledgement) int { return cmp.Compare(a.On, b.On) })
	return out
}

// Seen returns the facts of the events that a chart knows of, up to a day.
func (w *Watch) Seen(n ChartName, until Day) []string {
	out := []string{}
	for _, e := range w.Cases(n.Class, Group(n.Technique), First, until) {
		out = append(out, e.Fact)
	}
	return out
}
