package whatif_test

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/whatif"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// story is one invented patient's history in an invented unit, told day by day. Day 1 is
// 2025-03-03.
type story struct {
	t      testing.TB
	key    string
	unit   string
	zone   *time.Location
	events []*logv1.Event
}

func tell(t testing.TB) *story {
	return &story{t: t, key: "0123456789abcdef", unit: "u", zone: time.UTC}
}

func on(day int) time.Time { return time.Date(2025, 3, 2+day, 8, 0, 0, 0, time.UTC) }

func date(day int) string { return on(day).Format(time.DateOnly) }

func (s *story) fact(at time.Time, session int, f *logv1.Fact) *story {
	id := fmt.Sprintf("m%d", len(s.events))
	ev := &logv1.Event{
		Id: record.EventID("test", id), Source: "test", SourceMessageId: id, Facility: s.unit, PatientKey: s.key,
		OccurredAt: timestamppb.New(at), Precision: cannularyv1.TimePrecision_TIME_PRECISION_MINUTE, Facts: []*logv1.Fact{f},
	}
	if session != 0 {
		ev.Session = &cannularyv1.SessionReference{System: "urn:s", Value: fmt.Sprint(session)}
	}
	s.events = append(s.events, ev)
	return s
}

func (s *story) cannulation(at time.Time, session int, f *cannularyv1.CannulationFact) *story {
	return s.fact(at, session, &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: f}})
}

// planned plans the arterial track A at 25°, with its tip so far from the venous one.
func (s *story) planned(tips uint32) *story {
	return s.cannulation(on(0), 0, plan(tips))
}

func plan(tips uint32) *cannularyv1.CannulationFact {
	return &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_TrackPlanned{TrackPlanned: &cannularyv1.TrackPlanned{
		Access: "F", TipDistanceMillimetres: proto.Uint32(tips),
		Tracks: []*cannularyv1.TrackPlan{{Track: "A", Role: cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AngleDegrees: proto.Float64(25)}},
	}}}
}

// insert reports an easy, successful sharp insertion by the creator, changed by the options.
func (s *story) insert(day int, opts ...func(*cannularyv1.NeedleInserted)) *story {
	n := &cannularyv1.NeedleInserted{
		Track: "A", Access: "F", Role: cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: 1,
		Tip: cannularyv1.NeedleTip_NEEDLE_TIP_SHARP, AngleDegrees: proto.Float64(25), Passes: proto.Uint32(1),
		Resistance: cannularyv1.Resistance_RESISTANCE_NONE, SameSpot: cannularyv1.Answer_ANSWER_YES, NewPath: cannularyv1.Answer_ANSWER_NO,
		Cannulator: &cannularyv1.StaffIdentifier{System: "urn:staff", Value: "creator"},
		Outcome:    cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL,
	}
	for _, o := range opts {
		o(n)
	}
	return s.cannulation(on(day).Add(time.Duration(n.GetAttemptOrdinal())*time.Minute), day,
		&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_NeedleInserted{NeedleInserted: n}})
}

// sharps tells n easy sharp sessions, two days apart, beginning on day.
func (s *story) sharps(day, n int) *story {
	for i := range n {
		s.insert(day + 2*i)
	}
	return s
}

func blunt(n *cannularyv1.NeedleInserted) { n.Tip = cannularyv1.NeedleTip_NEEDLE_TIP_BLUNT }
func at(angle float64) func(*cannularyv1.NeedleInserted) {
	return func(n *cannularyv1.NeedleInserted) { n.AngleDegrees = proto.Float64(angle) }
}

func (s *story) adopted(version, from string, p *cannularyv1.Protocol) *story {
	s.fact(on(0), 0, &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: &cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_ProtocolAdopted{
		ProtocolAdopted: &cannularyv1.ProtocolAdopted{Version: version, EffectiveFrom: from, Protocol: p},
	}}}})
	s.events[len(s.events)-1].PatientKey = ""
	return s
}

func (s *story) patient() whatif.Patient {
	s.t.Helper()
	var facts []record.Fact
	for i, ev := range s.events {
		fs, err := record.Facts(ev, uint64(i+1), on(0))
		if err != nil {
			s.t.Fatal(err)
		}
		facts = append(facts, fs...)
	}
	items := record.Effective(facts)
	return whatif.Patient{Key: s.key, Input: track.Input{Items: items, Ratings: items, Book: protocol.NewBook(items), Zone: s.at}}
}

func (s *story) at(string) *time.Location { return s.zone }

// whatIf compares the story as of noon of the day with another protocol.
func (s *story) whatIf(day int, from string, p *cannularyv1.Protocol) whatif.Report {
	s.t.Helper()
	x := s.patient()
	return compare(x, whatif.Options{
		Proposal: whatif.Proposal{Version: "other", From: from, Protocol: p}, Facilities: []string{s.unit}, Book: x.Book, Zone: s.at,
		AsOf: on(day).Add(4 * time.Hour),
	})
}

// target asks for n sharp sessions.
func target(n uint32) *cannularyv1.Protocol {
	return &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(n)}
}

const always = "1970-01-01"

// compare compares one patient.
func compare(p whatif.Patient, o whatif.Options) whatif.Report {
	c := whatif.New(o)
	c.Add(p)
	return c.Report()
}
