package chairside

import (
	"context"
	"fmt"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/dossier"
	"cannulary/internal/record"
	"cannulary/internal/track/rule"
)

// conflicts are the findings in a patient's identity facts until a moment. They are judged here and not with the tracks: birth
// dates are sealed, and a judgement opens nothing.
func (s *Service) conflicts(ctx context.Context, ids *record.Identities, patient string, items []record.Item,
	until time.Time) ([]card.Finding, error) {
	found, err := dossier.Conflicts(ctx, s.Ring, ids, patient, items, until)
	if err != nil {
		return nil, err
	}
	var out []card.Finding
	for _, c := range found {
		f := card.Finding{
			ID: record.FindingID(card.IdentityConflict, "", c.Facts[0]), Rule: card.IdentityConflict,
			Severity: string(rule.Caution), Since: c.Since, Facts: c.Facts,
			Seen: "Identity facts still arrive under a number that was merged into this patient",
			Clears: "a person corrects or voids the wrong statement, reverses the merge, or states the right birth date once more under " +
				"a name",
		}
		switch {
		case c.Merge:
			f.Seen = fmt.Sprintf("Two identities were merged whose birth dates differ: %s and %s", c.Dates[0], c.Dates[1])
		case len(c.Dates) > 0:
			f.Seen = fmt.Sprintf("The birth date was stated as %s, then as %s", c.Dates[0], c.Dates[1])
		}
		f.Text = f.Seen + ". Make sure who this is before you needle."
		out = append(out, f)
	}
	return out, nil
}

// doubt words the oldest of them that stands now, empty for none.
func (s *Service) doubt(ctx context.Context, ids *record.Identities, patient string, items []record.Item) (string, error) {
	found, err := s.conflicts(ctx, ids, patient, items, s.Now())
	if err != nil || len(found) == 0 {
		return "", err
	}
	return found[0].Text, nil
}
