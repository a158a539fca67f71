package surveil

import (
	"cmp"
	"slices"
	"time"
)

// Watch is all of a facility's surveillance.
type Watch struct {
	Unit
	Zone   *time.Location
	Name   string         // as registered; empty if it is not
	Charts []WatchedChart // by technique and class
	// Unmatched are the acknowledgements, in the order of the log, that answered no signal.
	Unmatched []Acknowledgement
}

// WatchedChart is a chart with its signals and what was answered to them.
type WatchedChart struct {
	Chart
	Signals          []Raised // oldest first
	Acknowledgements []Acknowledgement
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
			if ch.Chart, err = w.Chart(t, ch.Acknowledgements); err != nil {
				return err
			}
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
