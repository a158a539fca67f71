package intake

import (
	"fmt"

	"google.golang.org/protobuf/reflect/protoreflect"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// span is the range of a figure in practice, where the schema allows more.
type span struct {
	from, to float64
	unit     string
}

// spans are wide. A figure outside is accepted with a notice, because it is most likely a slip.
var spans = map[protoreflect.Name]span{
	// A fistula is entered at 20 to 35 degrees, a graft at about 45 (from memory: KDOQI 2006,
	// tables 3 and 4). The limits: ours.
	"angle_degrees": {10, 60, "degrees"},
	// A vessel for needling lies up to 6 mm deep (from memory: KDOQI 2006). The limits: ours.
	"depth_millimetres": {1, 20, "mm"},
	// More than 20 minutes is long (from memory). The limit: ours.
	"haemostasis_minutes": {0, 60, "minutes"},
	// A treatment takes 3 to 5 hours, at night up to 8 (common practice, no source). The limits: ours.
	"treated_minutes": {30, 600, "minutes"},
	// An antiseptic acts for 30 to 120 seconds (from memory: KDOQI 2006, table 2). The limit: ours.
	"contact_seconds": {0, 600, "seconds"},
}

// unusual returns notices for the figures in a fact that lie outside their usual range.
func unusual(at string, fact protoreflect.Message) []string {
	var out []string
	fd := fact.WhichOneof(fact.Descriptor().Oneofs().Get(0))
	if fd == nil {
		return nil
	}
	fields(fact.Get(fd).Message(), at, func(path string, in protoreflect.Message, fd protoreflect.FieldDescriptor, v protoreflect.Value) {
		s, ok := spans[fd.Name()]
		if !ok {
			return
		}
		var x float64
		switch n := v.Interface().(type) {
		case float64:
			x = n
		case uint32:
			x = float64(n)
		}
		if e, is := in.Interface().(*cannularyv1.SessionEnded); is && x < s.from && e.GetEndedEarly() == cannularyv1.Answer_ANSWER_YES {
			return
		}
		if x < s.from || x > s.to {
			out = append(out, fmt.Sprintf("%s is %v %s, outside the usual %v to %v: check it", path, x, s.unit,
				s.from, s.to))
		}
	})
	return out
}
