package fhirtest

import (
	"fmt"
	"math/rand/v2"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// History makes a random history: facts of every kind, corrections of every kind that
// take effect, voids, voided sessions.
func History(r *rand.Rand) []*logv1.Event {
	var kinds []proto.Message
	for _, m := range Kinds() {
		switch m.(type) {
		case *cannularyv1.IdentityStated, *cannularyv1.PatientsMerged, *cannularyv1.MergeReversed:
			// Sealed or replaced before they reach the log.
		default:
			kinds = append(kinds, m)
		}
	}
	var out []*logv1.Event
	var originals []int // index of each event's kind
	// Facts about a facility or its staff carry no patient, nor do their corrections.
	add := func(kind int, ev *logv1.Event) {
		if facilityLevel(kinds[kind]) {
			ev.PatientKey = ""
		}
		out = append(out, ev)
	}
	for i := 0; i < 12; i++ {
		k := r.IntN(len(kinds))
		m := Fill(r, kinds[k].ProtoReflect().New().Interface())
		when := Start.Add(time.Duration(r.IntN(30)) * time.Hour)
		session := []string{"", "T1", "T2"}[r.IntN(3)]
		add(k, Event(fmt.Sprint("m", len(originals)), session, when, cannularyv1.TimePrecision(1+r.IntN(3)), Wrap(m)))
		originals = append(originals, k)
	}
	n := len(originals)
	for i := 0; i < 8; i++ {
		target := r.IntN(n)
		id, ref := fmt.Sprint("x", i), fmt.Sprint("m", target)
		switch r.IntN(4) {
		case 0, 1:
			c := &cannularyv1.Correction{Fact: Ref(ref, 0), Revision: uint32(1 + r.IntN(3)), AssertedAt: timestamppb.New(Start),
				Reason: "misread"}
			if r.IntN(2) == 0 {
				c.CorrectedOccurredAt, c.CorrectedPrecision = timestamppb.New(Start.Add(-time.Hour)), cannularyv1.TimePrecision(1+r.IntN(3))
			}
			m := Fill(r, kinds[originals[target]].ProtoReflect().New().Interface())
			add(originals[target], Event(id, "", Start, cannularyv1.TimePrecision_TIME_PRECISION_MINUTE, Correct(c, m)))
		case 2:
			if r.IntN(2) == 0 {
				ref = fmt.Sprint("x", r.IntN(8))
			}
			add(originals[target], Event(id, "", Start, cannularyv1.TimePrecision_TIME_PRECISION_MINUTE,
				Wrap(&cannularyv1.FactVoided{Fact: Ref(ref, 0), Reason: "another patient"})))
		case 3:
			if r.IntN(3) == 0 {
				out = append(out, Event(id, "", Start, cannularyv1.TimePrecision_TIME_PRECISION_MINUTE, Wrap(&cannularyv1.SessionVoided{
					Session: &cannularyv1.SessionReference{System: "https://hospital.example/treatment", Value: "T1"},
					Reason:  "another patient"})))
			}
		}
	}
	return out
}

func facilityLevel(m proto.Message) bool {
	switch m.(type) {
	case *cannularyv1.FacilityRegistered, *cannularyv1.ProtocolAdopted, *cannularyv1.CannulatorRated,
		*cannularyv1.CensusCounted, *cannularyv1.SurveillanceThresholdSet, *cannularyv1.SurveillanceSignalAcknowledged:
		return true
	}
	return false
}
