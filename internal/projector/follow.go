package projector

import (
	"maps"
	"time"

	"cannulary/internal/chain"
	"cannulary/internal/dossier"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
	"cannulary/internal/worklist"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// state is what the projector keeps in memory. All of it is a function of the view, and is read
// again from there after a transaction that was rolled back.
type state struct {
	identities *record.Identities
	groups     map[string][]string // of merged identities, by each of their keys
	zones      map[string]*time.Location
	days       map[string]time.Time // by facility, the beginning of the newest day that began there
	protocols  *protocol.Book       // of all facilities; nil where it is to be read
	followers  map[string]*follower // by surviving patient key
	memos      map[string]surveil.Memo
	lists      map[string]*worklist.Memo // by surviving patient key
	kept       map[string]kept           // of merged patients, by surviving patient key
	chain      *chain.Checker            // of the log's writers
}

// readState reads it from the view.
func readState(tx *view.Tx) (*state, error) {
	s := &state{zones: map[string]*time.Location{}}
	s.forget()
	var err error
	if s.chain, err = tx.Chain(); err != nil {
		return nil, err
	}
	if err := s.readIdentities(tx); err != nil {
		return nil, err
	}
	fs, err := tx.Facilities()
	if err != nil {
		return nil, err
	}
	for _, f := range fs {
		if err := s.setZone(f.ID, f.Zone); err != nil {
			return nil, err
		}
	}
	return s, s.readDays(tx)
}

// forget drops the caches, which fill again when they are needed.
func (s *state) forget() {
	s.protocols, s.followers, s.memos = nil, map[string]*follower{}, map[string]surveil.Memo{}
	s.lists, s.kept = map[string]*worklist.Memo{}, map[string]kept{}
}

func (s *state) readIdentities(tx *view.Tx) (err error) {
	s.groups = map[string][]string{}
	s.identities, err = dossier.Identities(tx.Load(), time.Time{})
	return err
}

// readDays reads the newest day that began at each facility. It is asked again whenever a day
// begins or a time zone changes.
func (s *state) readDays(tx *view.Tx) error {
	fs, err := tx.Facilities()
	if err != nil {
		return err
	}
	s.days = map[string]time.Time{}
	for _, f := range fs {
		if d, err := time.ParseInLocation(time.DateOnly, f.Day, s.zone(f.ID)); err == nil {
			s.days[f.ID] = d
		}
	}
	return nil
}

// setZone sets a facility's time zone in a copy of the map, because readers may hold the old one.
func (s *state) setZone(facility, name string) error {
	l, err := loadZone(facility, name)
	if err != nil {
		return err
	}
	s.zones = maps.Clone(s.zones)
	s.zones[facility] = l
	return nil
}

func (s *state) zone(facility string) *time.Location {
	if l, ok := s.zones[facility]; ok {
		return l
	}
	return time.UTC
}

// day is the newest day that began at a facility; long ago where none did.
func (s *state) day(facility string) surveil.Day {
	t, ok := s.days[facility]
	if !ok {
		return surveil.DayOf(time.Unix(0, 0), nil)
	}
	return surveil.DayOf(t, s.zone(facility))
}

// gather reads a patient's dossier.
func (s *state) gather(l view.Loader, key string) (dossier.Patient, error) {
	if s.protocols == nil {
		book, err := dossier.Protocols(l, time.Time{})
		if err != nil {
			return dossier.Patient{}, err
		}
		s.protocols = book
	}
	return dossier.Moment{Loader: l, Identities: s.identities, Zone: s.zone, Protocols: s.protocols}.Patient(key)
}

// group lists the patient keys that are one patient with a key, the survivor first.
func (s *state) group(key string) []string {
	if g, ok := s.groups[key]; ok {
		return g
	}
	g := s.identities.Group(key)
	s.groups[key] = g
	return g
}

// related reports whether an amendment may touch a fact: both are about the same patient as
// merged today, or about the same facility.
func (s *state) related(a, b *record.Fact) bool {
	if a.PatientKey == "" && b.PatientKey == "" {
		return a.Facility == b.Facility
	}
	return a.PatientKey != "" && b.PatientKey != "" && s.identities.Survivor(a.PatientKey) == s.identities.Survivor(b.PatientKey)
}

// follow brings the state up to date with what the event changes of it, and returns what that
// changed.
func (s *state) follow(tx *view.Tx, e *effects) (followed, error) {
	var f followed
	for facility, date := range e.newDays {
		if err := tx.DayStarted(facility, date); err != nil {
			return f, err
		}
	}
	if e.merges {
		f.before = s.identities
		if err := s.readIdentities(tx); err != nil {
			return f, err
		}
	}
	for _, id := range e.registered.sorted() {
		moved, began, err := s.register(tx, id)
		if err != nil {
			return f, err
		}
		if moved {
			f.zones = append(f.zones, zoneChange{id, began})
		}
	}
	if len(e.adopted) > 0 {
		// A follower may come to need a protocol of any facility when its patient moves.
		s.protocols, s.followers = nil, map[string]*follower{}
	}
	if len(e.newDays)+len(f.zones) > 0 {
		return f, s.readDays(tx)
	}
	return f, nil
}

// followed is what an event changed of the state.
type followed struct {
	before *record.Identities // as they were before the event; nil where they are the same
	zones  []zoneChange
}

// zoneChange is a facility whose time zone changed.
type zoneChange struct {
	facility string
	began    beginning // of its record, in the old time zone
}

// register stores a facility's registration. moved tells that its time zone is another one now,
// began where its record began in the old one.
func (s *state) register(tx *view.Tx, id string) (moved bool, began beginning, err error) {
	items, err := topicItems(tx, s, dossier.FacilityTopic+id)
	if err != nil {
		return false, began, err
	}
	zone := ""
	for i := range items {
		r, ok := items[i].Body.(*cannularyv1.FacilityRegistered)
		if !ok || items[i].Void || items[i].Facility != id {
			continue
		}
		zone = r.GetTimeZone()
		if err := tx.SetFacility(id, zone, r.GetName()); err != nil {
			return false, began, err
		}
	}
	if zone == "" || s.zone(id).String() == zone {
		return false, began, nil
	}
	if began, err = s.beginning(tx, id); err != nil {
		return false, began, err
	}
	return true, began, s.setZone(id, zone)
}
