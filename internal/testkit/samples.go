package testkit

import (
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// The scenario of the samples.
const (
	Source   = "engine-a"
	Facility = "invented-north"
	TimeZone = "Europe/Lisbon"
)

// Sample is a valid message of one fact in which everything is set that may be.
type Sample struct {
	Name    string // "service kind", and for corrections what replaces
	Service string
	Kind    string
	Request *cannularyv1.FeedRequest
}

// Samples gives at least one message for every kind of fact of every service.
func Samples() []Sample {
	var out []Sample
	for _, f := range rosterFacts() {
		out = append(out, sample(f))
	}
	for _, f := range cannulationFacts() {
		out = append(out, sample(f))
	}
	for _, f := range assessmentFacts() {
		out = append(out, sample(f))
	}
	for _, f := range surveillanceFacts() {
		out = append(out, sample(f))
	}
	return out
}

// SampleOf is the sample of that name.
func SampleOf(name string) *cannularyv1.FeedRequest {
	for _, s := range Samples() {
		if s.Name == name {
			return s.Request
		}
	}
	panic("no sample " + name)
}

// Registration registers the samples' facility, under an id that no sample has.
func Registration() *cannularyv1.FeedRequest {
	m := SampleOf("roster facility_registered")
	m.GetRoster().GetEnvelope().SourceMessageId = "registration"
	return m
}

// Envelope is the envelope of a message of any service.
func Envelope(m *cannularyv1.FeedRequest) *cannularyv1.Envelope {
	switch x := m.GetMessage().(type) {
	case *cannularyv1.FeedRequest_Roster:
		return x.Roster.GetEnvelope()
	case *cannularyv1.FeedRequest_Cannulation:
		return x.Cannulation.GetEnvelope()
	case *cannularyv1.FeedRequest_Assessment:
		return x.Assessment.GetEnvelope()
	case *cannularyv1.FeedRequest_Surveillance:
		return x.Surveillance.GetEnvelope()
	}
	return nil
}

// ValidateOnly is the message as a question: would it be taken?
func ValidateOnly(m *cannularyv1.FeedRequest) *cannularyv1.FeedRequest {
	m, ok := proto.Clone(m).(*cannularyv1.FeedRequest)
	if !ok {
		panic("the clone of a FeedRequest is none")
	}
	r := Inner(m)
	r.Set(r.Descriptor().Fields().ByName("validate_only"), protoreflect.ValueOfBool(true))
	return m
}

// Inner is the service's own request inside a feed's request.
func Inner(m *cannularyv1.FeedRequest) protoreflect.Message {
	r := m.ProtoReflect()
	return r.Mutable(r.WhichOneof(r.Descriptor().Oneofs().Get(0))).Message()
}

// FactName is the name of the fact that is set in a service's fact.
func FactName(f proto.Message) string {
	r := f.ProtoReflect()
	return string(r.WhichOneof(r.Descriptor().Oneofs().Get(0)).Name())
}

func sample(f proto.Message) Sample {
	kind := FactName(f)
	s := Sample{Service: strings.ToLower(strings.TrimSuffix(string(f.ProtoReflect().Descriptor().Name()), "Fact")), Kind: kind}
	s.Name = s.Service + " " + kind
	about := kind
	if c := replacement(f); c != nil {
		about = FactName(c)
		s.Name += " " + about
	}
	env := &cannularyv1.Envelope{
		Source: Source, SourceMessageId: "sample " + s.Name, Facility: Facility,
		OccurredAt: At("2025-02-03T07:30:00Z"), Precision: cannularyv1.TimePrecision_TIME_PRECISION_MINUTE,
		Recorder: Staff("S-100"), Processing: cannularyv1.Processing_PROCESSING_PRODUCTION,
	}
	if !record.FacilityLevel(record.Kind(about)) {
		env.Patient = Patient("INV-0001")
		env.Session = Session("T-5001")
	}
	s.Request = Request(env, f)
	return s
}

// replacement is the fact inside a correction, nil for any other fact.
func replacement(f proto.Message) proto.Message {
	switch x := f.(type) {
	case *cannularyv1.RosterFact:
		if c := x.GetFactCorrected(); c != nil {
			return c.GetReplacement()
		}
	case *cannularyv1.CannulationFact:
		if c := x.GetFactCorrected(); c != nil {
			return c.GetReplacement()
		}
	case *cannularyv1.AssessmentFact:
		if c := x.GetFactCorrected(); c != nil {
			return c.GetReplacement()
		}
	case *cannularyv1.SurveillanceFact:
		if c := x.GetFactCorrected(); c != nil {
			return c.GetReplacement()
		}
	}
	return nil
}

// Request makes a message of facts of one service.
func Request(env *cannularyv1.Envelope, facts ...proto.Message) *cannularyv1.FeedRequest {
	switch facts[0].(type) {
	case *cannularyv1.RosterFact:
		return &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Roster{Roster: &cannularyv1.RecordRosterRequest{Envelope: env,
			Facts: cast[*cannularyv1.RosterFact](facts)}}}
	case *cannularyv1.CannulationFact:
		return &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Cannulation{Cannulation: &cannularyv1.RecordCannulationRequest{
			Envelope: env, Facts: cast[*cannularyv1.CannulationFact](facts)}}}
	case *cannularyv1.AssessmentFact:
		return &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Assessment{Assessment: &cannularyv1.RecordAssessmentRequest{
			Envelope: env, Facts: cast[*cannularyv1.AssessmentFact](facts)}}}
	case *cannularyv1.SurveillanceFact:
		return &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Surveillance{Surveillance: &cannularyv1.RecordSurveillanceRequest{
			Envelope: env, Facts: cast[*cannularyv1.SurveillanceFact](facts)}}}
	}
	panic("not a fact of a service")
}

func cast[F proto.Message](facts []proto.Message) []F {
	out := make([]F, 0, len(facts))
	for _, f := range facts {
		x, ok := f.(F)
		if !ok {
			panic("facts of different services in one message")
		}
		out = append(out, x)
	}
	return out
}

// At is a time in RFC 3339.
func At(s string) *timestamppb.Timestamp {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		panic(err)
	}
	return timestamppb.New(t)
}

// Staff is a member of staff.
func Staff(number string) *cannularyv1.StaffIdentifier {
	return &cannularyv1.StaffIdentifier{System: "https://unit-north.example/staff", Value: number}
}

// Patient is a patient's identifier.
func Patient(number string) *cannularyv1.PatientIdentifier {
	return &cannularyv1.PatientIdentifier{System: "https://hospital.example/patient-number", Value: number}
}

// Session is a treatment's reference.
func Session(number string) *cannularyv1.SessionReference {
	return &cannularyv1.SessionReference{System: "https://unit-north.example/treatment", Value: number}
}

// Fact names a fact of an earlier message.
func Fact(message string, ordinal uint32) *cannularyv1.FactReference {
	return &cannularyv1.FactReference{Source: Source, SourceMessageId: message, Ordinal: ordinal}
}

func correction(message string) *cannularyv1.Correction {
	return &cannularyv1.Correction{
		Fact: Fact(message, 1), Revision: 1, AssertedAt: At("2025-02-04T08:00:00Z"), Reason: "Mistyped",
		CorrectedOccurredAt: At("2025-02-03T07:20:00Z"), CorrectedPrecision: cannularyv1.TimePrecision_TIME_PRECISION_SECOND,
	}
}

func voided() *cannularyv1.FactVoided {
	return &cannularyv1.FactVoided{Fact: Fact("m-1", 0), Reason: "Charted for the wrong patient"}
}

func sessionVoided() *cannularyv1.SessionVoided {
	return &cannularyv1.SessionVoided{Session: Session("T-4999"), Reason: "Opened by mistake"}
}

func coding(code, display string) *cannularyv1.Coding {
	return &cannularyv1.Coding{System: "https://laboratory.example/codes", Code: code, Display: display}
}

func device() *cannularyv1.DeviceIdentity {
	return &cannularyv1.DeviceIdentity{Lot: "LOT-1", Udi: "(01)00000000000000(10)LOT-1"}
}
