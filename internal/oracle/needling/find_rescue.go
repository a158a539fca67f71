package needling

import (
	"time"

	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// findRescues finds rescues that lie close together.
// Reading: the window and the number are those of the protocol of the finding's session,
// also when the calendar ends it.
func (w *world) findRescues(track string) {
	type rescued struct {
		step
		ground *record.Fact
	}
	var all []rescued
	steps := w.history(track).steps
	for _, st := range steps {
		if r := st.rescue(); r != nil {
			all = append(all, rescued{st, r.Fact})
		}
	}
	type raised struct {
		rescued
		others []*record.Fact
	}
	var found []raised
	for i, r := range all {
		near := raised{rescued: r}
		for _, earlier := range all[:i] {
			if w.within(earlier.date, r.date, r.rules.RescueWindowDays) {
				near.others = append(near.others, earlier.ground)
			}
		}
		if len(near.others)+1 >= r.rules.RescueRepeatCount {
			found = append(found, near)
		}
	}
	for i, f := range found {
		var next time.Time
		if i+1 < len(found) {
			next = w.moment(found[i+1].start())
		}
		fewer := time.Time{}
		for date := addDays(f.date, 1); date <= w.localDate(w.in.AsOf, f.ground.Facility); date = addDays(date, 1) {
			n, begins := 0, w.midnight(date, f.ground.Facility)
			for _, r := range all {
				if r.start().At.Before(begins) && w.within(r.date, date, f.rules.RescueWindowDays) {
					n++
				}
			}
			if n < f.rules.RescueRepeatCount {
				fewer = begins
				break
			}
		}
		w.raise(finding{
			rule: rule.RescueRepeat, severity: rule.Caution, track: track, ground: f.ground, others: f.others,
			cleared: later(w.moment(f.ground), earliest(next, w.moment(w.reviewed(track, f.ground)), fewer)),
		})
	}
}

// later is t, or after if t is before it; zero stays zero.
func later(after, t time.Time) time.Time {
	if !t.IsZero() && t.Before(after) {
		return after
	}
	return t
}

// within reports whether date lies in the window that ends with end.
func (w *world) within(date, end string, window int) bool {
	if w.mutant == WindowOpen {
		window--
	}
	return date <= end && days(date, end) <= window
}

// midnight is the first instant of a date at a facility.
func (w *world) midnight(date, facility string) time.Time {
	l := w.zone(facility)
	d := parse(date)
	t := time.Date(d.Year(), d.Month(), d.Day(), 0, 0, 0, 0, l)
	for t.In(l).Format(time.DateOnly) < date { // a change of the clocks may skip midnight
		t = t.Add(time.Minute)
	}
	for t.Add(-30*time.Minute).In(l).Format(time.DateOnly) == date { // or show it twice
		t = t.Add(-30 * time.Minute)
	}
	return t
}

// reviewed is the first closing, after a fact, of a review of the track or of its access.
// Reading: what a review is about is told by its latest opening before it was closed; one
// that names another track is about that track, whichever access it names.
func (w *world) reviewed(track string, after *record.Fact) *record.Fact {
	return w.closed(after, func(o *cannularyv1.ReviewOpened, closing *record.Fact) bool {
		if o.GetTrack() != "" {
			return o.GetTrack() == track
		}
		return o.GetAccess() == w.accessOf(track, closing)
	})
}

// closed is the first closing, after a fact, of a review that is about something.
func (w *world) closed(after *record.Fact, about func(o *cannularyv1.ReviewOpened, closing *record.Fact) bool) *record.Fact {
	for _, c := range all[*cannularyv1.ReviewClosed](w) {
		if !before(after, c.Fact) {
			continue
		}
		is := false
		for _, o := range all[*cannularyv1.ReviewOpened](w) {
			if o.Says.GetReview() == c.Says.GetReview() && before(o.Fact, c.Fact) {
				is = about(o.Says, c.Fact)
			}
		}
		if is {
			return c.Fact
		}
	}
	return nil
}
