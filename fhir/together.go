package fhir

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"cannulary/internal/record"
)

// Session renders everything of one session (all facts with one record.Fact.Session), or of one
// event without a session. items are in the order of record.Before. The answer is in the
// order of (Type, ID), each resource once. It errs where a fact holds a value that this
// version does not know.
func Session(c Context, items []record.Item) ([]Resource, error) { return SessionOf(c, items, "") }

// SessionOf is Session where only the facts of one event are new and nothing amends any other: what
// the others give is left out, but for what all of them give together, the session's
// Procedure. An empty event leaves nothing out.
func SessionOf(c Context, items []record.Item, event string) ([]Resource, error) {
	out := set{}
	for i := range items {
		if event != "" && items[i].EventID != event {
			continue
		}
		if err := out.item(c, &items[i]); err != nil {
			return nil, fmt.Errorf("fact %s: %w", items[i].ID, err)
		}
	}
	r, ok, err := session(c, items)
	if err != nil {
		return nil, err
	}
	if ok {
		out.add(r)
	}
	return out.sorted(), nil
}

// inOrder compares resources by type, then by id.
func inOrder(a, b Resource) int { return cmp.Or(cmp.Compare(a.Type, b.Type), cmp.Compare(a.ID, b.ID)) }

type resourceKey struct{ typ, id string }

// set gathers resources; the first of a (type, id) stays.
type set map[resourceKey]Resource

func (s set) add(r Resource) {
	k := resourceKey{r.Type, r.ID}
	if _, ok := s[k]; !ok {
		s[k] = r
	}
}

func (s set) sorted() []Resource { return slices.SortedFunc(maps.Values(s), inOrder) }

// item renders one fact: its standing content, then what only superseded contents give,
// highest first, as errors. So the resources are the same whether a correction came
// before or after the fact that it corrects.
func (s set) item(c Context, it *record.Item) error {
	standing := rendering{Context: c, f: &it.Fact, void: it.Void, corrected: it.CorrectedBy != "", amended: len(it.Superseded) > 0}
	if err := standing.into(s); err != nil {
		return err
	}
	for i := range it.Superseded {
		old := rendering{Context: c, f: &it.Superseded[i], void: true}
		if err := old.into(s); err != nil {
			return err
		}
	}
	return nil
}
