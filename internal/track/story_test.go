package track_test

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// story is one invented patient's history, told day by day. Day 1 is 2025-03-03.
type story struct {
	t      *testing.T
	events []*logv1.Event
	zone   *time.Location
}

func tell(t *testing.T) *story { return &story{t: t, zone: time.UTC} }

func on(day int) time.Time { return time.Date(2025, 3, 2+day, 8, 0, 0, 0, time.UTC) }

func nurse(n string) *cannularyv1.StaffIdentifier {
	return &cannularyv1.StaffIdentifier{System: "https://cannulary.example/staff", Value: n}
}

// fact adds a fact about the patient; session is the treatment's number, 0 for none.
func (s *story) fact(at time.Time, session int, f *logv1.Fact) *story {
	id := fmt.Sprintf("m%d", len(s.events))
	ev := &logv1.Event{
		Id: record.EventID("test", id), Source: "test", SourceMessageId: id, Facility: "u", PatientKey: "p",
		OccurredAt: timestamppb.New(at), Precision: cannularyv1.TimePrecision_TIME_PRECISION_MINUTE, Facts: []*logv1.Fact{f},
	}
	if session != 0 {
		ev.Session = &cannularyv1.SessionReference{System: "urn:s", Value: fmt.Sprint(session)}
	}
	s.events = append(s.events, ev)
	return s
}

func cann(f *cannularyv1.CannulationFact) *logv1.Fact {
	return &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: f}}
}

// planned plans the arterial track A at 25°.
func (s *story) planned(target uint32) *story {
	p := &cannularyv1.TrackPlan{Track: "A", Role: cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AngleDegrees: proto.Float64(25)}
	if target > 0 {
		p.FormingSessionsTarget = proto.Uint32(target)
	}
	return s.fact(on(0), 0, cann(&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_TrackPlanned{
		TrackPlanned: &cannularyv1.TrackPlanned{Access: "F", Tracks: []*cannularyv1.TrackPlan{p}},
	}}))
}

// needle is an easy, successful sharp insertion by the creator, changed by the options.
func needle(opts ...func(*cannularyv1.NeedleInserted)) *cannularyv1.NeedleInserted {
	n := &cannularyv1.NeedleInserted{
		Track: "A", Access: "F", Role: cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: 1,
		Tip: cannularyv1.NeedleTip_NEEDLE_TIP_SHARP, AngleDegrees: proto.Float64(25), Passes: proto.Uint32(1),
		Resistance: cannularyv1.Resistance_RESISTANCE_NONE, SameSpot: cannularyv1.Answer_ANSWER_YES,
		NewPath: cannularyv1.Answer_ANSWER_NO, Cannulator: nurse("creator"),
		Outcome: cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL,
	}
	for _, o := range opts {
		o(n)
	}
	return n
}

func (s *story) insert(day, session int, opts ...func(*cannularyv1.NeedleInserted)) *story {
	n := needle(opts...)
	return s.fact(on(day).Add(time.Duration(n.GetAttemptOrdinal())*time.Minute), session,
		cann(&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_NeedleInserted{NeedleInserted: n}}))
}

// sharps tells n easy sharp sessions, two days apart, beginning on day.
func (s *story) sharps(day, n int) *story {
	for i := range n {
		s.insert(day+2*i, day+2*i)
	}
	return s
}

func blunt(n *cannularyv1.NeedleInserted) { n.Tip = cannularyv1.NeedleTip_NEEDLE_TIP_BLUNT }
func failed(n *cannularyv1.NeedleInserted) {
	n.Outcome = cannularyv1.InsertionOutcome_INSERTION_OUTCOME_FAILED
}
func by(who string) func(*cannularyv1.NeedleInserted) {
	return func(n *cannularyv1.NeedleInserted) { n.Cannulator = nurse(who) }
}
func at(angle float64) func(*cannularyv1.NeedleInserted) {
	return func(n *cannularyv1.NeedleInserted) { n.AngleDegrees = proto.Float64(angle) }
}
func attempt(k uint32) func(*cannularyv1.NeedleInserted) {
	return func(n *cannularyv1.NeedleInserted) { n.AttemptOrdinal = k }
}

func (s *story) adopted(from string, p *cannularyv1.Protocol) *story {
	s.fact(on(0), 0, &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: &cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_ProtocolAdopted{
		ProtocolAdopted: &cannularyv1.ProtocolAdopted{Version: from, EffectiveFrom: from, Protocol: p},
	}}}})
	s.events[len(s.events)-1].PatientKey = ""
	return s
}

func (s *story) cannulation(at time.Time, f *cannularyv1.CannulationFact) *story {
	return s.fact(at, 0, cann(f))
}

// peg tells that a peg was left after the session of the day and found at that of next.
func (s *story) peg(day, next int) *story { return s.pegLeft(day).pegFound(next) }

func (s *story) pegLeft(day int) *story {
	return s.cannulation(on(day).Add(4*time.Hour),
		&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_PegPlaced{PegPlaced: &cannularyv1.PegPlaced{Track: "A"}}})
}

func (s *story) pegFound(day int) *story {
	return s.cannulation(on(day),
		&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_PegRemoved{PegRemoved: &cannularyv1.PegRemoved{Track: "A"}}})
}

// items are the facts that stand.
func (s *story) items(day int) []record.Item {
	s.t.Helper()
	var facts []record.Fact
	for i, ev := range s.events {
		fs, err := record.Facts(ev, uint64(i+1), on(day))
		if err != nil {
			s.t.Fatal(err)
		}
		facts = append(facts, fs...)
	}
	return record.Effective(facts)
}

// fold is the tracks and the open holds as of noon of the day.
func (s *story) fold(day int) ([]track.State, []track.Hold) {
	s.t.Helper()
	j := s.judge(day)
	return j.Tracks, j.Open()
}

// judge judges the story as of noon of the day.
func (s *story) judge(day int) track.Judgement {
	s.t.Helper()
	items := s.items(day)
	return track.Fold(track.Input{Items: items, Ratings: items, Book: protocol.NewBook(items),
		Zone: func(string) *time.Location { return s.zone }, AsOf: on(day).Add(4 * time.Hour)})
}

// on is the state of track A on the day.
func (s *story) on(day int) track.State {
	s.t.Helper()
	states, _ := s.fold(day)
	for _, st := range states {
		if st.Name == "A" {
			return st
		}
	}
	s.t.Fatal("track A is not judged")
	return track.State{}
}

func rosterFact(f *cannularyv1.RosterFact) *logv1.Fact {
	return &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: f}}
}
