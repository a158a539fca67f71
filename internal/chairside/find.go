package chairside

import (
	"context"
	"slices"

	"cannulary/internal/card"
)

// Find gives the surviving patients to whom any of the identifiers leads, because messages
// were posted under it or because it was stated of them: by patient key the systems of the
// identifiers that led there, each once. Identifiers that lead to nobody are not in it.
func (s *Service) Find(ctx context.Context, list []card.Identifier) (map[string][]string, error) {
	ids := s.Projector.Identities()
	out := map[string][]string{}
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
			if !slices.Contains(out[survivor], id.System) {
				out[survivor] = append(out[survivor], id.System)
			}
		}
	}
	return out, nil
}
