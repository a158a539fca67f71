package intake

import (
	"cmp"
	"context"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/fault"
	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// amendment is a correction or a void as it was sent.
type amendment struct {
	field string // of the fact
	ref   *cannularyv1.FactReference
	// by is the kind of a correction's replacement; empty for a void.
	by record.Kind
	// culture is the replacement of a culture's result if the correction leaves its time as it
	// was.
	culture *cannularyv1.CultureResulted
}

func (m Message) amendments() []amendment {
	var out []amendment
	for i, f := range m.facts {
		at := fmt.Sprintf("facts[%d]", i)
		if x, ok := f.(interface {
			GetFactVoided() *cannularyv1.FactVoided
		}); ok && x.GetFactVoided() != nil {
			out = append(out, amendment{field: at + ".fact_voided.fact", ref: x.GetFactVoided().GetFact()})
		}
		if c, replacement := corrected(f); c != nil {
			a := amendment{field: at + ".fact_corrected.correction.fact", ref: c.GetFact(), by: record.Kind(factName(replacement))}
			if s, ok := replacement.(*cannularyv1.SurveillanceFact); ok && c.GetCorrectedOccurredAt() == nil {
				a.culture = s.GetCultureResulted()
			}
			out = append(out, a)
		}
	}
	return out
}

// corrected returns the correction that a fact is, and what it puts in place; nil for others.
func corrected(f proto.Message) (*cannularyv1.Correction, proto.Message) {
	switch x := f.(type) {
	case *cannularyv1.RosterFact:
		return x.GetFactCorrected().GetCorrection(), x.GetFactCorrected().GetReplacement()
	case *cannularyv1.CannulationFact:
		return x.GetFactCorrected().GetCorrection(), x.GetFactCorrected().GetReplacement()
	case *cannularyv1.AssessmentFact:
		return x.GetFactCorrected().GetCorrection(), x.GetFactCorrected().GetReplacement()
	case *cannularyv1.SurveillanceFact:
		return x.GetFactCorrected().GetCorrection(), x.GetFactCorrected().GetReplacement()
	}
	return nil, nil
}

// amended judges the facts that the message corrects or voids, as far as the log has them. It
// refuses an amendment that can never have an effect. An amendment without an effect at present
// is accepted, and a notice says so: the fact may still arrive, or identities may still be
// merged.
func (in *Intake) amended(ctx context.Context, m Message) (notices []string, err error) {
	var bad []fault.Violation
	for _, a := range m.amendments() {
		source := cmp.Or(a.ref.GetSource(), m.Envelope.GetSource())
		if m.test() || source == m.Envelope.GetSource() && a.ref.GetSourceMessageId() == m.Envelope.GetSourceMessageId() {
			continue // a test changes nothing, and a message may amend its own facts
		}
		named := fmt.Sprintf("message %q of source %q", a.ref.GetSourceMessageId(), source)
		k, ok, err := in.index.find(ctx, record.EventID(source, a.ref.GetSourceMessageId()))
		if err != nil {
			return nil, fmt.Errorf("look up what is amended: %w", err)
		}
		if !ok {
			notices = append(notices, fmt.Sprintf("%s names %s, which has not arrived: it changes nothing until that message arrives",
				a.field, named))
			continue
		}
		facts, err := in.logged(ctx, k.seq)
		if err != nil {
			return nil, fault.Wrap(fault.Unavailable, err, "the log did not return a message that is corrected or voided",
				"send the same message again")
		}
		v, notice := in.judgeAmendment(m, a, named, facts)
		if v != nil {
			bad = append(bad, *v)
		}
		if notice != "" {
			notices = append(notices, notice)
		}
	}
	if len(bad) > 0 {
		return nil, invalid(bad)
	}
	return notices, nil
}

// judgeAmendment judges whether an amendment can have an effect on a fact that is in the log.
func (in *Intake) judgeAmendment(m Message, a amendment, named string, facts []record.Fact) (*fault.Violation, string) {
	n := int(a.ref.GetOrdinal())
	if n >= len(facts) {
		return &fault.Violation{Field: a.field + ".ordinal", Rule: "amendment.ordinal",
			Description: fmt.Sprintf("is %d, and %s has %s; facts are counted from 0", n, named, plural(len(facts), "fact"))}, ""
	}
	f := &facts[n]
	if a.by != "" && !f.Plain() {
		return &fault.Violation{Field: a.field, Rule: "amendment.original",
			Description: fmt.Sprintf("names fact %d of %s, which is itself a %s; name the original fact, with a higher revision", n,
				named, f.Kind)}, ""
	}
	if a.by != "" && a.by != f.Kind {
		return &fault.Violation{Field: a.field, Rule: "amendment.kind",
			Description: fmt.Sprintf("names fact %d of %s, a %s, which a %s cannot replace; void it and send the right one under a new id",
				n, named, f.Kind, a.by)}, ""
	}
	at := strings.TrimSuffix(a.field, ".correction.fact") + ".replacement.culture_resulted"
	if bad := (calendar{in.cfg.Now(), in.zone(m)}).resulted(at, a.culture, moment{f.At, f.Precision}); len(bad) > 0 {
		return &bad[0], ""
	}
	p := m.Envelope.GetPatient()
	switch {
	case (p == nil) != (f.PatientKey == "") || p == nil && f.Facility != m.Envelope.GetFacility():
		about := "a patient"
		if f.PatientKey == "" {
			about = fmt.Sprintf("facility %q", f.Facility)
		}
		return &fault.Violation{Field: a.field, Rule: "amendment.subject",
			Description: fmt.Sprintf("names fact %d of %s, which is about %s; the envelope must be about the same", n, named, about)}, ""
	case p != nil && f.PatientKey != in.cfg.Ring.PatientKey(p.GetSystem(), p.GetValue()) && f.MergedKey == "":
		return nil,
			fmt.Sprintf("%s names fact %d of %s, which was posted for another patient identifier: it changes nothing unless the two "+
				"identities are merged", a.field, n, named)
	}
	return nil, ""
}

func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}
