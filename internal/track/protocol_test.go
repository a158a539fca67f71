package track_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Which protocol is in force (latest effective_from, then time of adoption, then id) and
// which of two protocols judges what are this project's own; six sessions are common
// practice, no source.
func TestWhichProtocolJudges(t *testing.T) {
	target := func(n uint32) *cannularyv1.Protocol {
		return &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(n)}
	}
	for _, c := range []struct {
		sentence string
		told     func(s *story)
		day      int
		stage    track.Stage
		counted  int
		target   int // with what rules ask for on top
	}{
		{"without a protocol six sessions are asked for", func(s *story) {}, 11, track.Ready, 6, 6},
		{"the latest effective date counts, not the latest adoption", func(s *story) {
			s.adopted("2025-02-20", target(8)).adopted("2025-02-10", target(7))
		}, 11, track.Forming, 6, 8},
		{"of two for the same date the later adoption counts", func(s *story) {
			s.adopted("2025-02-10", target(8))
			s.adopted("2025-02-10", target(7))
			s.events[len(s.events)-1].OccurredAt.Seconds += 3600
		}, 11, track.Forming, 6, 7},
		{"and it does not matter which of them was told first", func(s *story) {
			s.adopted("2025-02-10", target(7))
			s.events[len(s.events)-1].OccurredAt.Seconds += 3600
			s.adopted("2025-02-10", target(8))
		}, 11, track.Forming, 6, 7},
		{"a protocol of another unit does not count", func(s *story) {
			s.adopted("2025-02-10", target(9))
			s.events[len(s.events)-1].Facility = "elsewhere"
		}, 11, track.Ready, 6, 6},
		{"less than six is never asked for", func(s *story) { s.adopted("2025-02-10", target(3)) }, 11, track.Ready, 6, 6},
		{"the rules of a session are those of its day", func(s *story) {
			// Day 7 is 2025-03-09: 4 degrees off count before, and no longer from then on.
			s.adopted("2025-03-09", &cannularyv1.Protocol{AngleToleranceDegrees: proto.Float64(2)})
			s.insert(2, 2, at(29)).insert(8, 8, at(29))
		}, 13, track.Ready, 7, 6},
		{"a longer trial asked for today reopens an established track", func(s *story) {
			s.adopted("2025-03-25", &cannularyv1.Protocol{TrialSessions: proto.Uint32(4)})
			s.insert(13, 13, blunt).insert(15, 15, blunt).insert(17, 17, blunt)
		}, 23, track.Trial, 6, 6},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			s := tell(t).planned(0).sharps(1, 6)
			c.told(s)
			if st := s.on(c.day); st.Stage != c.stage || st.Counted != c.counted || st.Target+len(st.Extras) != c.target {
				t.Errorf("is %s with %d of %d counted, want %s with %d of %d\n%+v", st.Stage, st.Counted, st.Target+len(st.Extras), c.stage,
					c.counted, c.target, st.Recent)
			}
		})
	}
}

// Any stage may fall by a correction or a void of what it rests on.
func TestAStageFallsWithItsGround(t *testing.T) {
	s := tell(t).planned(0).sharps(1, 6).insert(13, 13, blunt)
	third := s.events[3].GetSourceMessageId()
	if st := s.on(13); st.Stage != track.Trial {
		t.Fatalf("it is %s", st.Stage)
	}
	void := func(message string) *cannularyv1.CannulationFact {
		return &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_FactVoided{
			FactVoided: &cannularyv1.FactVoided{Fact: &cannularyv1.FactReference{SourceMessageId: message}, Reason: "wrong patient"}}}
	}
	s.cannulation(on(14), void(third))
	if st := s.on(14); st.Stage != track.Forming || st.Counted != 5 {
		t.Errorf("with the third session taken back the blunt needle was early: it is %s with %d counted, want forming with 5",
			st.Stage, st.Counted)
	}
	s.cannulation(on(15), void(s.events[len(s.events)-1].GetSourceMessageId()))
	if st := s.on(15); st.Stage != track.Trial || st.Counted != 6 {
		t.Errorf("with the void taken back it is %s with %d counted, want trial with 6", st.Stage, st.Counted)
	}
}

// A hold on the access holds every track of it, one on a track that track alone.
func TestTheScopeOfAHold(t *testing.T) {
	venous := func(n *cannularyv1.NeedleInserted) {
		n.Track, n.Role = "V", cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS
	}
	elsewhere := func(n *cannularyv1.NeedleInserted) { n.Track, n.Access = "B", "G" }
	for _, c := range []struct {
		sentence      string
		track, access string
		held          string
	}{
		{"a hold on the access holds its tracks", "", "F", "A V "},
		{"a hold on a track holds it alone", "V", "", "V "},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			s := tell(t).planned(0).insert(1, 1).insert(1, 1, venous).insert(1, 1, elsewhere)
			s.cannulation(on(2),
				&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_HoldPlaced{
					HoldPlaced: &cannularyv1.HoldPlaced{Track: c.track, Access: c.access, PlacedBy: nurse("lead"), Reason: "swelling"}}})
			states, holds := s.fold(2)
			held := map[string]bool{}
			for _, st := range states {
				held[st.Name] = len(st.Held) > 0
			}
			got := ""
			for _, name := range []string{"A", "B", "V"} {
				if held[name] {
					got += name + " "
				}
			}
			if got != c.held || len(holds) != 1 || len(states) != 3 {
				t.Errorf("held are %q, want %q; %d holds, %d tracks", got, c.held, len(holds), len(states))
			}
		})
	}
}

// A late ground opens its own hold, also after an earlier one was lifted.
func TestALateGroundOpensItsOwnHold(t *testing.T) {
	place := &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_HoldPlaced{HoldPlaced: &cannularyv1.HoldPlaced{Track: "A",
		PlacedBy: nurse("lead"), Reason: "redness"}}}
	s := tell(t).planned(0).cannulation(on(2), place)
	first := record.HoldID(rule.Person, record.FactID(s.events[len(s.events)-1].GetId(), 0))
	s.cannulation(on(5),
		&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_HoldLifted{HoldLifted: &cannularyv1.HoldLifted{Hold: first,
			LiftedBy: nurse("lead"), Reason: "gone"}}})
	if _, holds := s.fold(6); len(holds) != 0 {
		t.Fatalf("after the lift: %+v", holds)
	}
	s.cannulation(on(3), place) // posted after the lift, seen before it
	_, holds := s.fold(6)
	if len(holds) != 1 || holds[0].ID == first || !holds[0].Since.Equal(on(3)) {
		t.Errorf("open are %+v, want the late one alone, since %s", holds, on(3))
	}
}

// What lies after the moment asked for is not looked at.
func TestAsOfAnEarlierDay(t *testing.T) {
	s := tell(t).planned(0).sharps(1, 6).insert(13, 13, blunt)
	for day, want := range map[int]int{0: 0, 1: 1, 4: 2, 9: 5, 11: 6, 13: 6} {
		if st := s.on(day); st.Counted != want {
			t.Errorf("on day %d %d sessions count, want %d", day, st.Counted, want)
		}
	}
	if st := s.on(12); st.Stage != track.Ready {
		t.Errorf("on day 12 it is %s, want ready", st.Stage)
	}
}
