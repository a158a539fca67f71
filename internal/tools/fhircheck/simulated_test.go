package fhircheck

import (
	"crypto/sha256"
	"encoding/hex"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/record"
	"cannulary/internal/simulate"
	"cannulary/internal/testkit/fhirtest"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// TestSimulatedFeed holds three months of an invented unit against the oracle.
func TestSimulatedFeed(t *testing.T) {
	s := simulate.Default()
	s.Units, s.Patients, s.Months = 1, 6, 3
	known := map[string]bool{}
	var facts []record.Fact
	err := simulate.Generate(s, func(req *cannularyv1.FeedRequest) error {
		ev := event(req)
		if known[ev.GetId()] {
			return nil // sent again
		}
		known[ev.GetId()] = true
		fs, err := record.Facts(ev, uint64(len(known)), ev.GetOccurredAt().AsTime())
		facts = append(facts, fs...)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		zone = time.FixedZone("", 3600) // a machine without zone files
	}
	u, n := oracle(t), seen{}
	n.accept(t, u, everything(t, facts, zone)...)
	if n["Procedure"] < 500 || n["Observation"] < 500 || n["Organization"] != 1 || n["Location"] != 1 {
		t.Errorf("few resources: %v", n)
	}
	t.Logf("%d messages, %d facts; accepted: %v", len(known), len(facts), n)
}

// event is the event that a message becomes, without the sealing: identities stay empty.
func event(req *cannularyv1.FeedRequest) *logv1.Event {
	var e *cannularyv1.Envelope
	ev := &logv1.Event{}
	switch m := req.GetMessage().(type) {
	case *cannularyv1.FeedRequest_Roster:
		e = m.Roster.GetEnvelope()
		for _, f := range m.Roster.GetFacts() {
			ev.Facts = append(ev.Facts, sealed(f))
		}
	case *cannularyv1.FeedRequest_Cannulation:
		e = m.Cannulation.GetEnvelope()
		for _, f := range m.Cannulation.GetFacts() {
			ev.Facts = append(ev.Facts, &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: f}})
		}
	case *cannularyv1.FeedRequest_Assessment:
		e = m.Assessment.GetEnvelope()
		for _, f := range m.Assessment.GetFacts() {
			ev.Facts = append(ev.Facts, &logv1.Fact{Fact: &logv1.Fact_Assessment{Assessment: f}})
		}
	case *cannularyv1.FeedRequest_Surveillance:
		e = m.Surveillance.GetEnvelope()
		for _, f := range m.Surveillance.GetFacts() {
			ev.Facts = append(ev.Facts, &logv1.Fact{Fact: &logv1.Fact_Surveillance{Surveillance: f}})
		}
	}
	ev.Id = record.EventID(e.GetSource(), e.GetSourceMessageId())
	ev.Source, ev.SourceMessageId, ev.Facility = e.GetSource(), e.GetSourceMessageId(), e.GetFacility()
	ev.OccurredAt, ev.Precision, ev.Recorder, ev.Session = e.GetOccurredAt(), e.GetPrecision(), e.GetRecorder(), e.GetSession()
	if p := e.GetPatient(); p != nil {
		ev.PatientKey = key(p)
	}
	return ev
}

func sealed(f *cannularyv1.RosterFact) *logv1.Fact {
	var m proto.Message = f
	switch x := f.GetFact().(type) {
	case *cannularyv1.RosterFact_IdentityStated:
		m = &logv1.IdentitySealed{}
	case *cannularyv1.RosterFact_PatientsMerged:
		m = &logv1.IdentitiesMerged{RetiredPatientKey: key(x.PatientsMerged.GetRetired())}
	case *cannularyv1.RosterFact_MergeReversed:
		m = &logv1.IdentityMergeReversed{RetiredPatientKey: key(x.MergeReversed.GetRetired())}
	case *cannularyv1.RosterFact_FactCorrected:
		if x.FactCorrected.GetReplacement().GetIdentityStated() != nil {
			m = &logv1.IdentityCorrected{Correction: x.FactCorrected.GetCorrection(), Replacement: &logv1.IdentitySealed{}}
		}
	}
	return fhirtest.Wrap(m)
}

// key stands in for the keyed hash of an identifier.
func key(p *cannularyv1.PatientIdentifier) string {
	h := sha256.Sum256([]byte(p.GetSystem() + "|" + p.GetValue()))
	return hex.EncodeToString(h[:16])
}
