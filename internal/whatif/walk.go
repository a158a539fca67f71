package whatif

import (
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/stay"
	"cannulary/internal/track"
	"cannulary/internal/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// visitKey tells the sessions of a track apart: when they began, and among those of the
// same moment which one it was.
type visitKey struct {
	at time.Time
	n  int
}

// history is what one track was, day by day.
type history struct {
	visits  map[visitKey]track.Visit
	reached map[track.Stage]Milestone
}

// milestones are the stages whose first day is looked for.
var milestones = [...]track.Stage{track.Ready, track.Trial, track.Established}

// beyond tells whether a track at stage s has reached stage m.
func beyond(s, m track.Stage) bool {
	switch m {
	case track.Ready:
		return s == track.Ready || s == track.Trial || s == track.Established
	case track.Trial:
		return s == track.Trial || s == track.Established
	}
	return s == m
}

// walk is the way of one patient's judgement through the days on which it may change.
type walk struct {
	in   track.Input
	days []day
	// charted tells that the days can be judged one upon the other. A withdrawn version of
	// a fact that held something works from a moment of its own: with one, each day is
	// folded from the beginning.
	charted bool
	first   map[treatment]time.Time // of the facts of a treatment
}

type treatment struct{ system, value string }

// day is the end of a local day, or the moment asked for.
type day struct {
	end   time.Time
	items int // how many of the items lie before the end
}

// newWalk lists the days on which facts of the patient happened or another protocol came
// into force, up to in.AsOf, which is the last of them.
func newWalk(in track.Input, from []string) *walk {
	w := &walk{in: in, charted: true, first: map[treatment]time.Time{}}
	ends := map[time.Time]bool{}
	end := func(t time.Time, l *time.Location) {
		e := zone.Midnight(zone.Midnight(t, l).Add(36*time.Hour), l).Add(-time.Nanosecond).UTC()
		if e.Before(in.AsOf) {
			ends[e] = true
		}
	}
	for i := range in.Items {
		it := &in.Items[i]
		w.charted = w.charted && (len(it.Superseded) == 0 || !holds(it.BodyKind()))
		if k := (treatment{it.SessionSystem, it.SessionValue}); k.value != "" && w.first[k].IsZero() {
			w.first[k] = it.At
		}
		if !it.Void {
			end(it.At, in.Zone(it.Facility))
		}
	}
	home := in.Zone(stay.Read(in.Items, in.Zone, in.AsOf).At(in.AsOf).Facility)
	for _, d := range from {
		if t, err := time.ParseInLocation(time.DateOnly, d, home); err == nil && len(in.Items) > 0 && t.After(in.Items[0].At) {
			end(t, home)
		}
	}
	for e := range ends {
		w.days = append(w.days, day{end: e})
	}
	slices.SortFunc(w.days, func(a, b day) int { return a.end.Compare(b.end) })
	w.days = append(w.days, day{end: in.AsOf})
	n := 0
	for i := range w.days {
		d := &w.days[i]
		for ; n < len(in.Items) && !in.Items[n].At.After(d.end); n++ {
		}
		d.items = n
	}
	return w
}

// holds tells whether a fact of that kind can hold an access or a track.
func holds(k record.Kind) bool {
	switch k {
	case record.KindAccessExamined, record.KindHoldPlaced, "site_signs_seen", "culture_resulted", "track_planned":
		return true
	}
	return false
}

// judge goes the way by the book, and gives the tracks' histories and the judgement at the
// end, with everything that was ever found.
func (w *walk) judge(book *protocol.Book) (map[string]*history, track.Judgement) {
	all := map[string]*history{}
	in := w.in
	in.Book = book
	var c *track.Chart
	done := 0
	for _, d := range w.days[:len(w.days)-1] {
		var j track.Judgement
		if w.charted {
			c = w.next(c, in, done, d.items)
			done = d.items
			j = c.Judge(d.end)
		} else {
			j = folded(in, d)
		}
		note(all, &j, zone.Date(d.end, in.Zone(j.Where.Facility)))
	}
	last := w.days[len(w.days)-1]
	j := folded(in, last)
	note(all, &j, zone.Date(last.end, in.Zone(j.Where.Facility)))
	return all, j
}

func folded(in track.Input, d day) track.Judgement {
	in.AsOf = d.end
	return track.Fold(in)
}

// next takes the facts from done on into the chart, or makes a new one where it does not
// reach back far enough.
func (w *walk) next(c *track.Chart, in track.Input, done, upTo int) *track.Chart {
	more := in.Items[done:upTo]
	if c != nil && len(more) == 0 {
		return c
	}
	if c != nil {
		// What has no reference belongs together by the day.
		touches := more[0].At.AddDate(0, 0, -2)
		for i := range more {
			if t := w.first[treatment{more[i].SessionSystem, more[i].SessionValue}]; !t.IsZero() && t.Before(touches) {
				touches = t
			}
		}
		if c.Add(more, touches) {
			c.Trim()
			return c
		}
	}
	in.Items = in.Items[:upTo]
	return track.NewChart(in)
}

// note keeps what a day's judgement says of each track. A session is told anew by every
// judgement that still lists it, so that what came to it after midnight is not lost.
func note(all map[string]*history, j *track.Judgement, date string) {
	for i := range j.Tracks {
		s := &j.Tracks[i]
		h := all[s.Name]
		if h == nil {
			h = &history{visits: map[visitKey]track.Visit{}, reached: map[track.Stage]Milestone{}}
			all[s.Name] = h
		}
		same := map[time.Time]int{}
		for k := len(s.Recent) - 1; k >= 0; k-- {
			v := s.Recent[k]
			h.visits[visitKey{v.At.UTC(), same[v.At.UTC()]}] = v
			same[v.At.UTC()]++
		}
		for _, m := range milestones {
			if _, ok := h.reached[m]; !ok && beyond(s.Folded, m) {
				h.reached[m] = Milestone{Date: date, Sessions: len(h.visits)}
			}
		}
	}
}

func roleName(r cannularyv1.NeedleRole) string {
	switch r {
	case cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL:
		return "arterial"
	case cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS:
		return "venous"
	}
	return ""
}
