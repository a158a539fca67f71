package cdshooks_test

import (
	"testing"

	"cannulary/internal/card"
	"cannulary/internal/web/cdshooks"
)

// Two cards that say the same are still two cards.
func TestTracksToldInTheSameWordsHaveCardsOfTheirOwn(t *testing.T) {
	track := card.Track{Name: "A1", Access: "F1", Stage: "forming", Next: card.Next{Needle: "sharp", Why: "forming"}}
	seen := map[string]bool{}
	for _, c := range cdshooks.Advice(card.Card{Patient: card.Patient{ID: "p"}, Accesses: []card.Access{{Name: "F1"}}, Tracks: []card.Track{track, track, track}}, site) {
		if seen[c.UUID] {
			t.Errorf("%s stands twice", c.UUID)
		}
		seen[c.UUID] = true
	}
	if len(seen) < 3 {
		t.Errorf("only %d cards", len(seen))
	}
}
