package projector

import (
	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/view"
)

// group lists the identities that a patient key is one with, the survivor first.
func (p *Projector) group(key string) []string {
	if g, ok := p.groups[key]; ok {
		return g
	}
	g := p.identities.Group(key)
	p.groups[key] = g
	return g
}

// keeper is the key under which a track or an access (class) of a merged patient is known:
// that of the survivor where it has one of that name, else of the first that has.
func (p *Projector) keeper(tx *view.Tx, class, key, name string) (string, error) {
	group := p.group(key)
	if len(group) == 1 {
		return key, nil
	}
	for _, k := range group {
		if known, err := tx.HasTopic(class + k + "/" + name); known || err != nil {
			return k, err
		}
	}
	return key, nil
}

// keys tell the keepers of all names that the facts of a group of identities mention.
func keys(group []string, facts []record.Fact) (tracks, accesses map[string]string) {
	if len(group) == 1 {
		return nil, nil
	}
	place := map[string]int{}
	for i, k := range group {
		place[k] = i
	}
	tracks, accesses = map[string]string{}, map[string]string{}
	note := func(m map[string]string, names []string, key string) {
		for _, n := range names {
			if k, ok := m[n]; !ok || place[key] < place[k] {
				m[n] = key
			}
		}
	}
	for i := range facts {
		note(tracks, facts[i].Tracks(), facts[i].PatientKey)
		note(accesses, facts[i].Accesses(), facts[i].PatientKey)
	}
	return tracks, accesses
}

// named looks for tracks and accesses that the event is the first to name under its
// patient's key, while another identity of the patient has one of that name: which of the
// two all resources refer to may be decided anew.
func (p *Projector) named(c *change, fresh map[string]bool) error {
	for t := range fresh {
		class, key, name := split(t)
		if class != topicTrack && class != topicAccess {
			continue
		}
		for _, k := range p.group(key) {
			if k == key {
				continue
			}
			if known, err := c.tx.HasTopic(class + k + "/" + name); err != nil {
				return err
			} else if known {
				if err := p.again(c, p.group(key)); err != nil {
					return err
				}
				break
			}
		}
	}
	return nil
}

// again has everything of patient keys rendered and judged anew.
func (p *Projector) again(c *change, keys []string) error {
	c.simple = false
	for _, key := range keys {
		c.topics[topicPatient+key] = true
		units, err := c.tx.UnitsOfPatient(key)
		if err != nil {
			return err
		}
		for _, u := range units {
			c.units[u] = true
		}
		for _, prefix := range []string{topicTrack, topicAccess} {
			topics, err := c.tx.TopicsWith(prefix + key + "/")
			if err != nil {
				return err
			}
			for _, t := range topics {
				c.topics[t] = true
			}
		}
		c.judged[key] = true
		delete(p.charts, key)
		delete(p.memos, key)
		delete(p.memos, p.identities.Survivor(key))
	}
	return nil
}

// same lists the topics of the same class and name as a track's or an access's of all
// identities of the patient, as far as they are known.
func (p *Projector) same(tx *view.Tx, name string) ([]string, error) {
	class, key, rest := split(name)
	group := p.group(key)
	if len(group) == 1 {
		return []string{name}, nil
	}
	var out []string
	for _, k := range group {
		t := class + k + "/" + rest
		known, err := tx.HasTopic(t)
		if err != nil {
			return nil, err
		}
		if known {
			out = append(out, t)
		}
	}
	return out, nil
}

// context is what rendering needs beside the facts. What fails while it is asked fails the
// next put.
func (p *Projector) context(c *change, facility string) fhir.Context {
	keeper := func(class string) func(key, name string) string {
		return func(key, name string) string {
			k, err := p.keeper(c.tx, class, key, name)
			if err != nil && c.failed == nil {
				c.failed = err
			}
			return k
		}
	}
	return fhir.Context{Zone: p.zone(facility), Facility: facility, Subject: p.identities.Survivor, Track: keeper(topicTrack), Access: keeper(topicAccess), Options: p.cfg.Options}
}
