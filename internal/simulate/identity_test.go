package simulate_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/record"
	"cannulary/internal/simulate"
	v1 "cannulary/proto/cannulary/v1"
)

// TestLiftsNameHoldsThatExist: every lift names the hold of one of the rules, or of a
// person, on a fact that was sent and is a ground for it.
func TestLiftsNameHoldsThatExist(t *testing.T) {
	grounds := map[string][]string{
		"assessment.access_examined":    {"thrill-absent", "skin-at-risk", "site-infection"},
		"surveillance.site_signs_seen":  {"site-infection"},
		"surveillance.culture_resulted": {"bacteraemia"},
		"cannulation.hold_placed":       {"person"},
	}
	holds, patientOf, lifted := map[string]string{}, map[string]string{}, map[string]int{}
	msgs := defaultFeed(t)
	for _, m := range msgs {
		e, n := envelope(m), 0
		facts(m, func(kind string, _ protoreflect.Message) {
			fact := record.FactID(record.EventID(e.GetSource(), e.GetSourceMessageId()), n)
			for _, rule := range grounds[kind] {
				hold := record.HoldID(rule, fact)
				holds[hold], patientOf[hold] = rule, e.GetPatient().GetValue()
			}
			n++
		})
	}
	for _, m := range msgs {
		facts(m, func(_ string, fact protoreflect.Message) {
			if f, ok := fact.Interface().(*v1.HoldLifted); ok {
				lifted[holds[f.GetHold()]]++
				if patientOf[f.GetHold()] != envelope(m).GetPatient().GetValue() {
					t.Errorf("%s lifts a hold of another patient, or none", envelope(m).GetSourceMessageId())
				}
			}
		})
	}
	for _, rule := range []string{"thrill-absent", "skin-at-risk", "site-infection", "bacteraemia", "person"} {
		if lifted[rule] == 0 {
			t.Errorf("no %s hold is lifted", rule)
		}
	}
}

// walk calls f with m and every message below it.
func walk(m protoreflect.Message, f func(proto.Message)) {
	f(m.Interface())
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Message() == nil:
		case fd.IsList():
			for i := range v.List().Len() {
				walk(v.List().Get(i).Message(), f)
			}
		default:
			walk(v.Message(), f)
		}
		return true
	})
}

func TestIdentifyingIsCompleteAndExact(t *testing.T) {
	for _, s := range []simulate.Scenario{small(), simulate.Default()} {
		var sent []string
		for _, m := range generate(t, s) {
			walk(m.ProtoReflect(), func(x proto.Message) {
				switch x := x.(type) {
				case *v1.PatientIdentifier:
					sent = append(sent, x.GetValue())
				case *v1.IdentityStated:
					sent = append(sent, x.GetFamilyName(), x.GetGivenNames(), x.GetBirthDate())
				}
			})
		}
		slices.Sort(sent)
		sent = slices.Compact(sent)
		listed := simulate.Identifying(s)
		if !slices.Equal(sent, listed) {
			t.Errorf("messages hold %d identifying values, %d are listed", len(sent), len(listed))
		}
		for _, v := range listed {
			if len(v) < 6 {
				t.Errorf("%q is short enough to be found by chance", v)
			}
		}
	}
}

// TestNothingIdentifyingElsewhere: text fields and references stand in the clear, so none
// may hold a value that identifies a patient.
func TestNothingIdentifyingElsewhere(t *testing.T) {
	s := small()
	listed := simulate.Identifying(s)
	for _, m := range generate(t, s) {
		bare := proto.Clone(m).(*v1.FeedRequest)
		envelope(bare).Patient = nil
		kept := bare.GetRoster().GetFacts()
		for _, f := range kept {
			if f.GetIdentityStated() != nil || f.GetPatientsMerged() != nil || f.GetMergeReversed() != nil || f.GetFactCorrected() != nil {
				f.Fact = nil
			}
		}
		b, err := proto.Marshal(bare)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range listed {
			if strings.Contains(string(b), v) {
				t.Fatalf("%s holds %q outside an identity", envelope(m).GetSourceMessageId(), v)
			}
		}
	}
}
