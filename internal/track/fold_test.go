package track_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// The numbers below are the defaults of the protocol: six sessions and the blunt needle
// from the seventh at the earliest are common practice, no source; 5 degrees, 7 and 14
// days, three blunt sessions are this project's own; two easy entries are from memory.
func TestTheCourseOfATrack(t *testing.T) {
	sharpOnly := &cannularyv1.Protocol{SharpOnly: proto.Bool(true)}
	pegs := &cannularyv1.Protocol{UsesPegs: proto.Bool(true)}
	for _, c := range []struct {
		sentence string
		told     func(s *story)
		day      int
		stage    track.Stage
		counted  int
		extras   string // rules, comma-separated
	}{
		{"a planned track without a needle is planned", func(s *story) { s.planned(0) }, 1, track.Planned, 0, ""},
		{"the first sharp session counts", func(s *story) { s.planned(0).sharps(1, 1) }, 1, track.Forming, 1, ""},
		{"five sharp sessions are not enough", func(s *story) { s.planned(0).sharps(1, 5) }, 9, track.Forming, 5, ""},
		{"after six easy sharp sessions a track is ready", func(s *story) { s.planned(0).sharps(1, 6) }, 11, track.Ready, 6, ""},
		{"a plan may ask for eight", func(s *story) { s.planned(8).sharps(1, 7) }, 13, track.Forming, 7, ""},
		{"a plan cannot ask for fewer than the protocol", func(s *story) {
			s.adopted("2025-01-01", &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(8)}).planned(6).sharps(1, 6)
		}, 11, track.Forming, 6, ""},
		{"a plan's eight are enough", func(s *story) { s.planned(8).sharps(1, 8) }, 15, track.Ready, 8, ""},
		{"a protocol may ask for seven", func(s *story) {
			s.adopted("2025-01-01", &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(7)}).planned(0).sharps(1, 6)
		}, 11, track.Forming, 6, ""},
		{"a protocol in force from tomorrow does not count today", func(s *story) {
			s.adopted("2025-03-14", &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(7)}).planned(0).sharps(1, 6)
		}, 11, track.Ready, 6, ""},
		{"a new protocol reopens readiness before the trial", func(s *story) {
			s.adopted("2025-03-14", &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(7)}).planned(0).sharps(1, 6)
		}, 12, track.Forming, 6, ""},
		{"a new protocol does not reopen readiness after the trial began", func(s *story) {
			s.adopted("2025-03-16", &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(9)}).planned(0).sharps(1, 6).
				insert(13, 13, blunt)
		}, 20, track.Trial, 6, ""},
		{"the first successful blunt entry while ready begins the trial",
			func(s *story) { s.planned(0).sharps(1, 6).insert(13, 13, blunt) }, 13, track.Trial, 6, ""},
		{"three successful blunt sessions establish the track", func(s *story) {
			s.planned(0).sharps(1, 6).insert(13, 13, blunt).insert(15, 15, blunt).insert(17, 17, blunt)
		}, 17, track.Established, 6, ""},
		{"a rescue ends the run of blunt sessions but not the trial", func(s *story) {
			s.planned(0).sharps(1, 6).insert(13, 13, blunt).insert(15, 15, blunt).insert(17, 17).insert(19, 19, blunt)
		}, 19, track.Trial, 6, ""},
		{"a blunt failure ends the run as well", func(s *story) {
			s.planned(0).sharps(1, 6).insert(13, 13, blunt).insert(15, 15, blunt).insert(17, 17, blunt, failed).
				insert(17, 17, blunt, attempt(2))
		}, 17, track.Trial, 6, ""},
		{"an established track stays so after a rescue", func(s *story) {
			s.planned(0).sharps(1, 6).insert(13, 13, blunt).insert(15, 15, blunt).insert(17, 17, blunt).insert(19, 19)
		}, 19, track.Established, 6, ""},
		{"a blunt needle in the fourth session is on record and counts for nothing", func(s *story) {
			s.planned(0).sharps(1, 3).insert(7, 7, blunt)
		}, 7, track.Forming, 3, ""},
		{"before the trial a further sharp entry simply counts", func(s *story) { s.planned(0).sharps(1, 7) }, 13, track.Ready, 7, ""},
		{"a failed insertion does not count", func(s *story) { s.planned(0).sharps(1, 5).insert(11, 11, failed) }, 11,
			track.Forming, 5, ""},
		{"two sessions on one day count once", func(s *story) { s.planned(0).sharps(1, 5).insert(9, 90) }, 9, track.Forming, 5, ""},
		{"a stranger's session does not count", func(s *story) { s.planned(0).sharps(1, 5).insert(11, 11, by("stranger")) }, 11,
			track.Forming, 5, ""},
		{"a cannulator not recorded does not count", func(s *story) {
			s.planned(0).sharps(1, 5).insert(11, 11, func(n *cannularyv1.NeedleInserted) { n.Cannulator = nil })
		}, 11, track.Forming, 5, ""},
		{"a protocol may let any cannulator count", func(s *story) {
			s.adopted("2025-01-01", &cannularyv1.Protocol{CountNeedsListedCannulator: proto.Bool(false)}).planned(0).sharps(1, 5).
				insert(11, 11, by("stranger"))
		}, 11, track.Ready, 6, ""},
		{"a session in another spot does not count", func(s *story) {
			s.planned(0).sharps(1, 5).insert(11, 11, func(n *cannularyv1.NeedleInserted) { n.SameSpot = cannularyv1.Answer_ANSWER_NO })
		}, 11, track.Forming, 5, ""},
		{"an unknown spot does not count", func(s *story) {
			s.planned(0).sharps(1, 5).insert(11, 11, func(n *cannularyv1.NeedleInserted) { n.SameSpot = cannularyv1.Answer_ANSWER_UNKNOWN })
		}, 11, track.Forming, 5, ""},
		{"a new path does not count", func(s *story) {
			s.planned(0).sharps(1, 5).insert(11, 11, func(n *cannularyv1.NeedleInserted) { n.NewPath = cannularyv1.Answer_ANSWER_YES })
		}, 11, track.Forming, 5, ""},
		{"5.0 degrees from the track's angle count", func(s *story) { s.planned(0).sharps(1, 5).insert(11, 11, at(30)) }, 11,
			track.Ready, 6, ""},
		{"5.1 degrees from the track's angle do not", func(s *story) { s.planned(0).sharps(1, 5).insert(11, 11, at(30.1)) }, 11,
			track.Forming, 5, ""},
		{"an angle not recorded does not count", func(s *story) {
			s.planned(0).sharps(1, 5).insert(11, 11, func(n *cannularyv1.NeedleInserted) { n.AngleDegrees = nil })
		}, 11, track.Forming, 5, ""},
		{"the first entry's angle, not the plan's, is the track's",
			func(s *story) { s.planned(0).insert(1, 1, at(31)).insert(3, 3, at(36)) }, 3, track.Forming, 2, ""},
		{"every attempt must keep to the track, not only the last", func(s *story) {
			s.planned(0).sharps(1, 5).insert(11, 11, failed, by("stranger")).insert(11, 11, attempt(2))
		}, 11, track.Forming, 5, ""},
		{"7 days between counted sessions are no gap", func(s *story) { s.planned(0).sharps(1, 5).insert(16, 16) }, 16, track.Ready, 6, ""},
		{"8 days ask for one more session", func(s *story) { s.planned(0).sharps(1, 5).insert(17, 17) }, 17, track.Forming, 6, "gap-long"},
		{"14 days ask for one more session", func(s *story) { s.planned(0).sharps(1, 5).insert(23, 23) }, 23, track.Forming, 6, "gap-long"},
		{"after 15 days counting starts again", func(s *story) { s.planned(0).sharps(1, 5).insert(24, 24) }, 24, track.Forming, 1, ""},
		{"starting again drops earlier extras", func(s *story) { s.planned(0).sharps(1, 3).insert(13, 13).insert(28, 28) }, 28,
			track.Forming, 1, ""},
		{"a hard entry counts but the track is not ready", func(s *story) {
			s.planned(0).sharps(1, 5).insert(11, 11, func(n *cannularyv1.NeedleInserted) { n.Passes = proto.Uint32(2) })
		}, 11, track.Forming, 6, ""},
		{"two easy entries after a hard one make it ready", func(s *story) {
			s.planned(0).sharps(1, 5).insert(11, 11, func(n *cannularyv1.NeedleInserted) {
				n.Resistance = cannularyv1.Resistance_RESISTANCE_SLIGHT
			}).sharps(13, 2)
		}, 15, track.Ready, 8, ""},
		{"passes not recorded are not easy", func(s *story) {
			s.planned(0).sharps(1, 5).insert(11, 11, func(n *cannularyv1.NeedleInserted) { n.Passes = nil })
		}, 11, track.Forming, 6, ""},
		{"where pegs are used a peg left and found asks for nothing", func(s *story) {
			s.adopted("2025-01-01", pegs).planned(0).sharps(1, 2).peg(1, 3)
		}, 3, track.Forming, 2, ""},
		{"a peg not left asks for one more session", func(s *story) {
			s.adopted("2025-01-01", pegs).planned(0).sharps(1, 2).pegFound(3)
		}, 3, track.Forming, 2, "peg-missing"},
		{"a peg left and not looked for asks for one more session", func(s *story) {
			s.adopted("2025-01-01", pegs).planned(0).sharps(1, 2).pegLeft(1)
		}, 3, track.Forming, 2, "peg-missing"},
		{"a peg is judged when the next session starts, not before", func(s *story) {
			s.adopted("2025-01-01", pegs).planned(0).sharps(1, 1)
		}, 2, track.Forming, 1, ""},
		{"where no pegs are used none is missed", func(s *story) { s.planned(0).sharps(1, 2) }, 3, track.Forming, 2, ""},
		{"gap and peg add up", func(s *story) {
			s.adopted("2025-01-01", pegs).planned(0).insert(1, 1).insert(9, 9)
		}, 9, track.Forming, 2, "peg-missing,gap-long"},
		{"an early blunt session is no forming session and asks for no peg", func(s *story) {
			s.adopted("2025-01-01", pegs).planned(0).insert(1, 1).insert(3, 3, blunt)
		}, 3, track.Forming, 1, ""},
		{"the sharp-only pathway stays sharp and is established by sharp entries", func(s *story) {
			s.adopted("2025-01-01", sharpOnly).planned(0).sharps(1, 9)
		}, 17, track.Established, 9, ""},
		{"attempts of two dates without a session reference are two sessions", func(s *story) {
			s.planned(0).insert(1, 0).insert(3, 0)
		}, 3, track.Forming, 2, ""},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			s := tell(t)
			c.told(s)
			st := s.on(c.day)
			var rules []string
			for _, e := range st.Extras {
				rules = append(rules, e.Rule)
			}
			if st.Stage != c.stage || st.Counted != c.counted || strings.Join(rules, ",") != c.extras {
				t.Errorf("is %s with %d counted and extras %q; want %s, %d, %q\n%+v", st.Stage, st.Counted, rules, c.stage, c.counted,
					c.extras, st.Recent)
			}
		})
	}
}

func TestADeputyCountsFromTheDayNamed(t *testing.T) {
	s := tell(t).planned(0).insert(1, 1).insert(3, 3, by("deputy"))
	name := &cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_DeputyNamed{DeputyNamed: &cannularyv1.DeputyNamed{Track: "A",
		Deputy: nurse("deputy")}}}
	s.fact(on(4), 0, rosterFact(name)).insert(5, 5, by("deputy"))
	if st := s.on(5); st.Counted != 2 {
		t.Errorf("%d sessions count, want the creator's and the deputy's after being named", st.Counted)
	}
}

func TestNobodyBecomesCreatorAfterTheFirstEntry(t *testing.T) {
	s := tell(t).planned(0).insert(1, 1, func(n *cannularyv1.NeedleInserted) { n.Cannulator = nil }).sharps(3, 3)
	if st := s.on(9); st.Creator != nil || st.Counted != 0 {
		t.Errorf("creator %v and %d counted; the first cannulator is not known, so nobody is listed", st.Creator, st.Counted)
	}
}

func TestATrackTakenOver(t *testing.T) {
	take := func(stage cannularyv1.TrackStage, sharp uint32) *cannularyv1.CannulationFact {
		return &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_TrackTakenOver{TrackTakenOver: &cannularyv1.TrackTakenOver{
			Track: "A", Access: "F", Role: cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL, Stage: stage, SharpSessions: proto.Uint32(sharp),
			AngleDegrees: proto.Float64(25), Creator: nurse("creator"), DeclaredBy: nurse("lead"), Evidence: "the paper map",
		}}}
	}
	for _, c := range []struct {
		sentence string
		told     func(s *story)
		day      int
		stage    track.Stage
		counted  int
	}{
		{"starts at the declared stage", func(s *story) { s.cannulation(on(1), take(cannularyv1.TrackStage_TRACK_STAGE_ESTABLISHED, 0)) },
			1, track.Established, 0},
		{"a declared trial becomes established by three blunt sessions", func(s *story) {
			s.cannulation(on(1), take(cannularyv1.TrackStage_TRACK_STAGE_TRIAL, 0)).insert(3, 3, blunt).insert(5, 5, blunt).
				insert(7, 7, blunt)
		}, 7, track.Established, 0},
		{"a forming track goes on from the declared sessions", func(s *story) {
			s.cannulation(on(1), take(cannularyv1.TrackStage_TRACK_STAGE_FORMING, 4)).sharps(3, 2)
		}, 5, track.Ready, 6},
		{"sessions before the declaration are not counted twice", func(s *story) {
			s.insert(-1, 91).cannulation(on(1), take(cannularyv1.TrackStage_TRACK_STAGE_FORMING, 4)).sharps(3, 1)
		}, 3, track.Forming, 5},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			s := tell(t)
			c.told(s)
			if st := s.on(c.day); st.Stage != c.stage || st.Counted != c.counted || st.Taken == nil {
				t.Errorf("is %s with %d counted, taken over %v; want %s, %d", st.Stage, st.Counted, st.Taken != nil, c.stage, c.counted)
			}
		})
	}
}

func TestRestAndRetirement(t *testing.T) {
	rest := func(until string) *cannularyv1.CannulationFact {
		r := &cannularyv1.TrackRested{Track: "A", Reason: "infiltration"}
		if until != "" {
			r.Until = proto.String(until)
		}
		return &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_TrackRested{TrackRested: r}}
	}
	s := tell(t).planned(0).sharps(1, 6).cannulation(on(12), rest("2025-03-20"))
	for day, want := range map[int]track.Stage{11: track.Ready, 12: track.Resting, 17: track.Resting, 18: track.Ready} {
		if st := s.on(day); st.Stage != want {
			t.Errorf("rested until the 20th, on day %d (%s) it is %s, want %s", day, on(day).Format(time.DateOnly), st.Stage, want)
		}
	}
	s = tell(t).planned(0).sharps(1, 6).cannulation(on(12), rest(""))
	if st := s.on(60); st.Stage != track.Resting {
		t.Errorf("an open rest does not end by itself: %s", st.Stage)
	}
	s.cannulation(on(61),
		&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_TrackResumed{TrackResumed: &cannularyv1.TrackResumed{Track: "A"}}})
	if st := s.on(61); st.Stage != track.Ready {
		t.Errorf("a resumed track is %s", st.Stage)
	}
	s.cannulation(on(62),
		&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_TrackRetired{TrackRetired: &cannularyv1.TrackRetired{Track: "A",
			Reason: "aneurysm", ReplacedBy: "A2"}}})
	if st := s.on(62); st.Stage != track.Retired || st.Replaced != "A2" {
		t.Errorf("a track given up is %s, replaced by %q", st.Stage, st.Replaced)
	}
}

func TestHolds(t *testing.T) {
	place := func(scopeTrack, scopeAccess string) *cannularyv1.CannulationFact {
		return &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_HoldPlaced{
			HoldPlaced: &cannularyv1.HoldPlaced{Track: scopeTrack, Access: scopeAccess, PlacedBy: nurse("lead"), Reason: "redness"}}}
	}
	lift := func(id string) *cannularyv1.CannulationFact {
		return &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_HoldLifted{HoldLifted: &cannularyv1.HoldLifted{Hold: id,
			LiftedBy: nurse("lead"), Reason: "seen by the surgeon"}}}
	}
	for _, c := range []struct{ track, access string }{{"A", ""}, {"", "F"}} {
		s := tell(t).planned(0).sharps(1, 6).cannulation(on(12), place(c.track, c.access))
		ground := record.FactID(s.events[len(s.events)-1].GetId(), 0)
		id := record.HoldID(rule.Person, ground)
		st := s.on(12)
		if st.Stage != track.Forming || len(st.Held) != 1 || st.Held[0] != id {
			t.Errorf("a hold on %q%q: %s, held by %v, want not ready and held by %s", c.track, c.access, st.Stage, st.Held, id)
		}
		s.cannulation(on(11), lift(id))
		if st := s.on(13); len(st.Held) != 1 {
			t.Error("a lift dated before its hold lifted it")
		}
		s.cannulation(on(13), lift("no-such-hold")).insert(13, 13, blunt)
		if st := s.on(13); len(st.Held) != 1 || st.Stage != track.Forming {
			t.Errorf("a blunt needle while held: %s, held %v", st.Stage, st.Held)
		}
		s.cannulation(on(14), lift(id))
		if st := s.on(14); len(st.Held) != 0 || st.Stage != track.Ready {
			t.Errorf("after the lift: %s, held %v", st.Stage, st.Held)
		}
		s.cannulation(on(15),
			&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_FactVoided{FactVoided: &cannularyv1.FactVoided{
				Fact: &cannularyv1.FactReference{SourceMessageId: s.events[len(s.events)-1].GetSourceMessageId()}, Reason: "wrong"}}})
		s.cannulation(on(15),
			&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_FactVoided{
				FactVoided: &cannularyv1.FactVoided{Fact: &cannularyv1.FactReference{SourceMessageId: "m7"}, Reason: "wrong"}}})
		_, holds := s.fold(15)
		if len(holds) != 1 || !holds[0].GroundWithdrawn {
			t.Errorf("ground and lift taken back: %+v; the hold stays until a person lifts it, its ground withdrawn", holds)
		}
	}
}

func TestTwoTracksAreIndependent(t *testing.T) {
	s := tell(t).planned(0).sharps(1, 6)
	s.insert(11, 11, func(n *cannularyv1.NeedleInserted) {
		n.Track, n.Role = "V", cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS
	})
	states, _ := s.fold(11)
	got := ""
	for _, st := range states {
		got += fmt.Sprintf("%s %s %d; ", st.Name, st.Stage, st.Counted)
	}
	if got != "A ready 6; V forming 1; " {
		t.Error(got)
	}
}

// Without summer time between two evenings of Lisbon 7 days can be 8 by UTC: days are
// counted by the facility's calendar.
func TestGapsAreLocalCalendarDays(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		second time.Time
		extras int
	}{
		{time.Date(2025, 4, 5, 23, 30, 0, 0, lisbon), 0},
		{time.Date(2025, 4, 6, 0, 30, 0, 0, lisbon), 1},
	} {
		s := tell(t).planned(0)
		s.zone = lisbon
		for i, at := range []time.Time{time.Date(2025, 3, 29, 23, 30, 0, 0, lisbon), c.second} {
			s.fact(at, i+1, cann(&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_NeedleInserted{NeedleInserted: needle()}}))
		}
		if st := s.on(60); len(st.Extras) != c.extras {
			t.Errorf("from 29 March 23:30 to %s: extras %v, want %d", c.second, st.Extras, c.extras)
		}
	}
}

func TestWhereThePatientIs(t *testing.T) {
	admitted := rosterFact(
		&cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_PatientAdmitted{PatientAdmitted: &cannularyv1.PatientAdmitted{}}})
	left := rosterFact(&cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_PatientLeft{
		PatientLeft: &cannularyv1.PatientLeft{Reason: cannularyv1.LeavingReason_LEAVING_REASON_TRANSPLANT}}})
	in := rosterFact(
		&cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_HospitalAdmission{HospitalAdmission: &cannularyv1.HospitalAdmission{}}})
	out := rosterFact(
		&cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_HospitalDischarge{HospitalDischarge: &cannularyv1.HospitalDischarge{}}})
	s := tell(t).fact(on(1), 0, admitted).fact(on(5), 0, in).fact(on(8), 0, out).fact(on(20), 0, left).fact(on(40), 0, admitted)
	for day, want := range map[int][2]bool{1: {false, false}, 5: {false, true}, 8: {false, false}, 20: {true, false}, 39: {true, false},
		40: {false, false}} {
		w := s.judge(day).Where
		if w.Left != want[0] || (w.InHospitalSince != nil) != want[1] {
			t.Errorf("day %d: left %v, in hospital %v", day, w.Left, w.InHospitalSince)
		}
	}
}

func TestDaysSinceTheLatestSession(t *testing.T) {
	if st := tell(t).planned(0).on(5); st.IdleDays != -1 {
		t.Errorf("a track without a session is idle for %d days", st.IdleDays)
	}
	if st := tell(t).planned(0).sharps(1, 2).on(11); st.IdleDays != 8 {
		t.Errorf("8 days after its latest session a track is idle for %d", st.IdleDays)
	}
}
