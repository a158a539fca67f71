package needling

import (
	"reflect"
	"sort"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/stay"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// world is everything that is looked at: the facts that stand and have happened, in order,
// and what was concluded of them.
type world struct {
	in     Input
	mutant Mutant
	facts  []*record.Fact
	lifts  []lift
	stays  []stay.Stays // by how many of the facts are known

	holds    []*hold
	findings []*finding
	whole    map[string]whole // what fold answers at the end, so that it is asked once
	byType   map[reflect.Type]any
	grouped  map[string][]*session // sessions of a track by all facts
	idle     map[string]*unused    // of a track since its trial began
}

// look leaves out what was taken back and what happens after the moment asked for.
func look(in Input, mutant Mutant) *world {
	w := &world{
		in: in, mutant: mutant, whole: map[string]whole{}, byType: map[reflect.Type]any{},
		grouped: map[string][]*session{}, idle: map[string]*unused{},
	}
	for i := range in.Items {
		if it := &in.Items[i]; !it.Void && !w.moment(&it.Fact).After(in.AsOf) {
			w.facts = append(w.facts, &it.Fact)
		}
	}
	sort.Slice(w.facts, func(i, j int) bool { return record.Before(w.facts[i], w.facts[j]) })
	w.lookAtStays()
	w.lookAtLifts()
	return w
}

// dayOnly reports whether only the day of a fact is known.
func dayOnly(f *record.Fact) bool {
	return f.Precision == cannularyv1.TimePrecision_TIME_PRECISION_DAY
}

// moment is when a fact is looked at, the zero time for none.
// Reading: findings too stand from, and end with, the start of the day of such a fact; its
// date at another facility, and how many hours lie between attempts, is by its noon.
func (w *world) moment(f *record.Fact) time.Time {
	switch {
	case f == nil:
		return time.Time{}
	case dayOnly(f):
		return w.midnight(w.date(f), f.Facility)
	}
	return f.At
}

// dayEnd is the end of a fact's local day: the first instant of the next.
func (w *world) dayEnd(f *record.Fact) time.Time {
	return w.midnight(addDays(w.date(f), 1), f.Facility)
}

// lookAtStays follows the stays fact by fact.
func (w *world) lookAtStays() {
	s := stay.New(w.zone)
	w.stays = append(w.stays, *s)
	for _, f := range w.facts {
		f = w.misreadStay(f, s)
		s.Add(f)
		w.stays = append(w.stays, *s)
	}
}

// knownAt is how many of the facts are known when at happens, itself included (nil: all).
func (w *world) knownAt(at *record.Fact) int {
	return sort.Search(len(w.facts), func(i int) bool { return !notAfter(w.facts[i], at) })
}

// stayAt is what is in force at a moment by the first n facts.
func (w *world) stayAt(n int, at time.Time) stay.Moment {
	if w.mutant == AdmissionLooksAhead {
		return w.stayAhead(at)
	}
	return w.stays[n].At(at)
}

// home is the facility of the stay in force when a fact comes in.
// Reading: the fact works on the stay first, whatever its kind.
func (w *world) home(f *record.Fact) string { return w.stayAt(w.knownAt(f), f.At).Facility }

// homeRules is the protocol there, on the fact's local date there.
func (w *world) homeRules(f *record.Fact) protocol.Parameters {
	facility := w.home(f)
	return w.in.Book.On(facility, w.localDate(f.At, facility))
}

// facility is that of the stay in force at the moment asked for.
func (w *world) facility() string { return w.stayAt(len(w.facts), w.in.AsOf).Facility }

// said is a fact with its content.
type said[T any] struct {
	*record.Fact
	Says T
}

// all lists the facts with that content, in order.
func all[T any](w *world) []said[T] {
	kind := reflect.TypeFor[T]()
	if known, ok := w.byType[kind].([]said[T]); ok {
		return known
	}
	var out []said[T]
	for _, f := range w.facts {
		if says, ok := f.Body.(T); ok {
			out = append(out, said[T]{f, says})
		}
	}
	w.byType[kind] = out
	return out
}

// before reports whether f comes before another fact; every fact comes before nil, the end.
func before(f, other *record.Fact) bool { return other == nil || record.Before(f, other) }

// notAfter reports whether f comes before other or is it.
func notAfter(f, other *record.Fact) bool { return other == nil || !record.Before(other, f) }

// date is the local day of a fact at its facility, YYYY-MM-DD.
func (w *world) date(f *record.Fact) string { return w.localDate(f.At, f.Facility) }

func (w *world) localDate(at time.Time, facility string) string {
	return at.In(w.zone(facility)).Format(time.DateOnly)
}

func (w *world) zone(facility string) *time.Location {
	if w.mutant == UTCDays {
		return time.UTC
	}
	if l := w.in.Zone(facility); l != nil {
		return l
	}
	return time.UTC
}

// today is the local day asked for, at the stay in force.
func (w *world) today() string { return w.localDate(w.in.AsOf, w.facility()) }

// rules is the protocol of a fact's facility and day.
func (w *world) rules(f *record.Fact) protocol.Parameters { return w.in.Book.On(f.Facility, w.date(f)) }

// rulesToday is the protocol of the stay in force on the day asked for.
func (w *world) rulesToday() protocol.Parameters { return w.in.Book.On(w.facility(), w.today()) }

func parse(date string) time.Time {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return time.Time{}
	}
	return t
}

// days counts calendar days from one date to another.
func days(from, to string) int { return int(parse(to).Sub(parse(from)) / (24 * time.Hour)) }

// addDays is the date n days later.
func addDays(date string, n int) string { return parse(date).AddDate(0, 0, n).Format(time.DateOnly) }

// addMonths is the same day of the month n months later.
// Reading: where that month has no such day, its last day.
func addMonths(date string, n int) string {
	t := parse(date)
	first := time.Date(t.Year(), t.Month()+time.Month(n), 1, 0, 0, 0, 0, time.UTC)
	last := first.AddDate(0, 1, -1).Day()
	return first.AddDate(0, 0, min(t.Day(), last)-1).Format(time.DateOnly)
}

// place is a plan, a takeover or, before any, an attempt that tells where a track lies.
type place struct {
	fact   *record.Fact
	access string
	formal bool // plan or takeover
}

// Reading: the access of a track is that of its latest plan or takeover; before any of
// these, that named by the latest attempt in it that names one.
func (w *world) places(track string) []place {
	var out []place
	formal := false
	for _, f := range w.facts {
		switch b := f.Body.(type) {
		case *cannularyv1.TrackPlanned:
			if planOf(b, track) != nil {
				out, formal = append(out, place{f, b.GetAccess(), true}), true
			}
		case *cannularyv1.TrackTakenOver:
			if b.GetTrack() == track {
				out, formal = append(out, place{f, b.GetAccess(), true}), true
			}
		case *cannularyv1.NeedleInserted:
			if b.GetTrack() == track && b.GetAccess() != "" && !formal {
				out = append(out, place{f, b.GetAccess(), false})
			}
		}
	}
	return out
}

// accessOf is where the track lies when at happens (a plan there included); nil: at the end.
func (w *world) accessOf(track string, at *record.Fact) string {
	access := ""
	for _, p := range w.places(track) {
		if notAfter(p.fact, at) {
			access = p.access
		}
	}
	return access
}

func planOf(p *cannularyv1.TrackPlanned, track string) *cannularyv1.TrackPlan {
	for _, t := range p.GetTracks() {
		if t.GetTrack() == track {
			return t
		}
	}
	return nil
}

// plan is the latest plan of the track before at.
func (w *world) plan(track string, at *record.Fact) *cannularyv1.TrackPlan {
	var latest *cannularyv1.TrackPlan
	for _, p := range all[*cannularyv1.TrackPlanned](w) {
		if t := planOf(p.Says, track); t != nil && before(p.Fact, at) {
			latest = t
		}
	}
	return latest
}

func (w *world) plannedAngle(track string, at *record.Fact) *float64 {
	if p := w.plan(track, at); p != nil {
		return p.AngleDegrees
	}
	return nil
}

// takeovers are those of the track.
func (w *world) takeovers(track string) []said[*cannularyv1.TrackTakenOver] {
	var out []said[*cannularyv1.TrackTakenOver]
	for _, t := range all[*cannularyv1.TrackTakenOver](w) {
		if t.Says.GetTrack() == track {
			out = append(out, t)
		}
	}
	return out
}

// takeover is the latest of the track before at.
func (w *world) takeover(track string, at *record.Fact) *said[*cannularyv1.TrackTakenOver] {
	var latest *said[*cannularyv1.TrackTakenOver]
	for _, t := range w.takeovers(track) {
		if before(t.Fact, at) {
			latest = &t
		}
	}
	return latest
}

// trackNames are the tracks that there are, sorted.
// Reading: a track is there once it was planned, taken over or needled; to be named by
// another fact (a hold, a deputy, an examination) makes none.
func (w *world) trackNames() []string {
	var out []string
	for _, f := range w.facts {
		switch b := f.Body.(type) {
		case *cannularyv1.TrackPlanned:
			for _, t := range b.GetTracks() {
				out = append(out, t.GetTrack())
			}
		case *cannularyv1.TrackTakenOver:
			out = append(out, b.GetTrack())
		case *cannularyv1.NeedleInserted:
			out = append(out, b.GetTrack())
		}
	}
	return distinct(out)
}

// retiring lists the facts that retire the track, or its access while the track lies there,
// each with the moment from which the track is retired by it.
// Reading: a track planned on an access that was retired is retired from its plan on.
func (w *world) retiring(track string) []*record.Fact {
	var out []*record.Fact
	for _, r := range all[*cannularyv1.TrackRetired](w) {
		if r.Says.GetTrack() == track {
			out = append(out, r.Fact)
		}
	}
	places := w.places(track)
	for _, r := range all[*cannularyv1.AccessRetired](w) {
		for i, p := range places {
			movesOn := i+1 < len(places) && before(places[i+1].fact, r.Fact)
			if p.access != r.Says.GetAccess() || movesOn || w.mutant == AccessKeepsTracks {
				continue
			}
			if before(r.Fact, p.fact) {
				out = append(out, p.fact)
			} else {
				out = append(out, r.Fact)
			}
		}
	}
	return out
}

// retired reports whether the track is given up when at happens; it stays so.
func (w *world) retired(track string, at *record.Fact) bool {
	for _, r := range w.retiring(track) {
		if before(r, at) {
			return true
		}
	}
	return false
}

// resting reports whether the track rests on a date, by the facts up to at (nil: all).
// Reading: the day on which a rest ends is that of the stay in force.
func (w *world) resting(track string, at *record.Fact, date string) bool {
	resting := false
	for _, f := range w.facts {
		if !notAfter(f, at) {
			break
		}
		switch b := f.Body.(type) {
		case *cannularyv1.TrackRested:
			if b.GetTrack() == track {
				resting = b.Until == nil || date < b.GetUntil()
			}
		case *cannularyv1.TrackResumed:
			if b.GetTrack() == track && w.mutant != ResumeForgotten {
				resting = false
			}
		}
	}
	return resting
}

// staff is the id of a member of staff, empty where none is recorded.
func staff(s *cannularyv1.StaffIdentifier) string {
	if s.GetValue() == "" {
		return ""
	}
	return record.StaffID(s)
}

// distinct is the list without empty and repeated names, sorted.
func distinct(list []string) []string {
	sort.Strings(list)
	var out []string
	for _, s := range list {
		if s != "" && (len(out) == 0 || out[len(out)-1] != s) {
			out = append(out, s)
		}
	}
	return out
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}
