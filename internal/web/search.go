package web

import (
	"slices"
	"strings"

	"cannulary/internal/card"
)

// search is the form that asks for a card.
type search struct {
	Systems []string // systems of identifiers to choose from; empty asks for SYSTEM|VALUE
}

// systems lists the systems of the patients' identifiers, the most frequent first.
func systems(names map[string]card.Patient) []string {
	count := map[string]int{}
	for _, p := range names {
		for _, id := range p.Identifiers {
			count[id.System]++
		}
	}
	var out []string
	for s := range count {
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b string) int {
		if count[a] != count[b] {
			return count[b] - count[a]
		}
		return strings.Compare(a, b)
	})
	return out
}
