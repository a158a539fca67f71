package fhircheck

import (
	"math/rand/v2"
	"testing"

	"github.com/google/fhir/go/jsonformat"

	"cannulary/fhir"
	"cannulary/internal/oracle/needling/histories"
	"cannulary/internal/testkit/fhirtest"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// judgement folds an invented history, as of its end, and renders what it gives.
func judgement(t *testing.T, h histories.History) []fhir.Resource {
	t.Helper()
	q, err := h.Ask()
	if err != nil {
		t.Fatal(err)
	}
	j := track.Fold(track.Input{Items: q.Items, Ratings: q.Ratings, Refused: q.Refused, Book: q.Book, Zone: h.Zone, AsOf: h.AsOf})
	rs, err := fhir.Judged(fhir.Context{Facility: h.Facility}, fhir.JudgedView{Patient: q.Survivor, Judgement: &j, All: &j})
	if err != nil {
		t.Fatal(err)
	}
	return rs
}

// acceptTakenBack gives the oracle what takes each resource back.
func (s seen) acceptTakenBack(t *testing.T, u *jsonformat.Unmarshaller, list []fhir.Resource) {
	t.Helper()
	for _, r := range list {
		back, err := fhir.TakenBack(fhir.Context{}, "survivor", r.Type, r.ID, r.Body)
		if err != nil {
			t.Fatal(err)
		}
		s.accept(t, u, back)
	}
}

// TestJudgements holds what the judgements of invented histories give against the oracle:
// standing, and taken back.
func TestJudgements(t *testing.T) {
	u, s, back := oracle(t), seen{}, seen{}
	for i := range uint64(160) {
		r := rand.New(rand.NewPCG(11, i))
		rs := judgement(t, histories.Make(r.Uint64()>>2, 3+r.IntN(40), []float64{0, 0.015, 0.04, 0.12}[i%4]))
		s.accept(t, u, rs...)
		back.acceptTakenBack(t, u, rs)
	}
	for typ, least := range map[string]int{"Flag": 100, "DetectedIssue": 1000, "Observation": 200} {
		if s[typ] < least || back[typ] != s[typ] {
			t.Errorf("%d %s accepted, %d taken back; at least %d are wanted", s[typ], typ, back[typ], least)
		}
	}
	t.Logf("accepted: %v", s)
}

// judgedBodies are one finding that was cleared, one hold that was lifted and one track's
// maturity, with everything that these can hold.
func judgedBodies(t *testing.T) map[string][]byte {
	t.Helper()
	at, angle := fhirtest.Start, 25.0
	who := &cannularyv1.StaffIdentifier{System: "https://hospital.example/staff", Value: "N-1"}
	j := &track.Judgement{
		Tracks: []track.State{{ID: "t", Name: "A1", Stage: track.Forming, Target: 6, ReferenceAngle: &angle, UnderReview: true, Next: track.Next{Needle: track.Sharp, Why: "forming"}, Newest: at}},
		Holds:  []track.Hold{{ID: "h", Rule: rule.Person, Tracks: []string{"A1"}, Since: at, Text: "pus", By: who, Lifted: at.AddDate(0, 0, 1), LiftedBy: who, Reason: "healed"}},
		Findings: []track.Finding{{ID: "f", Rule: rule.SiteInfection, Severity: rule.Stop, Track: "A1", Since: at, Seen: "pus", Asked: "none", Facts: []string{"a.0", "b.0"}, Hold: "h",
			Cleared: at.AddDate(0, 0, 1), ClearedBy: "lifted"}},
	}
	rs, err := fhir.Judged(fhir.Context{}, fhir.JudgedView{Patient: fhirtest.Patient, Judgement: j, All: j})
	if err != nil || len(rs) != 3 {
		t.Fatalf("%d resources, %v", len(rs), err)
	}
	return map[string][]byte{rs[0].Type: rs[0].Body, rs[1].Type: rs[1].Body, "maturity": rs[2].Body}
}
