package acceptance_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// asks is a facility's protocol that asks for so many forming sessions.
func asks(facility string, sessions uint32) *v1.FeedRequest {
	return testkit.Request(about("protocol "+facility, facility, "", "01T05:00", ""), &v1.RosterFact{Fact: &v1.RosterFact_ProtocolAdopted{
		ProtocolAdopted: &v1.ProtocolAdopted{Version: fmt.Sprint("asks-", sessions), EffectiveFrom: "2025-01-01", Protocol: &v1.Protocol{FormingSessionsTarget: &sessions}}}})
}

func admitted() *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{}}}
}

func left(to string) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_PatientLeft{PatientLeft: &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSFER, ToFacility: to}}}
}

// formedAtNorth are six easy sharp sessions at north, which asks for six; south asks for eight.
func formedAtNorth(patient string) []*v1.FeedRequest {
	k := &knot{out: append(registrations(), asks(north, 6), asks(south, 8))}
	k.roster("admitted north", patient, "01T06:00", admitted())
	k.roster("created", patient, "01T08:00", &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{
		Access: "F1", Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: v1.BodySide_BODY_SIDE_LEFT, Region: v1.AccessRegion_ACCESS_REGION_FOREARM}}})
	k.add(about("plan", north, patient, "01T09:00", ""), planned("A1", 25))
	for n := range 6 {
		k.add(about(fmt.Sprint("needle-", n), north, patient, fmt.Sprintf("%02dT14:00", 3+2*n), fmt.Sprint("T-", n)), inserted("A1", 25))
	}
	return k.out
}

// face is what one face says of the track.
type face struct {
	stage, next   string
	counted, asks int
}

// faces gathers what card, board's rows and FHIR say of a patient's one track.
func (i *instance) faces(key string) map[string]face {
	i.tb.Helper()
	out := map[string]face{}
	var c struct {
		Tracks []struct {
			Stage                           string
			SessionsCounted, SessionsTarget int
			Next                            struct{ Needle string }
		}
	}
	if err := json.Unmarshal([]byte(i.must("/card?patient="+key)), &c); err != nil || len(c.Tracks) != 1 {
		i.tb.Fatalf("the card has %d tracks (%v)", len(c.Tracks), err)
	}
	out["card"] = face{c.Tracks[0].Stage, c.Tracks[0].Next.Needle, c.Tracks[0].SessionsCounted, c.Tracks[0].SessionsTarget}
	for _, row := range query(i.tb, i.dir, `SELECT track, stage || ' ' || needle || ' ' || counted || ' ' || target FROM track WHERE patient = ?`, key) {
		var f face
		if _, err := fmt.Sscan(row, &f.stage, &f.next, &f.counted, &f.asks); err != nil {
			i.tb.Fatalf("the row says %q: %v", row, err)
		}
		out["rows"] = f
	}
	type concept struct{ Coding []struct{ Code string } }
	var o struct {
		ValueCodeableConcept concept
		Component            []struct {
			Code                 concept
			ValueInteger         int
			ValueCodeableConcept concept
		}
	}
	if err := json.Unmarshal([]byte(i.must("/fhir/Observation/"+fhir.MaturityID(record.TrackID(key, "A1")))), &o); err != nil {
		i.tb.Fatal(err)
	}
	f := face{stage: strings.TrimPrefix(o.ValueCodeableConcept.Coding[0].Code, "track-stage-")}
	for _, x := range o.Component {
		switch x.Code.Coding[0].Code {
		case "sessions-counted":
			f.counted = x.ValueInteger
		case "sessions-needed":
			f.asks = x.ValueInteger
		case "next-needle":
			f.next = strings.TrimPrefix(x.ValueCodeableConcept.Coding[0].Code, "needle-tip-")
		}
	}
	out["FHIR"] = f
	return out
}

// onPage reports whether Today of a facility links to the patient.
func (i *instance) onPage(facility, key string) bool {
	i.tb.Helper()
	return strings.Contains(i.must("/?list=all&facility="+facility), "card?patient="+key)
}

// inPack reports whether the pack of a facility holds the patient's card.
func (i *instance) inPack(facility, key string) bool {
	i.tb.Helper()
	out := filepath.Join(i.tb.TempDir(), "pack")
	if code, _, stderr := cliRun(i.tb, "card", "--all", "--http", "http://"+i.app.HTTPAddr(), "--facility", facility, "--out", out); code != 0 {
		i.tb.Fatalf("the pack exits %d: %s", code, stderr)
	}
	_, err := os.Stat(filepath.Join(out, "card-"+key+".html"))
	return err == nil
}

// sameAgain stops the instance, builds its view again and expects the same bytes.
func sameAgain(t *testing.T, i *instance) {
	t.Helper()
	i.stop()
	want := dump(t, i.dir)
	if q := want["quarantine"]; len(q) > 0 {
		t.Errorf("set aside: %v", q)
	}
	rebuild(t, i.dir, len(want["event"]))
	same(t, want, dump(t, i.dir))
}

// A unit that asks for six sessions hands a patient with six to one that asks for eight: the
// track is forming again, six of eight, and every face says so, also after a rebuild. The needles
// come one by one, so that the judgement was kept warm by the time of the move.
func TestATrackThatMovesIsJudgedByTheUnitItCameTo(t *testing.T) {
	t.Parallel()
	const patient = "INV-M1"
	i := start(t, filepath.Join(t.TempDir(), "moved"))
	for _, m := range formedAtNorth(patient) {
		i.post([]*v1.FeedRequest{m})
	}
	key := patientKey(t, i, patient)
	check := func(when string, want face) {
		t.Helper()
		for name, got := range i.faces(key) {
			if got != want {
				t.Errorf("%s the %s says %+v, want %+v", when, name, got, want)
			}
		}
	}
	// Weeks without a session keep the blunt needle away; the stage is what it was.
	check("before the move", face{"ready", "sharp", 6, 6})
	if !i.onPage(north, key) || i.onPage(south, key) {
		t.Error("before the move the patient is not on Today of north alone")
	}
	i.post([]*v1.FeedRequest{testkit.Request(about("admitted south", south, patient, "14T15:00", ""), admitted())})
	check("after the move", face{"forming", "sharp", 6, 8})
	if i.onPage(north, key) || !i.onPage(south, key) {
		t.Error("after the move the patient is not on Today of south alone")
	}
	// A late result from north and a guest session there change nothing.
	i.post([]*v1.FeedRequest{
		testkit.Request(about("guest", north, patient, "20T14:00", "T-guest"), &v1.CannulationFact{Fact: &v1.CannulationFact_SessionStarted{SessionStarted: &v1.SessionStarted{Access: "F1"}}}),
		testkit.Request(about("flow", north, patient, "21T14:00", ""), &v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessFlowMeasured{AccessFlowMeasured: &v1.AccessFlowMeasured{
			Access: "F1", FlowMillilitresPerMinute: proto.Float64(800)}}}),
	})
	check("after a guest session", face{"forming", "sharp", 6, 8})
	if i.onPage(north, key) || !i.onPage(south, key) {
		t.Error("after a guest session the patient is not on Today of south alone")
	}
	sameAgain(t, i)
}

// The unit that a patient left closes its visit only after the next unit admitted: the patient
// stays on the next unit's list and in its pack.
func TestAVisitClosedLateTakesNobodyOffTheNextUnitsBoard(t *testing.T) {
	t.Parallel()
	const patient = "INV-M2"
	i := start(t, filepath.Join(t.TempDir(), "closed"))
	i.post(formedAtNorth(patient))
	key := patientKey(t, i, patient)
	i.post([]*v1.FeedRequest{testkit.Request(about("admitted south", south, patient, "14T15:00", ""), admitted())})
	i.post([]*v1.FeedRequest{testkit.Request(about("closed", north, patient, "16T15:00", ""), left(south))})
	if i.onPage(north, key) || !i.onPage(south, key) {
		t.Error("the patient is not on Today of south alone")
	}
	if i.inPack(north, key) || !i.inPack(south, key) {
		t.Error("the patient is not in the pack of south alone")
	}
	for name, got := range i.faces(key) {
		if want := (face{"forming", "sharp", 6, 8}); got != want {
			t.Errorf("the %s says %+v, want %+v", name, got, want)
		}
	}
	sameAgain(t, i)
}
