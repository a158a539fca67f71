package needling_test

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/oracle/needling"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

const (
	here  = "invented-here"
	there = "invented-there"
)

// story is a record told fact by fact, in UTC. Day 0 is 3 March 2025.
type story struct {
	items   []record.Item
	adopted []record.Item
	said    string // id of the latest fact
}

var capital = regexp.MustCompile("[A-Z]")

func day(d, hour int) time.Time { return time.Date(2025, 3, 3+d, hour, 0, 0, 0, time.UTC) }

// says reports a fact of a moment at a facility, under a session reference if one is given.
func (s *story) says(facility string, at time.Time, ref string, body proto.Message) *story {
	name := string(body.ProtoReflect().Descriptor().Name())
	kind := capital.ReplaceAllStringFunc(name, func(c string) string { return "_" + strings.ToLower(c) })
	s.said = fmt.Sprintf("f%03d", len(s.items)+len(s.adopted))
	f := record.Fact{ID: s.said, Facility: facility, At: at, Body: body, Kind: record.Kind(kind[1:])}
	if ref != "" {
		f.SessionSystem, f.SessionValue = "s", ref
	}
	if _, ok := body.(*v1.ProtocolAdopted); ok {
		s.adopted = append(s.adopted, record.Item{Fact: f})
		return s
	}
	s.items = append(s.items, record.Item{Fact: f})
	return s
}

// onDay reports a fact of which only the day is known.
func (s *story) onDay(d int, body proto.Message) *story {
	s.says(here, day(d, 12), "", body)
	s.items[len(s.items)-1].Precision = v1.TimePrecision_TIME_PRECISION_DAY
	return s
}

// needle reports an easy sharp entry into track A, but for what is changed.
func (s *story) needle(facility string, at time.Time, ref string, change ...func(*v1.NeedleInserted)) *story {
	n := &v1.NeedleInserted{
		Track: "A", AttemptOrdinal: 1, Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, AngleDegrees: proto.Float64(25), Passes: proto.Uint32(1),
		Resistance: v1.Resistance_RESISTANCE_NONE, SameSpot: v1.Answer_ANSWER_YES, NewPath: v1.Answer_ANSWER_NO,
		Cannulator: nurse(), Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL,
	}
	for _, c := range change {
		c(n)
	}
	return s.says(facility, at, ref, n)
}

// sharps are n easy sharp sessions here, every second day at 8 from a day on.
func (s *story) sharps(from, n int) *story {
	for i := range n {
		s.needle(here, day(from+2*i, 8), fmt.Sprintf("r%d", from+2*i))
	}
	return s
}

func nurse() *v1.StaffIdentifier        { return &v1.StaffIdentifier{System: "staff", Value: "n"} }
func blunt(n *v1.NeedleInserted)        { n.Tip = v1.NeedleTip_NEEDLE_TIP_BLUNT }
func failed(n *v1.NeedleInserted)       { n.Outcome = v1.InsertionOutcome_INSERTION_OUTCOME_FAILED }
func second(n *v1.NeedleInserted)       { n.AttemptOrdinal = 2 }
func nowhere(n *v1.NeedleInserted)      { n.Track, n.Access = "", "F" }
func hold() *v1.HoldPlaced              { return &v1.HoldPlaced{Track: "A", PlacedBy: nurse(), Reason: "invented"} }
func lift(ids ...string) *v1.HoldLifted { return &v1.HoldLifted{Hold: ids[0], MoreHolds: ids[1:]} }
func person(ground string) string       { return record.HoldID(rule.Person, ground) }
func plan(access string) *v1.TrackPlanned {
	return &v1.TrackPlanned{Access: access, Tracks: []*v1.TrackPlan{{Track: "A"}}}
}
func admitted() *v1.PatientAdmitted { return &v1.PatientAdmitted{} }
func fistula(side v1.BodySide) proto.Message {
	return &v1.AccessCreated{Access: "F", Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: side}
}

func adopts(p *v1.Protocol) *v1.ProtocolAdopted {
	return &v1.ProtocolAdopted{Version: "1", EffectiveFrom: "2025-01-01", Protocol: p}
}

// trial is a track in the trial since day 13.
func trial() *story {
	return (&story{}).says(here, day(0, 6), "", admitted()).says(here, day(0, 7), "", plan("F")).sharps(1, 6).
		needle(here, day(13, 8), "r13", blunt)
}

func (s *story) fold(at time.Time) needling.Answer {
	items := slices.Clone(s.items)
	record.Sort(items)
	utc := func(string) *time.Location { return time.UTC }
	return needling.Fold(needling.Input{Items: items, Book: protocol.NewBook(s.adopted), Zone: utc, AsOf: at}, needling.None)
}

// answer writes the track, open holds and standing findings of some rules.
func answer(a needling.Answer, rules ...string) string {
	var out []string
	for _, t := range a.Tracks {
		out = append(out, fmt.Sprintf("%s %d of %d streak %d, %s", t.Stage, t.Counted, t.Needed, t.Streak, t.Needle))
	}
	tracks := len(out)
	for _, f := range a.Findings {
		if slices.Contains(rules, f.Rule) && f.Cleared.IsZero() {
			out = append(out, f.Severity+" since "+f.Since.Format("01-02 15:04"))
		}
	}
	slices.Sort(out[tracks:])
	return strings.Join(out, "; ")
}

// The words are those of the specification in package track; the numbers its defaults.
func TestSentences(t *testing.T) {
	for _, c := range []struct {
		says  string
		of    *story
		at    time.Time
		rules []string
		want  string
	}{
		{"two attempts without a reference are one session",
			(&story{}).says(here, day(0, 7), "", plan("F")).needle(here, day(1, 8), "", failed).
				needle(here, day(1, 15), "", second), day(2, 0), []string{rule.HardEntry},
			"forming 1 of 6 streak 0, sharp; note since 03-04 08:00"},
		{"an attempt without a reference joins the session of its day",
			(&story{}).says(here, day(0, 7), "", plan("F")).needle(here, day(1, 8), "r", failed).
				needle(here, day(1, 15), "", second), day(2, 0), []string{rule.HardEntry},
			"forming 1 of 6 streak 0, sharp; note since 03-04 08:00"},
		{"an attempt after midnight is of the session before",
			(&story{}).says(here, day(0, 7), "", plan("F")).needle(here, day(1, 23), "", failed).needle(here, day(2, 3), "", second).
				needle(here, day(2, 9), ""), day(3, 0), []string{rule.HardEntry},
			"forming 2 of 6 streak 0, sharp; note since 03-04 23:00"},
		{"a reference of two days is two sessions, with a finding",
			(&story{}).says(here, day(0, 7), "", plan("F")).needle(here, day(1, 8), "r").
				needle(here, day(3, 8), "r"), day(4, 0), []string{rule.ReferenceReused},
			"forming 2 of 6 streak 0, sharp; caution since 03-06 08:00"},
		{"a reference of 12 hours is one session",
			(&story{}).says(here, day(0, 7), "", plan("F")).needle(here, day(1, 14), "r", failed).
				needle(here, day(2, 2), "r", second), day(4, 0), []string{rule.ReferenceReused},
			"forming 1 of 6 streak 0, sharp"},
		{"a session under a hold counts for nothing",
			(&story{}).says(here, day(0, 7), "", plan("F")).says(here, day(2, 8), "", hold()).
				sharps(1, 2), day(4, 0), []string{rule.NeedledUnderHold},
			"forming 1 of 6 streak 0, none; caution since 03-06 08:00"},
		{"a later attempt can put a session under a hold",
			(&story{}).says(here, day(0, 7), "", plan("F")).needle(here, day(1, 8), "r", failed).says(here, day(1, 9), "", hold()).
				needle(here, day(1, 10), "r", second), day(2, 0), []string{rule.NeedledUnderHold},
			"forming 0 of 6 streak 0, none; caution since 03-04 10:00"},
		{"a blunt needle under a hold begins no trial, and is early",
			(&story{}).says(here, day(0, 7), "", plan("F")).sharps(1, 6).says(here, day(12, 8), "", hold()).
				needle(here, day(13, 8), "r13", blunt), day(14, 0), []string{rule.EarlyBlunt, rule.NeedledUnderHold},
			"forming 6 of 6 streak 0, none; caution since 03-16 08:00; caution since 03-16 08:00"},
		{"the day of a ground without a time puts its sessions in doubt: no trial, no finding",
			(&story{}).says(here, day(0, 7), "", plan("F")).sharps(1, 6).onDay(13, hold()).needle(here, day(13, 8), "r13", blunt).
				needle(here, day(13, 14), "r13b", blunt), day(14, 0),
			[]string{rule.EarlyBlunt, rule.NeedledUnderHold}, "forming 6 of 6 streak 0, none"},
		{"it is looked at from the start of its day",
			(&story{}).says(here, day(0, 7), "", plan("F")).sharps(1, 1).onDay(3, hold()), day(3, 0), nil, "forming 1 of 6 streak 0, none"},
		{"a blunt needle after more than 7 days without a session that counts is early",
			(&story{}).says(here, day(0, 7), "", plan("F")).sharps(1, 6).
				needle(here, day(19, 8), "r19", blunt), day(20, 0), []string{rule.EarlyBlunt},
			"ready 6 of 6 streak 0, sharp; caution since 03-22 08:00"},
		{"a blunt needle after 7 days begins the trial",
			(&story{}).says(here, day(0, 7), "", plan("F")).sharps(1, 6).
				needle(here, day(18, 8), "r18", blunt), day(19, 0), []string{rule.EarlyBlunt},
			"trial 6 of 6 streak 1, blunt"},
		{"21 days without a needle are not long", trial(), day(34, 23), []string{rule.UnusedLong}, "trial 6 of 6 streak 1, blunt"},
		{"22 days are a caution from the start of the day", trial(),
			day(35, 9), []string{rule.UnusedLong}, "trial 6 of 6 streak 1, blunt; caution since 04-07 00:00"},
		{"after 43 days no needle is offered", trial(), day(56, 9), []string{rule.UnusedLong},
			"trial 6 of 6 streak 1, none; caution since 04-07 00:00; stop since 04-28 00:00"},
		{"a needle ends the caution and not the stop; it counts for nothing",
			trial().needle(here, day(57, 8), "r57", blunt), day(58, 0), []string{rule.UnusedLong, rule.NeedledUnderHold},
			"trial 6 of 6 streak 1, none; caution since 04-29 08:00; stop since 04-28 00:00"},
		{"a review ends the stop; without a needle it returns more than 42 days later",
			trial().says(here, day(57, 7), "", &v1.ReviewOpened{Review: "r", Track: "A"}).
				says(here, day(57, 8), "", &v1.ReviewClosed{Review: "r"}), day(99, 8), []string{rule.UnusedLong},
			"trial 6 of 6 streak 1, blunt; caution since 04-07 00:00"},
		{"and then no needle is offered",
			trial().says(here, day(57, 7), "", &v1.ReviewOpened{Review: "r", Track: "A"}).
				says(here, day(57, 8), "", &v1.ReviewClosed{Review: "r"}), day(100, 8), nil,
			"trial 6 of 6 streak 1, none"},
		{"a review before the stop does not end it",
			trial().says(here, day(50, 7), "", &v1.ReviewOpened{Review: "r", Track: "A"}).
				says(here, day(50, 8), "", &v1.ReviewClosed{Review: "r"}), day(56, 8), nil,
			"trial 6 of 6 streak 1, none"},
		{"a rest silences both",
			trial().
				says(here, day(20, 7), "", &v1.TrackRested{Track: "A", Until: proto.String("2025-06-01")}), day(60, 8), []string{rule.UnusedLong},
			"resting 6 of 6 streak 1, none"},
		{"being away silences both, and they are judged at once afterwards",
			trial().says(here, day(20, 7), "", &v1.PatientLeft{}).says(here, day(70, 7), "", admitted()), day(70, 8), []string{rule.UnusedLong},
			"trial 6 of 6 streak 1, none; caution since 05-12 00:00; stop since 05-12 00:00"},
		{"leaving elsewhere ends no stay",
			trial().
				says(there, day(20, 7), "", &v1.PatientLeft{}),
			day(35, 8), []string{rule.UnusedLong}, "trial 6 of 6 streak 1, blunt; caution since 04-07 00:00"},
		{"the protocol of the stay asks for the target, as a guest too",
			(&story{}).says(there, day(0, 1), "", adopts(&v1.Protocol{FormingSessionsTarget: proto.Uint32(9)})).
				says(here, day(0, 6), "", admitted()).
				says(here, day(0, 7), "", plan("F")).sharps(1, 5).needle(there, day(11, 8), "r11").
				needle(there, day(13, 8), "r13", blunt), day(14, 0), []string{rule.EarlyBlunt},
			"trial 6 of 6 streak 1, blunt"},
		{"the protocol of the place asks for pegs",
			(&story{}).says(there, day(0, 1), "", adopts(&v1.Protocol{UsesPegs: proto.Bool(true)})).says(here, day(0, 6), "", admitted()).
				says(here, day(0, 7), "", plan("F")).sharps(1, 2).needle(there, day(5, 8), "r5"), day(6, 0), nil,
			"forming 3 of 7 streak 0, sharp"},
		{"a hold on an access is on a track of unknown access",
			(&story{}).needle(here, day(1, 8), "r").
				says(here, day(2, 8), "", &v1.HoldPlaced{Access: "F"}), day(3, 0), nil, "forming 1 of 6 streak 0, none"},
		{"unless the access is known to be no fistula",
			(&story{}).needle(here, day(1, 8), "r").
				says(here, day(2, 7), "", &v1.AccessCreated{Access: "F", Kind: v1.AccessKind_ACCESS_KIND_GRAFT}).
				says(here, day(2, 8), "", &v1.HoldPlaced{Access: "F"}), day(3, 0), nil, "forming 1 of 6 streak 0, sharp"},
		{"or is retired",
			(&story{}).needle(here, day(1, 8), "r").says(here, day(2, 8), "", &v1.HoldPlaced{Access: "F"}).
				says(here, day(2, 9), "", &v1.AccessRetired{Access: "F"}), day(3, 0), nil,
			"forming 1 of 6 streak 0, sharp"},
		{"a needle in no track while its access is held",
			(&story{}).says(here, day(2, 8), "", &v1.HoldPlaced{Access: "F"}).
				needle(here, day(3, 8), "r", nowhere), day(4, 0), []string{rule.NeedledUnderHold}, "caution since 03-06 08:00"},
		{"another side of an access is told",
			(&story{}).says(here, day(0, 8), "", fistula(v1.BodySide_BODY_SIDE_LEFT)).says(here, day(1, 8), "", fistula(0)).
				says(here, day(2, 8), "", fistula(v1.BodySide_BODY_SIDE_RIGHT)),
			day(4, 0), []string{rule.AccessRestated}, "caution since 03-05 08:00"},
		{"an examination that says nothing of a sign leaves it",
			(&story{}).says(here, day(0, 8), "", looks(v1.Finding_FINDING_PRESENT)).
				says(here, day(1, 8), "", looks(v1.Finding_FINDING_NOT_EXAMINED)), day(2, 0), []string{rule.ExaminationFinding},
			"caution since 03-03 08:00"},
		{"one that records it absent ends it",
			(&story{}).says(here, day(0, 8), "", looks(v1.Finding_FINDING_PRESENT)).
				says(here, day(1, 8), "", looks(v1.Finding_FINDING_ABSENT)), day(2, 0), []string{rule.ExaminationFinding}, ""},
		{"a closed review of the access makes an aneurysm a note",
			(&story{}).says(here, day(0, 8), "", looks(v1.Finding_FINDING_PRESENT)).
				says(here, day(0, 9), "", &v1.ReviewOpened{Review: "r", Access: "F"}).
				says(here, day(1, 8), "", &v1.ReviewClosed{Review: "r"}), day(2, 0), []string{rule.ExaminationFinding}, "note since 03-03 08:00"},
		{"a track taken over has what the takeover states, and no entry founds it",
			(&story{}).sharps(1, 2).
				says(here, day(5, 7), "", takenOver(4)).
				sharps(7, 3),
			day(20, 0), nil, "forming 4 of 6 streak 0, sharp"},
	} {
		t.Run(c.says, func(t *testing.T) {
			if got := answer(c.of.fold(c.at), c.rules...); got != c.want {
				t.Errorf("\n got %s\nwant %s", got, c.want)
			}
		})
	}
}

func takenOver(sessions uint32) *v1.TrackTakenOver {
	return &v1.TrackTakenOver{Track: "A", Access: "F", Stage: v1.TrackStage_TRACK_STAGE_FORMING, SharpSessions: proto.Uint32(sessions)}
}

func looks(aneurysm v1.Finding) *v1.AccessExamined {
	return &v1.AccessExamined{Access: "F", Look: &v1.Look{Aneurysm: aneurysm}}
}

func TestLiftsAndDays(t *testing.T) {
	for _, c := range []struct {
		says   string
		ground func(s *story) *story
		lift   func(s *story, id string) *story
		want   string // lifted at
	}{
		{"a lift within the day does not lift a ground known to the day",
			func(s *story) *story { return s.onDay(3, hold()) },
			func(s *story, id string) *story { return s.says(here, day(3, 20), "", lift(id)) }, ""},
		{"one at its end does",
			func(s *story) *story { return s.onDay(3, hold()) },
			func(s *story, id string) *story { return s.says(here, day(4, 0), "", lift(id)) }, "03-07 00:00"},
		{"a lift known to the day works from its end on",
			func(s *story) *story { return s.onDay(3, hold()) },
			func(s *story, id string) *story { return s.onDay(3, lift(id)) }, "03-07 00:00"},
		{"also where the ground has a time in that day",
			func(s *story) *story { return s.says(here, day(3, 20), "", hold()) },
			func(s *story, id string) *story { return s.onDay(3, lift(id)) }, "03-07 00:00"},
		{"a lift names several",
			func(s *story) *story { return s.says(here, day(3, 20), "", hold()) },
			func(s *story, id string) *story { return s.says(here, day(3, 21), "", lift("another", id)) }, "03-06 21:00"},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := c.ground((&story{}).says(here, day(0, 7), "", plan("F")))
			s = c.lift(s, person(s.said))
			got := ""
			for _, h := range s.fold(day(9, 0)).Holds {
				if !h.Lifted.IsZero() {
					got += h.Lifted.Format("01-02 15:04")
				}
			}
			if got != c.want {
				t.Errorf("lifted at %q, want %q", got, c.want)
			}
		})
	}
}

func TestAHoldSaysHowOftenANeedleWasUsedUnderIt(t *testing.T) {
	s := (&story{}).says(here, day(0, 7), "", plan("F")).says(here, day(0, 8), "", hold()).says(here, day(0, 9), "", hold()).sharps(1, 3)
	a := s.fold(day(9, 0))
	for _, h := range a.Holds {
		if h.Needled != 3 || h.NeedledLast != "2025-03-08" {
			t.Errorf("%d sessions, the last on %s; want 3, the last on 8 March", h.Needled, h.NeedledLast)
		}
	}
	if len(a.ShownAsOne) != 1 || len(a.ShownAsOne[0]) != 2 {
		t.Errorf("shown as one: %v", a.ShownAsOne)
	}
}

func TestWhatTheNextCannulatorRepeats(t *testing.T) {
	planned := &v1.TrackPlanned{Access: "F", Tracks: []*v1.TrackPlan{{
		Track: "A", AngleDegrees: proto.Float64(30), Direction: v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE,
		DepthMillimetres: proto.Float64(6), Gauge: proto.Uint32(15),
	}}}
	s := (&story{}).says(here, day(0, 7), "", planned)
	want := needling.Shown{Angle: 30, Direction: 1, Depth: 6, AsPlanned: "angle,direction,depth", Gauge: 15}
	if got := s.fold(day(0, 8)).Tracks[0].Shown; got != want {
		t.Errorf("before the first entry %+v, want %+v", got, want)
	}
	s.needle(here, day(1, 8), "r", func(n *v1.NeedleInserted) { n.AngleDegrees, n.Gauge = nil, proto.Uint32(16) })
	want = needling.Shown{Creator: record.StaffID(nurse()), Direction: 1, Depth: 6, AsPlanned: "direction,depth", Gauge: 15}
	if got := s.fold(day(1, 8)).Tracks[0].Shown; got != want {
		t.Errorf("after it %+v, want %+v", got, want)
	}
}
