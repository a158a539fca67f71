package intake

import (
	"google.golang.org/protobuf/proto"

	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Service is the service that a message was sent to.
type Service string

// The services.
const (
	Roster       Service = "roster"
	Cannulation  Service = "cannulation"
	Assessment   Service = "assessment"
	Surveillance Service = "surveillance"
)

// Message is a message of any service in one form.
type Message struct {
	Service      Service
	Envelope     *cannularyv1.Envelope
	Request      proto.Message // as it was sent
	ValidateOnly bool
	facts        []proto.Message // *RosterFact and so on, in order
}

// FromRoster returns the message of a roster request.
func FromRoster(r *cannularyv1.RecordRosterRequest) Message {
	return Message{Roster, r.GetEnvelope(), r, r.GetValidateOnly(), list(r.GetFacts())}
}

// FromCannulation returns the message of a cannulation request.
func FromCannulation(r *cannularyv1.RecordCannulationRequest) Message {
	return Message{Cannulation, r.GetEnvelope(), r, r.GetValidateOnly(), list(r.GetFacts())}
}

// FromAssessment returns the message of an assessment request.
func FromAssessment(r *cannularyv1.RecordAssessmentRequest) Message {
	return Message{Assessment, r.GetEnvelope(), r, r.GetValidateOnly(), list(r.GetFacts())}
}

// FromSurveillance returns the message of a surveillance request.
func FromSurveillance(r *cannularyv1.RecordSurveillanceRequest) Message {
	return Message{Surveillance, r.GetEnvelope(), r, r.GetValidateOnly(), list(r.GetFacts())}
}

// FromFeed returns the message of a feed request; ok is false if the request has none.
func FromFeed(r *cannularyv1.FeedRequest) (m Message, ok bool) {
	m, ok = fromFeed(r)
	if len(r.ProtoReflect().GetUnknown()) > 0 {
		m.Request = r // unknown fields beside the message must be refused too
	}
	return m, ok
}

func fromFeed(r *cannularyv1.FeedRequest) (m Message, ok bool) {
	switch x := r.GetMessage().(type) {
	case *cannularyv1.FeedRequest_Roster:
		return FromRoster(x.Roster), true
	case *cannularyv1.FeedRequest_Cannulation:
		return FromCannulation(x.Cannulation), true
	case *cannularyv1.FeedRequest_Assessment:
		return FromAssessment(x.Assessment), true
	case *cannularyv1.FeedRequest_Surveillance:
		return FromSurveillance(x.Surveillance), true
	}
	return Message{Request: r}, false
}

func list[M proto.Message](facts []M) []proto.Message {
	out := make([]proto.Message, len(facts))
	for i, f := range facts {
		out[i] = f
	}
	return out
}

// RegistersFacility reports whether the message registers a facility. Messages after it may
// depend on that.
func (m Message) RegistersFacility() bool {
	for _, f := range m.facts {
		if r, ok := f.(*cannularyv1.RosterFact); ok && r.GetFacilityRegistered() != nil {
			return true
		}
	}
	return false
}

// Alone reports whether the message is about a facility or a member of staff. How messages after
// it are read may depend on it.
func (m Message) Alone() bool { return m.Envelope.GetPatient() == nil }

// Lines returns the keys by which a message keeps its place among those of one sender: its id,
// and the patients that it is about.
func (m Message) Lines() []string {
	out := []string{"id\x00" + m.Envelope.GetSource() + "\x00" + m.Envelope.GetSourceMessageId()}
	for _, p := range m.patients() {
		out = append(out, "patient\x00"+p.GetSystem()+"\x00"+p.GetValue())
	}
	return out
}

// patients returns the identifiers of the patients that the message is about. A merge is about two.
func (m Message) patients() []*cannularyv1.PatientIdentifier {
	var out []*cannularyv1.PatientIdentifier
	add := func(p *cannularyv1.PatientIdentifier) {
		if p != nil {
			out = append(out, p)
		}
	}
	add(m.Envelope.GetPatient())
	for _, f := range m.facts {
		if r, ok := f.(*cannularyv1.RosterFact); ok {
			add(r.GetPatientsMerged().GetRetired())
			add(r.GetMergeReversed().GetRetired())
		}
	}
	return out
}

// test reports whether the message is marked as a test.
func (m Message) test() bool {
	return m.Envelope.GetProcessing() == cannularyv1.Processing_PROCESSING_TEST
}

// wrap returns a sender's fact in the log's form.
func wrap(f proto.Message) *logv1.Fact {
	switch x := f.(type) {
	case *cannularyv1.RosterFact:
		return &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: x}}
	case *cannularyv1.CannulationFact:
		return &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: x}}
	case *cannularyv1.AssessmentFact:
		return &logv1.Fact{Fact: &logv1.Fact_Assessment{Assessment: x}}
	case *cannularyv1.SurveillanceFact:
		return &logv1.Fact{Fact: &logv1.Fact_Surveillance{Surveillance: x}}
	}
	return nil
}
