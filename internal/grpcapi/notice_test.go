package grpcapi_test

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// telling sends messages one after the other and holds their notices against what is wanted.
type telling struct {
	t *testing.T
	n *testkit.Node
	i int
}

// says sends facts about a patient ("" for the unit) at a time; notice is the whole of all notices,
// or one of the texts below. It gives the message's id.
func (s *telling) says(patient, at, notice string, facts ...proto.Message) string {
	s.t.Helper()
	s.i++
	e := about(fmt.Sprintf("m-%d", s.i), patient)
	e.OccurredAt = testkit.At(at)
	m := testkit.Request(e, facts...)
	for _, asked := range []*v1.FeedRequest{testkit.ValidateOnly(m), m} {
		r, err := s.n.Client.Send(testkit.Context(s.t), asked)
		if got := strings.Join(r.Notices, " | "); err != nil || got != notice {
			s.t.Errorf("message %d: %v\n got %q\nwant %q", s.i, err, got, notice)
		}
	}
	return e.GetSourceMessageId()
}

func merged(retired string) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: testkit.Patient(retired)}}}
}

func reversed(retired string) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_MergeReversed{MergeReversed: &v1.MergeReversed{Retired: testkit.Patient(retired)}}}
}

func bornOn(patient, date string) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_IdentityStated{IdentityStated: &v1.IdentityStated{
		Identifiers: []*v1.PatientIdentifier{testkit.Patient(patient)}, FamilyName: "Invented", BirthDate: date}}}
}

func rosterVoid(id string) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_FactVoided{FactVoided: &v1.FactVoided{Fact: fact(id, 0), Reason: "Wrong."}}}
}

func needle() *v1.CannulationFact {
	return testkit.SampleOf("cannulation needle_inserted").GetCannulation().GetFacts()[0]
}

const february = "2025-02-10T08:00:00Z"

// A merge, or its reversal, that has no effect as the record stands is reported, as a void is.
func TestAMergeWithoutEffectIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	const (
		again  = "facts[0].patients_merged changes nothing as the record stands: that identity is merged already, or the envelope's patient is merged into it"
		noSuch = "facts[0].merge_reversed changes nothing as the record stands: no merge of that identity into the envelope's patient stands then"
	)
	s.says("P-1", "2025-02-10T08:00:00Z", noSuch, reversed("P-2"))
	first := s.says("P-1", "2025-02-10T09:00:00Z", "", merged("P-2"))
	s.says("P-1", "2025-02-10T10:00:00Z", again, merged("P-2"))
	s.says("P-3", "2025-02-10T10:00:00Z", again, merged("P-2"))
	s.says("P-2", "2025-02-10T10:00:00Z", again, merged("P-1")) // a cycle
	s.says("P-3", "2025-02-10T10:00:00Z", noSuch, reversed("P-2"))
	s.says("P-1", "2025-02-10T08:30:00Z", noSuch, reversed("P-2")) // before the merge
	s.says("P-1", "2025-02-10T11:00:00Z", "", reversed("P-2"))
	s.says("P-3", "2025-02-10T12:00:00Z", "", merged("P-2"))
	s.says("P-1", "2025-02-10T13:00:00Z", again, merged("P-2"))
	// Without its first merge, by a void, the reversal of 11:00 reverses the second one of 10:00.
	s.says("P-1", "2025-02-11T08:00:00Z", "", rosterVoid(first))
	s.says("P-4", "2025-02-12T08:00:00Z", "", merged("P-5"))
	void := s.says("P-4", "2025-02-12T09:00:00Z", "", rosterVoid(fmt.Sprintf("m-%d", s.i)))
	s.says("P-6", "2025-02-12T10:00:00Z", "", merged("P-5"))
	s.says("P-4", "2025-02-12T11:00:00Z", "", rosterVoid(void)) // the merge of 08:00 stands again
	s.says("P-7", "2025-02-12T12:00:00Z", again, merged("P-5"))
}

// Another birth date, and facts of an identity that was merged away, are reported.
func TestAnotherBirthDateIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	const (
		other = "facts[0].identity_stated gives another birth date than was stated before: make sure that it is the same patient, then correct what is wrong. The card says so until a person confirms"
		joins = "facts[0].patients_merged joins two identities with different birth dates: make sure that they are one patient, else send merge_reversed. The card says so until a person confirms"
		gone  = "facts[0].identity_stated is about an identity that was merged into another patient: post for the patient who goes on, or send merge_reversed. The card says so until a person confirms"
	)
	s.says("P-1", february, "", bornOn("P-1", "1961-05-17"))
	s.says("P-1", february, "", bornOn("P-1", "1961-05-17"))
	s.says("P-1", february, "", bornOn("P-1", "")) // not stated is no other one
	wrong := s.says("P-1", "2025-02-10T09:00:00Z", other, bornOn("P-1", "1961-07-15"))
	s.says("P-1", "2025-02-10T10:00:00Z", "", &v1.RosterFact{Fact: &v1.RosterFact_FactCorrected{FactCorrected: &v1.RosterFactCorrected{
		Correction:  &v1.Correction{Fact: fact(wrong, 0), Revision: 1, AssertedAt: testkit.At("2025-02-10T10:00:00Z"), Reason: "Digits turned."},
		Replacement: bornOn("P-1", "1961-05-17")}}})
	s.says("P-1", "2025-02-10T11:00:00Z", "", bornOn("P-1", "1961-05-17"))
	wrong = s.says("P-1", "2025-02-10T12:00:00Z", other, bornOn("P-1", "1962-05-17"))
	s.says("P-1", "2025-02-10T13:00:00Z", "", rosterVoid(wrong))
	s.says("P-1", "2025-02-10T14:00:00Z", "", bornOn("P-1", "1961-05-17"))

	s.says("P-2", february, "", bornOn("P-2", "1975-01-01"))
	s.says("P-3", february, "", bornOn("P-3", "1961-05-17"))
	s.says("P-1", "2025-02-11T08:00:00Z", "", merged("P-3"))
	s.says("P-1", "2025-02-11T09:00:00Z", "", merged("P-4")) // of whom nothing was stated
	s.says("P-1", "2025-02-11T10:00:00Z", joins, merged("P-2"))
	s.says("P-3", "2025-02-11T11:00:00Z", gone, bornOn("P-3", ""))
	s.says("P-1", "2025-02-11T12:00:00Z", "", reversed("P-3"))
	s.says("P-3", "2025-02-11T13:00:00Z", "", bornOn("P-3", "1961-05-17"))
}

// An identifier under which another patient is on record is reported, and nothing of that patient.
func TestAnotherPatientsIdentifierIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	stated := func(patients ...string) *v1.RosterFact {
		f := bornOn(patients[0], "")
		for _, p := range patients[1:] {
			f.GetIdentityStated().Identifiers = append(f.GetIdentityStated().Identifiers, testkit.Patient(p))
		}
		return f
	}
	told := func(path string) string {
		return "facts[0]." + path + " is an identifier under which another patient is on record: if both are one patient, send patients_merged, else correct the identifier"
	}
	s.says("P-1", february, "", stated("P-1", "N-1"))
	s.says("P-1", february, "", stated("P-1", "N-1"))
	s.says("P-4", february, "", sharp("A1", ""))
	s.says("P-2", february, "", &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{}}})
	s.says("P-3", february, "", accessCreated("F1"))
	s.says("P-5", february, told("identity_stated.identifiers[1]"), stated("P-5", "P-1"))
	s.says("P-1", february, told("identity_stated.identifiers[0]"), stated("P-2", "N-1"))
	s.says("P-1", february, told("identity_stated.identifiers[0]")+" | "+told("identity_stated.identifiers[1]"), stated("P-3", "P-4"))
	s.says("P-1", february, told("fact_corrected.replacement.identity_stated.identifiers[1]"), &v1.RosterFact{Fact: &v1.RosterFact_FactCorrected{
		FactCorrected: &v1.RosterFactCorrected{Correction: &v1.Correction{Fact: fact("m-1", 0), Revision: 1, AssertedAt: testkit.At(february), Reason: "Digits turned."},
			Replacement: stated("P-1", "P-2")}}})
	s.says("P-1", february, "", merged("P-2"))
	s.says("P-1", february, "", stated("P-1", "P-2"))
}

// The closing of a review that is not open is reported.
func TestAClosingOfNoReviewIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	opened := func(name string) *v1.CannulationFact {
		return &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewOpened{ReviewOpened: &v1.ReviewOpened{Review: name, Track: "A1", Reason: "Two rescues."}}}
	}
	closed := func(name string) *v1.CannulationFact {
		return &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewClosed{ReviewClosed: &v1.ReviewClosed{Review: name, ClosedBy: testkit.Staff("S-1"), Outcome: "Goes on."}}}
	}
	told := func(name string) string {
		return fmt.Sprintf("facts[0].review_closed changes nothing as the record stands: no review %q of this patient is open then; check the name and the time, or send review_opened", name)
	}
	s.says("P-1", "2025-02-10T08:00:00Z", told("R-1"), closed("R-1"))
	first := s.says("P-1", "2025-02-10T09:00:00Z", "", opened("R-1"))
	s.says("P-1", "2025-02-10T10:00:00Z", told("r-1"), closed("r-1"))
	s.says("P-1", "2025-02-10T08:59:00Z", told("R-1"), closed("R-1")) // before it was opened
	s.says("P-2", "2025-02-10T10:00:00Z", told("R-1"), closed("R-1"))
	closing := s.says("P-1", "2025-02-10T10:00:00Z", "", closed("R-1"))
	s.says("P-1", "2025-02-10T11:00:00Z", told("R-1"), closed("R-1"))
	s.says("P-1", "2025-02-10T12:00:00Z", "", opened("R-1"))
	s.says("P-1", "2025-02-10T13:00:00Z", "", closed("R-1"))
	s.says("P-1", "2025-02-10T14:00:00Z", "", opened("R-3"), closed("R-3"))

	// As the record stands: after a void, a correction of the name, a merge.
	s.says("P-1", "2025-02-11T08:00:00Z", "", cannulationVoid(closing))
	s.says("P-1", "2025-02-10T10:30:00Z", "", closed("R-1"))
	s.says("P-1", "2025-02-11T08:00:00Z", "", corrects(fact(first, 0), opened("R-2")))
	s.says("P-1", "2025-02-10T10:40:00Z", told("R-1"), closed("R-1"))
	s.says("P-1", "2025-02-10T10:40:00Z", "", closed("R-2"))
	s.says("P-2", "2025-02-10T09:00:00Z", "", opened("R-9"))
	s.says("P-1", "2025-02-12T08:00:00Z", "", merged("P-2"))
	s.says("P-1", "2025-02-12T09:00:00Z", "", closed("R-9"))
}

// An access stated again on the other side is reported; what was stated is what stands of it.
func TestAnAccessThatChangesSidesIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	created := func(kind v1.AccessKind, side v1.BodySide) *v1.RosterFact {
		return &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "F1", Kind: kind, Side: side}}}
	}
	const fistula, left, right = v1.AccessKind_ACCESS_KIND_FISTULA, v1.BodySide_BODY_SIDE_LEFT, v1.BodySide_BODY_SIDE_RIGHT
	const before = "; it was stated before as ACCESS_KIND_FISTULA BODY_SIDE_LEFT: if that was wrong, send fact_corrected for it"
	first := s.says("P-1", february, "", created(fistula, left))
	s.says("P-1", february, "", created(fistula, left))
	s.says("P-1", "2025-02-11T08:00:00Z", "", created(fistula, v1.BodySide_BODY_SIDE_UNSPECIFIED))
	s.says("P-2", february, "", created(fistula, right))
	s.says("P-1", february, `facts[0].access_created states access "F1" as ACCESS_KIND_GRAFT BODY_SIDE_LEFT`+before, created(v1.AccessKind_ACCESS_KIND_GRAFT, left))
	s.says("P-3", february, "", created(fistula, left))
	s.says("P-3", february, `facts[0].access_created states access "F1" as ACCESS_KIND_FISTULA BODY_SIDE_RIGHT`+before, created(fistula, right))
	s.says("P-1", february, "", rosterVoid(first))
}

// An access that was retired stays so, and what is planned on it. A message that uses its name again is told.
func TestARetiredAccessThatComesAgainIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	retired := func(name string) *v1.RosterFact {
		return &v1.RosterFact{Fact: &v1.RosterFact_AccessRetired{AccessRetired: &v1.AccessRetired{Access: name}}}
	}
	created := func(on string) *v1.RosterFact {
		f := accessCreated("F1")
		f.GetAccessCreated().CreatedOn = &on
		return f
	}
	names := func(what string) string {
		return "facts[0]." + what + ` names access "F1", which was retired on 2025-02-10 and stays retired, with every track on it: if that was a mistake, void the retirement; a new access needs a name of its own`
	}
	s.says("P-1", "2025-02-01T08:00:00Z", "", accessCreated("F1"))
	gone := s.says("P-1", "2025-02-10T08:00:00Z", "", retired("F1"))
	s.says("P-1", "2025-02-10T07:59:00Z", "", accessCreated("F1"))
	s.says("P-1", "2025-02-10T08:01:00Z", names("access_created"), accessCreated("F1"))
	s.says("P-1", "2025-02-12T08:00:00Z", "", created("2025-02-09")) // the old one, stated once more
	s.says("P-1", "2025-02-12T08:00:00Z", names("access_created"), created("2025-02-11"))
	s.says("P-1", "2025-02-12T08:00:00Z", names("track_planned"), plans("F1", "A1"))
	s.says("P-1", "2025-02-12T08:00:00Z", names("track_taken_over"), takesOver("A2", "F1", v1.TrackStage_TRACK_STAGE_FORMING))
	s.says("P-1", "2025-02-09T08:00:00Z", "", plans("F1", "A3"))
	s.says("P-1", "2025-02-12T08:00:00Z", "", accessCreated("F2"))
	s.says("P-2", "2025-02-12T08:00:00Z", "", accessCreated("F1"))
	s.says("P-1", "2025-02-13T08:00:00Z", "", rosterVoid(gone))
	s.says("P-1", "2025-02-13T09:00:00Z", "", accessCreated("F1"))

	// Of a merged identity's access, too.
	s.says("P-3", "2025-02-10T08:00:00Z", "", retired("F1"))
	s.says("P-4", "2025-02-11T08:00:00Z", "", merged("P-3"))
	s.says("P-4", "2025-02-12T08:00:00Z", names("access_created"), accessCreated("F1"))
}

// A treatment of somebody who had died, whom nobody admitted, or of years before the unit's
// record is reported.
func TestATreatmentThatIsHardlyTrueIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	left := func(reason v1.LeavingReason) *v1.RosterFact {
		return &v1.RosterFact{Fact: &v1.RosterFact_PatientLeft{PatientLeft: &v1.PatientLeft{Reason: reason}}}
	}
	admitted := &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{}}}
	const nobody = "nobody under this patient identifier was ever admitted, while others of the facility were: check whether the identifier is right, or send patient_admitted"

	s.says("P-1", february, "", needle()) // a unit that admits nobody is not told about it
	s.says("P-1", february, "", admitted)
	s.says("P-1", february, "", needle())
	s.says("P-2", february, nobody, needle())
	s.says("P-2", february, nobody, testkit.SampleOf("assessment access_examined").GetAssessment().GetFacts()[0])
	s.says("P-2", february, "", testkit.SampleOf("surveillance culture_resulted").GetSurveillance().GetFacts()[0]) // no treatment
	s.says("P-1", february, "", merged("P-2"))
	s.says("P-2", february, "", needle()) // posted under the old identifier of one who was admitted

	s.says("P-1", "2025-02-20T08:00:00Z", "", left(v1.LeavingReason_LEAVING_REASON_TRANSFER))
	s.says("P-1", "2025-02-21T08:00:00Z", "", needle())
	death := s.says("P-1", "2025-02-22T08:00:00Z", "", left(v1.LeavingReason_LEAVING_REASON_DEATH))
	s.says("P-1", "2025-02-22T07:59:00Z", "", needle())
	s.says("P-1", "2025-02-22T08:01:00Z", "the patient's death is on record for 2025-02-22, and this is of 2025-02-22: check which of the two is wrong", needle())
	s.says("P-1", "2025-02-24T08:00:00Z", "", testkit.SampleOf("surveillance culture_resulted").GetSurveillance().GetFacts()[0])
	s.says("P-1", "2025-02-25T08:00:00Z", "", rosterVoid(death))
	s.says("P-1", "2025-02-25T09:00:00Z", "", needle())

	// The unit was registered on 3 February 2025.
	s.says("P-1", "2023-02-03T07:30:00Z", "", needle())
	s.says("P-1", "2023-02-03T07:29:00Z", "envelope.occurred_at is 2023-02-03, more than 2 years before the facility was registered (2025-02-03): check whether the date is right", needle())
	s.says("P-1", "2006-02-03T07:30:00Z", "", testkit.SampleOf("cannulation track_taken_over").GetCannulation().GetFacts()[0])
	s.says("P-1", "2006-02-03T07:30:00Z", "", admitted)
}

// One reference for treatments of several days is reported: each message that is more than a day
// from another one.
func TestAReferenceOfSeveralDaysIsTold(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	const told = "envelope.session has facts of 2025-02-03 and of 2025-02-04 under one reference: a reference is of one treatment, give each its own"
	for i, c := range []struct{ patient, session, at, notice string }{
		{"P-1", "T-1", "2025-02-03T07:00:00Z", ""},
		{"P-1", "T-1", "2025-02-03T11:00:00Z", ""},
		{"P-1", "T-1", "2025-02-04T07:00:00Z", ""}, // to the second a day
		{"P-1", "T-1", "2025-02-04T07:00:01Z", told},
		{"P-1", "T-1", "2025-02-03T12:00:00Z", told}, // the treatment is fused now
		{"P-1", "T-2", "2025-02-05T07:00:00Z", ""},
		{"P-2", "T-1", "2025-02-06T07:00:00Z", ""}, // numbers are told apart per patient
		{"P-3", "", "2025-02-03T07:00:00Z", ""},
		{"P-3", "", "2025-02-06T07:00:00Z", ""},
	} {
		e := about(fmt.Sprintf("s-%d", i), c.patient)
		if e.OccurredAt = testkit.At(c.at); c.session != "" {
			e.Session = testkit.Session(c.session)
		}
		r, err := n.Client.Send(testkit.Context(t), testkit.Request(e, needle()))
		if got := strings.Join(r.Notices, " | "); err != nil || got != c.notice {
			t.Errorf("%+v: %v %q", c, err, got)
		}
	}
	// A result that comes days later does not stretch the treatment.
	e := about("result", "P-1")
	e.OccurredAt, e.Session = testkit.At("2025-02-12T07:00:00Z"), testkit.Session("T-2")
	culture := testkit.SampleOf("surveillance culture_resulted").GetSurveillance().GetFacts()[0]
	if r, err := n.Client.Send(testkit.Context(t), testkit.Request(e, culture)); err != nil || len(r.Notices) > 0 {
		t.Errorf("%v %v", r, err)
	}
}

// A figure that the schema allows and the trade hardly knows is reported, on both sides of the limit.
func TestAnUnusualFigureIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	inserted := func(angle, depth float64) *v1.CannulationFact {
		f := needle()
		f.GetNeedleInserted().AngleDegrees, f.GetNeedleInserted().DepthMillimetres = proto.Float64(angle), proto.Float64(depth)
		return f
	}
	ended := func(minutes uint32, early v1.Answer) *v1.CannulationFact {
		return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionEnded{SessionEnded: &v1.SessionEnded{TreatedMinutes: proto.Uint32(minutes), EndedEarly: early}}}
	}
	bled := func(minutes float64) *v1.CannulationFact {
		return &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleRemoved{NeedleRemoved: &v1.NeedleRemoved{Track: "A1", HaemostasisMinutes: proto.Float64(minutes)}}}
	}
	acted := func(seconds uint32) *v1.CannulationFact {
		return &v1.CannulationFact{Fact: &v1.CannulationFact_SitePrepared{SitePrepared: &v1.SitePrepared{Track: "A1", Disinfections: []*v1.Disinfection{{ContactSeconds: proto.Uint32(seconds)}}}}}
	}
	const yes, no = v1.Answer_ANSWER_YES, v1.Answer_ANSWER_NO
	for _, c := range []struct {
		f      *v1.CannulationFact
		notice string
	}{
		{inserted(10, 1), ""},
		{inserted(60, 20), ""},
		{inserted(9.5, 5), "facts[0].needle_inserted.angle_degrees is 9.5 degrees, outside the usual 10 to 60: check it"},
		{inserted(60.5, 5), "facts[0].needle_inserted.angle_degrees is 60.5 degrees, outside the usual 10 to 60: check it"},
		{inserted(25, 0.5), "facts[0].needle_inserted.depth_millimetres is 0.5 mm, outside the usual 1 to 20: check it"},
		{inserted(25, 20.5), "facts[0].needle_inserted.depth_millimetres is 20.5 mm, outside the usual 1 to 20: check it"},
		{bled(60), ""},
		{bled(61), "facts[0].needle_removed.haemostasis_minutes is 61 minutes, outside the usual 0 to 60: check it"},
		{acted(600), ""},
		{acted(601), "facts[0].site_prepared.disinfections[0].contact_seconds is 601 seconds, outside the usual 0 to 600: check it"},
		{ended(30, no), ""},
		{ended(600, no), ""},
		{ended(29, yes), ""},
		{ended(29, no), "facts[0].session_ended.treated_minutes is 29 minutes, outside the usual 30 to 600: check it"},
		{ended(601, yes), "facts[0].session_ended.treated_minutes is 601 minutes, outside the usual 30 to 600: check it"},
	} {
		s.says("P-1", february, c.notice, c.f)
	}
	const replaced = "facts[0].fact_corrected.replacement.needle_inserted.angle_degrees is 75 degrees, outside the usual 10 to 60: check it"
	s.says("P-1", february, replaced, corrects(fact("m-1", 0), inserted(75, 5)))
}

func needled(track, access string, tip v1.NeedleTip) *v1.CannulationFact {
	f := needle()
	b := f.GetNeedleInserted()
	b.Track, b.Access, b.Tip = track, access, tip
	return f
}

func sharp(track, access string) *v1.CannulationFact {
	return needled(track, access, v1.NeedleTip_NEEDLE_TIP_SHARP)
}

func plans(access string, tracks ...string) *v1.CannulationFact {
	f := testkit.SampleOf("cannulation track_planned").GetCannulation().GetFacts()[0]
	b := f.GetTrackPlanned()
	b.Access, b.Tracks = access, b.GetTracks()[:len(tracks)]
	for i, name := range tracks {
		b.Tracks[i].Track = name
	}
	return f
}

func takesOver(track, access string, stage v1.TrackStage) *v1.CannulationFact {
	f := testkit.SampleOf("cannulation track_taken_over").GetCannulation().GetFacts()[0]
	b := f.GetTrackTakenOver()
	b.Track, b.Access, b.Stage = track, access, stage
	return f
}

func cannulationVoid(id string) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{Fact: fact(id, 0), Reason: "Wrong."}}}
}

func accessCreated(name string) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: name,
		Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: v1.BodySide_BODY_SIDE_LEFT}}}
}

// A track that nothing planned, took over or needled is reported where the patient has others.
func TestATrackThatIsNotKnownIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	const who = ` is not known of this patient, who has A1, V1: is it one of them?`
	signs := func(track string) *v1.SurveillanceFact {
		return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_SiteSignsSeen{SiteSignsSeen: &v1.SiteSignsSeen{Access: "F1", Track: track,
			Pus: v1.Finding_FINDING_PRESENT}}}
	}
	examined := func(tracks ...string) *v1.AssessmentFact {
		b := &v1.AccessExamined{Access: "F1"}
		for _, name := range tracks {
			b.Sites = append(b.Sites, &v1.SiteLook{Track: name})
		}
		return &v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessExamined{AccessExamined: b}}
	}
	prepared := func(track string) *v1.CannulationFact {
		return &v1.CannulationFact{Fact: &v1.CannulationFact_SitePrepared{SitePrepared: &v1.SitePrepared{Track: track}}}
	}
	held := func(track string) *v1.CannulationFact {
		f := testkit.SampleOf("cannulation hold_placed").GetCannulation().GetFacts()[0]
		f.GetHoldPlaced().Track = track
		return f
	}
	retired := &v1.CannulationFact{Fact: &v1.CannulationFact_TrackRetired{TrackRetired: &v1.TrackRetired{Track: "V1", Reason: "Worn.", ReplacedBy: "V3"}}}
	s.says("P-1", february, "", held("a1")) // of a patient without any track nothing is told
	s.says("P-1", february, "", plans("F1", "A1", "V1"))
	s.says("P-1", february, "", sharp("A1", "F1"), sharp("V1", "F1"))
	s.says("P-1", february, `facts[0].hold_placed.track "a1"`+who, held("a1"))
	s.says("P-1", february, `facts[0].site_prepared.track "a1"`+who, prepared("a1"), prepared("A1"), prepared("a1"))
	s.says("P-1", february, `facts[0].site_signs_seen.track "B1"`+who, signs("B1"))
	s.says("P-1", february, `facts[0].access_examined.sites[1].track "v1"`+who, examined("V1", "v1"))
	s.says("P-1", february, "", retired) // what replaces it may be planned later
	s.says("P-1", february, `facts[0].fact_corrected.replacement.needle_inserted.track "A9"`+who, corrects(fact("m-3", 0), sharp("A9", "F1")))
	s.says("P-1", february, "", held("A9")) // a correction makes it known

	s.says("P-2", february, "", plans("F1", "A1", "V1"))
	const first = `facts[0].needle_inserted.track "a1"` + who
	s.says("P-2", february, first, sharp("a1", "F1"))
	s.says("P-2", february, "", sharp("a1", "F1")) // needled before
	s.says("P-2", february, "", plans("F1", "A2", "V2"))
	s.says("P-2", february, "", sharp("V2", "F1"))
	s.says("P-2", february, "", takesOver("A3", "F1", v1.TrackStage_TRACK_STAGE_FORMING))
	s.says("P-2", february, "", prepared("A4"), plans("F1", "A4")) // the same message plans it
	s.says("P-2", february, `facts[0].site_prepared.track "x" is not known of this patient, who has A1, A2, A3, A4, V1, V2, a1: is it one of them?`, prepared("x"))

	// One patient under two identifiers.
	s.says("P-3", february, "", plans("F1", "B1"))
	s.says("P-3", february, `facts[0].hold_placed.track "A1" is not known of this patient, who has B1: is it one of them?`, held("A1"))
	s.says("P-3", february, "", merged("P-2"))
	s.says("P-3", february, "", held("A1"))
}

// So is an access that nothing created, planned on, took over or needled.
func TestAnAccessThatIsNotKnownIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	const who = ` is not known of this patient, who has F1: is it one of them?`
	examined := func(access string) *v1.AssessmentFact {
		return &v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessExamined{AccessExamined: &v1.AccessExamined{Access: access,
			Listen: &v1.Listen{Bruit: v1.Finding_FINDING_PRESENT}}}}
	}
	held := func(access string) *v1.CannulationFact {
		f := testkit.SampleOf("cannulation hold_placed").GetCannulation().GetFacts()[0]
		f.GetHoldPlaced().Track, f.GetHoldPlaced().Access = "", access
		return f
	}
	s.says("P-1", february, "", examined("F1")) // of a patient without any access nothing is told
	s.says("P-1", february, "", accessCreated("F1"))
	s.says("P-1", february, "", examined("F1"))
	s.says("P-1", february, `facts[0].access_examined.access "f1"`+who, examined("f1"))
	s.says("P-1", february, `facts[0].hold_placed.access "F2"`+who, held("F2"))
	s.says("P-1", february, `facts[0].track_planned.access "F2"`+who, plans("F2", "A2"))
	s.says("P-1", february, "", examined("F2")) // planned on before
	s.says("P-1", february, "", accessCreated("F3"))
	s.says("P-1", february, `facts[0].needle_inserted.access "F4" is not known of this patient, who has F1, F2, F3: is it one of them?`, sharp("", "F4"))
	s.says("P-1", february, "", sharp("", "F4"))
}

// A needle on another access than its track's is reported.
func TestANeedleOnAnotherAccessIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	const (
		other = `facts[0].needle_inserted names access "F2", and track "A1" lies on access "F1": check which of the two is wrong`
		moved = `facts[0].track_planned plans track "A1" on access "F2", and it was needled on access "F1" before: a track does not move, check which of the two is wrong`
	)
	for _, p := range []string{"P-1", "P-2"} {
		s.says(p, february, "", accessCreated("F1"), accessCreated("F2"))
	}
	s.says("P-1", february, "", plans("F1", "A1", "V1"))
	s.says("P-1", february, "", sharp("A1", "F1"), sharp("V1", ""), sharp("", "F2"))
	s.says("P-1", february, other, sharp("A1", "F2"))
	s.says("P-1", "2025-02-12T08:00:00Z", moved, plans("F2", "A1"))
	s.says("P-1", "2025-02-11T08:00:00Z", other, sharp("A1", "F2")) // before that plan
	s.says("P-1", "2025-02-13T08:00:00Z", "", sharp("A1", "F2"))
	s.says("P-1", "2025-02-13T08:00:00Z", `facts[0].needle_inserted names access "F1", and track "A1" lies on access "F2": check which of the two is wrong`,
		sharp("A1", "F1"))
	s.says("P-1", "2025-02-14T08:00:00Z", "", plans("F1", "B1"), sharp("B1", "F1"))

	// Without a plan the first needle says where the track lies.
	s.says("P-2", february, "", sharp("A1", "F1"))
	s.says("P-2", february, "", sharp("A1", "F1"))
	s.says("P-2", "2025-02-11T08:00:00Z", other, sharp("A1", "F2"))
}

// A plan that puts a track which was needled on another access is reported.
func TestAPlanOnAnotherAccessIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	said := func(track string) string {
		return fmt.Sprintf(`facts[0].track_planned plans track %q on access "F2", and it was needled on access "F1" before: a track does not move, check which of the two is wrong`,
			track)
	}
	for _, p := range []string{"P-1", "P-2"} {
		s.says(p, february, "", accessCreated("F1"), accessCreated("F2"))
	}
	s.says("P-1", february, "", plans("F1", "A1", "V1"))
	s.says("P-1", february, "", plans("F2", "A1", "V1")) // not needled yet
	s.says("P-1", "2025-02-10T09:00:00Z", "", plans("F1", "A1", "V1"))
	s.says("P-1", "2025-02-11T08:00:00Z", "", sharp("A1", ""), sharp("V1", "F1"))
	s.says("P-1", "2025-02-11T07:00:00Z", "", plans("F2", "A1"))
	s.says("P-1", "2025-02-11T07:30:00Z", "", plans("F1", "A1"))
	s.says("P-1", "2025-02-12T08:00:00Z", "", plans("F1", "A1", "V1"))
	plan := s.says("P-1", "2025-02-12T09:00:00Z", said("A1")+" | "+said("V1"), plans("F2", "A1", "V1"))
	s.says("P-1", "2025-02-12T10:00:00Z", "", plans("F2", "A1", "V1"))
	s.says("P-1", "2025-02-13T10:00:00Z", "", cannulationVoid(plan), cannulationVoid(fmt.Sprintf("m-%d", s.i)))
	s.says("P-1", "2025-02-14T10:00:00Z", said("A1"), plans("F2", "A1"))

	s.says("P-2", february, "", sharp("A1", "F1"))
	s.says("P-2", "2025-02-12T08:00:00Z", said("A1"), plans("F2", "A1"))
}

// A takeover in trial, or established, of a track that is on record with sharp sessions only is reported.
func TestATakeoverFurtherThanTheRecordIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	const forming, trial, established = v1.TrackStage_TRACK_STAGE_FORMING, v1.TrackStage_TRACK_STAGE_TRIAL, v1.TrackStage_TRACK_STAGE_ESTABLISHED
	said := func(stage v1.TrackStage) string {
		return fmt.Sprintf(`facts[0].track_taken_over declares track "A1" as %s, and the record has sessions of it already, none of them with a blunt needle: check whether that is the stage of this track`,
			stage)
	}
	s.says("P-1", "2025-02-05T08:00:00Z", "", takesOver("A1", "F1", established)) // no session yet
	s.says("P-2", february, "", plans("F1", "A1", "V1"))
	s.says("P-2", february, "", sharp("A1", "F1"))
	s.says("P-2", "2025-02-09T08:00:00Z", "", takesOver("A1", "F1", established)) // before its first session
	s.says("P-3", february, "", sharp("A1", "F1"))
	s.says("P-3", "2025-02-11T08:00:00Z", "", takesOver("A1", "F1", forming))
	s.says("P-3", "2025-02-12T08:00:00Z", said(trial), takesOver("A1", "F1", trial))
	s.says("P-3", "2025-02-13T08:00:00Z", "", takesOver("A1", "F1", established)) // declared in trial already
	s.says("P-4", february, "", sharp("A1", "F1"))
	s.says("P-4", "2025-02-12T08:00:00Z", said(established), takesOver("A1", "F1", established))
	s.says("P-5", february, "", sharp("A1", "F1"))
	s.says("P-5", "2025-02-11T08:00:00Z", "", needled("A1", "F1", v1.NeedleTip_NEEDLE_TIP_BLUNT))
	s.says("P-5", "2025-02-12T08:00:00Z", "", takesOver("A1", "F1", trial))
}

// What is on record under an identity that was merged into the envelope's counts as the patient's, in what is told and in what is
// not.
func TestNamesOfAMergedIdentityCount(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	s.says("P-1", february, "", accessCreated("F1"), accessCreated("F2"))
	s.says("P-2", february, "", plans("F1", "A1"), sharp("A1", "F1"))
	s.says("P-1", february, "", plans("F1", "V1"))
	s.says("P-1", "2025-02-11T08:00:00Z", `facts[0].needle_inserted.track "A1" is not known of this patient, who has V1: is it one of them?`, sharp("A1", ""))
	s.says("P-1", "2025-02-12T08:00:00Z", "", merged("P-2"))
	s.says("P-1", "2025-02-13T08:00:00Z",
		`facts[0].track_planned plans track "A1" on access "F2", and it was needled on access "F1" before: a track does not move, check which of the two is wrong`,
		plans("F2", "A1"))
	s.says("P-1", "2025-02-14T08:00:00Z", `facts[0].needle_inserted names access "F1", and track "A1" lies on access "F2": check which of the two is wrong`,
		sharp("A1", "F1"))
}
