package surveil

import (
	"maps"
	"slices"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/stay"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Input is what Fold looks at.
type Input struct {
	// Items are all facts of the patient, after corrections and voids, in the order of
	// record.Before.
	Items []record.Item
	// Zone returns a facility's time zone; nil means UTC, also as a result.
	Zone func(facility string) *time.Location
}

// Exposure is a range of days at one facility with one technique: From is in it, To is not.
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
	Cultures  []Culture  `json:"cultures"`
}

// Culture is a blood culture with a result, positive or negative. Without any culture on record
// nobody can say that none was positive. A patient's cultures are sorted by day and fact.
type Culture struct {
	Fact     string `json:"fact"`
	Facility string `json:"facility"` // that of the stay on its day, else of its message
	Day      Day    `json:"day"`      // of its collection
	Positive bool   `json:"positive"`
}

// Fold returns what surveillance knows of one patient, and a Memo that says which further facts
// change nothing.
func Fold(in Input) (Person, Memo) {
	h := history{in: in, stays: stay.Read(in.Items, in.Zone, time.Time{}), accesses: map[string]*access{}, tracks: map[string]*trackLife{}}
	h.read()
	h.infer()
	var p Person
	for _, s := range h.stays.List() {
		p.Exposures = append(p.Exposures, h.exposures(s)...)
	}
	p.Events, p.Cultures = h.events(), h.results()
	h.in = Input{Zone: in.Zone} // the facts are not kept
	return p, Memo{h}
}

// Memo remembers what a fold saw of stays, accesses and tracks.
type Memo struct{ h history }

// Unmoved reports that a plain fact of the patient, which stands and corrects nothing, leaves
// the Person as it is. It may return false although nothing changes, but never true although
// something does.
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
		*cannularyv1.AccessCreated, *cannularyv1.AccessRetired, *cannularyv1.TrackPlanned, *cannularyv1.TrackTakenOver,
		*cannularyv1.TrackRetired,
		*cannularyv1.CultureResulted, *cannularyv1.AntimicrobialStarted, *cannularyv1.AntimicrobialEnded, *cannularyv1.SiteSignsSeen,
		*cannularyv1.SuspectedSourceAssessed,
		*cannularyv1.EventOutcomeAssessed:
		return false
	}
	return true // surveillance does not look at such facts
}

// ordinary reports that a treatment lies within a stay at its facility, through an access and
// into a track that were in use before.
func (m Memo) ordinary(f *record.Fact, access, track string) bool {
	d := m.h.day(f, f.At)
	stays := m.h.stays.List()
	if in, ok := m.h.stays.On(zone.Day(d)); !ok || in.Facility != f.Facility || len(stays) != 1 && d < Day(stays[len(stays)-1].From) {
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

type access struct {
	kind        cannularyv1.AccessKind
	from, until Day // until included
	used        bool
}

func (a *access) inPlace(d Day) bool { return a.from <= d && d <= a.until }

type trackLife struct {
	access      string
	stated      bool // a plan or a takeover states the access
	from, until Day  // in use; until included
	used        bool
}

// history holds what is known of one patient before the events are counted.
type history struct {
	in       Input
	stays    *stay.Stays
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

// stated returns the date in an optional field, else the fact's own.
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

// seen records that an access was there on a day.
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

func (h *history) inUse(name string, d Day) {
	t := h.track(name)
	t.used = true
	t.from = min(t.from, d)
}

// lies sets the access of a track by a plan or a takeover, which says more than a needle does.
func (t *trackLife) lies(access string) { t.access, t.stated = access, true }

// infer derives from tracks what nobody stated of their accesses. An access was used when a
// track in it was used. An access of unknown kind with a track is a fistula.
func (h *history) infer() {
	for _, t := range h.tracks {
		if t.access == "" {
			continue
		}
		if t.used {
			h.seen(t.access, t.from)
		}
		if a := h.accesses[t.access]; a != nil && a.kind == cannularyv1.AccessKind_ACCESS_KIND_UNSPECIFIED {
			a.kind = cannularyv1.AccessKind_ACCESS_KIND_FISTULA
		}
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
		case *cannularyv1.HospitalAdmission:
			h.hospital = append(h.hospital, hospitalStay{d, never})
		case *cannularyv1.HospitalDischarge:
			for i := range h.hospital {
				h.hospital[i].discharged = min(h.hospital[i].discharged, d)
			}
		case *cannularyv1.AccessCreated:
			a := h.access(b.GetAccess())
			a.kind = b.GetKind()
			a.from = min(a.from, h.stated(f, b.GetCreatedOn()))
		case *cannularyv1.AccessRetired:
			a := h.access(b.GetAccess())
			a.until = min(a.until, d)
		case *cannularyv1.TrackPlanned:
			for _, t := range b.GetTracks() {
				h.track(t.GetTrack()).lies(b.GetAccess())
			}
		case *cannularyv1.TrackTakenOver:
			h.track(b.GetTrack()).lies(b.GetAccess())
			h.inUse(b.GetTrack(), h.stated(f, b.GetInUseSince()))
		case *cannularyv1.TrackRetired:
			t := h.track(b.GetTrack())
			t.until = min(t.until, d)
		case *cannularyv1.SessionStarted:
			h.seen(b.GetAccess(), d)
		case *cannularyv1.NeedleInserted:
			h.seen(b.GetAccess(), d)
			if b.GetTrack() != "" && b.GetOutcome() != cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
				if t := h.track(b.GetTrack()); b.GetAccess() != "" && !t.stated {
					t.access = b.GetAccess()
				}
				h.inUse(b.GetTrack(), d)
			}
		}
	}
}

// at returns the technique on a day, with the access that decides it.
func (h *history) at(d Day) (Technique, string) {
	best, name := -1, ""
	kind := cannularyv1.AccessKind_ACCESS_KIND_UNSPECIFIED
	for _, n := range slices.Sorted(maps.Keys(h.accesses)) {
		if a := h.accesses[n]; a.inPlace(d) && risk(a.kind) > best {
			best, name, kind = risk(a.kind), n, a.kind
		}
	}
	if best <= 1 {
		for _, n := range slices.Sorted(maps.Keys(h.tracks)) {
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

// inUseOn reports whether the track is in use on a day. It ends with its access.
func (h *history) inUseOn(t *trackLife, d Day) bool {
	if !t.used || d < t.from || d > t.until {
		return false
	}
	a := h.accesses[t.access]
	return a == nil || d <= a.until
}

// tracksOn returns the tracks in use on a day.
func (h *history) tracksOn(d Day) []string {
	var out []string
	for _, n := range slices.Sorted(maps.Keys(h.tracks)) {
		if h.inUseOn(h.tracks[n], d) {
			out = append(out, n)
		}
	}
	return out
}

// exposures divides a stay where the technique changes.
func (h *history) exposures(s stay.Stay) []Exposure {
	cuts := []Day{Day(s.From)}
	cut := func(d Day) {
		if Day(s.From) < d && d < Day(s.To) {
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
		to := Day(s.To)
		if i+1 < len(cuts) {
			to = cuts[i+1]
		}
		technique, _ := h.at(from)
		if n := len(out); n > 0 && out[n-1].Technique == technique {
			out[n-1].To = to
			continue
		}
		out = append(out, Exposure{s.Facility, technique, from, to})
	}
	return out
}

// stayOn returns the facility of the stay on a day, empty if there is none.
func (h *history) stayOn(d Day) string {
	in, _ := h.stays.On(zone.Day(d))
	return in.Facility
}
