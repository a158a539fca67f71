package projector

import (
	"errors"
	"fmt"
	"slices"

	"cannulary/fhir"
	"cannulary/internal/dossier"
	"cannulary/internal/keyring"
	"cannulary/internal/record"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// registrations renders the facilities whose registration changed.
func (w *writer) registrations() error {
	for _, id := range w.registered.sorted() {
		items, err := topicItems(w.tx, w.state, dossier.FacilityTopic+id)
		if err != nil {
			return err
		}
		c, err := w.context("", id)
		if err != nil {
			return err
		}
		resources, err := fhir.Facility(c, items)
		if err != nil {
			return &unclearError{err: err}
		}
		if err := w.put(resources...); err != nil {
			return err
		}
	}
	return nil
}

// render renders the sessions and topics of the plan, in a fixed order.
func (w *writer) render() error {
	for _, s := range w.sessions.sorted() {
		if err := w.session(s); err != nil {
			return err
		}
	}
	for _, t := range w.topics.sorted() {
		if err := w.topic(t); err != nil {
			return err
		}
	}
	return nil
}

// session renders one session, or one event without a session.
func (w *writer) session(session string) error {
	var items []record.Item
	var resources []fhir.Resource
	var err error
	if w.ahead != nil {
		items, resources, err = w.ahead.items, w.ahead.resources, w.ahead.err
	} else if items, err = w.loadSession(session); err == nil {
		resources, err = w.renderSession(items)
	}
	if err != nil {
		return err
	}
	if err := w.treatmentBegan(session, items); err != nil {
		return err
	}
	return w.put(resources...)
}

// loadSession reads the facts of a session as they stand, and notes since when it is.
func (w *writer) loadSession(session string) ([]record.Item, error) {
	events, err := w.load().Session(session)
	if err != nil {
		return nil, err
	}
	facts, err := view.Closure(w.load(), events, w.related)
	if err != nil {
		return nil, err
	}
	items := slices.DeleteFunc(record.Effective(facts), func(it record.Item) bool { return it.Session != session })
	for i := range items {
		if items[i].HasSession() {
			w.startsAt(items[i].At)
		}
	}
	return items, nil
}

// renderSession renders the facts of a session; where they stand as they are, only the event's.
func (w *writer) renderSession(items []record.Item) ([]fhir.Resource, error) {
	if len(items) == 0 {
		return nil, nil
	}
	only := ""
	// The times of a session are in the zone of its first fact's facility.
	oneFacility := !slices.ContainsFunc(items, func(it record.Item) bool { return it.Facility != items[0].Facility })
	if w.plain != nil && len(w.sessions) == 1 && oneFacility {
		only = w.entry.Event.GetId()
	}
	c, err := w.context(items[0].PatientKey, items[0].Facility)
	if err != nil {
		return nil, err
	}
	out, err := fhir.SessionOf(c, items, only)
	if err != nil {
		return nil, &unclearError{err: err}
	}
	return out, nil
}

// topic renders a patient, track, access or member of staff.
func (w *writer) topic(topic string) error {
	class, key, name := dossier.SplitTopic(topic)
	if class == dossier.PatientTopic {
		return w.identity(key)
	}
	described, err := w.describe(topic)
	if err != nil {
		return err
	}
	var events []view.StoredEvent
	for _, t := range described {
		more, err := w.load().Topic(t)
		if err != nil {
			return err
		}
		events = append(events, more...)
	}
	facts, err := view.Closure(w.load(), events, w.related)
	if err != nil {
		return err
	}
	items := record.Effective(facts)
	patient := key
	if class == dossier.StaffTopic {
		patient = ""
	}
	c, err := w.context(patient, facilityOf(facts))
	if err != nil {
		return err
	}
	var r fhir.Resource
	switch class {
	case dossier.TrackTopic:
		r, err = fhir.Track(c, key, name, items)
	case dossier.AccessTopic:
		r, err = fhir.Access(c, key, name, items)
	case dossier.StaffTopic:
		// Also a message that has no effect names who recorded it.
		all, failed := view.Facts(events)
		if failed != nil {
			return failed
		}
		who := staff(all, key)
		if who == nil {
			return nil
		}
		r, err = fhir.Practitioner(c, who, items)
	default:
		return fmt.Errorf("no rendering for topic %s", topic)
	}
	if err != nil {
		return &unclearError{err: err}
	}
	return w.put(r)
}

// describe lists the topics whose facts describe what a topic stands for. One that resources refer
// to is described under any identity of its patient. A track's region, side and end are those of
// its access.
func (w *writer) describe(topic string) ([]string, error) {
	class, key, name := dossier.SplitTopic(topic)
	topics, group := []string{topic}, []string{key}
	if class == dossier.TrackTopic || class == dossier.AccessTopic {
		k, err := w.keptOf(key)
		if err != nil {
			return nil, err
		}
		keeper := k.tracks
		if class == dossier.AccessTopic {
			keeper = k.accesses
		}
		if at := keeper[fhir.Place{Patient: key, Name: name}]; at == key {
			group = w.group(key)
			if topics, err = w.same(w.tx, topic); err != nil {
				return nil, err
			}
		}
	}
	if class == dossier.TrackTopic {
		for _, k := range group {
			accesses, err := w.tx.TopicsWith(dossier.AccessTopic + k + "/")
			if err != nil {
				return nil, err
			}
			topics = append(topics, accesses...)
		}
	}
	return topics, nil
}

// facilityOf is the facility in whose zone the dates of a track or access are read: that
// of the earliest fact, so that it does not depend on the order of arrival.
func facilityOf(facts []record.Fact) string {
	var first *record.Fact
	for i := range facts {
		if first == nil || record.Before(&facts[i], first) {
			first = &facts[i]
		}
	}
	if first == nil {
		return ""
	}
	return first.Facility
}

// staff finds the member of staff with that id among those whom the facts mention.
func staff(facts []record.Fact, id string) *cannularyv1.StaffIdentifier {
	for i := range facts {
		for _, s := range facts[i].Staff() {
			if record.StaffID(s) == id {
				return s
			}
		}
	}
	return nil
}

// identity renders a Patient: the identifier that messages are posted under, the stated
// ones, and the links of merges.
func (w *writer) identity(key string) error {
	events, err := w.load().Topic(dossier.PatientTopic + key)
	if err != nil {
		return err
	}
	facts, err := view.Closure(w.load(), events, w.related)
	if err != nil {
		return err
	}
	v := fhir.PatientView{Key: key, MergedInto: w.identities.MergedInto(key), Merged: w.identities.MergedDirectly(key)}
	// A message about what is somebody else's has no effect here, but it names its patient.
	all, err := view.Facts(events)
	if err != nil {
		return err
	}
	for i := range all {
		if s, ok := all[i].Body.(*logv1.RecordScope); ok {
			v.Whole = &s.Whole // the newest is the last
		}
	}
	v.Identifiers, err = dossier.Identifiers(w.ctx, w.opener, key, all, record.Effective(facts))
	if errors.Is(err, keyring.ErrUnreadable) {
		return &unclearError{err: err}
	}
	if err != nil {
		return err
	}
	c, err := w.context(key, "")
	if err != nil {
		return err
	}
	r, err := fhir.Patient(c, v)
	if err != nil {
		return &unclearError{err: err}
	}
	return w.put(r)
}
