package chairside

import (
	"context"
	"strings"
	"unicode/utf8"

	"cannulary/internal/card"
	"cannulary/internal/freetext"
)

// Display is how much of who a patient is a display on a wall shows.
type Display int

// What displays show.
const (
	Whole   Display = iota // it is no display
	Letters                // the first letters of the name
	Nothing
)

type displayKey struct{}

// OnDisplay returns a context of a request of a display.
func OnDisplay(ctx context.Context, d Display) context.Context {
	return context.WithValue(ctx, displayKey{}, d)
}

// shown is who a patient is, as far as who asks may see. What a display does not show is not in what it gets.
func shown(ctx context.Context, p card.Patient) card.Patient {
	d, _ := ctx.Value(displayKey{}).(Display)
	if d == Whole {
		return p
	}
	out := card.Patient{ID: p.ID, Identifiers: []card.Identifier{}, Name: "…"}
	if p.Doubt != "" {
		out.Doubt = "Make sure who this is before you needle." // without the birth dates
	}
	if d == Letters && p.Name != "" && p.Name != freetext.Erased {
		var letters []string
		for _, part := range strings.Split(p.Name, ", ") {
			if first, _ := utf8.DecodeRuneInString(part); part != "" {
				letters = append(letters, string(first)+"…")
			}
		}
		out.Name = strings.Join(letters, " ")
	}
	return out
}
