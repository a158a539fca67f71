package simulate

import (
	"slices"
	"time"

	v1 "cannulary/proto/cannulary/v1"
)

// Generate emits the scenario's messages in the order in which they would arrive: late
// ones later, repeated ones again (as the same message). The same scenario gives the same
// messages, byte for byte. It holds a few days of messages at a time.
//
// It fails on a scenario that Validate refuses and stops at emit's first error, which it
// returns as it is. An emitted message must not be changed: parts of it are shared with
// others still to come.
func Generate(s Scenario, emit func(*v1.FeedRequest) error) error {
	_, err := run(s, emit)
	return err
}

// Identifying lists every identifier value, family name, given name and birth date that
// Generate puts into messages, sorted, each once. It is for tests that look for them in
// bytes where they must not be. An invalid scenario has none.
func Identifying(s Scenario) []string {
	units, err := run(s, func(*v1.FeedRequest) error { return nil })
	if err != nil {
		return nil
	}
	var all []string
	for _, u := range units {
		all = append(all, u.identifying...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

func run(s Scenario, emit func(*v1.FeedRequest) error) ([]*unit, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	units := make([]*unit, s.Units)
	for i := range units {
		u, err := newUnit(s, i)
		if err != nil {
			return nil, err
		}
		units[i] = u
	}
	var q post
	for _, u := range units {
		u.register()
		u.closeDay(q.add)
	}
	// Every unit is known before the first patient's message arrives.
	if err := q.release(time.Time{}, emit); err != nil {
		return nil, err
	}
	for day := 0; day < units[0].days; day++ {
		var limit time.Time
		for _, u := range units {
			u.step(day)
			u.closeDay(q.add)
			if next := u.local(day+1, 0, 0); limit.IsZero() || next.Before(limit) {
				limit = next
			}
		}
		if err := q.release(limit, emit); err != nil {
			return nil, err
		}
	}
	return units, q.release(time.Time{}, emit)
}
