package track_test

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// wrapFact puts a concrete fact into the log's two layers, wherever it belongs.
func wrapFact(body proto.Message) *logv1.Fact {
	for _, outer := range []proto.Message{&v1.RosterFact{}, &v1.CannulationFact{}, &v1.AssessmentFact{}, &v1.SurveillanceFact{}} {
		fields := outer.ProtoReflect().Descriptor().Oneofs().Get(0).Fields()
		for i := range fields.Len() {
			f := fields.Get(i)
			if f.Message() != body.ProtoReflect().Descriptor() {
				continue
			}
			outer.ProtoReflect().Set(f, protoreflect.ValueOfMessage(body.ProtoReflect()))
			switch o := outer.(type) {
			case *v1.RosterFact:
				return rosterFact(o)
			case *v1.CannulationFact:
				return cann(o)
			case *v1.AssessmentFact:
				return &logv1.Fact{Fact: &logv1.Fact_Assessment{Assessment: o}}
			case *v1.SurveillanceFact:
				return &logv1.Fact{Fact: &logv1.Fact_Surveillance{Surveillance: o}}
			}
		}
	}
	panic("no such fact")
}
