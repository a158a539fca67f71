// Package cardtest tells an invented patient's story, from which tests of the card and of
// what shows it make cards.
package cardtest

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/card"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

func staff(n string) *v1.StaffIdentifier {
	return &v1.StaffIdentifier{System: "https://cannulary.example/staff", Value: n}
}

func blunt(x *v1.NeedleInserted) { x.Tip = v1.NeedleTip_NEEDLE_TIP_BLUNT }

// Step is a moment of the story.
type Step struct {
	Name  string // of its golden files
	Input card.Input
}

// tale is the storyboard's patient, who is invented.
type tale struct {
	tb     testing.TB
	events []*logv1.Event
	last   int // the event told last
}

func (s *tale) in(at time.Time, session int, f *logv1.Fact) {
	s.last = len(s.events)
	id := fmt.Sprintf("m%d", s.last)
	ev := &logv1.Event{Id: record.EventID("test", id), Source: "test", SourceMessageId: id, Facility: "invented-unit", PatientKey: "p",
		OccurredAt: timestamppb.New(at), Precision: v1.TimePrecision_TIME_PRECISION_MINUTE, Facts: []*logv1.Fact{f}}
	if session > 0 {
		ev.Session = &v1.SessionReference{System: "urn:s", Value: fmt.Sprintf("T-%02d", session)}
	}
	s.events = append(s.events, ev)
}

// input is what a card is made of at 18:00 of a day.
func (s *tale) input(day int) card.Input {
	s.tb.Helper()
	var facts []record.Fact
	for i, ev := range s.events {
		fs, err := record.Facts(ev, uint64(i+1), at(day, 8, 0))
		if err != nil {
			s.tb.Fatal(err)
		}
		facts = append(facts, fs...)
	}
	items := record.Effective(facts)
	return card.Input{
		Input: track.Input{Items: items, Ratings: items, Book: protocol.NewBook(items),
			Zone: func(string) *time.Location { return time.UTC }, AsOf: at(day, 18, 0)},
		Patient: card.Patient{ID: "p", Name: "Zelthozumbrox, Quilewilth", BirthDate: "1950-01-02",
			Identifiers: []card.Identifier{{System: "https://cannulary.example/mrn", Value: "MRN-1"}}},
		KnownAt: at(day, 18, 0),
	}
}

func (s *tale) cann(at time.Time, session int, f *v1.CannulationFact) {
	s.in(at, session, &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: f}})
}

func (s *tale) ros(at time.Time, f *v1.RosterFact) {
	s.in(at, 0, &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: f}})
}

// exam looks, listens and feels before a session.
func (s *tale) exam(day, session int, site func(*v1.SiteLook)) {
	x := &v1.AccessExamined{Access: "F1", Examiner: staff("CN-01"),
		Look: &v1.Look{Redness: v1.Finding_FINDING_ABSENT, Pus: v1.Finding_FINDING_ABSENT, ShinyOrThinSkin: v1.Finding_FINDING_ABSENT,
			CollapseOnElevation: v1.Finding_FINDING_PRESENT},
		Listen: &v1.Listen{Bruit: v1.Finding_FINDING_PRESENT}, Feel: &v1.Feel{Thrill: v1.Finding_FINDING_PRESENT,
			PulseAugmentation: v1.Finding_FINDING_PRESENT}}
	l := &v1.SiteLook{Track: "A1", Pus: v1.Finding_FINDING_ABSENT, Redness: v1.Finding_FINDING_ABSENT, Swelling: v1.Finding_FINDING_ABSENT}
	if site != nil {
		site(l)
	}
	x.Sites = []*v1.SiteLook{l}
	s.in(at(day, 7, 40), session,
		&logv1.Fact{
			Fact: &logv1.Fact_Assessment{Assessment: &v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessExamined{AccessExamined: x}}}})
}

// at is a moment of March 2025; day 34 is 3 April.
func at(day, hour, minute int) time.Time {
	return time.Date(2025, 3, day, hour, minute, 0, 0, time.UTC)
}

// begin examines and prepares: two disinfections, around what is removed.
func (s *tale) begin(day, session int, peg, scab v1.Removal) {
	s.exam(day, session, nil)
	s.prepare(day, session, peg, scab)
}

func (s *tale) prepare(day, session int, peg, scab v1.Removal) {
	d := func(m v1.DisinfectionMoment) *v1.Disinfection {
		return &v1.Disinfection{Moment: m, Agent: v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL, ContactSeconds: proto.Uint32(35)}
	}
	s.cann(at(day, 7, 50), session, &v1.CannulationFact{Fact: &v1.CannulationFact_SitePrepared{SitePrepared: &v1.SitePrepared{Track: "A1",
		Washed: v1.Answer_ANSWER_YES, Peg: peg, Scab: scab,
		Disinfections: []*v1.Disinfection{d(v1.DisinfectionMoment_DISINFECTION_MOMENT_BEFORE_REMOVAL),
			d(v1.DisinfectionMoment_DISINFECTION_MOMENT_AFTER_REMOVAL)},
		DisinfectionsComplete: v1.Answer_ANSWER_YES}}})
}

// insert puts a needle in: sharp, easy and by the creator unless changed.
func (s *tale) insert(day, session, attempt int, change ...func(*v1.NeedleInserted)) {
	x := &v1.NeedleInserted{Track: "A1", Access: "F1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: uint32(attempt),
		Tip:   v1.NeedleTip_NEEDLE_TIP_SHARP,
		Gauge: proto.Uint32(16), AngleDegrees: proto.Float64(26), Passes: proto.Uint32(1), Resistance: v1.Resistance_RESISTANCE_NONE,
		PainScore: proto.Uint32(2),
		SameSpot:  v1.Answer_ANSWER_YES, NewPath: v1.Answer_ANSWER_NO, Cannulator: staff("CN-01"),
		Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL}
	for _, f := range change {
		f(x)
	}
	s.cann(at(day, 8, 3*attempt), session, &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: x}})
}

// end takes the needle out and, while the track forms, leaves a peg.
func (s *tale) end(day, session int, minutes float64, peg bool) {
	s.cann(at(day, 12, 10), session,
		&v1.CannulationFact{Fact: &v1.CannulationFact_NeedleRemoved{NeedleRemoved: &v1.NeedleRemoved{Track: "A1",
			AngleDegrees: proto.Float64(26), HaemostasisMinutes: &minutes}}})
	if peg {
		s.cann(at(day, 12, 25), session,
			&v1.CannulationFact{Fact: &v1.CannulationFact_PegPlaced{PegPlaced: &v1.PegPlaced{Track: "A1", SamePath: v1.Answer_ANSWER_YES}}})
	}
}

// Story walks one invented patient from the plan to a second hold. The course follows the
// four steps of constant-site needling (common practice, no source); its numbers are those
// of package rule.
func Story(tb testing.TB) []Step {
	tb.Helper()
	s := &tale{tb: tb}
	var out []Step
	step := func(name string, day int) {
		tb.Helper()
		out = append(out, Step{Name: fmt.Sprintf("%02d-%s", len(out)+1, name), Input: s.input(day)})
	}
	whole, none := v1.Removal_REMOVAL_WHOLE, v1.Removal_REMOVAL_NONE_PRESENT

	s.ros(at(1, 8, 0), &v1.RosterFact{Fact: &v1.RosterFact_ProtocolAdopted{ProtocolAdopted: &v1.ProtocolAdopted{Version: "2025-1",
		EffectiveFrom: "2025-01-01",
		Protocol: &v1.Protocol{UsesPegs: proto.Bool(true),
			Antiseptics: []v1.Antiseptic{v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL}}}}})
	s.ros(at(1, 8, 0), &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{}}})
	s.ros(at(1, 8, 0), &v1.RosterFact{Fact: &v1.RosterFact_CannulatorRated{CannulatorRated: &v1.CannulatorRated{Cannulator: staff("CN-01"),
		Level: v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR}}})
	s.ros(at(1, 8, 10),
		&v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "F1",
			Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: v1.BodySide_BODY_SIDE_LEFT, Region: v1.AccessRegion_ACCESS_REGION_FOREARM}}})
	s.cann(at(1, 9, 0), 0, &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: &v1.TrackPlanned{Access: "F1",
		PlannedBy: staff("CN-01"), TipDistanceMillimetres: proto.Uint32(70),
		Engorgement: v1.Engorgement_ENGORGEMENT_TOURNIQUET, ArmPosition: "On the arm board, palm up.",
		OperatorPosition: "Seated at the patient's left.",
		Tracks: []*v1.TrackPlan{{Track: "A1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, SiteFromAnastomosisMillimetres: proto.Uint32(60),
			AngleDegrees: proto.Float64(25), DepthMillimetres: proto.Float64(5),
			Gauge: proto.Uint32(16), NeedleLengthMillimetres: proto.Uint32(25), Direction: v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE,
			Bevel:     v1.Bevel_BEVEL_UP,
			Landmarks: "Two fingers above the scar, on the straight stretch.", Fallback: "Rope ladder above the site."}}}}})
	step("planned", 1)

	s.begin(3, 1, none, none)
	s.insert(3, 1, 1)
	s.end(3, 1, 9, true)
	step("first-session", 3)

	for i, d := range []int{5, 7} {
		s.begin(d, 2+i, whole, none)
		s.insert(d, 2+i, 1)
		s.end(d, 2+i, 8, true)
	}
	step("third-session", 7)
	step("away-for-more-than-a-week", 16)

	s.begin(17, 4, whole, none)
	s.insert(17, 4, 1)
	s.end(17, 4, 8, true)
	step("a-late-session", 17)

	s.exam(19, 5, nil)
	s.cann(at(19, 7, 45), 5,
		&v1.CannulationFact{Fact: &v1.CannulationFact_PegFoundMissing{PegFoundMissing: &v1.PegFoundMissing{Track: "A1"}}})
	s.prepare(19, 5, none, whole)
	s.insert(19, 5, 1)
	s.end(19, 5, 8.5, true)
	step("a-missed-peg", 19)

	for i, d := range []int{21, 24, 26} {
		s.begin(d, 6+i, whole, none)
		s.insert(d, 6+i, 1)
		s.end(d, 6+i, 8, true)
	}
	step("ready", 26)

	s.begin(28, 9, whole, whole)
	s.insert(28, 9, 1, blunt)
	s.end(28, 9, 7, false)
	step("first-blunt-needle", 28)

	s.begin(31, 10, none, whole)
	s.insert(31, 10, 1, blunt, func(x *v1.NeedleInserted) {
		x.Passes, x.Resistance = proto.Uint32(2), v1.Resistance_RESISTANCE_MODERATE
	})
	s.end(31, 10, 8, false)
	step("resistance", 31)

	s.begin(33, 11, none, whole)
	s.insert(33, 11, 1, blunt, func(x *v1.NeedleInserted) {
		x.Outcome, x.Resistance = v1.InsertionOutcome_INSERTION_OUTCOME_FAILED, v1.Resistance_RESISTANCE_HARD
	})
	s.insert(33, 11, 2, func(x *v1.NeedleInserted) {
		x.RescueReason = v1.RescueReason_RESCUE_REASON_BLUNT_WOULD_NOT_PASS
	})
	s.end(33, 11, 9, false)
	step("a-rescue", 33)

	s.exam(35, 12, func(l *v1.SiteLook) { l.Redness = v1.Finding_FINDING_PRESENT })
	red := s.last
	step("redness", 35)

	ground := record.FactID(s.events[red].GetId(), 0)
	s.cann(at(38, 10, 0), 0,
		&v1.CannulationFact{Fact: &v1.CannulationFact_HoldLifted{HoldLifted: &v1.HoldLifted{Hold: record.HoldID(rule.SiteInfection, ground),
			LiftedBy: staff("DR-07"), Reason: "Skin sound, culture negative."}}})
	step("the-hold-is-lifted", 38)

	s.exam(36, 13, func(l *v1.SiteLook) { l.Pus = v1.Finding_FINDING_PRESENT })
	step("a-late-ground-after-the-lift", 38)
	return out
}
