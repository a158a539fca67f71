package chairside

import (
	"context"
	"errors"
	"fmt"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/dossier"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/view"
)

// Names opens what identifies many patients, as their cards show it, by patient key. A key
// that was merged into another gives that one's patient. A patient of whom nothing is
// known, or whose key was destroyed, has neither name nor identifiers.
//
// One patient that cannot be opened does not take the others away: the map holds all that
// could be opened, and the error names the keys that could not.
func (s *Service) Names(ctx context.Context, keys []string) (map[string]card.Patient, error) {
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
		p, err := s.patient(ctx, survivor, ids, facts[survivor])
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

// Protocol is the needling protocol in force at a facility on a local date (YYYY-MM-DD);
// the defaults where the facility adopted none.
func (s *Service) Protocol(ctx context.Context, facility, date string) (p protocol.Parameters, err error) {
	err = s.Store.Reading(ctx, func(l view.Loader, _ view.Checkpoint) error {
		book, err := dossier.Protocols(l, time.Time{})
		if err == nil {
			p = book.On(facility, date)
		}
		return err
	})
	if err != nil {
		return p, fmt.Errorf("read the protocol of facility %s: %w", facility, err)
	}
	return p, nil
}

// Zone is a facility's time zone; UTC for a facility that is not known.
func (s *Service) Zone(facility string) *time.Location { return s.State.Zone(facility) }
