package surveil

import (
	"slices"
	"time"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Input is what Fold looks at.
type Input struct {
	// Items are all facts of the patient after corrections and voids, in the order of
	// record.Before.
	Items []record.Item
	// Zone answers a facility's time zone; nil, also as an answer, is UTC.
	Zone func(facility string) *time.Location
}

// Exposure is a stretch of days at one facility with one technique: From included, To not.
type Exposure struct {
	Facility  string    `json:"facility"`
	Technique Technique `json:"technique"`
	From      Day       `json:"from"`
	To        Day       `json:"to"` // far in the future while it goes on
}

// Days counts the days of the exposure within [from, to).
func (e Exposure) Days(from, to Day) int { return max(0, int(min(e.To, to)-max(e.From, from))) }

// Person is what surveillance knows of one patient.
type Person struct {
	Exposures []Exposure `json:"exposures"`
	Events    []Event    `json:"events"` // by day, kind, fact
}

// Fold computes it, and a Memo that tells which further facts would change nothing.
func Fold(in Input) (Person, Memo) {
	h := history{in: in, accesses: map[string]*access{}, tracks: map[string]*trackLife{}}
	h.read()
	var p Person
	for _, s := range h.stays {
		p.Exposures = append(p.Exposures, h.exposures(s)...)
	}
	p.Events = h.events()
	h.in = Input{Zone: in.Zone} // the facts are not kept
	return p, Memo{h}
}

// Memo remembers what a fold saw of stays, accesses and tracks.
type Memo struct{ h history }

// Unmoved tells that a plain fact of the patient, which stands and corrects nothing, would
// leave the Person as it is. It may answer false without need, never true.
func (m Memo) Unmoved(f *record.Fact) bool {
	switch b := f.Body.(type) {
	case *cannularyv1.SessionStarted:
		return m.ordinary(f, b.GetAccess(), "")
	case *cannularyv1.NeedleInserted:
		if b.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
			return m.ordinary(f, b.GetAccess(), "")
		}
		return m.ordinary(f, b.GetAccess(), b.GetTrack())
	case *cannularyv1.AccessExamined:
		return len(signsOf(b)) == 0 && !overAccess(b)
	case *cannularyv1.PatientAdmitted, *cannularyv1.PatientLeft, *cannularyv1.HospitalAdmission, *cannularyv1.HospitalDischarge,
		*cannularyv1.AccessCreated, *cannularyv1.AccessRetired, *cannularyv1.TrackPlanned, *cannularyv1.TrackTakenOver, *cannularyv1.TrackRetired,
		*cannularyv1.CultureResulted, *cannularyv1.AntimicrobialStarted, *cannularyv1.AntimicrobialEnded, *cannularyv1.SiteSignsSeen, *cannularyv1.SuspectedSourceAssessed:
		return false
	}
	return true // nothing that surveillance looks at
}

// ordinary tells that a treatment at a moment lies within a stay at its facility, through
// an access and into a track that were in use before.
func (m Memo) ordinary(f *record.Fact, access, track string) bool {
	d := m.h.day(f, f.At)
	inside := slices.ContainsFunc(m.h.stays, func(s stay) bool { return s.facility == f.Facility && s.from <= d && d < s.to })
	if !inside || len(m.h.stays) != 1 && d < m.h.stays[len(m.h.stays)-1].from {
		return false
	}
	if access != "" {
		if a := m.h.accesses[access]; a == nil || !a.used || a.from > d {
			return false
		}
	}
	if track != "" {
		if t := m.h.tracks[track]; t == nil || !t.used || t.from > d || access != "" && t.access != access {
			return false
		}
	}
	return true
}

type stay struct {
	facility string
	from, to Day
	admitted bool
}

type access struct {
	kind        cannularyv1.AccessKind
	from, until Day // until included
	used        bool
}

func (a *access) inPlace(d Day) bool { return a.from <= d && d <= a.until }

type trackLife struct {
	access      string
	from, until Day // in use; until included
	used        bool
}

// history is what is gathered of one patient before the events are counted.
type history struct {
	in       Input
	stays    []stay
	open     bool // the last stay goes on
	accesses map[string]*access
	tracks   map[string]*trackLife
	hospital []hospitalStay
}

type hospitalStay struct{ admitted, discharged Day }

func (h *history) day(f *record.Fact, t time.Time) Day {
	if h.in.Zone == nil {
		return DayOf(t, nil)
	}
	return DayOf(t, h.in.Zone(f.Facility))
}

// stated is the date in an optional field, else the fact's own.
func (h *history) stated(f *record.Fact, date string) Day {
	if d, err := ParseDay(date); err == nil {
		return d
	}
	return h.day(f, f.At)
}

func (h *history) access(name string) *access {
	a := h.accesses[name]
	if a == nil {
		a = &access{from: never, until: never}
		h.accesses[name] = a
	}
	return a
}

// seen notes that an access was there on a day.
func (h *history) seen(name string, d Day) {
	if name != "" {
		a := h.access(name)
		a.used = true
		a.from = min(a.from, d)
	}
}

func (h *history) track(name string) *trackLife {
	t := h.tracks[name]
	if t == nil {
		t = &trackLife{from: never, until: never}
		h.tracks[name] = t
	}
	return t
}

func (h *history) inUse(name, access string, d Day) {
	t := h.track(name)
	t.used = true
	t.from = min(t.from, d)
	if access != "" {
		t.access = access
	}
}

func (h *history) read() {
	for i := range h.in.Items {
		f := &h.in.Items[i].Fact
		if h.in.Items[i].Void {
			continue
		}
		d := h.day(f, f.At)
		switch b := f.Body.(type) {
		case *cannularyv1.PatientAdmitted:
			h.admit(f.Facility, h.stated(f, b.GetFirstTreatmentOn()))
		case *cannularyv1.PatientLeft:
			h.leave(f.Facility, d)
		case *cannularyv1.HospitalAdmission:
			h.hospital = append(h.hospital, hospitalStay{d, never})
		case *cannularyv1.HospitalDischarge:
			if n := len(h.hospital); n > 0 && h.hospital[n-1].discharged == never {
				h.hospital[n-1].discharged = d
			}
		case *cannularyv1.AccessCreated:
			a := h.access(b.GetAccess())
			a.kind = b.GetKind()
			a.from = min(a.from, h.stated(f, b.GetCreatedOn()))
		case *cannularyv1.AccessRetired:
			h.access(b.GetAccess()).until = d
		case *cannularyv1.TrackPlanned:
			for _, t := range b.GetTracks() {
				h.track(t.GetTrack()).access = b.GetAccess()
			}
		case *cannularyv1.TrackTakenOver:
			h.inUse(b.GetTrack(), b.GetAccess(), h.stated(f, b.GetInUseSince()))
			h.seen(b.GetAccess(), d)
		case *cannularyv1.TrackRetired:
			h.track(b.GetTrack()).until = d
		case *cannularyv1.SessionStarted:
			h.seen(b.GetAccess(), d)
			h.care(f.Facility, d)
		case *cannularyv1.NeedleInserted:
			h.seen(b.GetAccess(), d)
			if b.GetTrack() != "" && b.GetOutcome() != cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
				h.inUse(b.GetTrack(), b.GetAccess(), d)
			}
			h.care(f.Facility, d)
		}
	}
}

// current is the stay that goes on, nil if none does.
func (h *history) current() *stay {
	if !h.open {
		return nil
	}
	return &h.stays[len(h.stays)-1]
}

func (h *history) begin(facility string, d Day, admitted bool) {
	h.end(d)
	h.stays = append(h.stays, stay{facility, d, never, admitted})
	h.open = true
}

// end ends the stay that goes on; one that would be empty is dropped.
func (h *history) end(d Day) {
	if s := h.current(); s != nil {
		s.to = d
		h.open = false
		if s.to <= s.from {
			h.stays = h.stays[:len(h.stays)-1]
		}
	}
}

func (h *history) admit(facility string, d Day) {
	s := h.current()
	if s == nil || s.facility != facility {
		h.begin(facility, d, true)
		return
	}
	s.admitted = true
	s.from = min(s.from, max(d, h.lastEnd()))
}

// lastEnd is the day on which the stay before the current one ended.
func (h *history) lastEnd() Day {
	if n := len(h.stays); n > 1 {
		return h.stays[n-2].to
	}
	return First
}

func (h *history) leave(facility string, d Day) {
	if s := h.current(); s != nil && s.facility == facility {
		h.end(d)
	}
}

func (h *history) care(facility string, d Day) {
	if s := h.current(); s != nil {
		if s.facility != facility && !s.admitted {
			h.begin(facility, d, false)
		}
		return
	}
	if n := len(h.stays); n > 0 && h.stays[n-1].facility == facility && d <= h.stays[n-1].to {
		return // the treatment of the day on which the patient left
	}
	h.begin(facility, d, false)
}

// at is the technique on a day, with the access that decides it.
func (h *history) at(d Day) (Technique, string) {
	best, name := -1, ""
	kind := cannularyv1.AccessKind_ACCESS_KIND_UNSPECIFIED
	for _, n := range sortedKeys(h.accesses) {
		if a := h.accesses[n]; a.inPlace(d) && risk(a.kind) > best {
			best, name, kind = risk(a.kind), n, a.kind
		}
	}
	if best <= 1 {
		for _, n := range sortedKeys(h.tracks) {
			t := h.tracks[n]
			if !h.inUseOn(t, d) {
				continue
			}
			if k := h.kindOf(t); k == cannularyv1.AccessKind_ACCESS_KIND_FISTULA || k == cannularyv1.AccessKind_ACCESS_KIND_UNSPECIFIED {
				return ConstantSite, t.access
			}
		}
	}
	return techniqueOf(kind), name
}

func (h *history) kindOf(t *trackLife) cannularyv1.AccessKind {
	if a := h.accesses[t.access]; a != nil {
		return a.kind
	}
	return cannularyv1.AccessKind_ACCESS_KIND_UNSPECIFIED
}

// inUseOn tells whether the track is in use on a day; it ends with its access.
func (h *history) inUseOn(t *trackLife, d Day) bool {
	if !t.used || d < t.from || d > t.until {
		return false
	}
	a := h.accesses[t.access]
	return a == nil || d <= a.until
}

// tracksOn lists the tracks in use on a day.
func (h *history) tracksOn(d Day) []string {
	var out []string
	for _, n := range sortedKeys(h.tracks) {
		if h.inUseOn(h.tracks[n], d) {
			out = append(out, n)
		}
	}
	return out
}

// exposures cuts a stay where the technique changes.
func (h *history) exposures(s stay) []Exposure {
	cuts := []Day{s.from}
	cut := func(d Day) {
		if s.from < d && d < s.to {
			cuts = append(cuts, d)
		}
	}
	for _, a := range h.accesses {
		cut(a.from)
		cut(a.until + 1)
	}
	for _, t := range h.tracks {
		cut(t.from)
		cut(t.until + 1)
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	var out []Exposure
	for i, from := range cuts {
		to := s.to
		if i+1 < len(cuts) {
			to = cuts[i+1]
		}
		technique, _ := h.at(from)
		if n := len(out); n > 0 && out[n-1].Technique == technique {
			out[n-1].To = to
			continue
		}
		out = append(out, Exposure{s.facility, technique, from, to})
	}
	return out
}

// stayOn is the facility of the stay on a day, empty where there is none.
func (h *history) stayOn(d Day) string {
	for _, s := range h.stays {
		if s.from <= d && d < s.to {
			return s.facility
		}
	}
	return ""
}

func sortedKeys[T any](m map[string]T) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
