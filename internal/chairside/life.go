package chairside

import (
	"cmp"
	"context"
	"fmt"
	"strings"

	"cannulary/internal/card"
	"cannulary/internal/fault"
	"cannulary/internal/life"
	"cannulary/internal/track"
)

// Life makes the life of one of a patient's tracks, of the same judgement as the card. Its errors
// are those of Card, and NotFound for a track that the record does not have at that moment.
func (s *Service) Life(ctx context.Context, r Request, name string, w life.Window) (life.Life, error) {
	w, err := w.Check()
	if err != nil {
		return life.Life{}, err
	}
	g, err := s.gather(ctx, r)
	if err != nil {
		return life.Life{}, err
	}
	j := track.FoldLives(g.in.Input)
	c := g.finish(card.Of(g.in, j), r)
	l, ok := life.Of(&j, &c, name, w, c.Location())
	if !ok {
		var known []string
		for _, t := range c.Tracks {
			known = append(known, t.Name)
		}
		return life.Life{}, fault.New(fault.NotFound, fmt.Sprintf("the record has no track %.64q of this patient at that moment", name),
			"choose one of: "+cmp.Or(strings.Join(known, ", "), "none is recorded"))
	}
	return l, nil
}
