package projector

import (
	"context"
	"maps"
	"reflect"
	"slices"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// moved is what an event changes of a facility's surveillance.
type moved struct {
	day        bool                   // a day began
	facts      bool                   // a census, threshold or acknowledgement
	registered bool                   // the facility's registration
	events     map[surveil.Month]bool // months whose infections changed
	days       map[surveil.Month]bool // months whose access-days or census changed
}

// told takes in a fact about the facility's surveillance, or one that another amends. A census
// changes its own month, however late it comes.
func (m *moved) told(f *record.Fact) {
	m.facts = true
	if b, ok := f.Body.(*cannularyv1.CensusCounted); ok {
		if month, err := surveil.ParseMonth(b.GetMonth()); err == nil {
			m.days[month] = true
		}
	}
}

func (c *change) watch(facility string) *moved {
	m := c.watched[facility]
	if m == nil {
		m = &moved{events: map[surveil.Month]bool{}, days: map[surveil.Month]bool{}}
		c.watched[facility] = m
	}
	return m
}

// memosMost bounds the patients of whom it is remembered what surveillance saw: about a
// kilobyte each.
const memosMost = 4096

// surveillance computes again what the event changes of infections, exposure and charts.
// own are the event's facts.
func (p *Projector) surveillance(c *change, own []record.Fact) error {
	keys := map[string]bool{}
	if !c.calendar {
		for k := range c.judged {
			keys[p.identities.Survivor(k)] = true
		}
	}
	for _, key := range sorted(keys) {
		if err := p.surveyed(c, key); err != nil {
			return err
		}
	}
	if err := p.recordsBegin(c); err != nil {
		return err
	}
	for _, f := range slices.Sorted(maps.Keys(c.watched)) {
		if err := p.watched(c, f, c.watched[f], own); err != nil {
			return err
		}
	}
	return nil
}

// treatments tells, by facility, when treatment began in one session. One that was missed, or of
// which only the end was reported, is no treatment.
func treatments(items []record.Item) map[string]time.Time {
	began := map[string]time.Time{}
	for i := range items {
		it := &items[i]
		if it.Void {
			continue
		}
		switch it.Body.(type) {
		case *cannularyv1.SessionStarted, *cannularyv1.NeedleInserted:
			if t, ok := began[it.Facility]; !ok || it.At.Before(t) {
				began[it.Facility] = it.At
			}
		}
	}
	return began
}

// treatmentBegan stores when treatment began in a session.
func (p *Projector) treatmentBegan(c *change, session string, items []record.Item) error {
	began := treatments(items)
	before, err := c.tx.Treatments(session)
	if err != nil || maps.EqualFunc(before, began, func(a, b time.Time) bool { return a.UnixMilli() == b.UnixMilli() }) {
		return err
	}
	for _, m := range []map[string]time.Time{before, began} {
		for facility := range m {
			if err := p.noteBeginning(c, facility); err != nil {
				return err
			}
		}
	}
	return c.tx.SetTreatments(session, began)
}

// beginning is the local day on which a facility's record begins, that of its earliest treatment;
// known is false where there is none.
type beginning struct {
	day   surveil.Day
	known bool
}

func (p *Projector) beginning(c *change, facility string) (beginning, error) {
	at, ok, err := c.tx.Load().FirstTreatment(facility)
	return beginning{surveil.DayOf(at, p.zone(facility)), ok}, err
}

// noteBeginning keeps where a facility's record began before the event. It must be asked before a
// treatment or the time zone changes.
func (p *Projector) noteBeginning(c *change, facility string) error {
	if _, ok := c.beginnings[facility]; ok {
		return nil
	}
	b, err := p.beginning(c, facility)
	c.beginnings[facility] = b
	return err
}

// recordsBegin notes the months that changed because the record of a facility begins on another
// day now: in some nothing counts any more, in others something does for the first time.
func (p *Projector) recordsBegin(c *change) error {
	for facility, before := range c.beginnings {
		now, err := p.beginning(c, facility)
		if err != nil {
			return err
		}
		if now == before || !before.known {
			continue // the first treatment of all comes with exposure of its own
		}
		to := now.day
		if !now.known {
			to = p.asOf(facility)
		}
		for m := min(before.day, to).Month(); m <= max(before.day, to).Month() && m <= p.asOf(facility).Month(); m++ {
			c.watch(facility).days[m] = true
		}
	}
	return nil
}

// surveyed computes one patient's exposure and events, unless the event leaves them as they
// are, and notes which months of which facilities that changes.
func (p *Projector) surveyed(c *change, key string) error {
	memo, known := p.memos[key]
	if known && c.simple && !slices.ContainsFunc(c.items, func(it record.Item) bool { return !memo.Unmoved(&it.Fact) }) {
		return nil
	}
	in, err := p.gathered(c, key)
	if err != nil {
		return err
	}
	now, memo := surveil.Fold(surveil.Input{Items: in.Items, Zone: p.zone})
	if len(p.memos) >= memosMost {
		clear(p.memos)
	}
	p.memos[key] = memo
	group := p.identities.Group(key)
	var before surveil.Person
	moved := false // from an identity that was merged since
	for _, k := range group {
		old, err := c.tx.Load().Surveillance(k)
		if err != nil {
			return err
		}
		moved = moved || k != key && len(old.Exposures)+len(old.Events)+len(old.Cultures) > 0
		before.Exposures = append(before.Exposures, old.Exposures...)
		before.Events = append(before.Events, old.Events...)
		before.Cultures = append(before.Cultures, old.Cultures...)
	}
	if !moved && reflect.DeepEqual(before, now) {
		return nil
	}
	p.differ(c, before, now)
	return c.tx.SetSurveillance(group, key, now)
}

// differ notes the months in which two states of a patient differ.
func (p *Projector) differ(c *change, before, now surveil.Person) {
	for _, e := range apart(before.Events, now.Events, func(a, b surveil.Event) bool { return reflect.DeepEqual(a, b) }) {
		c.watch(e.Facility).events[e.Day.Month()] = true
	}
	for _, e := range apart(before.Exposures, now.Exposures, func(a, b surveil.Exposure) bool { return a == b }) {
		w := c.watch(e.Facility)
		for m := e.From.Month(); m <= min(e.To, p.asOf(e.Facility)).Month(); m++ {
			w.days[m] = true
		}
	}
}

// apart lists what stands in only one of two lists.
func apart[T any](a, b []T, same func(a, b T) bool) []T {
	var out []T
	for _, x := range a {
		if !slices.ContainsFunc(b, func(y T) bool { return same(x, y) }) {
			out = append(out, x)
		}
	}
	for _, y := range b {
		if !slices.ContainsFunc(a, func(x T) bool { return same(x, y) }) {
			out = append(out, y)
		}
	}
	return out
}

// asOf is the newest day that has begun at a facility; long ago where none has.
func (p *Projector) asOf(facility string) surveil.Day {
	t, ok := p.days[facility]
	if !ok {
		return surveil.DayOf(time.Unix(0, 0), nil)
	}
	return surveil.DayOf(t, p.zone(facility))
}

// watched runs a facility's charts and restates its months.
func (p *Projector) watched(c *change, facility string, m *moved, own []record.Fact) error {
	asked := m.day || m.facts || m.registered || len(m.events) > 0
	if m.registered {
		// Whether the first month is wholly on record depends on the dialysis days.
		b, err := p.beginning(c, facility)
		if err != nil {
			return err
		}
		if b.known {
			m.days[b.day.Month()] = true
		}
	}
	for month := range m.days {
		if err := c.tx.Restate(facility, month); err != nil {
			return err
		}
	}
	for month := range m.events {
		if err := c.tx.Restate(facility, month); err != nil {
			return err
		}
	}
	if !asked {
		// Exposure alone changes no figure that cannot wait for the day's end.
		return nil
	}
	w, err := WatchUnit(c.tx.Load(), facility, p.zone(facility), p.asOf(facility))
	if err != nil {
		return err
	}
	for i := range own {
		if own[i].Facility != facility {
			continue
		}
		var name surveil.ChartName
		switch b := own[i].Body.(type) {
		case *cannularyv1.SurveillanceSignalAcknowledged:
			name = chartName(b.GetPattern(), b.GetInfectionClass())
		case *cannularyv1.SurveillanceThresholdSet:
			name = chartName(b.GetPattern(), b.GetInfectionClass())
		default:
			continue
		}
		if err := c.tx.SetSeen(original(&own[i]), w.Seen(name, w.AsOf)); err != nil {
			return err
		}
	}
	if m.facts {
		// What was just seen has its place in the charts.
		if w, err = WatchUnit(c.tx.Load(), facility, p.zone(facility), p.asOf(facility)); err != nil {
			return err
		}
	}
	for i := range w.Charts {
		ch := &w.Charts[i]
		if ch.Crossed == nil || ch.Standing() != nil {
			continue
		}
		r := surveil.Raised{ChartName: ch.Threshold.ChartName, Seq: c.seq, Day: ch.Crossed.Day, Sum: ch.Crossed.Sum, Seen: w.Seen(ch.Threshold.ChartName, ch.Crossed.Day)}
		if err := c.tx.Raise(facility, r); err != nil {
			return err
		}
	}
	return p.report(c, facility, m, w)
}

// original is the id of the fact as it stands: for a correction the one that it corrects.
func original(f *record.Fact) string {
	if f.Target != "" {
		return f.Target
	}
	return f.ID
}

func chartName(p cannularyv1.NeedlingPattern, c cannularyv1.InfectionClass) surveil.ChartName {
	return surveil.ChartName{Technique: surveil.Watched(p), Class: surveil.ClassOf(c)}
}

// Watch gathers the surveillance of every registered facility from one state of the view.
func (p *Projector) Watch(ctx context.Context) ([]*surveil.Watch, error) {
	fs, err := p.cfg.Store.Facilities(ctx)
	if err != nil {
		return nil, err
	}
	var out []*surveil.Watch
	err = p.cfg.Store.Reading(ctx, func(l view.Loader, _ view.Checkpoint) error {
		for _, f := range fs {
			zone := p.Zone(f.ID)
			asOf := surveil.DayOf(time.Unix(0, 0), nil)
			if d, err := surveil.ParseDay(f.Day); err == nil {
				asOf = d
			}
			w, err := WatchUnit(l, f.ID, zone, asOf)
			if err != nil {
				return err
			}
			out = append(out, w)
		}
		return nil
	})
	return out, err
}

// WatchUnit gathers a facility's surveillance as of a day.
func WatchUnit(l view.Loader, facility string, zone *time.Location, asOf surveil.Day) (*surveil.Watch, error) {
	people, err := l.People(facility)
	if err != nil {
		return nil, err
	}
	w := &surveil.Watch{Zone: zone, Unit: surveil.Unit{Facility: facility, People: people, Censuses: map[surveil.Month]surveil.Census{}, Since: surveil.First, AsOf: asOf}}
	began, known, err := l.FirstTreatment(facility)
	if err != nil {
		return nil, err
	}
	if known {
		w.Since = surveil.DayOf(began, zone)
	}
	items, err := ofFacilities(l, []string{topicFacility + facility, topicSurveil + facility}, time.Time{})
	if err != nil {
		return nil, err
	}
	thresholds := map[surveil.ChartName]surveil.Threshold{}
	var acks []surveil.Acknowledgement
	for i := range items {
		it := &items[i]
		if it.Void || it.Facility != facility {
			continue
		}
		switch b := it.Body.(type) {
		case *cannularyv1.FacilityRegistered:
			w.Name, w.Calendar = b.GetName(), surveil.CalendarOf(b)
			w.References = surveil.References(b.GetReferenceRates())
		case *cannularyv1.CensusCounted:
			if c, err := surveil.CensusOf(it.ID, b); err == nil {
				w.Censuses[c.Month] = c
			}
		case *cannularyv1.SurveillanceThresholdSet:
			n := chartName(b.GetPattern(), b.GetInfectionClass())
			if old, ok := thresholds[n]; ok {
				w.Replaced = append(w.Replaced, old)
			}
			t := surveil.Threshold{ChartName: n, Fact: it.ID, Seq: it.Seq, Reference: b.GetReferencePer_100PatientMonths(), R: b.GetRateRatio(), H: b.GetThreshold(),
				InControl: b.GetInControlMonths(), SetBy: b.GetSetBy().GetValue(), From: surveil.DayOf(it.At, zone)}
			if t.Seen, err = l.Seen(it.ID); err != nil {
				return nil, err
			}
			thresholds[n] = t
		case *cannularyv1.SurveillanceSignalAcknowledged:
			a := surveil.Acknowledgement{ChartName: chartName(b.GetPattern(), b.GetInfectionClass()), Fact: it.ID, Seq: it.Seq, On: surveil.DayOf(it.At, zone), By: b.GetAcknowledgedBy().GetValue(), Reason: b.GetReason()}
			if a.Seen, err = l.Seen(it.ID); err != nil {
				return nil, err
			}
			acks = append(acks, a)
		}
	}
	raised, err := l.Raised(facility)
	if err != nil {
		return nil, err
	}
	return w, w.Run(thresholds, raised, acks)
}
