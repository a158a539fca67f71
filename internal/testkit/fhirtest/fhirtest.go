// Package fhirtest makes invented facts for tests of the FHIR mapping.
package fhirtest

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Wrap puts a fact into the log's wrapper, and the service's wrapper where there is one:
// *cannularyv1.NeedleInserted, *cannularyv1.FactVoided and so on. It panics on a message
// that is no fact.
func Wrap(m proto.Message) *logv1.Fact {
	lf := &logv1.Fact{}
	if setOneof(lf, m) {
		return lf
	}
	for _, service := range []proto.Message{&cannularyv1.CannulationFact{}, &cannularyv1.AssessmentFact{}, &cannularyv1.SurveillanceFact{},
		&cannularyv1.RosterFact{}} {
		if setOneof(service, m) {
			setOneof(lf, service)
			return lf
		}
	}
	panic(fmt.Sprintf("fhirtest: %T is no fact", m))
}

// Correct is the correction that replaces the named fact by m.
func Correct(c *cannularyv1.Correction, m proto.Message) *logv1.Fact {
	inner := Wrap(m)
	switch f := inner.GetFact().(type) {
	case *logv1.Fact_Cannulation:
		return Wrap(&cannularyv1.CannulationFactCorrected{Correction: c, Replacement: f.Cannulation})
	case *logv1.Fact_Assessment:
		return Wrap(&cannularyv1.AssessmentFactCorrected{Correction: c, Replacement: f.Assessment})
	case *logv1.Fact_Surveillance:
		return Wrap(&cannularyv1.SurveillanceFactCorrected{Correction: c, Replacement: f.Surveillance})
	case *logv1.Fact_Roster:
		return Wrap(&cannularyv1.RosterFactCorrected{Correction: c, Replacement: f.Roster})
	}
	panic(fmt.Sprintf("fhirtest: %T cannot be corrected", m))
}

// setOneof sets m in the wrapper's oneof if one of its fields is of m's type.
func setOneof(wrapper, m proto.Message) bool {
	r := wrapper.ProtoReflect()
	fields := r.Descriptor().Oneofs().Get(0).Fields()
	for i := 0; i < fields.Len(); i++ {
		if fields.Get(i).Message() == m.ProtoReflect().Descriptor() {
			r.Set(fields.Get(i), protoreflect.ValueOfMessage(m.ProtoReflect()))
			return true
		}
	}
	return false
}

// Kinds lists an empty message of every plain fact of the four services.
func Kinds() []proto.Message {
	var out []proto.Message
	for _, service := range []proto.Message{&cannularyv1.RosterFact{}, &cannularyv1.CannulationFact{}, &cannularyv1.AssessmentFact{},
		&cannularyv1.SurveillanceFact{}} {
		fields := service.ProtoReflect().Descriptor().Oneofs().Get(0).Fields()
		for i := 0; i < fields.Len(); i++ {
			switch fields.Get(i).Name() {
			case "fact_corrected", "fact_voided", "session_voided":
				continue
			}
			out = append(out, service.ProtoReflect().NewField(fields.Get(i)).Message().Interface())
		}
	}
	return out
}

// Fill sets the fields of m at random: each is left out about once in three times, enums
// take any defined value. What m then says need not make sense, but it could be sent.
func Fill(r *rand.Rand, m proto.Message) proto.Message {
	fill(r, m.ProtoReflect())
	return m
}

func fill(r *rand.Rand, m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	for i := 0; i < fields.Len(); i++ {
		fd := fields.Get(i)
		required := fd.Name() == "access" || fd.Name() == "track" || m.Descriptor().Name() == "Coding" ||
			m.Descriptor().Name() == "StaffIdentifier" || m.Descriptor().Name() == "FactReference" || fd.Name() == "attempt_ordinal" ||
			fd.Name() == "collected_at" || fd.Name() == "collected_precision"
		if !required && r.IntN(3) == 0 {
			continue
		}
		if fd.IsList() {
			list := m.Mutable(fd).List()
			for n := r.IntN(3); n > 0; n-- {
				if fd.Message() != nil {
					v := list.NewElement()
					fill(r, v.Message())
					list.Append(v)
				} else {
					list.Append(scalar(r, fd))
				}
			}
			continue
		}
		if fd.Message() != nil {
			if fd.Message().FullName() == "google.protobuf.Timestamp" {
				at := timestamppb.New(Start.Add(time.Duration(r.IntN(100000)) * time.Second))
				m.Set(fd, protoreflect.ValueOfMessage(at.ProtoReflect()))
				continue
			}
			v := m.NewField(fd)
			fill(r, v.Message())
			m.Set(fd, v)
			continue
		}
		m.Set(fd, scalar(r, fd))
	}
	if m.Descriptor().Name() == "DeviceIdentity" && !m.Has(fields.Get(0)) && !m.Has(fields.Get(1)) {
		m.Set(fields.Get(0), protoreflect.ValueOfString("LOT-7"))
	}
}

func scalar(r *rand.Rand, fd protoreflect.FieldDescriptor) protoreflect.Value {
	switch fd.Kind() {
	case protoreflect.EnumKind:
		values := fd.Enum().Values()
		n := r.IntN(values.Len())
		if strings.HasSuffix(string(fd.Name()), "precision") {
			n = 1 + r.IntN(values.Len()-1)
		}
		return protoreflect.ValueOfEnum(values.Get(n).Number())
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(float64(1+r.IntN(400)) / 10)
	case protoreflect.Uint32Kind:
		return protoreflect.ValueOfUint32(uint32(r.IntN(20)))
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(r.IntN(2) == 0)
	}
	return protoreflect.ValueOfString(word(r, string(fd.Name())))
}

func word(r *rand.Rand, field string) string {
	pick := func(list ...string) string { return list[r.IntN(len(list))] }
	switch {
	case field == "system":
		return pick("https://hospital.example/a", "urn:oid:2.999.1")
	case field == "code", field == "value":
		return pick("112283007", "S-4", "S-7 b")
	case field == "track", field == "replaced_by":
		return pick("A1", "V1", "A2")
	case field == "course":
		return pick("C-1", "C.2")
	case field == "access":
		return pick("AVF", "AVF.2")
	case strings.HasSuffix(field, "_on"), field == "until", field == "in_use_since", field == "effective_from":
		return pick("2027-02-28", "2027-03-01")
	case field == "source":
		return pick("engine-a", "engine-b")
	}
	// Characters that want escaping, or that FHIR forbids.
	return pick("left <forearm> & \"scar\"", " spaced ", "bell\a and\x0bmore", "zwei Zeilen\nhier", " ", "°")
}

// Start is the moment from which invented facts count.
var Start = time.Date(2027, 3, 1, 7, 0, 0, 0, time.UTC)

// Patient is the key of the invented patient.
const Patient = "5f1d0c0ffee0000000000000000000a1"

// Event makes an event of the invented patient at the invented facility "harbour".
// session may be empty.
func Event(message, session string, at time.Time, precision cannularyv1.TimePrecision, facts ...*logv1.Fact) *logv1.Event {
	ev := &logv1.Event{
		Id: record.EventID("engine-a", message), Source: "engine-a", SourceMessageId: message, Facility: "harbour",
		PatientKey: Patient, OccurredAt: timestamppb.New(at), Precision: precision,
		Recorder: &cannularyv1.StaffIdentifier{System: "https://hospital.example/staff", Value: "N-017"}, Facts: facts,
	}
	if session != "" {
		ev.Session = &cannularyv1.SessionReference{System: "https://hospital.example/treatment", Value: session}
	}
	return ev
}

// Ref names a fact of the sending system engine-a.
func Ref(message string, ordinal int) *cannularyv1.FactReference {
	return &cannularyv1.FactReference{SourceMessageId: message, Ordinal: uint32(ordinal)}
}

// Facts takes events apart, the log's time a minute after the clinical one.
func Facts(events ...*logv1.Event) ([]record.Fact, error) {
	var out []record.Fact
	for i, ev := range events {
		fs, err := record.Facts(ev, uint64(i+1), ev.GetOccurredAt().AsTime().Add(time.Minute))
		if err != nil {
			return nil, err
		}
		out = append(out, fs...)
	}
	return out, nil
}

// Units gathers items by unit, in their order.
func Units(items []record.Item) map[string][]record.Item {
	out := map[string][]record.Item{}
	for _, it := range items {
		out[it.Session] = append(out[it.Session], it)
	}
	return out
}
