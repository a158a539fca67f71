package dossier

import (
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
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
	// Posted are facts that carry the identifier under which messages are posted, sealed: one for each patient key.
	Posted []record.Fact
	// Identity are the identities that were stated and the merges, as they stand, at the times that they were sent with.
	Identity []record.Item
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
	// What amends a fact of theirs was posted for one of them too, or has no effect: all of it is among these events.
	facts, err := view.Facts(events)
	if err != nil {
		return Patient{}, err
	}
	facts = record.Known(facts, m.KnownAt)
	items := record.Effective(facts)
	p := Patient{Posted: posted(group, facts), Identity: identities(items)}
	p.Input = track.Input{Items: record.AtNoon(items, m.Zone), Zone: m.Zone, Book: m.Protocols}
	p.Input.TrackKeys, p.Input.AccessKeys = keepers(group, facts)
	for i := range p.Input.Items {
		if it := &p.Input.Items[i]; slices.Contains(m.Identities.Refused, it.ID) {
			p.Input.Refused = append(p.Input.Refused, *it)
		}
	}
	p.Input.Ratings, err = ofFacilities(m.Loader, firstInserters(p.Input.Items), m.KnownAt)
	return p, err
}

// Extended is the dossier with the facts of the patient's events that came since it was gathered. It takes the place of p,
// which shares its memory and must not be extended again. added are those facts, and since is the earliest moment of the
// sessions that they belong to. ok is false where the dossier has to be gathered anew: a fact amends another one or is
// amended, identities are merged, or another one than before made the first insertion of a track, whose rating is asked for.
func (m Moment) Extended(p Patient, events []view.StoredEvent) (out Patient, added []record.Item, since time.Time, ok bool, err error) {
	facts, err := view.Closure(m.Loader, events, func(_, _ *record.Fact) bool { return true })
	if err != nil {
		return p, nil, since, false, err
	}
	for i := range facts {
		f := &facts[i]
		given := slices.ContainsFunc(events, func(e view.StoredEvent) bool { return e.Seq == f.Seq })
		if !given || !f.Plain() || f.MergedKey != "" {
			return p, nil, since, false, nil
		}
	}
	items := record.Effective(facts)
	out = p
	out.Identity = with(p.Identity, identities(items))
	added = record.AtNoon(items, m.Zone)
	out.Input.Items = with(p.Input.Items, added)
	if !slices.Equal(firstInserters(out.Input.Items), firstInserters(p.Input.Items)) {
		return p, nil, since, false, nil
	}
	return out, added, sessionsSince(out.Input.Items, added), true, nil
}

// with adds items to a list that is in the order of record.Before. Whoever holds the list does not see them.
func with(list, more []record.Item) []record.Item {
	n := len(list)
	if n == 0 || len(more) == 0 || record.Before(&list[n-1].Fact, &more[0].Fact) {
		return append(list, more...)
	}
	list = slices.Concat(list, more)
	record.Sort(list)
	return list
}

// posted finds for each patient key the first fact that carries its identifier.
func posted(keys []string, facts []record.Fact) []record.Fact {
	var out []record.Fact
	for _, key := range keys {
		if i := slices.IndexFunc(facts, func(f record.Fact) bool { return len(sealedOf(&f, key)) > 0 }); i >= 0 {
			out = append(out, facts[i])
		}
	}
	return out
}

// identities are copies of the items that say who the patient is, as they stand.
func identities(items []record.Item) []record.Item {
	var out []record.Item
	for i := range items {
		switch items[i].Body.(type) {
		case *logv1.IdentitySealed, *logv1.IdentitiesMerged:
			it := items[i]
			it.Superseded = nil // AtNoon changes it
			out = append(out, it)
		}
	}
	return out
}

// day is more than any local day.
const day = 26 * time.Hour

// sessionsSince is the earliest moment of the sessions to which the added ones of a patient's items belong. Without a
// session a fact belongs to its local day.
func sessionsSince(items, added []record.Item) (since time.Time) {
	sessions := map[string]bool{}
	earlier := func(t time.Time) {
		if since.IsZero() || t.Before(since) {
			since = t
		}
	}
	for i := range added {
		if it := &added[i]; it.HasSession() {
			sessions[it.Session] = true
		} else {
			earlier(it.At.Add(-day))
		}
	}
	for i := range items {
		if len(sessions) > 0 && sessions[items[i].Session] {
			earlier(items[i].At)
		}
	}
	return since
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

// firstInserters are the topics of those who may have made the first insertion of a track: only their
// ratings are looked at.
func firstInserters(items []record.Item) []string {
	var out []string
	seen := map[string]bool{}
	for i := range items {
		n, ok := items[i].Body.(*cannularyv1.NeedleInserted)
		if !ok || items[i].Void || seen[n.GetTrack()] || n.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
			continue
		}
		seen[n.GetTrack()] = true
		if n.GetCannulator() != nil {
			out = append(out, StaffTopic+record.StaffID(n.GetCannulator()))
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
