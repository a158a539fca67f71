package projector

import (
	"slices"
	"sort"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/view"
)

// render renders the units and topics again, in a fixed order.
func (p *Projector) render(c *change) error {
	for _, u := range sorted(c.units) {
		if err := p.unit(c, u); err != nil {
			return err
		}
	}
	// What describes a track or an access shows on the one that the merged patient has of that
	// name, and what describes an access also on its tracks.
	for _, t := range sorted(c.topics) {
		class, key, _ := split(t)
		if class != topicTrack && class != topicAccess {
			continue
		}
		names, err := p.same(c.tx, t)
		if err != nil {
			return err
		}
		if class == topicAccess {
			for _, k := range p.group(key) {
				tracks, err := c.tx.TopicsWith(topicTrack + k + "/")
				if err != nil {
					return err
				}
				names = append(names, tracks...)
			}
		}
		for _, n := range names {
			c.topics[n] = true
		}
	}
	for _, t := range sorted(c.topics) {
		if err := p.topic(c, t); err != nil {
			return err
		}
	}
	return nil
}

func sorted(set map[string]bool) []string {
	out := make([]string, 0, len(set))
	for k := range set {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

// unit renders one session, or one event without a session.
func (p *Projector) unit(c *change, unit string) error {
	events, err := c.tx.Load().Unit(unit)
	if err != nil || len(events) == 0 {
		return err
	}
	facts, err := view.Closure(c.tx.Load(), events, p.related)
	if err != nil {
		return err
	}
	items := record.Effective(facts)
	kept := items[:0]
	for _, it := range items {
		if it.Unit == unit {
			kept = append(kept, it)
		}
	}
	if err := p.treatmentBegan(c, unit, kept); err != nil {
		return err
	}
	if len(kept) == 0 {
		return nil
	}
	if kept[0].HasSession() {
		for i := range kept {
			c.touch(kept[i].At)
		}
	}
	only := ""
	// The times of a session are told in the zone of its first fact's facility.
	oneFacility := !slices.ContainsFunc(kept, func(it record.Item) bool { return it.Facility != kept[0].Facility })
	if c.simple && len(c.units) == 1 && oneFacility {
		only = c.event
	}
	resources, err := fhir.UnitOf(p.context(c, kept[0].Facility), kept, only)
	if err != nil {
		return &unclearError{err: err}
	}
	return c.put(resources...)
}

func (p *Projector) topicItems(c *change, name string) ([]record.Item, error) {
	events, err := c.tx.Load().Topic(name)
	if err != nil {
		return nil, err
	}
	facts, err := view.Closure(c.tx.Load(), events, p.related)
	if err != nil {
		return nil, err
	}
	return record.Effective(facts), nil
}
