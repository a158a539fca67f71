package chairside

import (
	"context"
	"slices"

	"cannulary/internal/card"
)

// Match is how a surviving patient was found.
type Match struct {
	Systems []string // of the identifiers that led there, each once
	// Asked is the key to ask a card for: the patient's own, or one that was merged into it where
	// every identifier led to such a one.
	Asked string
}

// Find gives, by key, the surviving patients to whom any of the identifiers leads, because messages
// were posted under it or because it was stated of them. Identifiers that lead to nobody are not
// in it.
func (s *Service) Find(ctx context.Context, list []card.Identifier) (map[string]Match, error) {
	ids := s.State.Identities()
	out := map[string]Match{}
	for _, id := range list {
		keys, err := s.Store.PatientsByIdentifier(ctx, id.System, id.Value)
		if err != nil {
			return nil, err
		}
		posted := s.Ring.PatientKey(id.System, id.Value)
		known, err := s.Store.HasPatient(ctx, posted)
		if err != nil {
			return nil, err
		}
		if known {
			keys = append(keys, posted)
		}
		for _, key := range keys {
			survivor := ids.Survivor(key)
			m := out[survivor]
			if !slices.Contains(m.Systems, id.System) {
				m.Systems = append(m.Systems, id.System)
			}
			if m.Asked == "" || key == survivor {
				m.Asked = key
			}
			out[survivor] = m
		}
	}
	return out, nil
}
