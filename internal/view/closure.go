package view

import (
	"slices"

	"cannulary/internal/record"
)

// Closure completes a set of events: every correction and void that names one of their
// facts or sessions, every fact that one of them names, and so on until nothing is
// missing. related decides whether an amendment may touch a fact: it is told the patient
// keys (or, for facts about a facility, the facilities) of both.
func Closure(l Loader, events []StoredEvent, related func(a, b *record.Fact) bool) ([]record.Fact, error) {
	have := map[string]bool{}
	var all []record.Fact
	add := func(events []StoredEvent) ([]record.Fact, error) {
		var fresh []StoredEvent
		for _, e := range events {
			if !have[e.Event.GetId()] {
				have[e.Event.GetId()] = true
				fresh = append(fresh, e)
			}
		}
		facts, err := Facts(fresh)
		if err != nil {
			return nil, err
		}
		if all == nil {
			all = facts
		} else {
			all = append(all, facts...)
		}
		return facts, nil
	}
	fresh, err := add(events)
	for err == nil && len(fresh) > 0 {
		var targets, ids []string
		seen := map[[2]string]bool{}
		for i := range fresh {
			f := &fresh[i]
			targets = append(targets, f.ID)
			if k := [2]string{f.SessionSystem, f.SessionValue}; f.HasSession() && !seen[k] {
				seen[k] = true
				targets = append(targets, record.SessionKey(f.SessionSystem, f.SessionValue))
			}
			if f.Target != "" {
				ids = append(ids, record.EventOf(f.Target))
			}
		}
		var amending, named []StoredEvent
		if amending, err = l.Amending(targets); err != nil {
			return nil, err
		}
		if named, err = l.ByID(ids); err != nil {
			return nil, err
		}
		fresh, err = add(append(amending, named...))
	}
	if err != nil {
		return nil, err
	}
	// An amendment that names a fact of somebody else has no effect there.
	named := map[string]*record.Fact{}
	for i := range all {
		if t := all[i].Target; t != "" {
			named[t] = nil
		}
	}
	for i := range all {
		if _, ok := named[all[i].ID]; ok {
			f := all[i]
			named[f.ID] = &f
		}
	}
	return slices.DeleteFunc(all, func(f record.Fact) bool {
		t := named[f.Target]
		return t != nil && !related(&f, t)
	}), nil
}
