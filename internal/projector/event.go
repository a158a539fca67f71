package projector

import (
	"context"
	"fmt"
	"maps"
	"time"

	"cannulary/fhir"
	"cannulary/internal/eventlog"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/view"
	"cannulary/internal/zone"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// change is one event being projected.
type change struct {
	ctx     context.Context
	tx      *view.Tx
	seq     uint64
	event   string
	updated time.Time
	units   map[string]bool
	topics  map[string]bool
	merged  bool // identities may resolve differently
	targets []target
	failed  error

	judged map[string]bool // patient keys to be judged again
	// simple tells that the event's facts stand as they are and amend nothing; items are
	// they, touches the earliest moment of the sessions that they belong to.
	simple  bool
	items   []record.Item
	touches time.Time
	// calendar tells that nothing but a day is new.
	calendar bool
	// amended are the events that came before and amend one of the event's own facts.
	amended map[string]bool
	// others are the event's facts with all that amend them or that they amend; nil where
	// there are no such.
	others []record.Fact
	// watched are the facilities whose surveillance the event may change.
	watched map[string]*moved
	// beginnings tell where the record of facilities began before the event.
	beginnings map[string]beginning
	// gathered is what was gathered last, of the patient gatheredOf.
	gathered   *track.Input
	gatheredOf string
}

// event keeps the event and renders again everything that it touches.
func (p *Projector) event(ctx context.Context, tx *view.Tx, e view.StoredEvent, facts []record.Fact, data []byte, updated time.Time) error {
	ev := e.Event
	if err := tx.InsertEvent(e, facts[0].Unit, data); err != nil {
		return err
	}
	fresh := map[string]bool{}
	for i := range facts {
		if err := note(tx, &facts[i], fresh); err != nil {
			return err
		}
	}
	c := &change{ctx: ctx, tx: tx, seq: e.Seq, event: ev.GetId(), updated: updated, units: map[string]bool{}, topics: fresh, judged: map[string]bool{}, watched: map[string]*moved{}, beginnings: map[string]beginning{}}
	if ev.GetSource() == eventlog.ServiceSource {
		if err := p.service(c, ev); err != nil {
			return err
		}
		if err := p.judge(c); err != nil {
			return err
		}
		if err := p.surveillance(c, facts); err != nil {
			return err
		}
		return p.provenance(c, e, facts)
	}
	if err := tx.HeardFrom(ev.GetFacility(), e.Logged, ev.GetOccurredAt().AsTime()); err != nil {
		return err
	}
	if k := ev.GetPatientKey(); k != "" {
		c.judged[k] = true
	}
	first := maps.Clone(fresh)
	if err := p.affected(c, e, facts); err != nil {
		return err
	}
	if err := p.reach(c, facts); err != nil {
		return err
	}
	if err := p.named(c, first); err != nil {
		return err
	}
	if err := p.render(c); err != nil {
		return err
	}
	if err := p.judge(c); err != nil {
		return err
	}
	if err := p.surveillance(c, facts); err != nil {
		return err
	}
	return p.provenance(c, e, facts)
}

// note enters a fact into the tables by which it is found again, and adds the topics that
// it is the first to mention to fresh.
func note(tx *view.Tx, f *record.Fact, fresh map[string]bool) error {
	if f.Target != "" {
		if err := tx.Amend(f.Target, f.Seq); err != nil {
			return err
		}
	}
	if f.TargetSession != "" {
		if err := tx.Amend(f.TargetSession, f.Seq); err != nil {
			return err
		}
	}
	for _, t := range topicsOf(f) {
		known, err := tx.HasTopic(t.name)
		if err != nil {
			return err
		}
		if known && !t.describes {
			continue
		}
		if class, _, _ := split(t.name); !known && class != topicMerges+"/" && class != topicFacility && class != topicProtocol && class != topicSurveil {
			fresh[t.name] = true
		}
		if err := tx.Topic(t.name, f.Seq); err != nil {
			return err
		}
	}
	return nil
}

// service takes the service's own events. When a day starts, what the calendar alone
// changes is judged again: rests that end, windows that close, protocols that come into force.
func (p *Projector) service(c *change, ev *logv1.Event) error {
	for _, f := range ev.GetFacts() {
		d := f.GetDayStarted()
		if d == nil {
			continue
		}
		c.calendar = true
		c.watch(ev.GetFacility()).day = true
		if err := c.tx.DayStarted(ev.GetFacility(), d.GetDate()); err != nil {
			return err
		}
		if err := p.readDays(c.tx); err != nil {
			return err
		}
		due, err := c.tx.PatientsDue(ev.GetFacility(), d.GetDate())
		if err != nil {
			return err
		}
		for _, k := range due {
			c.judged[k] = true
		}
	}
	return nil
}

// related tells whether an amendment may touch a fact: both are about the same patient as
// merged today, or about the same facility.
func (p *Projector) related(a, b *record.Fact) bool {
	if a.PatientKey == "" && b.PatientKey == "" {
		return a.Facility == b.Facility
	}
	return a.PatientKey != "" && b.PatientKey != "" && p.identities.Survivor(a.PatientKey) == p.identities.Survivor(b.PatientKey)
}

// affected finds the units and topics that the event changes: its own, those of the facts
// that it amends, and those that an earlier amendment moved.
func (p *Projector) affected(c *change, e view.StoredEvent, own []record.Fact) error {
	facts, err := view.Closure(c.tx.Load(), []view.StoredEvent{e}, p.related)
	if err != nil {
		return err
	}
	c.simple = len(facts) == len(own)
	if !c.simple {
		c.amended = amending(e.Event.GetId(), facts)
		c.others = facts
	}
	merges, facilities, protocols := false, map[string]bool{}, map[string]bool{}
	for i := range facts {
		f := &facts[i]
		c.simple = c.simple && f.Plain() && f.MergedKey == "" && f.PatientKey != ""
		if r, ok := f.Body.(*cannularyv1.CannulatorRated); ok {
			if err := c.judgeAll(c.tx.PatientsOfCreator(record.StaffID(r.GetCannulator()))); err != nil {
				return err
			}
		}
		if f.Plain() {
			c.units[f.Unit] = true
		}
		if s, ok := f.Body.(*cannularyv1.SessionVoided); ok {
			for _, key := range p.identities.Group(f.PatientKey) {
				c.units[record.SessionUnit(key, s.GetSession().GetSystem(), s.GetSession().GetValue())] = true
			}
		}
		for _, t := range topicsOf(f) {
			switch class, key, _ := split(t.name); class {
			case topicMerges + "/":
				merges = true
			case topicFacility:
				facilities[key] = true
				c.watch(key).registered = true
			case topicProtocol:
				protocols[key] = true
				// A chart that is kept ready may come to need it when the patient moves.
				p.book, p.charts = nil, map[string]*chart{}
			case topicSurveil:
				c.watch(key).told(f)
			default:
				if t.describes {
					c.topics[t.name] = true
				}
			}
		}
	}
	if c.merged = merges; merges {
		if err := p.merged(c); err != nil {
			return err
		}
	}
	for id := range facilities {
		if err := p.facility(c, id); err != nil {
			return err
		}
	}
	for id := range protocols {
		if err := c.judgeAll(c.tx.PatientsOfFacility(id)); err != nil {
			return err
		}
	}
	if len(c.judged) > 1 || own[0].PatientKey == "" {
		c.simple = false
	}
	if c.simple {
		c.items = record.AtNoon(record.Effective(facts), p.zone)
		for i := range c.items {
			from := c.items[i].At
			if !c.items[i].HasSession() {
				from = from.Add(-dayLong) // without a session a fact belongs to its local day
			}
			c.touch(from)
		}
	}
	return nil
}

// amending lists the events whose corrections and voids name a fact, or a session with a
// fact, of the event.
func amending(id string, facts []record.Fact) map[string]bool {
	own, sessions := map[string]bool{}, map[string]bool{}
	for i := range facts {
		if f := &facts[i]; f.EventID == id && f.Plain() {
			own[f.ID] = true
			if f.HasSession() {
				sessions[record.SessionKey(f.SessionSystem, f.SessionValue)] = true
			}
		}
	}
	out := map[string]bool{}
	for i := range facts {
		if f := &facts[i]; f.EventID != id && (own[f.Target] || sessions[f.TargetSession]) {
			out[f.EventID] = true
		}
	}
	return out
}

// dayLong is more than any local day.
const dayLong = 26 * time.Hour

func (c *change) touch(t time.Time) {
	if c.touches.IsZero() || t.Before(c.touches) {
		c.touches = t
	}
}

// judgeAll has patients judged again.
func (c *change) judgeAll(keys []string, err error) error {
	for _, k := range keys {
		c.judged[k] = true
	}
	return err
}

func (p *Projector) setZone(facility, name string) error {
	l, err := zone.Load(name)
	if err != nil {
		return &unclearError{err: fmt.Errorf("facility %s: %w", facility, err)}
	}
	p.zones = maps.Clone(p.zones)
	p.zones[facility] = l
	return nil
}

func (p *Projector) zone(facility string) *time.Location {
	if l, ok := p.zones[facility]; ok {
		return l
	}
	return time.UTC
}

// facility takes a facility's registration. A new time zone renders all its times again.
func (p *Projector) facility(c *change, id string) error {
	items, err := p.topicItems(c, topicFacility+id)
	if err != nil {
		return err
	}
	for i := range items {
		r, ok := items[i].Body.(*cannularyv1.FacilityRegistered)
		if !ok || items[i].Void || items[i].Facility != id {
			continue
		}
		if err := c.tx.SetFacility(id, r.GetTimeZone(), r.GetName()); err != nil {
			return err
		}
	}
	fs, err := c.tx.Facilities()
	if err != nil {
		return err
	}
	for _, f := range fs {
		if f.ID != id || p.zone(id).String() == f.Zone {
			continue
		}
		// In another time zone the earliest treatment may lie on another date.
		if err := p.noteBeginning(c, id); err != nil {
			return err
		}
		if err := p.setZone(id, f.Zone); err != nil {
			return err
		}
		if err := p.readDays(c.tx); err != nil {
			return err
		}
		units, err := c.tx.UnitsOfFacility(id)
		if err != nil {
			return err
		}
		for _, u := range units {
			c.units[u] = true
		}
		if err := c.judgeAll(c.tx.PatientsOfFacility(id)); err != nil {
			return err
		}
		c.simple = false
	}
	resources, err := fhir.Facility(p.context(c, id), items)
	if err != nil {
		return &unclearError{err: err}
	}
	return c.put(resources...)
}

// put stores resources and remembers which versions the event gave.
func (c *change) put(resources ...fhir.Resource) error {
	if c.failed != nil {
		return c.failed
	}
	for _, r := range resources {
		v, changed, err := c.tx.Put(r, c.seq, c.updated)
		if err != nil {
			return err
		}
		if changed {
			c.targets = append(c.targets, target{fhir.VersionedReference{Type: r.Type, ID: r.ID, Version: v}, takenBack(&r)})
		}
	}
	return nil
}
