package intake

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/access"
	"cannulary/internal/fault"
	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// denied is the fault of a message that its sender may not send. field says which part; no value of the
// message and nothing of the record is told.
func denied(field, what string) error {
	f := fault.New(fault.Denied, "this principal may not send that", "ask the operator what the policy allows; nothing was stored")
	f.Violations = []fault.Violation{{Field: field, Rule: "policy", Description: what}}
	return f
}

// permitted refuses what the policy forbids of a message by itself. What is missing in it, the
// validation says.
func permitted(by *access.Principal, m Message) error {
	if !by.Has(access.Send) {
		return access.Refused()
	}
	e := m.Envelope
	if s := e.GetSource(); s != "" && !by.Speaks(s) {
		return denied("envelope.source", "must be a source of this principal's own")
	}
	if f := e.GetFacility(); f != "" && !by.At(f) {
		return denied("envelope.facility", "must be a facility of this principal's")
	}
	for i, f := range m.facts {
		_, replacement := corrected(f)
		for _, kind := range []string{factName(f), factName(replacement)} {
			if kind != "" && !by.Sends(string(m.Service), kind) {
				return denied(fmt.Sprintf("facts[%d].%s", i, factName(f)), "must be a kind of fact that this principal may send")
			}
		}
	}
	return nil
}

// reaches refuses a correction, a void or a merge of what the sender may not change: of facts of other
// sources, facilities or kinds, and of patients of other facilities. What has not arrived yet can be
// changed by its own source, or by who may change everything. The refusal does not tell whether it is there.
func (in *Intake) reaches(ctx context.Context, by *access.Principal, m Message) error {
	if m.test() {
		return nil // it changes nothing
	}
	for _, a := range m.amendments() {
		source := cmp.Or(a.ref.GetSource(), m.Envelope.GetSource())
		ok, err := in.changes(ctx, by, source, record.ReferencedFactID(source, a.ref))
		if err == nil && !ok {
			err = denied(a.field, "must be a fact that this principal may change")
		}
		if err != nil {
			return err
		}
	}
	for i, f := range m.facts {
		ok, err := true, error(nil)
		if s := sessionVoid(f); s != nil {
			ok, err = in.changesSession(ctx, by, m, s)
		} else if r, is := f.(*cannularyv1.RosterFact); is && !by.Everywhere() {
			ok, err = in.merges(ctx, by, m, r)
		}
		if err == nil && !ok {
			err = denied(fmt.Sprintf("facts[%d].%s", i, factName(f)), "must be about what this principal may change")
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// steps is how many voids of voids are followed.
const steps = 8

// changes reports whether a fact may be corrected or voided. A void or correction counts as what it
// changes itself.
func (in *Intake) changes(ctx context.Context, by *access.Principal, source, target string) (bool, error) {
	for range steps {
		if !by.Changes(source) {
			return false, nil
		}
		k, ok, err := in.index.find(ctx, record.EventOf(target))
		if err != nil {
			return false, lookup(err)
		}
		if !ok {
			return by.Awaits(source), nil
		}
		facts, err := in.logged(ctx, k.seq)
		if err != nil {
			return false, lookup(err)
		}
		at := slices.IndexFunc(facts, func(f record.Fact) bool { return f.ID == target })
		if !by.At(facts[0].Facility) {
			return false, nil
		}
		if at < 0 {
			return by.Awaits(source), nil // the answer names the wrong ordinal
		}
		f := &facts[at]
		if f.Target == "" {
			return by.SendsKind(string(f.BodyKind())), nil
		}
		ref := f.Correction.GetFact()
		if b, is := f.Body.(*cannularyv1.FactVoided); is {
			ref = b.GetFact()
		}
		source, target = cmp.Or(ref.GetSource(), f.Source), f.Target
	}
	return false, nil
}

// changesSession reports whether a session may be voided: each of its facts that the log has.
func (in *Intake) changesSession(ctx context.Context, by *access.Principal, m Message, s *cannularyv1.SessionReference) (bool, error) {
	p := m.Envelope.GetPatient()
	key := in.keyOf(p)
	seqs, err := in.index.mentions(ctx, topicSession+record.SessionID(key, s.GetSystem(), s.GetValue()))
	if err != nil {
		return false, lookup(err)
	}
	for _, seq := range seqs {
		facts, err := in.logged(ctx, seq)
		if err != nil {
			return false, lookup(err)
		}
		for i := range facts {
			f := &facts[i]
			if !by.Changes(f.Source) || !by.At(f.Facility) || f.Plain() && !by.SendsKind(string(f.Kind)) {
				return false, nil
			}
		}
	}
	return true, nil
}

func sessionVoid(f proto.Message) *cannularyv1.SessionReference {
	if x, ok := f.(interface {
		GetSessionVoided() *cannularyv1.SessionVoided
	}); ok {
		return x.GetSessionVoided().GetSession()
	}
	return nil
}

// merges reports whether a merge or its reversal may be sent: both identities must have been admitted
// at facilities of the sender, and nowhere else.
func (in *Intake) merges(ctx context.Context, by *access.Principal, m Message, r *cannularyv1.RosterFact) (bool, error) {
	retired := cmp.Or(r.GetPatientsMerged().GetRetired(), r.GetMergeReversed().GetRetired())
	if retired == nil {
		return true, nil
	}
	for _, p := range []*cannularyv1.PatientIdentifier{retired, m.Envelope.GetPatient()} {
		seqs, err := in.index.mentions(ctx, topicAdmitted+in.keyOf(p))
		if err != nil {
			return false, lookup(err)
		}
		for _, seq := range seqs {
			facts, err := in.logged(ctx, seq)
			if err != nil {
				return false, lookup(err)
			}
			if !by.At(facts[0].Facility) {
				return false, nil
			}
		}
		if len(seqs) == 0 {
			return false, nil
		}
	}
	return true, nil
}

func lookup(err error) error {
	return fault.Wrap(fault.Unavailable, err, "the service could not look up what is changed", "send the same message again")
}
