package track_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/track"
	v1 "cannulary/proto/cannulary/v1"
)

// Each story is told twice: with everything recorded, and with one detail left out.
func TestNotRecordedCounterexamples(t *testing.T) {
	type opt = func(*v1.NeedleInserted)
	nothing := func(*v1.NeedleInserted) {}
	noSpot := func(n *v1.NeedleInserted) { n.SameSpot = 0 }
	noTip := func(n *v1.NeedleInserted) { n.Tip = 0 }
	noPasses := func(n *v1.NeedleInserted) { n.Passes = nil }
	for _, c := range []struct {
		says string
		told func(s *story, o opt)
		out  opt
		day  int
	}{
		{"pegs: leaving out the spot turns a chain of extras into a cheaper restart", func(s *story, o opt) {
			s.adopted("2025-01-01", &v1.Protocol{UsesPegs: proto.Bool(true)}).planned(0)
			s.insert(1, 1).insert(9, 9).insert(17, 17, o).insert(25, 25)
			for d := 27; d <= 37; d += 2 {
				s.peg(d-2, d).insert(d, d)
			}
		}, noSpot, 37},
		{"sharp-only: a failure in a track that is not ready by omission does not end the streak", func(s *story, o opt) {
			s.adopted("2025-01-01", &v1.Protocol{SharpOnly: proto.Bool(true)}).planned(0).sharps(1, 6)
			s.insert(13, 13).insert(15, 15, o).insert(17, 17, failed).insert(19, 19).insert(21, 21, failed).insert(23, 23).insert(25, 25)
		}, noPasses, 25},
		{"a trial left out is established by a later sharp-only protocol", func(s *story, o opt) {
			s.adopted("2025-03-16", &v1.Protocol{SharpOnly: proto.Bool(true)}).planned(0).sharps(1, 6)
			s.insert(13, 13, blunt, o).insert(15, 15).insert(17, 17).insert(19, 19)
		}, noTip, 19},
		{"a streak that ended keeps its date", func(s *story, o opt) {
			s.planned(0).sharps(1, 6).insert(13, 13, blunt)
			s.insert(15, 15, blunt, o).insert(15, 150, blunt, failed, attempt(2)).insert(15, 150, blunt, attempt(3)).insert(17, 17, blunt).
				insert(19, 19, blunt)
		}, noTip, 19},
		{"taken over: no date, no gap", func(s *story, o opt) {
			s.cannulation(on(0), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: &v1.TrackTakenOver{Track: "A",
				Access: "F", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL,
				Stage: v1.TrackStage_TRACK_STAGE_FORMING, SharpSessions: proto.Uint32(5), AngleDegrees: proto.Float64(25),
				Creator: nurse("creator"), DeclaredBy: nurse("lead"), Evidence: "the paper map"}}})
			s.insert(1, 1, o).insert(17, 17).insert(19, 19)
		}, noSpot, 19},
	} {
		t.Run(c.says, func(t *testing.T) {
			full, less := tell(t), tell(t)
			c.told(full, nothing)
			c.told(less, c.out)
			for day := 1; day <= c.day+9; day++ {
				a, b := full.state(day), less.state(day)
				if text := better(a, b); text != "" {
					t.Errorf("day %d: %s", day, text)
					return
				}
			}
		})
	}
}

func (s *story) state(day int) track.State {
	states, _ := s.fold(day)
	for _, st := range states {
		if st.Name == "A" {
			return st
		}
	}
	return track.State{Stage: track.Planned, Folded: track.Planned}
}
