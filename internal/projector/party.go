package projector

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"cannulary/fhir"
	"cannulary/internal/keyring"
	"cannulary/internal/record"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// topic renders a patient, track, access or member of staff.
func (p *Projector) topic(c *change, name string) error {
	class, key, rest := split(name)
	if class == topicPatient {
		return p.patient(c, key)
	}
	names, group := []string{name}, []string{key}
	if class == topicTrack || class == topicAccess {
		// One that resources refer to is described under any identity of its patient.
		keeper, err := p.keeper(c.tx, class, key, rest)
		if err != nil {
			return err
		}
		if keeper == key {
			group = p.group(key)
			if names, err = p.same(c.tx, name); err != nil {
				return err
			}
		}
	}
	if class == topicTrack {
		// A track's region, side and end are those of its access.
		for _, k := range group {
			accesses, err := c.tx.TopicsWith(topicAccess + k + "/")
			if err != nil {
				return err
			}
			names = append(names, accesses...)
		}
	}
	var events []view.StoredEvent
	for _, n := range names {
		more, err := c.tx.Load().Topic(n)
		if err != nil {
			return err
		}
		events = append(events, more...)
	}
	facts, err := view.Closure(c.tx.Load(), events, p.related)
	if err != nil {
		return err
	}
	items := record.Effective(facts)
	var r fhir.Resource
	switch class {
	case topicTrack:
		r, err = fhir.Track(p.context(c, facilityOf(facts)), key, rest, items)
	case topicAccess:
		r, err = fhir.Access(p.context(c, facilityOf(facts)), key, rest, items)
	case topicStaff:
		// Also a message that has no effect names who recorded it.
		all, failed := view.Facts(events)
		if failed != nil {
			return failed
		}
		who := staff(all, key)
		if who == nil {
			return nil
		}
		r, err = fhir.PractitionerIn(p.context(c, facilityOf(facts)), who, items)
	default:
		return fmt.Errorf("no rendering for topic %s", name)
	}
	if err != nil {
		return &unclearError{err: err}
	}
	return c.put(r)
}

// facilityOf is the facility whose zone the dates of a track or access are read in: that
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

// patient renders a Patient: the identifier that messages are posted under, the stated
// ones, and the links of merges.
func (p *Projector) patient(c *change, key string) error {
	events, err := c.tx.Load().Topic(topicPatient + key)
	if err != nil {
		return err
	}
	facts, err := view.Closure(c.tx.Load(), events, p.related)
	if err != nil {
		return err
	}
	v := fhir.PatientView{Key: key, MergedInto: p.identities.MergedInto(key), Merged: p.identities.MergedDirectly(key)}
	// A message about what is somebody else's has no effect here, but it names its patient.
	all, err := view.Facts(events)
	if err != nil {
		return err
	}
	if v.Identifiers, err = Identifiers(c.ctx, p.cfg.Opener, key, all, facts); err != nil {
		return err
	}
	r, err := fhir.Patient(p.context(c, ""), v)
	if err != nil {
		return &unclearError{err: err}
	}
	return c.put(r)
}

// Identifiers opens the identifiers of a patient: the one that messages are posted under,
// which any of all carries, then those of the identity that stands by facts. A destroyed key
// leaves none.
func Identifiers(ctx context.Context, opener Opener, key string, all, facts []record.Fact) ([]*cannularyv1.PatientIdentifier, error) {
	var out []*cannularyv1.PatientIdentifier
	for i := range all {
		f := &all[i]
		sealed := f.PatientSealed
		if f.PatientKey != key {
			sealed = nil
			if f.MergedKey == key {
				sealed = f.RetiredSealed
			}
		}
		if len(sealed) == 0 {
			continue
		}
		id := &cannularyv1.PatientIdentifier{}
		ok, err := open(ctx, opener, key, sealed, id)
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, id)
		}
		break
	}
	identity, err := Identity(ctx, opener, key, record.Effective(facts))
	if err != nil {
		return nil, err
	}
	for _, id := range identity.GetIdentifiers() {
		if len(out) == 0 || !proto.Equal(id, out[0]) {
			out = append(out, id)
		}
	}
	return out, nil
}

// Identity opens the identity that stands for a patient key: the latest one stated. It is
// nil where none was stated, it was taken back, or the patient's key was destroyed.
func Identity(ctx context.Context, opener Opener, key string, items []record.Item) (*cannularyv1.IdentityStated, error) {
	for i := len(items) - 1; i >= 0; i-- {
		s, ok := items[i].Body.(*logv1.IdentitySealed)
		if !ok || items[i].Void || items[i].PatientKey != key {
			continue
		}
		id := &cannularyv1.IdentityStated{}
		ok, err := open(ctx, opener, key, s.GetSealed(), id)
		if err != nil || !ok {
			return nil, err
		}
		return id, nil
	}
	return nil, nil
}

// open unseals into m; ok is false where the patient's key was destroyed.
func open(ctx context.Context, opener Opener, key string, sealed []byte, m proto.Message) (ok bool, err error) {
	plain, err := opener.Unseal(ctx, key, sealed)
	switch {
	case errors.Is(err, keyring.ErrNoKey):
		return false, nil
	case errors.Is(err, keyring.ErrUnreadable):
		return false, &unclearError{err: fmt.Errorf("identity of patient %s: %w", key, err)}
	case err != nil:
		return false, fmt.Errorf("open the identity of patient %s: %w", key, err)
	}
	if err := proto.Unmarshal(plain, m); err != nil {
		return false, &unclearError{err: fmt.Errorf("identity of patient %s: %w", key, err)}
	}
	return true, nil
}
