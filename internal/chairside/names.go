package chairside

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/dossier"
	"cannulary/internal/record"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Names opens what identifies many patients, as their cards show it, by patient key. A key
// that was merged into another gives that one's patient. A patient of whom nothing is
// known, or whose key was destroyed, has neither name nor identifiers.
//
// One patient that cannot be opened does not take the others away: the map holds all that
// could be opened, and the error names the keys that could not.
func (s *Service) Names(ctx context.Context, keys []string) (map[string]card.Patient, error) {
	out, err := s.open(ctx, keys)
	for key, p := range out {
		out[key] = shown(ctx, p)
	}
	return out, err
}

// open is Names, whole whoever asks.
func (s *Service) open(ctx context.Context, keys []string) (map[string]card.Patient, error) {
	out := make(map[string]card.Patient, len(keys))
	ids := s.State.Identities()
	facts := map[string][]record.Fact{} // by survivor
	var order []string
	err := s.Store.Reading(ctx, func(l view.Loader, _ view.Checkpoint) error {
		var events []view.StoredEvent
		for _, key := range keys {
			survivor := ids.Survivor(key)
			if _, ok := facts[survivor]; ok {
				continue
			}
			facts[survivor] = nil
			order = append(order, survivor)
			for _, k := range ids.Group(survivor) {
				of, err := l.Topic(dossier.PatientTopic + k)
				if err != nil {
					return err
				}
				events = append(events, of...)
			}
		}
		all, err := view.Closure(l, events, func(a,
			b *record.Fact) bool {
			return ids.Survivor(a.PatientKey) == ids.Survivor(b.PatientKey)
		})
		if err != nil {
			return err
		}
		for _, f := range all {
			survivor := ids.Survivor(f.PatientKey)
			if _, ok := facts[survivor]; ok {
				facts[survivor] = append(facts[survivor], f)
			}
		}
		return nil
	})
	if err != nil {
		return out, fmt.Errorf("open names: %w", err)
	}
	var failed []error
	opened := make(map[string]card.Patient, len(order))
	for _, survivor := range order {
		items := record.Effective(facts[survivor])
		p, err := s.patient(ctx, survivor, ids, facts[survivor], items)
		if err == nil {
			p.Doubt, err = s.doubt(ctx, ids, survivor, items)
		}
		if err != nil {
			if ctx.Err() != nil {
				return out, ctx.Err()
			}
			failed = append(failed, fmt.Errorf("open the name of patient %s: %w", survivor, err))
			continue
		}
		opened[survivor] = p
	}
	for _, key := range keys {
		if p, ok := opened[ids.Survivor(key)]; ok {
			out[key] = p
		}
	}
	return out, errors.Join(failed...)
}

// namedFor is how long an opened name is kept. Another process may destroy a patient's key, and
// this one does not hear of it.
const namedFor = 10 * time.Minute

// opened are the patients whose names were opened lately.
type opened struct {
	mu        sync.Mutex
	by        map[string]named // patient key
	destroyed uint64           // keyring.Ring.Destroyed when the first of them was opened
}

type named struct {
	patient  card.Patient
	identity string
	at       time.Time
}

// Named is Names for lists that are shown again and again: of a patient whose identity has not
// changed (worklist.Person.Identity, by patient key) the name is opened once. A name is opened
// again after a key was destroyed, and after ten minutes.
func (s *Service) Named(ctx context.Context, identities map[string]string) (map[string]card.Patient, error) {
	now, destroyed := s.Now(), s.Ring.Destroyed()
	out := make(map[string]card.Patient, len(identities))
	var missing []string
	s.names.mu.Lock()
	if s.names.by == nil || s.names.destroyed != destroyed {
		s.names.by, s.names.destroyed = map[string]named{}, destroyed
	}
	for key, identity := range identities {
		n, ok := s.names.by[key]
		if ok && n.identity == identity && now.Sub(n.at) < namedFor {
			out[key] = shown(ctx, n.patient)
		} else {
			missing = append(missing, key)
		}
	}
	s.names.mu.Unlock()
	if len(missing) == 0 {
		return out, nil
	}
	slices.Sort(missing)
	fresh, err := s.open(ctx, missing)
	s.names.mu.Lock()
	defer s.names.mu.Unlock()
	for key, p := range fresh {
		out[key] = shown(ctx, p)
		// What was opened while a key was being destroyed is not kept.
		if s.names.destroyed == destroyed && s.Ring.Destroyed() == destroyed {
			s.names.by[key] = named{p, identities[key], now}
		}
	}
	return out, err
}

// Registration is how a facility is registered; nil where it is not.
func (s *Service) Registration(ctx context.Context, facility string) (r *cannularyv1.FacilityRegistered, err error) {
	err = s.Store.Reading(ctx, func(l view.Loader, _ view.Checkpoint) error {
		r, err = dossier.Registration(l, facility)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read how facility %s is registered: %w", facility, err)
	}
	return r, nil
}

// Zone is a facility's time zone; UTC for a facility that is not known.
func (s *Service) Zone(facility string) *time.Location { return s.State.Zone(facility) }
