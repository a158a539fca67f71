package extract

import (
	"cmp"
	"slices"
	"time"

	"cannulary/internal/dossier"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/stay"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// person is one patient under all merged identities.
type person struct {
	keys  []string // the survivor first
	read  bool     // stays and guest are those of all facts so far
	stays *stay.Stays
	guest map[string]zone.Day // the last day of treatment at each of the extract's facilities
	here  bool                // at one of the facilities now
}

// person finds the patient of a key.
func (g *Gate) person(key string) *person {
	if p := g.people[key]; p != nil {
		return p
	}
	p := &person{keys: g.ids.Group(key)}
	for _, k := range p.keys {
		g.people[k] = p
	}
	return p
}

// note takes new facts in. Those that may change the stays have them read again; most do not.
func (p *person) note(facts []record.Fact, zones func(string) *time.Location, own map[string]bool) {
	for i := range facts {
		f := &facts[i]
		switch f.Body.(type) {
		case *cannularyv1.PatientAdmitted, *cannularyv1.PatientLeft:
			p.read = false
		}
		if f.BeginsTreatment() {
			if !p.read {
				continue
			}
			day := zone.DayOf(f.At, zones(f.Facility))
			in, ok := p.stays.On(day)
			p.read = ok && (in.Facility == f.Facility || in.Admitted)
			if own[f.Facility] {
				p.guest[f.Facility] = max(p.guest[f.Facility], day)
			}
		}
		if f.Amends() {
			p.read = false
		}
	}
}

// here reports whether a patient is at one of the extract's facilities at the time of the entry.
func (s *step) here(p *person) (bool, error) {
	if !p.read {
		if err := s.readStays(p); err != nil {
			return false, err
		}
	}
	now := s.at.Logged
	m := p.stays.At(now)
	p.here = m.Open && s.own[m.Facility]
	for facility, day := range p.guest {
		p.here = p.here || day >= zone.DayOf(now, s.zone(facility))
	}
	return p.here, nil
}

// readStays reads a patient's stays from all facts so far.
func (s *step) readStays(p *person) error {
	events, err := s.past.Patients(p.keys)
	if err != nil {
		return err
	}
	facts, err := view.Facts(events)
	if err != nil {
		return err
	}
	items := record.AtNoon(record.Effective(facts), s.zone)
	p.stays, p.guest, p.read = stay.Read(items, s.zone, time.Time{}), map[string]zone.Day{}, true
	for i := range items {
		it := &items[i]
		if !it.Void && it.BeginsTreatment() && s.own[it.Facility] {
			p.guest[it.Facility] = max(p.guest[it.Facility], zone.DayOf(it.At, s.zone(it.Facility)))
		}
	}
	return nil
}

// merged reads the identities again if the facts can change them, and returns the patients whom that concerns.
func (s *step) merged(facts []record.Fact) ([]*person, error) {
	concerns := slices.ContainsFunc(facts, func(f record.Fact) bool { return f.MergedKey != "" })
	if !concerns && slices.ContainsFunc(facts, func(f record.Fact) bool { return f.Target != "" }) {
		all, err := view.Closure(s.past, []view.StoredEvent{s.at}, func(_, _ *record.Fact) bool { return true })
		if err != nil {
			return nil, err
		}
		concerns = slices.ContainsFunc(all, func(f record.Fact) bool { return f.MergedKey != "" })
	}
	if !concerns {
		return nil, nil
	}
	before := s.ids
	var err error
	if s.ids, err = dossier.Identities(s.past, time.Time{}); err != nil {
		return nil, err
	}
	var keys []string
	for _, k := range record.Changed(before, s.ids) {
		keys = append(append(keys, before.Group(k)...), s.ids.Group(k)...)
	}
	for _, k := range keys {
		delete(s.people, k)
	}
	var out []*person
	for _, k := range keys {
		if p := s.person(k); !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(a, b *person) int { return cmp.Compare(a.keys[0], b.keys[0]) })
	return out, nil
}
