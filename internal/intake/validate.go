package intake

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/eventlog"
	"cannulary/internal/fault"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// maxMessageBytes is the size of the largest accepted message: 1 MiB.
const maxMessageBytes = 1 << 20

// Validator refuses what cannot be true or cannot be read. It judges by no protocol.
type Validator struct{ schema protovalidate.Validator }

// NewValidator compiles the schema's constraints.
func NewValidator() (*Validator, error) {
	v, err := protovalidate.New(protovalidate.WithMessages(
		&cannularyv1.RecordRosterRequest{}, &cannularyv1.RecordCannulationRequest{},
		&cannularyv1.RecordAssessmentRequest{}, &cannularyv1.RecordSurveillanceRequest{},
	))
	if err != nil {
		return nil, fmt.Errorf("compile the schema's constraints: %w", err)
	}
	return &Validator{schema: v}, nil
}

// maxViolations limits an answer: many clients accept no more than 8 KiB of status.
const maxViolations = 10

// Validate returns nil, a fault of kind Invalid, Early or TooLarge, or an internal error where the constraints cannot be
// run. Its violations name the first ten wrong fields and what is allowed in each. at is the time zone of the message's facility,
// nil if it is not known.
func (v *Validator) Validate(m Message, now time.Time, at *time.Location) error {
	if size := proto.Size(m.Request); size > maxMessageBytes {
		return fault.New(fault.TooLarge, fmt.Sprintf("the message has %d bytes; at most %d are allowed", size, maxMessageBytes),
			"send its facts in several messages")
	}
	if bad := unreadable(m.Request); len(bad) > 0 {
		return invalid(bad)
	}
	var bad []fault.Violation
	if err := v.schema.Validate(m.Request); err != nil {
		var ve *protovalidate.ValidationError
		if !errors.As(err, &ve) {
			return fmt.Errorf("validate: %w", err)
		}
		for _, one := range ve.Violations {
			bad = append(bad, describe(m.Request.ProtoReflect().Descriptor(), one))
		}
	}
	bad = append(bad, subject(m)...)
	bad = append(bad, merges(m)...)
	c := calendar{now, at}
	if late := times(m.Request.ProtoReflect(), c); len(late) > 0 {
		bad = append(bad, late...)
	} else {
		bad = append(bad, cultures(m, c)...)
	}
	bad = append(bad, values(m, c)...)
	if len(bad) > 0 {
		return invalid(bad)
	}
	return nil
}

func invalid(bad []fault.Violation) error {
	f := fault.New(fault.Invalid, "the message is refused",
		"correct the fields named and send it again under a new message id or the same one; nothing was stored")
	if !slices.ContainsFunc(bad, func(v fault.Violation) bool { return v.Rule != futureRule }) {
		// Whose clock is right nobody here can say. A sender with a wrong time zone must not wait until the wrong
		// time has come, so this is not passing either.
		f = fault.New(fault.Early, "the message is refused",
			"have a person compare both clocks and the sender's time zone: if the service's clock was wrong, send the same message again "+
				"once it is right, else correct the fields named; nothing was stored")
	}
	if more := len(bad) - maxViolations; more > 0 {
		bad = append(bad[:maxViolations:maxViolations],
			fault.Violation{Rule: "violations.more", Description: fmt.Sprintf("and %d more; correct these first", more)})
	}
	f.Violations = bad
	return f
}

// subject checks that a message is about a patient or about a facility, not both.
func subject(m Message) []fault.Violation {
	var bad []fault.Violation
	patient := m.Envelope.GetPatient() != nil
	for i, f := range m.facts {
		name := factName(f)
		switch {
		case name == "":
			continue
		case record.Kind(name) == record.KindFactVoided && m.Service == Roster:
			continue // it can be about either
		case name == string(record.KindFactCorrected):
			if r, ok := f.(*cannularyv1.RosterFact); ok {
				name = factName(r.GetFactCorrected().GetReplacement())
				if k := record.Kind(name); k == record.KindPatientsMerged || k == record.KindMergeReversed {
					bad = append(bad, fault.Violation{Field: fmt.Sprintf("facts[%d].fact_corrected.replacement", i),
						Rule: "correction.merge",
						Description: "a merge or its reversal cannot be corrected; void it with fact_voided and send the right one as a " +
							"new fact"})
				}
				switch record.Kind(name) {
				case "", record.KindFactCorrected, record.KindFactVoided, record.KindSessionVoided:
					continue // the schema refuses these as a replacement
				}
			}
		}
		level := record.FacilityLevel(record.Kind(name))
		switch {
		case level && patient:
			bad = append(bad, fault.Violation{Field: "envelope.patient", Rule: "envelope.patient",
				Description: fmt.Sprintf(
					"must be absent: facts[%d] (%s) is about a facility or a member of staff; send it in a message of its own", i, name)})
		case !level && !patient:
			bad = append(bad, fault.Violation{Field: "envelope.patient", Rule: "envelope.patient",
				Description: fmt.Sprintf("is required: facts[%d] (%s) is about a patient", i, name)})
		default:
			continue
		}
		break
	}
	return bad
}

// merges checks that no identity is merged into itself.
func merges(m Message) []fault.Violation {
	var bad []fault.Violation
	for i, f := range m.facts {
		r, ok := f.(*cannularyv1.RosterFact)
		if !ok || m.Envelope.GetPatient() == nil {
			continue
		}
		for name, retired := range map[string]*cannularyv1.PatientIdentifier{
			"patients_merged": r.GetPatientsMerged().GetRetired(), "merge_reversed": r.GetMergeReversed().GetRetired(),
		} {
			if retired != nil && proto.Equal(retired, m.Envelope.GetPatient()) {
				bad = append(bad, fault.Violation{Field: fmt.Sprintf("facts[%d].%s.retired", i, name), Rule: "merge.self",
					Description: "is the envelope's patient; the envelope names the identity that goes on, retired the other one, which " +
						"ends in it"})
			}
		}
	}
	return bad
}

// unlessBirth returns what a text repeats of a date. A birth date is never repeated: errors are logged by senders.
func unlessBirth(fd protoreflect.FieldDescriptor, said string) string {
	if fd.Name() == "birth_date" {
		return ""
	}
	return said
}

// factName returns the name of the fact that is set in a service's fact, empty if none is.
func factName(f proto.Message) string {
	r := f.ProtoReflect()
	if !r.IsValid() {
		return ""
	}
	fd := r.WhichOneof(r.Descriptor().Oneofs().Get(0))
	if fd == nil {
		return ""
	}
	return string(fd.Name())
}

// values checks what a pattern cannot check: calendar dates and time zones.
func values(m Message, c calendar) []fault.Violation {
	var bad []fault.Violation
	if m.Envelope.GetSource() == eventlog.ServiceSource {
		bad = append(bad, fault.Violation{Field: "envelope.source", Rule: "source.reserved",
			Description: fmt.Sprintf("is %q, the service's own name; any other name is allowed", eventlog.ServiceSource)})
	}
	fields(m.Request.ProtoReflect(), "", func(path string, _ protoreflect.Message, fd protoreflect.FieldDescriptor, v protoreflect.Value) {
		if fd.Kind() != protoreflect.StringKind {
			return
		}
		check := func(path, s string) {
			if p := pattern(fd); p == datePattern && s != "" && matches(p, s) {
				if _, err := time.Parse(time.DateOnly, s); err != nil {
					bad = append(bad, fault.Violation{Field: path, Rule: "date.calendar",
						Description: "is " + unlessBirth(fd, strconv.Quote(s)+", ") + "a day that the calendar does not have"})
				}
			}
			bad = append(bad, c.ahead(path, fd, s)...)
			if fd.Name() == "time_zone" && s != "" && len(s) <= 60 { // a longer one is refused already
				if _, err := zone.Load(s); err != nil {
					bad = append(bad, fault.Violation{Field: path, Rule: "time_zone.known",
						Description: fmt.Sprintf("is %q, not an IANA time zone; allowed are names such as Europe/Lisbon", s)})
				}
			}
			// Not every reader of the record can store a NUL. In an identifier it is refused
			// already.
			if strings.ContainsRune(s, 0) && !identifier(fd) {
				bad = append(bad,
					fault.Violation{Field: path, Rule: "text.nul", Description: "holds a NUL character; text without one is allowed"})
			}
		}
		if fd.IsList() {
			for i := 0; i < v.List().Len(); i++ {
				check(fmt.Sprintf("%s[%d]", path, i), v.List().Get(i).String())
			}
			return
		}
		check(path, v.String())
	})
	return bad
}

// fields visits every field set in m, depth first in field order, with its path and its message.
func fields(m protoreflect.Message, path string,
	visit func(string, protoreflect.Message, protoreflect.FieldDescriptor, protoreflect.Value)) {
	fds := m.Descriptor().Fields()
	for i := 0; i < fds.Len(); i++ {
		fd := fds.Get(i)
		if !m.Has(fd) {
			continue
		}
		v, at := m.Get(fd), join(path, string(fd.Name()))
		visit(at, m, fd, v)
		if fd.Kind() != protoreflect.MessageKind {
			continue
		}
		if fd.IsList() {
			for j := 0; j < v.List().Len(); j++ {
				fields(v.List().Get(j).Message(), fmt.Sprintf("%s[%d]", at, j), visit)
			}
			continue
		}
		fields(v.Message(), at, visit)
	}
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}
