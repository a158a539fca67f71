package projector

import (
	"maps"
	"slices"

	"cannulary/internal/dossier"
	"cannulary/internal/record"
	"cannulary/internal/surveil"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// set is a set of names.
type set map[string]bool

func (s set) add(names ...string) {
	for _, n := range names {
		s[n] = true
	}
}

// sorted lists the names: whatever goes through a set does so in this order.
func (s set) sorted() []string { return slices.Sorted(maps.Keys(s)) }

// effects are what an event changes, as far as its facts say so.
type effects struct {
	sessions  set // sessions, or events without one, whose facts stand differently
	described set // topics that are described differently
	patients  set // patient keys to whom the event belongs
	merges    bool
	// registered, adopted and rated are the facilities with a registration or a protocol, and
	// the members of staff (record.StaffID) with a rating.
	registered, adopted, rated set
	newDays                    map[string]string // by facility, the local date that began
	facilities                 map[string]*facilityChange
	// amendedBy are the events that came before and correct or void a fact of this one.
	amendedBy set
	// alone tells that the facts are one patient's, amend nothing and are not amended.
	alone bool
}

// effectsOf reads the effects of an event from its own facts, and from all of them together with
// those that amend them or that they amend (view.Closure). group lists the patient keys that are
// one patient with a key.
func effectsOf(event string, own, all []record.Fact, group func(key string) []string) *effects {
	e := &effects{sessions: set{}, described: set{}, patients: set{}, registered: set{}, adopted: set{}, rated: set{},
		newDays: map[string]string{}, facilities: map[string]*facilityChange{}, amendedBy: amending(event, all),
		alone: len(all) == len(own)}
	for i := range own {
		f := &own[i]
		if f.PatientKey != "" {
			e.patients.add(f.PatientKey)
		}
		e.alone = e.alone && f.Plain() && f.MergedKey == "" && f.PatientKey != ""
	}
	for i := range all {
		e.take(&all[i], group)
	}
	return e
}

// take adds what one fact changes.
func (e *effects) take(f *record.Fact, group func(key string) []string) {
	switch b := f.Body.(type) {
	case *logv1.DayStarted:
		e.newDays[f.Facility] = b.GetDate()
		e.facility(f.Facility).day = true
		return
	case *cannularyv1.CannulatorRated:
		e.rated.add(record.StaffID(b.GetCannulator()))
	case *cannularyv1.SessionVoided:
		for _, key := range group(f.PatientKey) {
			e.sessions.add(record.SessionID(key, b.GetSession().GetSystem(), b.GetSession().GetValue()))
		}
	}
	if f.Plain() {
		e.sessions.add(f.Session)
	}
	for _, t := range dossier.Topics(f) {
		switch class, key, _ := dossier.SplitTopic(t.Name); class {
		case dossier.MergesTopic + "/":
			e.merges = true
		case dossier.FacilityTopic:
			e.registered.add(key)
			e.facility(key).registered = true
		case dossier.ProtocolTopic:
			e.adopted.add(key)
		case dossier.SurveillanceTopic:
			e.facility(key).take(f)
		default:
			if t.Describes {
				e.described.add(t.Name)
			}
		}
	}
}

// facility is what changes of a facility's surveillance.
func (e *effects) facility(id string) *facilityChange {
	c := e.facilities[id]
	if c == nil {
		c = &facilityChange{cases: map[surveil.Month]bool{}, exposure: map[surveil.Month]bool{}}
		e.facilities[id] = c
	}
	return c
}

// facilityChange is what an event changes of a facility's surveillance.
type facilityChange struct {
	day        bool                   // a day began
	facts      bool                   // a census, threshold or acknowledgement
	registered bool                   // the facility's registration
	cases      map[surveil.Month]bool // months whose infections changed
	exposure   map[surveil.Month]bool // months whose access-days or census changed
}

// take adds a fact about the facility's surveillance. A census changes its own month, however
// late it comes.
func (c *facilityChange) take(f *record.Fact) {
	c.facts = true
	if b, ok := f.Body.(*cannularyv1.CensusCounted); ok {
		if month, err := surveil.ParseMonth(b.GetMonth()); err == nil {
			c.exposure[month] = true
		}
	}
}

// amending lists the events whose corrections and voids name a fact, or a session with a
// fact, of the event.
func amending(event string, facts []record.Fact) set {
	own, sessions := set{}, set{}
	for i := range facts {
		if f := &facts[i]; f.EventID == event && f.Plain() {
			own.add(f.ID)
			if f.HasSession() {
				sessions.add(record.SessionKey(f.SessionSystem, f.SessionValue))
			}
		}
	}
	out := set{}
	for i := range facts {
		if f := &facts[i]; f.EventID != event && (own[f.Target] || sessions[f.TargetSession]) {
			out.add(f.EventID)
		}
	}
	return out
}
