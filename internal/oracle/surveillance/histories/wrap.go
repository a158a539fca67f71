package histories

import (
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// wrap puts a fact into what the log holds.
func wrap(body proto.Message) *logv1.Fact {
	out := &logv1.Fact{}
	if into(out, body) {
		return out
	}
	inner := service(body)
	into(out, inner)
	return out
}

// service puts a fact into the message of the service that takes it.
func service(body proto.Message) proto.Message {
	for _, m := range []proto.Message{&v1.RosterFact{}, &v1.CannulationFact{}, &v1.AssessmentFact{}, &v1.SurveillanceFact{}} {
		if into(m, body) {
			return m
		}
	}
	panic(fmt.Sprintf("no service takes %T", body))
}

// into sets the field of m that is of body's type; false where there is none.
func into(m, body proto.Message) bool {
	fields := m.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.Kind() == protoreflect.MessageKind && f.Message().FullName() == body.ProtoReflect().Descriptor().FullName() {
			m.ProtoReflect().Set(f, protoreflect.ValueOfMessage(body.ProtoReflect()))
			return true
		}
	}
	return false
}

// correcting is a correction with that content, as the service of the content takes it.
func correcting(c *v1.Correction, body proto.Message) proto.Message {
	switch m := service(body).(type) {
	case *v1.RosterFact:
		return &v1.RosterFactCorrected{Correction: c, Replacement: m}
	case *v1.CannulationFact:
		return &v1.CannulationFactCorrected{Correction: c, Replacement: m}
	case *v1.AssessmentFact:
		return &v1.AssessmentFactCorrected{Correction: c, Replacement: m}
	case *v1.SurveillanceFact:
		return &v1.SurveillanceFactCorrected{Correction: c, Replacement: m}
	}
	panic("unreachable")
}
