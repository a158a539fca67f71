package acceptance_test

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/record"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// Facilities of the tangle, in different zones.
const north, south = testkit.Facility, "invented-south"

// registrations register both facilities; they come first, since a message for a facility
// that nobody registered is refused.
func registrations() []*v1.FeedRequest {
	other, ok := proto.Clone(testkit.Registration()).(*v1.FeedRequest)
	if !ok {
		panic("the clone of a message is none")
	}
	env := testkit.Envelope(other)
	env.SourceMessageId, env.Facility = "registration south", south
	other.GetRoster().GetFacts()[0].GetFacilityRegistered().TimeZone = "America/Halifax"
	return []*v1.FeedRequest{testkit.Registration(), other}
}

// knot collects messages.
type knot struct{ out []*v1.FeedRequest }

// about makes an envelope. at is a time of February 2025, "03T07:30" for instance.
func about(id, facility, patient, at, session string) *v1.Envelope {
	e := &v1.Envelope{Source: testkit.Source, SourceMessageId: id, Facility: facility, OccurredAt: testkit.At("2025-02-" + at + ":00Z"),
		Precision: v1.TimePrecision_TIME_PRECISION_MINUTE, Recorder: testkit.Staff("S-100")}
	if patient != "" {
		e.Patient = testkit.Patient(patient)
	}
	if session != "" {
		e.Session = testkit.Session(session)
	}
	return e
}

func (k *knot) add(env *v1.Envelope, facts ...proto.Message) {
	k.out = append(k.out, testkit.Request(env, facts...))
}

func (k *knot) void(id, patient, at, target string) {
	k.add(about(id, north, patient, at, ""), &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{Fact: testkit.Fact(target, 0), Reason: "Mistake"}}})
}

func (k *knot) roster(id, patient, at string, f *v1.RosterFact) {
	k.add(about(id, north, patient, at, ""), f)
}

// inserted is a sharp entry at an angle.
func inserted(track string, angle float64) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: &v1.NeedleInserted{
		Track: track, Access: "F1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: 1, Tip: v1.NeedleTip_NEEDLE_TIP_SHARP,
		Gauge: proto.Uint32(16), AngleDegrees: proto.Float64(angle), Passes: proto.Uint32(1), Resistance: v1.Resistance_RESISTANCE_NONE,
		SameSpot: v1.Answer_ANSWER_YES, NewPath: v1.Answer_ANSWER_NO, Cannulator: testkit.Staff("S-101"), Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL,
	}}}
}

func corrected(target string, revision uint32, asserted string, with *v1.CannulationFact, at string) *v1.CannulationFact {
	c := &v1.Correction{Fact: testkit.Fact(target, 0), Revision: revision, AssertedAt: testkit.At("2025-02-" + asserted + ":00Z"), Reason: "Mistyped"}
	if at != "" {
		c.CorrectedOccurredAt, c.CorrectedPrecision = testkit.At("2025-02-"+at+":00Z"), v1.TimePrecision_TIME_PRECISION_MINUTE
	}
	return &v1.CannulationFact{Fact: &v1.CannulationFact_FactCorrected{FactCorrected: &v1.CannulationFactCorrected{Correction: c, Replacement: with}}}
}

func merged(retired string) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: testkit.Patient(retired)}}}
}

func reversed(retired string) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_MergeReversed{MergeReversed: &v1.MergeReversed{Retired: testkit.Patient(retired)}}}
}

func stated(family string) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_IdentityStated{IdentityStated: &v1.IdentityStated{
		Identifiers: []*v1.PatientIdentifier{{System: "https://hospital.example/second", Value: "X-" + family}}, FamilyName: family, GivenNames: "Invented", BirthDate: "1950-01-02"}}}
}

// tangle is one message of every kind of fact, and a knot of corrections, voids, merges
// and reversals that name each other.
func tangle() []*v1.FeedRequest {
	k := &knot{}
	for _, s := range testkit.Samples() {
		k.out = append(k.out, s.Request)
	}
	k.insertions()
	k.identities()
	return k.out
}

func (k *knot) insertions() {
	p := "INV-0003"
	plan := &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: &v1.TrackPlanned{Access: "F1", PlannedBy: testkit.Staff("S-101"),
		Tracks: []*v1.TrackPlan{{Track: "A1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AngleDegrees: proto.Float64(25)}}}}}
	k.add(about("plan", north, p, "01T08:00", ""), plan)
	k.add(about("replan", south, p, "02T08:00", ""), plan)
	for n := 3; n < 15; n++ {
		facility := north
		if n%3 == 0 {
			facility = south
		}
		k.add(about(fmt.Sprintf("needle-%d", n), facility, p, fmt.Sprintf("%02dT03:30", n), fmt.Sprintf("T-%d", n)), inserted("A1", 25))
	}
	correct := func(id, at string, f *v1.CannulationFact) { k.add(about(id, north, p, at, ""), f) }
	// The highest revision wins, however late lower ones come.
	correct("c-3-1", "20T08:00", corrected("needle-3", 1, "20T08:00", inserted("A1", 60), ""))
	correct("c-3-2", "21T08:00", corrected("needle-3", 2, "21T08:00", inserted("A1", 26), ""))
	// Same revision and same time of assertion: the id decides.
	correct("c-4-a", "20T08:00", corrected("needle-4", 1, "20T08:00", inserted("A1", 27), ""))
	correct("c-4-b", "20T08:00", corrected("needle-4", 1, "20T08:00", inserted("A1", 61), ""))
	// A correction taken back, and the taking back taken back.
	correct("c-5", "20T08:00", corrected("needle-5", 1, "20T08:00", inserted("A1", 62), ""))
	k.void("v-c-5", p, "21T08:00", "c-5")
	k.void("v-v-c-5", p, "22T08:00", "v-c-5")
	// Voids in a cycle.
	k.void("v-6", p, "20T08:00", "needle-6")
	k.void("loop-a", p, "20T08:00", "loop-b")
	k.void("loop-b", p, "20T08:00", "loop-a")
	// A correction of the time moves a session to another local day.
	correct("c-7", "20T08:00", corrected("needle-7", 1, "20T08:00", inserted("A1", 25), "16T23:30"))
	// A correction of a fact that never came has no effect. (One by another kind of fact is
	// refused where its fact is known, so it is no part of what may come in any order.)
	correct("c-none", "20T08:00", corrected("never-sent", 1, "20T08:00", inserted("A1", 25), ""))
	// A whole session is taken back; of another one the taking back is.
	session := func(id, session string) {
		k.add(about(id, north, p, "20T08:00", ""), &v1.CannulationFact{Fact: &v1.CannulationFact_SessionVoided{SessionVoided: &v1.SessionVoided{Session: testkit.Session(session), Reason: "Mistake"}}})
	}
	session("sv-9", "T-9")
	session("sv-10", "T-10")
	k.void("v-sv-10", p, "21T08:00", "sv-10")
	// Holds: the second one's ground is taken back, the first one is lifted.
	for _, id := range []string{"hold-1", "hold-2"} {
		k.add(about(id, north, p, "15T08:00", ""), &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{Access: "F1", PlacedBy: testkit.Staff("S-101"), Reason: "Swelling"}}})
	}
	k.void("v-hold-2", p, "16T08:00", "hold-2")
	k.add(about("lift-1", north, p, "16T09:00", ""), &v1.CannulationFact{Fact: &v1.CannulationFact_HoldLifted{HoldLifted: &v1.HoldLifted{
		Hold: record.HoldID("person", record.FactID(record.EventID(testkit.Source, "hold-1"), 0)), LiftedBy: testkit.Staff("S-101"), Reason: "Gone"}}})
}

func (k *knot) identities() {
	for n, p := range []string{"INV-0004", "INV-0005", "INV-0006", "INV-0007"} {
		k.add(about("needle-of-"+p, north, p, fmt.Sprintf("%02dT08:00", 17+n), "T-of-"+p), inserted("A1", 25))
		k.roster("stated-"+p, p, "01T08:00", stated("Knotted"+p[7:]))
	}
	// A chain of merges, one that would close a circle, one of an identity retired already.
	k.roster("merge-1", "INV-0003", "20T08:00", merged("INV-0004"))
	k.roster("merge-2", "INV-0004", "21T08:00", merged("INV-0005"))
	k.roster("merge-3", "INV-0005", "22T08:00", merged("INV-0003"))
	k.roster("merge-4", "INV-0006", "23T08:00", merged("INV-0004"))
	// A merge and its reversal, a merge taken back.
	k.roster("merge-5", "INV-0003", "20T09:00", merged("INV-0006"))
	k.roster("reversal-5", "INV-0003", "21T09:00", reversed("INV-0006"))
	k.roster("merge-6", "INV-0003", "20T10:00", merged("INV-0007"))
	k.void("v-merge-6", "INV-0003", "21T10:00", "merge-6")
	// Somebody else's void: it has effect where the identities are one, and none where they are not.
	k.void("v-11", "INV-0005", "20T08:00", "needle-11")
	k.void("v-12", "INV-0006", "20T08:00", "needle-12")
	// Identities stated again, corrected, taken back.
	k.roster("restated", "INV-0003", "05T08:00", stated("Knotted-again"))
	k.roster("restated-2", "INV-0003", "06T08:00", stated("Knotted-wrong"))
	k.void("v-restated-2", "INV-0003", "07T08:00", "restated-2")
	k.roster("c-restated", "INV-0003", "08T08:00", &v1.RosterFact{Fact: &v1.RosterFact_FactCorrected{FactCorrected: &v1.RosterFactCorrected{
		Correction: &v1.Correction{Fact: testkit.Fact("restated", 0), Revision: 1, AssertedAt: testkit.At("2025-02-08T08:00:00Z"), Reason: "Mistyped"}, Replacement: stated("Knotted-right")}}})
	// Ratings of one person at two facilities; a facility whose zone was registered wrongly.
	for n, f := range []string{north, south} {
		k.add(about("rated-"+f, f, "", fmt.Sprintf("%02dT03:30", 1+n), ""), &v1.RosterFact{Fact: &v1.RosterFact_CannulatorRated{CannulatorRated: &v1.CannulatorRated{
			Cannulator: testkit.Staff("S-101"), Level: v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR, Assessor: testkit.Staff("S-900"), Evidence: "Observed"}}})
	}
	again := registrations()[1]
	testkit.Envelope(again).SourceMessageId = "registration south again"
	testkit.Envelope(again).OccurredAt = testkit.At("2025-02-20T08:00:00Z")
	again.GetRoster().GetFacts()[0].GetFacilityRegistered().TimeZone = "Australia/Adelaide"
	k.out = append(k.out, again)
}

// insertion is what the view shows of the entry that a message told of.
func insertion(tb testing.TB, t tables, message string) (status, at string) {
	tb.Helper()
	var p struct{ Status, PerformedDateTime string }
	id := record.FactID(record.EventID(testkit.Source, message), 0)
	if err := json.Unmarshal(body(t["resource"]["Procedure/"+id]), &p); err != nil {
		tb.Fatalf("the entry of message %s: %v", message, err)
	}
	return p.Status, p.PerformedDateTime
}

// angle is that of the entry, "" if the view shows none.
func angle(tb testing.TB, t tables, message string) string {
	tb.Helper()
	id := record.DerivedID("attempt-details", record.FactID(record.EventID(testkit.Source, message), 0))
	m := regexp.MustCompile(`"value":([0-9.]+),"unit":"[^"]*","system":"http://unitsofmeasure.org","code":"deg"`).FindStringSubmatch(t["resource"]["Observation/"+id])
	if m == nil {
		return ""
	}
	return m[1]
}

// What stands after all of the tangle.
func checkTangle(tb testing.TB, t tables) {
	tb.Helper()
	for _, c := range []struct{ message, status, angle, why string }{
		{"needle-3", "completed", "26", "the higher revision wins"},
		{"needle-5", "completed", "62", "the correction's void was taken back"},
		{"needle-6", "entered-in-error", "", "it was taken back"},
		{"needle-9", "entered-in-error", "", "its session was taken back"},
		{"needle-10", "completed", "25", "its session's void was taken back"},
		{"needle-11", "entered-in-error", "", "the void is of the same patient by a chain of merges"},
		{"needle-12", "completed", "25", "the void is of a patient whose merge was reversed"},
		{"needle-13", "completed", "25", "nothing was said against it"},
	} {
		status, _ := insertion(tb, t, c.message)
		if got := angle(tb, t, c.message); status != c.status || c.angle != "" && got != c.angle {
			tb.Errorf("%s is %s at %q degrees, want %s at %q: %s", c.message, status, got, c.status, c.angle, c.why)
		}
	}
	if _, at := insertion(tb, t, "needle-7"); !strings.HasPrefix(at, "2025-02-16T23:30") {
		tb.Errorf("needle-7 was at %s, want the corrected time", at)
	}
}
