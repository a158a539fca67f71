package surveillance

import (
	"sort"
	"time"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// world is everything that is looked at. Dates are written YYYY-MM-DD, so that text order
// is the order of time.
type world struct {
	in    Input
	facts []*record.Fact // those that stand, in order
	dates []string       // every day
	stay  []string       // the facility of each, empty for none
	// admitted tells of each whether its stay is one by admission.
	admitted []bool
}

func look(in Input) *world {
	w := &world{in: in}
	for i := range in.Items {
		if it := &in.Items[i]; !it.Void {
			w.facts = append(w.facts, &it.Fact)
		}
	}
	sort.SliceStable(w.facts, func(i, j int) bool { return record.Before(w.facts[i], w.facts[j]) })
	w.calendar()
	return w
}

// calendar writes down every day from the first to a month after the last that is mentioned.
func (w *world) calendar() {
	var mentioned []string
	for _, f := range w.facts {
		mentioned = append(mentioned, w.date(f))
		switch b := f.Body.(type) {
		case *cannularyv1.PatientAdmitted:
			mentioned = append(mentioned, b.GetFirstTreatmentOn())
		case *cannularyv1.AccessCreated:
			mentioned = append(mentioned, b.GetCreatedOn())
		case *cannularyv1.TrackTakenOver:
			mentioned = append(mentioned, b.GetInUseSince())
		case *cannularyv1.CultureResulted:
			mentioned = append(mentioned, w.local(b.GetCollectedAt().AsTime(), f.Facility))
		}
	}
	sort.Strings(mentioned)
	for len(mentioned) > 0 && mentioned[0] == "" {
		mentioned = mentioned[1:]
	}
	if len(mentioned) == 0 {
		return
	}
	last := later(mentioned[len(mentioned)-1], 31)
	for d := mentioned[0]; d <= last; d = later(d, 1) {
		w.dates = append(w.dates, d)
	}
}

// date is the local day of a fact at its facility.
func (w *world) date(f *record.Fact) string { return w.local(f.At, f.Facility) }

func (w *world) local(at time.Time, facility string) string {
	where := time.UTC
	if w.in.Zone != nil {
		if l := w.in.Zone(facility); l != nil {
			where = l
		}
	}
	return at.In(where).Format(time.DateOnly)
}

// later is the date so many days on.
func later(date string, days int) string {
	if last := date[9]; days == 1 && date[8] < '2' && last < '9' {
		return date[:9] + string(last+1) // what is asked most often, in short
	}
	t, _ := time.Parse(time.DateOnly, date)
	return t.AddDate(0, 0, days).Format(time.DateOnly)
}

// apart counts the days from one date to another.
func apart(from, to string) int {
	a, _ := time.Parse(time.DateOnly, from)
	b, _ := time.Parse(time.DateOnly, to)
	return int(b.Sub(a).Hours()) / 24
}

// told is a date that a message may give, else another.
func told(date, otherwise string) string {
	if date != "" {
		return date
	}
	return otherwise
}
