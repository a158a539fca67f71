package record

import (
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	v1 "cannulary/proto/cannulary/v1"
)

// TestKindOfMessageAgreesWithTheSchema checks that the name of every plain fact's message
// gives the name of its field, in every service: corrections rely on it.
func TestKindOfMessageAgreesWithTheSchema(t *testing.T) {
	plain := 0
	for _, f := range []protoreflect.ProtoMessage{&v1.RosterFact{}, &v1.CannulationFact{}, &v1.AssessmentFact{}, &v1.SurveillanceFact{}} {
		r := f.ProtoReflect()
		kinds := r.Descriptor().Oneofs().Get(0).Fields()
		for i := range kinds.Len() {
			fd := kinds.Get(i)
			kind := Kind(fd.Name())
			if kind == KindFactCorrected {
				continue // four messages, one in each service
			}
			m := r.NewField(fd).Message().Interface()
			if got := kindOfMessage(m); got != kind {
				t.Errorf("%s: the message %s is taken for %s", kind, m.ProtoReflect().Descriptor().Name(), got)
			}
			if x := (&Fact{Kind: KindFactCorrected, Body: m}); x.BodyKind() != kind {
				t.Errorf("%s: its correction is taken for %s", kind, x.BodyKind())
			}
			plain++
		}
	}
	t.Logf("%d kinds", plain)
}

// TestRankNamesKindsOfTheSchema keeps the order's words those of the schema: a misspelt
// one would silently rank first.
func TestRankNamesKindsOfTheSchema(t *testing.T) {
	known := map[Kind]bool{}
	for _, f := range []protoreflect.ProtoMessage{&v1.RosterFact{}, &v1.CannulationFact{}, &v1.AssessmentFact{}, &v1.SurveillanceFact{}} {
		kinds := f.ProtoReflect().Descriptor().Oneofs().Get(0).Fields()
		for i := range kinds.Len() {
			known[Kind(kinds.Get(i).Name())] = true
		}
	}
	ranked := []Kind{
		KindAccessExamined, KindSitePrepared, KindPegRemoved, KindPegFoundMissing, KindNeedleInserted, KindNeedleRemoved, KindPegPlaced,
		"session_ended", "complication_seen", "track_rested", "track_retired", "access_retired", KindHoldPlaced, KindHoldLifted,
	}
	last := 0
	for _, k := range ranked {
		if !known[k] || rank(k) == 0 || rank(k) < last {
			t.Errorf("%s: known %v, rank %d after %d", k, known[k], rank(k), last)
		}
		last = rank(k)
		delete(known, k)
	}
	for k := range known {
		if rank(k) != 0 {
			t.Errorf("%s has rank %d, which this test does not know", k, rank(k))
		}
	}
	for _, k := range []Kind{KindFacilityRegistered, KindProtocolAdopted, KindCannulatorRated, KindCensusCounted, KindThresholdSet,
		KindSignalAcknowledged} {
		if !known[k] || !FacilityLevel(k) {
			t.Errorf("%s is not a fact of the schema about a facility", k)
		}
		delete(known, k)
	}
	for k := range known {
		if FacilityLevel(k) {
			t.Errorf("%s is said to be about a facility", k)
		}
	}
}
