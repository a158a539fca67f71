// Package histories draws invented histories of one patient, for tests that hold two
// judgements of one history against each other. Most sessions keep to the protocol and some
// do not; facts arrive in any order, are corrected, taken back and posted under two
// identities. All of it is invented.
package histories

import (
	"fmt"
	"math/rand/v2"
	"sort"
	"time"

	"pgregory.net/rapid"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// History is what was posted of one patient, and the question asked.
type History struct {
	// Events are in the order of arrival.
	Events []*logv1.Event
	// AsOf is the moment asked for.
	AsOf time.Time
	// Facility is the one that the patient came to last.
	Facility string
	// Patient is one of the patient's keys; merges may make another one the survivor.
	Patient string
	// Other is the key that facts may be posted under as well.
	Other string
	// HasMerge and HasCorrection tell that identities are merged, or that facts are
	// corrected or voided.
	HasMerge, HasCorrection bool
	// Facts is their number, those of facilities and staff among them.
	Facts int
	// Zone gives the time zone of each facility.
	Zone func(facility string) *time.Location
}

// Question is a history as a judgement takes it.
type Question struct {
	Items, Ratings, Refused []record.Item
	Book                    *protocol.Book
	// Survivor is the key that the patient is known by.
	Survivor string
}

// All takes the events apart, in the order of arrival; the log's time is an hour after
// the latest clinical time so far.
func (h History) All() ([]record.Fact, error) {
	var out []record.Fact
	var logged time.Time
	for i, e := range h.Events {
		if t := e.GetOccurredAt().AsTime().Add(time.Hour); t.After(logged) {
			logged = t
		}
		facts, err := record.Facts(e, uint64(i+1), logged)
		if err != nil {
			return nil, fmt.Errorf("event %d: %w", i, err)
		}
		out = append(out, facts...)
	}
	return out, nil
}

// Split sorts facts by what they are about: the patient (under all keys), staff, facilities.
// Corrections and voids of staff or facility facts are in both of these.
func Split(facts []record.Fact) (patient, staff, facility []record.Fact) {
	for _, f := range facts {
		switch {
		case f.PatientKey != "":
			patient = append(patient, f)
		case f.Kind == record.KindCannulatorRated:
			staff = append(staff, f)
		case f.Plain():
			facility = append(facility, f)
		default:
			staff, facility = append(staff, f), append(facility, f)
		}
	}
	return patient, staff, facility
}

// Ask makes a question of the history.
func (h History) Ask() (Question, error) {
	all, err := h.All()
	if err != nil {
		return Question{}, err
	}
	return h.AskOf(all), nil
}

// AskOf makes a question of some of its facts, for instance of those that had arrived.
func (h History) AskOf(all []record.Fact) Question {
	patient, staff, facility := Split(all)
	byKey := map[string][]record.Fact{}
	for _, f := range patient {
		byKey[f.PatientKey] = append(byKey[f.PatientKey], f)
	}
	var merges []record.Item
	for _, key := range sortedKeys(byKey) {
		for _, it := range record.Effective(byKey[key]) {
			if it.Kind == record.KindPatientsMerged || it.Kind == record.KindMergeReversed {
				merges = append(merges, it)
			}
		}
	}
	ids := record.Resolve(merges)
	q := Question{Survivor: ids.Survivor(h.Patient), Book: protocol.NewBook(record.Effective(facility)), Ratings: record.Effective(staff)}
	var own []record.Fact
	for _, key := range ids.Group(h.Patient) {
		own = append(own, byKey[key]...)
	}
	q.Items = record.Effective(own)
	for _, m := range merges {
		for _, id := range ids.Refused {
			if m.ID == id {
				q.Refused = append(q.Refused, m)
			}
		}
	}
	return q
}

func sortedKeys(m map[string][]record.Fact) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

// Draw draws a history. Its length and how often it strays from the protocol are drawn by
// themselves, so that a failing history shrinks; all else follows from one seed.
func Draw(t *rapid.T) History {
	sessions := rapid.IntRange(0, 3).Draw(t, "sessions×12")*12 + rapid.IntRange(3, 14).Draw(t, "sessions")
	stray := rapid.SampledFrom([]float64{0, 0.015, 0.04, 0.12}).Draw(t, "stray")
	seed := rapid.Uint64Range(0, 1<<62).Draw(t, "seed")
	return Make(seed, sessions, stray)
}

// Make is the history of that seed: about so many sessions, each detail of an entry
// straying from the protocol with that probability.
func Make(seed uint64, sessions int, stray float64) History { return Named("", seed, sessions, stray) }

// Named is Make with a source, keys and facilities that carry the name, of at most 8
// letters and digits, so that many histories can stand in one log.
func Named(name string, seed uint64, sessions int, stray float64) History {
	n := named(name)
	b := &builder{names: n, r: rand.New(rand.NewPCG(seed, seed>>7^0x9e3779b97f4a7c15)), stray: stray, key: n.keyA}
	b.pickPlaces()
	b.unit()
	b.patient()
	for range sessions {
		b.nextSession()
	}
	b.afterwards()
	return b.history()
}

// places are zones: with and without daylight saving, by whole and half hours, far apart and
// near.
func places() [][3]string {
	return [][3]string{
		{"Europe/Lisbon", "Atlantic/Azores", "Europe/Lisbon"}, {"America/New_York", "America/Los_Angeles", "America/New_York"},
		{"Pacific/Auckland", "Australia/Lord_Howe", "Pacific/Auckland"}, {"Asia/Kathmandu", "Europe/Berlin", "Asia/Kathmandu"},
		{"UTC", "America/St_Johns", "Europe/Lisbon"}, {"Europe/Berlin", "Europe/Berlin", "Europe/Berlin"},
	}
}

func (b *builder) pickPlaces() {
	for i, name := range places()[b.r.IntN(len(places()))] {
		l, err := zone.Load(name)
		if err != nil {
			l = time.UTC
		}
		b.zones[i] = l
	}
	start := time.Date(2024+b.r.IntN(2), time.Month(1+b.r.IntN(12)), 1+b.r.IntN(28), 0, 0, 0, 0, time.UTC)
	b.day, b.first = start, start
}
