package dossier

import (
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// State is what of the view the projector keeps in memory.
type State interface {
	// Identities tell who was merged into whom, by all that the view holds.
	Identities() *record.Identities
	// Zone is a facility's time zone; UTC for a facility that is not known.
	Zone(facility string) *time.Location
}

// Moment is one state of the record: what the log held at a moment.
type Moment struct {
	Loader     view.Loader
	Identities *record.Identities
	Zone       func(facility string) *time.Location
	Protocols  *protocol.Book
	KnownAt    time.Time // zero is all that the view holds
}

// At reads a moment. A merge or a protocol that the log did not hold then is not in it.
func At(l view.Loader, s State, knownAt time.Time) (m Moment, err error) {
	m = Moment{Loader: l, Zone: s.Zone, KnownAt: knownAt, Identities: s.Identities()}
	if !knownAt.IsZero() {
		if m.Identities, err = Identities(l, knownAt); err != nil {
			return m, err
		}
	}
	m.Protocols, err = Protocols(l, knownAt)
	return m, err
}

// Patient is what is known of one patient, all merged identities together.
type Patient struct {
	// Facts are all of the patient, in no order.
	Facts []record.Fact
	// Items are the facts as they stand, at the times that they were sent with.
	Items []record.Item
	// Input is what the judgement looks at. Its AsOf is still open.
	Input track.Input
}

// Patient gathers the dossier of the patient who goes on under the key.
func (m Moment) Patient(key string) (Patient, error) {
	group := m.Identities.Group(key)
	events, err := m.Loader.Patients(group)
	if err != nil {
		return Patient{}, err
	}
	in := map[string]bool{}
	for _, k := range group {
		in[k] = true
	}
	facts, err := view.Closure(m.Loader, events, func(a, b *record.Fact) bool { return in[a.PatientKey] && in[b.PatientKey] })
	if err != nil {
		return Patient{}, err
	}
	facts = slices.DeleteFunc(facts, func(f record.Fact) bool { return !in[f.PatientKey] })
	p := Patient{Facts: record.Known(facts, m.KnownAt)}
	p.Items = record.Effective(p.Facts)
	p.Input = track.Input{Items: record.AtNoon(p.Items, m.Zone), Zone: m.Zone, Book: m.Protocols}
	p.Input.TrackKeys, p.Input.AccessKeys = keepers(group, p.Facts)
	for i := range p.Input.Items {
		if it := &p.Input.Items[i]; slices.Contains(m.Identities.Refused, it.ID) {
			p.Input.Refused = append(p.Input.Refused, *it)
		}
	}
	var staff []string
	for _, s := range firstInserters(p.Input.Items) {
		staff = append(staff, StaffTopic+record.StaffID(s))
	}
	p.Input.Ratings, err = ofFacilities(m.Loader, staff, m.KnownAt)
	return p, err
}

// Protocols gathers the protocols of all facilities, as far as the log held them at knownAt
// (zero: all). A patient may move to any of them. It is the only place where that is done.
func Protocols(l view.Loader, knownAt time.Time) (*protocol.Book, error) {
	topics, err := l.TopicsWith(ProtocolTopic)
	if err != nil {
		return nil, err
	}
	adopted, err := ofFacilities(l, topics, knownAt)
	if err != nil {
		return nil, err
	}
	return protocol.NewBook(adopted), nil
}

// keepers tell, for each track and access that the facts of merged identities name, the patient
// key under which resources refer to it: the survivor's where it has one of that name, else that
// of the first that has. They are nil where nothing was merged.
func keepers(group []string, facts []record.Fact) (tracks, accesses map[string]string) {
	if len(group) == 1 {
		return nil, nil
	}
	place := map[string]int{}
	for i, k := range group {
		place[k] = i
	}
	tracks, accesses = map[string]string{}, map[string]string{}
	note := func(m map[string]string, names []string, key string) {
		for _, n := range names {
			if k, ok := m[n]; !ok || place[key] < place[k] {
				m[n] = key
			}
		}
	}
	for i := range facts {
		note(tracks, facts[i].Tracks(), facts[i].PatientKey)
		note(accesses, facts[i].Accesses(), facts[i].PatientKey)
	}
	return tracks, accesses
}

// firstInserters are those who may have made the first insertion of a track: only their
// ratings are looked at.
func firstInserters(items []record.Item) []*cannularyv1.StaffIdentifier {
	var out []*cannularyv1.StaffIdentifier
	seen := map[string]bool{}
	for i := range items {
		n, ok := items[i].Body.(*cannularyv1.NeedleInserted)
		if !ok || items[i].Void || seen[n.GetTrack()] || n.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
			continue
		}
		seen[n.GetTrack()] = true
		if n.GetCannulator() != nil {
			out = append(out, n.GetCannulator())
		}
	}
	return out
}

// ofFacilities reads facts about facilities and staff, after corrections and voids.
func ofFacilities(l view.Loader, topics []string, knownAt time.Time) ([]record.Item, error) {
	slices.Sort(topics)
	var out []record.Item
	for _, t := range slices.Compact(topics) {
		events, err := l.Topic(t)
		if err != nil {
			return nil, err
		}
		facts, err := view.Closure(l, events, func(a, b *record.Fact) bool {
			return a.PatientKey == "" && b.PatientKey == "" && a.Facility == b.Facility
		})
		if err != nil {
			return nil, err
		}
		facts = slices.DeleteFunc(facts, func(f record.Fact) bool { return f.PatientKey != "" })
		out = append(out, record.Effective(record.Known(facts, knownAt))...)
	}
	record.Sort(out)
	// Two topics may share an event.
	return slices.CompactFunc(out, func(a, b record.Item) bool { return a.ID == b.ID }), nil
}

// Ratings gathers the ratings of all staff.
func Ratings(l view.Loader) ([]record.Item, error) {
	topics, err := l.TopicsWith(StaffTopic)
	if err != nil {
		return nil, err
	}
	items, err := ofFacilities(l, topics, time.Time{})
	return slices.DeleteFunc(items, func(it record.Item) bool {
		_, ok := it.Body.(*cannularyv1.CannulatorRated)
		return !ok
	}), err
}
