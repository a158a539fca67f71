// Package chairside answers for one patient at one moment: it gathers the patient's facts
// from the view, opens what identifies the patient, and has the card made.
package chairside

import (
	"context"
	"fmt"
	"strings"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/dossier"
	"cannulary/internal/fault"
	"cannulary/internal/freetext"
	"cannulary/internal/keyring"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/view"
)

// Service makes cards.
type Service struct {
	Store *view.Store
	State dossier.State
	Ring  *keyring.Ring
	Now   func() time.Time
	// Lagging reports whether the view is behind the log.
	Lagging func() bool
	// Partial reports whether the view has only a part of a patient's record, because it holds what readers of some
	// facilities may read and the patient is at none of them now. Nil where the view is whole: only there an event never
	// gets more facts, and dossiers are kept.
	Partial func(patient string) bool

	names  opened
	recent recent
}

// Request asks for a card.
type Request struct {
	// System and Value are an identifier that messages were posted under or that was stated.
	System, Value string
	// Key is a patient key, instead of an identifier.
	Key string
	// AsOf is the clinical moment asked for; zero is now. KnownAt limits the answer to what
	// the log held then; zero is everything.
	AsOf, KnownAt time.Time
}

// ParseIdentifier takes "SYSTEM|VALUE" apart.
func ParseIdentifier(s string) (system, value string, err error) {
	system, value, ok := strings.Cut(s, "|")
	if !ok || system == "" || value == "" {
		return "", "", fault.New(fault.Invalid, "the identifier is not of the form SYSTEM|VALUE",
			"give the identifier's system, a vertical bar, and its value")
	}
	return system, value, nil
}

// Card makes the card. Its errors are faults: NotFound for a patient never heard of,
// Invalid for a moment that cannot be asked for.
func (s *Service) Card(ctx context.Context, r Request) (card.Card, error) {
	g, err := s.gather(ctx, r)
	if err != nil {
		return card.Card{}, err
	}
	if g.present == nil {
		return g.finish(card.Build(g.in), r), nil
	}
	g.in.Person = &g.present.person
	return g.finish(card.Of(g.in, g.present.judgement), r), nil
}

// gathered is what is known of the patient at the moment asked for.
type gathered struct {
	in        card.Input
	present   *present // nil where that moment is still to be judged
	now       time.Time
	conflicts []card.Finding
	damaged   bool // the patient's key
	partial   bool
}

// partial is what a card says first of a patient who is no patient of the reader's facilities now.
const partial = "This is not the whole record. No stay here is open, and nothing is shown of what happened elsewhere since the " +
	"last one ended. Have the patient admitted here, or the session started, and ask again before you needle."

// partialNeedle begins the advice of each needle on such a card.
const partialNeedle = "This is not the whole record: what happened elsewhere may forbid this needle."

// finish adds to a card what no judgement of tracks knows.
func (g *gathered) finish(c card.Card, r Request) card.Card {
	c.Past = card.Past(r.AsOf, r.KnownAt, g.now, c.Location())
	if len(g.conflicts) > 0 {
		c.Findings = append(g.conflicts, c.Findings...)
	}
	if g.partial {
		c.Partial = true
		c.Notices = append([]string{partial}, c.Notices...)
		for i := range c.Tracks {
			if n := &c.Tracks[i].Next; n.Needle != string(track.None) {
				n.Caution = strings.TrimSpace(partialNeedle + " " + n.Caution)
				n.Why = partialNeedle + " " + n.Why
			}
		}
	}
	if g.damaged {
		c.Notices = append(c.Notices, "Name and numbers cannot be shown: this patient's key is damaged. What is recorded of the needles "+
			"is whole. Make sure who this is before you needle.")
	}
	if g.in.Patient.Name == freetext.Erased {
		c.Notices = append(c.Notices, "Name and numbers of this patient were erased. What is recorded of the needles is whole. Make "+
			"sure who "+
			"this is before you needle.")
	}
	if g.in.Patient.Asked != "" {
		c.Notices = append(c.Notices, "The identity asked for was merged into this patient.")
	}
	return c
}

// gather reads what the card is made of. The patient's facts, identities and protocols are from one state of the view. What
// was asked for and the number of messages that nobody could understand are read before, whether the record is whole after.
func (s *Service) gather(ctx context.Context, r Request) (*gathered, error) {
	now := s.Now()
	if r.KnownAt.After(now) {
		return nil, fault.New(fault.Invalid, "known_at lies in the future: nobody knows yet what will be known then",
			"give a moment in the past or leave it out")
	}
	g := &gathered{now: now, in: card.Input{KnownAt: r.KnownAt, Lagging: s.Lagging()}}
	in := &g.in
	if in.KnownAt.IsZero() {
		in.KnownAt = now
	}
	asked, err := s.key(ctx, r)
	if err != nil {
		return nil, err
	}
	if in.Quarantined, err = s.Store.Quarantined(ctx); err != nil {
		return nil, err
	}
	survivor := ""
	err = s.Store.Reading(ctx, func(l view.Loader, _ view.Checkpoint) error {
		moment, err := dossier.At(l, s.State, r.KnownAt)
		if err != nil {
			return err
		}
		survivor = moment.Identities.Survivor(asked)
		var d dossier.Patient
		if r.KnownAt.IsZero() && s.Partial == nil {
			d, g.present, err = s.recent.of(moment, survivor, now, s.Ring.Destroyed())
		} else {
			d, err = moment.Patient(survivor)
		}
		if err != nil {
			return err
		}
		in.Input = d.Input
		if in.AsOf = r.AsOf; in.AsOf.IsZero() {
			in.AsOf = now
		} else {
			g.present = nil
		}
		if in.Patient, err = s.patient(ctx, survivor, moment.Identities, d.Posted, d.Identity); err != nil {
			return err
		}
		g.conflicts, err = s.conflicts(ctx, moment.Identities, survivor, d.Identity, in.AsOf)
		return err
	})
	if err != nil {
		return nil, err
	}
	if survivor != asked {
		in.Patient.Asked = asked
	}
	g.partial = s.Partial != nil && s.Partial(survivor)
	g.damaged = in.Patient.Name == "" && s.Ring.Damaged(ctx, survivor)
	return g, nil
}

// key finds the patient key for what was asked.
func (s *Service) key(ctx context.Context, r Request) (string, error) {
	key := r.Key
	if key == "" {
		key = s.Ring.PatientKey(r.System, r.Value)
	}
	known, err := s.Store.HasPatient(ctx, key)
	if err != nil || known {
		return key, err
	}
	if r.Key == "" {
		// A stated identifier that no message was posted under.
		keys, err := s.Store.PatientsByIdentifier(ctx, r.System, r.Value)
		if err != nil {
			return "", err
		}
		if len(keys) == 1 {
			return keys[0], nil
		}
		if len(keys) > 1 {
			return "", fault.New(fault.Conflict, fmt.Sprintf("%d patients have this identifier", len(keys)),
				"ask by the identifier that messages are posted under")
		}
	}
	hint := "check the number."
	if s.Lagging() {
		hint += " This view is behind the log: a newer message may be about this patient. Ask again in a moment."
	}
	return "", fault.New(fault.NotFound, "No record under this number. That is not an all-clear", hint)
}

// patient opens name, birth date and identifiers of the survivor and its merged identities. The name says so
// where it was erased.
func (s *Service) patient(ctx context.Context, survivor string, ids *record.Identities, facts []record.Fact,
	items []record.Item) (card.Patient, error) {
	p := card.Patient{ID: survivor, Identifiers: []card.Identifier{}}
	for _, key := range ids.Group(survivor) {
		list, err := dossier.Identifiers(ctx, s.Ring, key, facts, items)
		if err != nil {
			return p, err
		}
		for _, id := range list {
			p.Identifiers = append(p.Identifiers, card.Identifier{System: id.GetSystem(), Value: id.GetValue()})
		}
		identity, err := dossier.Identity(ctx, s.Ring, key, items)
		if err != nil {
			return p, err
		}
		if p.Name == "" && identity != nil {
			p.Name = strings.TrimPrefix(strings.TrimSuffix(identity.GetFamilyName()+", "+identity.GetGivenNames(), ", "), ", ")
			p.BirthDate = identity.GetBirthDate()
		}
	}
	if p.Name == "" {
		for _, key := range ids.Group(survivor) {
			erased, err := s.Ring.Erased(ctx, key)
			if err != nil {
				return p, err
			}
			if erased {
				p.Name = freetext.Erased
			}
		}
	}
	return p, nil
}
