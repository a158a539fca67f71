package intake

import (
	"cmp"
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/fault"
	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// amendment is a correction or a void as it was sent.
type amendment struct {
	ordinal int    // its own place in the message
	field   string // of the fact
	ref     *cannularyv1.FactReference
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
			out = append(out, amendment{ordinal: i, field: at + ".fact_voided.fact", ref: x.GetFactVoided().GetFact()})
		}
		if c, replacement := corrected(f); c != nil {
			a := amendment{ordinal: i, field: at + ".fact_corrected.correction.fact", ref: c.GetFact(),
				by: record.Kind(factName(replacement))}
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

// amended judges the facts that the message corrects or voids, as far as the log, or the message itself, has them. It
// refuses an amendment that can never have an effect. An amendment without an effect at present
// is accepted, and a notice says so: the fact may still arrive, or identities may still be
// merged. id is that of the message's event.
func (in *Intake) amended(ctx context.Context, m Message, id string) (notices []string, err error) {
	if m.test() {
		return nil, nil // it changes nothing
	}
	var bad []fault.Violation
	for _, a := range m.amendments() {
		source := cmp.Or(a.ref.GetSource(), m.Envelope.GetSource())
		named := fmt.Sprintf("message %q of source %q", a.ref.GetSourceMessageId(), source)
		event := record.EventID(source, a.ref.GetSourceMessageId())
		if event == id && int(a.ref.GetOrdinal()) == a.ordinal {
			bad = append(bad, fault.Violation{Field: a.field, Rule: "amendment.itself",
				Description: "names the very fact that it stands in; name the fact that is wrong, by the id of the message that " +
					"brought it"})
			continue
		}
		facts, ok, err := in.factsOf(ctx, m, id, event)
		if err != nil {
			return nil, err
		}
		if !ok {
			until := "that message arrives"
			if a.by != "" {
				until += fmt.Sprintf(", with a %s as fact %d", a.by, a.ref.GetOrdinal())
			}
			notices = append(notices, fmt.Sprintf("%s names %s, which has not arrived: it changes nothing until %s", a.field, named, until))
			continue
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

// factsOf returns the facts of an event that the log has, or of the message itself; ok is false where it has not arrived. id is
// that of the message's event.
func (in *Intake) factsOf(ctx context.Context, m Message, id, event string) (facts []record.Fact, ok bool, err error) {
	if event == id {
		facts, err = in.own(m, id)
		return facts, true, err
	}
	k, ok, err := in.index.find(ctx, event)
	if err != nil {
		return nil, false, fmt.Errorf("look up what is amended: %w", err)
	}
	if !ok {
		return nil, false, nil
	}
	if facts, err = in.logged(ctx, k.seq); err != nil {
		return nil, false, fault.Wrap(fault.Unavailable, err, "the log did not return a message that is corrected or voided",
			"send the same message again")
	}
	return facts, true, nil
}

// own returns the message's facts as the log will have them, but with nothing sealed.
func (in *Intake) own(m Message, id string) ([]record.Fact, error) {
	e := m.Envelope
	ev := &logv1.Event{Id: id, Source: e.GetSource(), Facility: e.GetFacility(), OccurredAt: e.GetOccurredAt(),
		Precision: e.GetPrecision(), Session: e.GetSession()}
	if p := e.GetPatient(); p != nil {
		ev.PatientKey = in.keyOf(p)
	}
	for _, f := range m.facts {
		ev.Facts = append(ev.Facts, wrap(f))
	}
	facts, err := record.Facts(ev, 0, time.Time{})
	if err != nil {
		return nil, fmt.Errorf("read the message: %w", err)
	}
	return facts, nil
}

// judgeAmendment judges whether an amendment can have an effect on a fact that has arrived.
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
	case p != nil && f.PatientKey != in.keyOf(p) && f.MergedKey == "":
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
