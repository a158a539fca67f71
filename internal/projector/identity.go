package projector

import (
	"time"

	"cannulary/internal/record"
	"cannulary/internal/view"
)

// resolve reads who was merged into whom.
func (p *Projector) resolve(tx *view.Tx) (err error) {
	p.groups = map[string][]string{}
	p.identities, err = IdentitiesAt(tx.Load(), time.Time{})
	return err
}

// IdentitiesAt resolves who was merged into whom, as far as the log held it at knownAt
// (zero: all).
func IdentitiesAt(l view.Loader, knownAt time.Time) (*record.Identities, error) {
	events, err := l.Topic(topicMerges)
	if err != nil {
		return nil, err
	}
	// A void of a merge is posted for the survivor; which one that is cannot depend on the
	// merge that it takes back, so here any patient's void of a merge counts.
	facts, err := view.Closure(l, events, func(_, _ *record.Fact) bool { return true })
	if err != nil {
		return nil, err
	}
	return record.Resolve(record.Effective(record.Known(facts, knownAt))), nil
}

// merged renders again everything of the patients whose identity resolves differently now.
func (p *Projector) merged(c *change) error {
	before := p.identities
	if err := p.resolve(c.tx); err != nil {
		return err
	}
	// A merge that had no effect, or has one now, is a finding of its patient.
	for _, ids := range []*record.Identities{before, p.identities} {
		keys, err := p.refused(c, ids)
		if err := c.judgeAll(keys, err); err != nil {
			return err
		}
	}
	// Whoever shares an identity with one that changed, before or now, may be touched as well: a
	// void posted under one end of a chain of merges reaches facts at the other.
	touched := map[string]bool{}
	for _, key := range record.Changed(before, p.identities) {
		for _, ids := range []*record.Identities{before, p.identities} {
			for _, k := range ids.Group(key) {
				touched[k] = true
			}
		}
	}
	for key := range touched {
		c.judged[before.Survivor(key)] = true
		delete(p.memos, before.Survivor(key))
	}
	return p.again(c, sorted(touched))
}

// refused lists the patient keys of the merges that have no effect.
func (p *Projector) refused(c *change, ids *record.Identities) ([]string, error) {
	if ids == nil || len(ids.Refused) == 0 {
		return nil, nil
	}
	var events []string
	for _, f := range ids.Refused {
		events = append(events, record.EventOf(f))
	}
	list, err := c.tx.Load().ByID(events)
	var out []string
	for _, e := range list {
		out = append(out, e.Event.GetPatientKey())
	}
	return out, err
}
