package simulate

import (
	"slices"
	"time"

	v1 "cannulary/proto/cannulary/v1"
)

// Generate emits the scenario's messages in the order in which they would arrive: late ones
// later, repeated ones again as the same message. The same scenario gives the same messages,
// byte for byte. It holds a few days of messages at a time.
//
// It fails on a scenario that Validate refuses. It stops at emit's first error and returns it as
// it is. The caller must not change an emitted message, because later messages share parts of
// it.
func Generate(s Scenario, emit func(*v1.FeedRequest) error) error {
	_, err := run(s, func(d Delivery) error { return emit(d.Message) })
	return err
}

// Delivery is a message and the moment at which it arrives: no later than the end of the
// period in the unit where it ends last.
type Delivery struct {
	Message *v1.FeedRequest
	Arrival time.Time
}

// Play is Generate with the times of arrival. It returns events in the feed that are worth a
// look, in order of time.
func Play(s Scenario, emit func(Delivery) error) ([]Highlight, error) {
	units, err := run(s, emit)
	if err != nil {
		return nil, err
	}
	var all []Highlight
	for _, u := range units {
		all = append(all, u.highlights...)
	}
	slices.SortStableFunc(all, func(a, b Highlight) int { return a.At.Compare(b.At) })
	return all, nil
}

// Identifying returns every identifier value, family name, given name and birth date that
// Generate puts into messages, sorted, each once. Tests search for them in places where they
// must not be. An invalid scenario has none.
func Identifying(s Scenario) []string {
	units, err := run(s, func(Delivery) error { return nil })
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

func run(s Scenario, emit func(Delivery) error) ([]*unit, error) {
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
	for i, u := range units {
		// Units form pairs: their patients are each other's guests.
		if other := i ^ 1; other < len(units) {
			u.partner = units[other]
		}
	}
	var q post
	for _, u := range units {
		if end := u.local(u.days, 0, 0).Add(-time.Second); end.After(q.end) {
			q.end = end
		}
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
		}
		for _, u := range units {
			u.closeDay(q.add)
			if next := u.local(day+1, 0, 0); limit.IsZero() || next.Before(limit) {
				limit = next
			}
		}
		if err := q.release(limit, emit); err != nil {
			return nil, err
		}
		for _, u := range units {
			u.transfer(day)
		}
	}
	return units, q.release(time.Time{}, emit)
}
