package projector

import (
	"time"

	"cannulary/internal/dossier"
	"cannulary/internal/record"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
)

// plan lists what an event makes necessary.
type plan struct {
	*effects
	entry view.StoredEvent
	own   []record.Fact // the event's facts
	// others are own together with what amends them or what they amend; nil where there is none.
	others []record.Fact
	// topics are to be rendered again, beside the sessions of the effects.
	topics set
	// judge are the patient keys whose tracks are judged again.
	judge set
	// beginnings tell where the record of facilities began before the event.
	beginnings map[string]beginning
	// plain are the event's facts where they are one patient's, amend nothing, are not amended, and
	// nothing else changed; else nil. Then a follower may take them in as they are.
	plain []record.Item
	// since is the earliest moment of the sessions to which the plain facts belong.
	since time.Time
}

// planOf adds to the effects of an event what the view has to be asked for: everything of a patient
// who was merged, all sessions of a facility whose time zone changed, whoever is judged by a new
// protocol or rating, and whoever the calendar concerns on a day that began. fresh are the topics
// that the event is the first to name.
func (s *state) planOf(tx *view.Tx, e *effects, f followed, entry view.StoredEvent, own, all []record.Fact, fresh set) (*plan, error) {
	p := &plan{effects: e, entry: entry, own: own, topics: set{}, judge: set{}, beginnings: map[string]beginning{}}
	if len(all) > len(own) {
		p.others = all
	}
	p.topics.add(fresh.sorted()...)
	p.topics.add(e.described.sorted()...)
	p.judge.add(e.patients.sorted()...)
	for facility, date := range e.newDays {
		if err := added(p.judge)(tx.PatientsDue(facility, date)); err != nil {
			return nil, err
		}
	}
	for staff := range e.rated {
		if err := added(p.judge)(tx.PatientsOfCreator(staff)); err != nil {
			return nil, err
		}
	}
	for facility := range e.adopted {
		if err := added(p.judge)(tx.PatientsOfFacility(facility)); err != nil {
			return nil, err
		}
	}
	for _, z := range f.zones {
		p.beginnings[z.facility] = z.began
		if err := added(p.sessions)(tx.SessionsOfFacility(z.facility)); err != nil {
			return nil, err
		}
		if err := added(p.judge)(tx.PatientsOfFacility(z.facility)); err != nil {
			return nil, err
		}
	}
	again, err := s.namesakes(tx, fresh)
	if err != nil {
		return nil, err
	}
	if f.before != nil {
		if err := s.planMerge(tx, p, f.before, again); err != nil {
			return nil, err
		}
	}
	if err := s.planAgain(tx, p, again); err != nil {
		return nil, err
	}
	if err := s.planPlaces(tx, p); err != nil {
		return nil, err
	}
	if e.alone && len(p.judge) == 1 && len(again)+len(f.zones) == 0 {
		s.planPlain(p)
	}
	return p, nil
}

// planPlain lets followers take the event's facts in as they are.
func (s *state) planPlain(p *plan) {
	p.plain = record.AtNoon(record.Effective(p.own), s.zone)
	for i := range p.plain {
		from := p.plain[i].At
		if !p.plain[i].HasSession() {
			from = from.Add(-dayLong) // without a session a fact belongs to its local day
		}
		p.startsAt(from)
	}
}

// dayLong is more than any local day.
const dayLong = 26 * time.Hour

// startsAt moves since back to t if that is earlier.
func (p *plan) startsAt(t time.Time) {
	if p.since.IsZero() || t.Before(p.since) {
		p.since = t
	}
}

// added adds what a query of the view returns.
func added(s set) func(names []string, err error) error {
	return func(names []string, err error) error {
		s.add(names...)
		return err
	}
}

// planMerge adds the patients whose identity resolves differently now.
func (s *state) planMerge(tx *view.Tx, p *plan, before *record.Identities, again set) error {
	// A merge that had no effect, or has one now, is a finding of its patient.
	for _, ids := range []*record.Identities{before, s.identities} {
		if err := added(p.judge)(refused(tx, ids)); err != nil {
			return err
		}
	}
	// Whoever shares an identity with one that changed, before or now, may be touched as well: a
	// void posted under one end of a chain of merges reaches facts at the other.
	for _, key := range record.Changed(before, s.identities) {
		for _, ids := range []*record.Identities{before, s.identities} {
			for _, k := range ids.Group(key) {
				again.add(k)
				p.judge.add(before.Survivor(k))
				delete(s.memos, before.Survivor(k))
			}
		}
	}
	return nil
}

// refused lists the patient keys of the merges that have no effect.
func refused(tx *view.Tx, ids *record.Identities) ([]string, error) {
	if ids == nil || len(ids.Refused) == 0 {
		return nil, nil
	}
	var events []string
	for _, f := range ids.Refused {
		events = append(events, record.EventOf(f))
	}
	list, err := tx.Load().ByID(events)
	var out []string
	for _, e := range list {
		out = append(out, e.Event.GetPatientKey())
	}
	return out, err
}

// namesakes looks for tracks and accesses that the event is the first to name under its patient's
// key, while another identity of the patient has one of that name. Which of the two all resources
// refer to may be decided anew, so it returns all keys of such a patient.
func (s *state) namesakes(tx *view.Tx, fresh set) (set, error) {
	out := set{}
	for t := range fresh {
		class, key, name := dossier.SplitTopic(t)
		if class != dossier.TrackTopic && class != dossier.AccessTopic {
			continue
		}
		for _, k := range s.group(key) {
			if k == key {
				continue
			}
			if known, err := tx.HasTopic(class + k + "/" + name); err != nil {
				return nil, err
			} else if known {
				out.add(s.group(key)...)
				break
			}
		}
	}
	return out, nil
}

// planAgain has everything of patient keys rendered and judged anew.
func (s *state) planAgain(tx *view.Tx, p *plan, keys set) error {
	for key := range keys {
		p.topics.add(dossier.PatientTopic + key)
		if err := added(p.sessions)(tx.SessionsOfPatient(key)); err != nil {
			return err
		}
		for _, class := range []string{dossier.TrackTopic, dossier.AccessTopic} {
			if err := added(p.topics)(tx.TopicsWith(class + key + "/")); err != nil {
				return err
			}
		}
		p.judge.add(key)
		delete(s.followers, key)
		delete(s.memos, key)
		delete(s.memos, s.identities.Survivor(key))
	}
	return nil
}

// planPlaces adds where a description shows: that of a track or an access shows on the one that the
// merged patient has of that name, and that of an access also on its tracks.
func (s *state) planPlaces(tx *view.Tx, p *plan) error {
	for _, t := range p.topics.sorted() {
		class, key, _ := dossier.SplitTopic(t)
		if class != dossier.TrackTopic && class != dossier.AccessTopic {
			continue
		}
		if err := added(p.topics)(s.same(tx, t)); err != nil {
			return err
		}
		if class != dossier.AccessTopic {
			continue
		}
		for _, k := range s.group(key) {
			if err := added(p.topics)(tx.TopicsWith(dossier.TrackTopic + k + "/")); err != nil {
				return err
			}
		}
	}
	return nil
}

// same lists the topics of the same class and name as a track's or an access's of all
// identities of the patient, as far as they are known.
func (s *state) same(tx *view.Tx, topic string) ([]string, error) {
	class, key, name := dossier.SplitTopic(topic)
	group := s.group(key)
	if len(group) == 1 {
		return []string{topic}, nil
	}
	var out []string
	for _, k := range group {
		t := class + k + "/" + name
		known, err := tx.HasTopic(t)
		if err != nil {
			return nil, err
		}
		if known {
			out = append(out, t)
		}
	}
	return out, nil
}

// beginning is the local day on which a facility's record begins, that of its earliest treatment;
// known is false where there is none.
type beginning struct {
	day   surveil.Day
	known bool
}

func (s *state) beginning(tx *view.Tx, facility string) (beginning, error) {
	at, ok, err := tx.Load().FirstTreatment(facility)
	return beginning{surveil.DayOf(at, s.zone(facility)), ok}, err
}
