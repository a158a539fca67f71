package whatif

import (
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/stay"
	"cannulary/internal/track"
)

// visitKey identifies a session of a track: by its moment, and by its number among the sessions
// of that moment.
type visitKey struct {
	at time.Time
	n  int
}

// history is what one track was, day by day.
type history struct {
	visits  map[visitKey]track.Visit
	reached map[track.Stage]Milestone
}

// milestones are the stages whose first day is reported.
var milestones = [...]track.Stage{track.Ready, track.Trial, track.Established}

// beyond reports whether a track at stage s has reached stage m.
func beyond(s, m track.Stage) bool {
	switch m {
	case track.Ready:
		return s == track.Ready || s == track.Trial || s == track.Established
	case track.Trial:
		return s == track.Trial || s == track.Established
	}
	return s == m
}

// walk judges one patient on each day on which the judgement can change.
type walk struct {
	in   track.Input
	days []day
	// follows reports that each day can be judged on top of the day before. A withdrawn version
	// of a fact that held something counts from a moment of its own. With such a version each
	// day is folded from the beginning.
	follows bool
	first   map[treatment]time.Time // the first fact of each treatment
}

type treatment struct{ system, value string }

// day is the end of a local day, or the moment asked for.
type day struct {
	end   time.Time
	items int // number of items before the end
}

// newWalk returns a walk over the days on which facts of the patient happened or another
// protocol came into force, up to in.AsOf, which is the last one.
func newWalk(in track.Input, from []string) *walk {
	w := &walk{in: in, follows: true, first: map[treatment]time.Time{}}
	ends := map[time.Time]bool{}
	end := func(t time.Time, l *time.Location) {
		e := zone.Midnight(zone.Midnight(t, l).Add(36*time.Hour), l).Add(-time.Nanosecond).UTC()
		if e.Before(in.AsOf) {
			ends[e] = true
		}
	}
	for i := range in.Items {
		it := &in.Items[i]
		w.follows = w.follows && (len(it.Superseded) == 0 || !holds(it.BodyKind()))
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

// holds reports whether a fact of that kind can hold an access or a track.
func holds(k record.Kind) bool {
	switch k {
	case record.KindAccessExamined, record.KindHoldPlaced, record.KindSiteSignsSeen, record.KindCultureResulted, record.KindTrackPlanned:
		return true
	}
	return false
}

// judge walks through the days by the book. It returns the history of each track, and the
// judgement at the end with everything that was ever found.
func (w *walk) judge(book *protocol.Book) (map[string]*history, track.Judgement) {
	all := map[string]*history{}
	in := w.in
	in.Book = book
	var f *track.Follower
	done := 0
	for _, d := range w.days[:len(w.days)-1] {
		var j track.Judgement
		if w.follows {
			f = w.next(f, in, done, d.items)
			done = d.items
			j = f.Judge(d.end)
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

// next adds the facts from done on to the follower, or returns a new one if it does not reach
// back far enough.
func (w *walk) next(f *track.Follower, in track.Input, done, upTo int) *track.Follower {
	more := in.Items[done:upTo]
	if f != nil && len(more) == 0 {
		return f
	}
	if f != nil {
		// Facts without a session reference belong together by day.
		touches := more[0].At.AddDate(0, 0, -2)
		for i := range more {
			if t := w.first[treatment{more[i].SessionSystem, more[i].SessionValue}]; !t.IsZero() && t.Before(touches) {
				touches = t
			}
		}
		if f.Add(more, touches) {
			f.Trim()
			return f
		}
	}
	in.Items = in.Items[:upTo]
	return track.NewFollower(in)
}

// note keeps what a day's judgement says of each track. Every judgement that still lists a
// session replaces what was kept of it, so that facts after midnight are not lost.
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
