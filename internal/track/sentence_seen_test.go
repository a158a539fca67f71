package track_test

import (
	"maps"
	"testing"
	"time"

	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

// at puts the fact that was told last into another facility.
func (s *story) at(facility string) *story {
	s.events[s.last()].Facility = facility
	return s
}

// byDay makes the fact that was told last one of which only the day is known.
func (s *story) byDay() *story {
	ev := s.events[s.last()]
	at := ev.GetOccurredAt().AsTime()
	ev.OccurredAt.Seconds = time.Date(at.Year(), at.Month(), at.Day(), 12, 0, 0, 0, time.UTC).Unix()
	ev.Precision = v1.TimePrecision_TIME_PRECISION_DAY
	return s
}

// reviewed tells that a review of the track A was opened and closed on the day.
func (s *story) reviewed(day int) *story {
	return s.said(day, 9, 0, &v1.ReviewOpened{Review: "R", Track: "A", Reason: "Not used."}).
		said(day, 10, 0, &v1.ReviewClosed{Review: "R", ClosedBy: nurse("lead"), Outcome: "Sound."})
}

// What an examination sees is on the card until another one sees it gone. The list of signs is
// ours; that a change is acted on is from memory (KDOQI).
func seenSentences() []sentence {
	finds := "examination-finding caution"
	var out []sentence
	for says, sign := range map[string]func(*v1.AccessExamined, v1.Finding){
		"swelling":                 func(x *v1.AccessExamined, f v1.Finding) { x.Look.Swelling = f },
		"a haematoma":              func(x *v1.AccessExamined, f v1.Finding) { x.Look.Haematoma = f },
		"an aneurysm":              func(x *v1.AccessExamined, f v1.Finding) { x.Look.Aneurysm = f },
		"warmth":                   func(x *v1.AccessExamined, f v1.Finding) { x.Feel.Warmth = f },
		"tenderness":               func(x *v1.AccessExamined, f v1.Finding) { x.Feel.Tenderness = f },
		"a discontinuous thrill":   func(x *v1.AccessExamined, f v1.Finding) { x.Feel.DiscontinuousThrill = f },
		"a high-pitched bruit":     func(x *v1.AccessExamined, f v1.Finding) { x.Listen.HighPitchedBruit = f },
		"a pulse that is bounding": func(x *v1.AccessExamined, f v1.Finding) { x.Feel.BoundingPulse = f },
	} {
		is := func(f v1.Finding) func(*v1.AccessExamined) { return func(x *v1.AccessExamined) { sign(x, f) } }
		out = append(out,
			sentence{says + " over the access is a caution", func(s *story) { s.ready().exam(12, is(present)) }, 12, finds, "",
				track.Blunt},
			sentence{says + " that nobody looked for again still stands", func(s *story) { s.ready().exam(12, is(present)).exam(13) }, 13,
				finds, "", track.Blunt},
			sentence{says + " that is seen to be gone is over", func(s *story) { s.ready().exam(12, is(present)).exam(13, is(absent)) }, 13,
				"", "", track.Blunt})
	}
	aneurysm := func(x *v1.AccessExamined) { x.Look.Aneurysm = present }
	is := func(side v1.BodySide, kind v1.AccessKind) *v1.AccessCreated {
		return &v1.AccessCreated{Access: "F", Side: side, Kind: kind}
	}
	const left, right, fistula = v1.BodySide_BODY_SIDE_LEFT, v1.BodySide_BODY_SIDE_RIGHT, v1.AccessKind_ACCESS_KIND_FISTULA
	return append(out,
		sentence{"an aneurysm whose track a review has looked at stays a caution",
			func(s *story) { s.ready().exam(11, aneurysm).reviewed(12) }, 12, finds, "", track.Blunt},
		sentence{"an access said to be on the other arm is a caution", func(s *story) {
			s.said(0, 5, 0, is(left, fistula)).ready().
				said(12, 9, 0, is(right, fistula))
		}, 12, "access-restated caution", "", track.Blunt},
		sentence{"an access told again alike is none", func(s *story) {
			s.said(0, 5, 0, is(left, fistula)).ready().said(12, 9, 0, is(left, fistula))
		}, 12, "", "", track.Blunt},
		sentence{"a side that is told for the first time is none",
			func(s *story) { s.said(0, 5, 0, is(0, fistula)).ready().said(12, 9, 0, is(left, fistula)) }, 12, "", "", track.Blunt},
		sentence{"voiding the wrong statement of the arm ends it", func(s *story) {
			s.said(0, 5, 0, is(left, fistula)).ready().said(12, 9, 0, is(right, fistula)).void(12, s.last())
		}, 12, "", "", track.Blunt},
		sentence{"a session number that comes back two days later is two sessions, with a caution",
			func(s *story) { s.made().planned(0).insert(1, 7).insert(3, 7).prepared(3, disinfected(2, 0)) }, 3,
			"reference-reused caution, single-disinfection note", "", track.Sharp},
	)
}

// A review of the access that is closed has looked at its aneurysm.
func TestAReviewedAneurysmIsANote(t *testing.T) {
	s := tell(t).ready().exam(11, func(x *v1.AccessExamined) { x.Look.Aneurysm = present }).
		said(12, 9, 0, &v1.ReviewOpened{Review: "R", Access: "F", Reason: "Wide."})
	if got := s.outcome(12); got != "examination-finding caution; ready, 6 of 6, blunt" {
		t.Errorf("under review: %s", got)
	}
	s.said(12, 10, 0, &v1.ReviewClosed{Review: "R", ClosedBy: nurse("lead"), Outcome: "Stable."})
	if got := s.outcome(12); got != "examination-finding note; ready, 6 of 6, blunt" {
		t.Errorf("after the review: %s", got)
	}
}

// A tunnel that is not used closes: 21 days and 42 are ours.
func unusedSentences() []sentence {
	const caution, stop = "unused-long caution", "unused-long caution, unused-long stop"
	late := func(s *story) *story { return s.trial() } // the last needle is on day 13
	return []sentence{
		{"21 days without a needle are not long", func(s *story) { late(s) }, 34, "", "", track.Blunt},
		{"22 days are", func(s *story) { late(s) }, 35, caution, "", track.Blunt},
		{"42 days without a needle are no stop yet", func(s *story) { late(s) }, 55, caution, "", track.Blunt},
		{"after 43 no needle goes in", func(s *story) { late(s) }, 56, stop, "", track.None},
		{"a needle ends the caution", func(s *story) { late(s).insert(36, 36, blunt) }, 36, "", "", track.Blunt},
		{"a needle that was not used does not", func(s *story) {
			late(s).insert(36, 36, blunt, func(n *v1.NeedleInserted) { n.Outcome = v1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED })
		}, 36, caution, "", track.Blunt},
		{"a closed review ends the stop and not the caution", func(s *story) { late(s).reviewed(57) }, 57, caution, "", track.Blunt},
		{"a review closed before the stop does not", func(s *story) { late(s).reviewed(55) }, 57, stop, "", track.None},
		{"after a review 42 more days without a needle are no stop yet", func(s *story) { late(s).reviewed(57) }, 99, caution,
			"", track.Blunt},
		{"after 43 it is back", func(s *story) { late(s).reviewed(57) }, 100, stop, "", track.None},
		{"a needle does not end the stop, and is one under it", func(s *story) { late(s).insert(57, 57, blunt) }, 57,
			"needled-under-hold caution, unused-long stop", "", track.None},
		{"a track that rests is not asked", func(s *story) { late(s).said(20, 9, 0, &v1.TrackRested{Track: "A", Reason: "Away."}) }, 60,
			"", "", track.None},
		{"a patient who is away is not asked", func(s *story) {
			s.said(0, 5, 0, &v1.PatientAdmitted{})
			late(s).said(20, 9, 0, &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSPLANT})
		}, 60, "", "", track.Blunt},
		{"a track kept sharp is not asked", func(s *story) {
			s.adopted("2025-03-16", &v1.Protocol{SharpOnly: one(true)})
			late(s)
		}, 60, "", "", track.Sharp},
		{"a forming track has its own rule", func(s *story) { s.made().planned(0).sharps(1, 3) }, 60, "", "", track.Sharp},
	}
}

// A year of history is loaded today: after each session the track looks unused since that one. An EHR gets one finding
// of that, with a new date each time, and not one finding a session that is cancelled by the next.
func TestARunOfUseHasOneFindingWhileItsHistoryArrives(t *testing.T) {
	s := tell(t).trial() // the last needle is on day 13
	found := func(day int) map[string]string {
		ids := map[string]string{}
		j := s.judge(day)
		for _, f := range j.Standing() {
			if f.Rule == rule.UnusedLong {
				ids[string(f.Severity)] = f.ID
			}
		}
		return ids
	}
	first := found(300)
	if len(first) != 2 {
		t.Fatalf("unused for months gives %v", first)
	}
	for day := 15; day <= 34; day += 3 {
		s.insert(day, day, blunt)
		if now := found(300); !maps.Equal(now, first) {
			t.Fatalf("the session of day %d makes it %v, before it was %v", day, now, first)
		}
	}
	caution := found(56) // on its own ground, the needle of day 33
	s.insert(57, 57, blunt)
	if next := found(79)["caution"]; next == "" || next == caution["caution"] {
		t.Errorf("after a needle that ended a caution the next caution is the same finding, %q", next)
	}
}

// Needling under an open hold counts for nothing, and is said once while the place is held.
func heldSentences() []sentence {
	holds := &v1.HoldPlaced{Track: "A", PlacedBy: nurse("lead"), Reason: "Looks odd."}
	forming := func(s *story) *story { return s.made().planned(0).sharps(1, 5).said(10, 9, 0, holds) }
	return []sentence{
		{"a needle under an open hold is a caution", func(s *story) { forming(s).insert(11, 11) }, 11, "needled-under-hold caution",
			"person", track.None},
		{"a needle before the hold is none", func(s *story) { forming(s) }, 11, "", "person", track.None},
		{"a needle after the lift is none", func(s *story) { forming(s).lifted(10, rule.Person, s.last()).insert(11, 11) }, 11, "",
			"", track.Blunt},
		{"the lift ends it", func(s *story) {
			hold := forming(s).last()
			s.insert(11, 11).lifted(12, rule.Person, hold)
		}, 13, "", "", track.Sharp},
		{"a needle that was not used is none", func(s *story) {
			forming(s).insert(11, 11, func(n *v1.NeedleInserted) { n.Outcome = v1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED })
		}, 11, "", "person", track.None},
	}
}

// The parts of an examination may come one after the other: before the needle and after it. All
// of a session are taken together.
func TestWhatNobodyExaminedInTheSession(t *testing.T) {
	part := func(x *v1.AccessExamined) *v1.AccessExamined { x.Access = "F"; return x }
	all := func() *v1.AccessExamined {
		return part(&v1.AccessExamined{Look: &v1.Look{}, Listen: &v1.Listen{Bruit: present}, Feel: &v1.Feel{Thrill: present}})
	}
	heard := func() *v1.AccessExamined {
		return part(&v1.AccessExamined{Listen: &v1.Listen{Bruit: present}, Feel: &v1.Feel{Thrill: present}})
	}
	for _, c := range []struct {
		says string
		told func(s *story)
		want string
	}{
		{"look, listen and feel before, listen and feel after leave nothing out",
			func(s *story) { s.said(3, 7, 3, all()).said(3, 12, 3, heard()) }, ""},
		{"listen and feel before, a look after leave nothing out",
			func(s *story) { s.said(3, 7, 3, heard()).said(3, 12, 3, part(&v1.AccessExamined{Look: &v1.Look{}})) }, ""},
		{"without a look in the session it was left out", func(s *story) { s.said(3, 7, 3, heard()).said(3, 12, 3, heard()) }, "look"},
		{"a look in the session before is none in this", func(s *story) { s.said(1, 7, 1, all()).said(3, 7, 3, heard()) }, "look"},
		{"what is told without a session belongs to its day", func(s *story) { s.said(3, 7, 0, all()).said(3, 12, 0, heard()) }, ""},
		{"who listened and named no bruit left it out", func(s *story) {
			s.said(3, 7, 3, part(&v1.AccessExamined{Look: &v1.Look{}, Listen: &v1.Listen{Bruit: unseen}, Feel: &v1.Feel{Thrill: present}}))
		}, "bruit"},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := tell(t).planned(0)
			c.told(s)
			j := s.judge(3)
			got := ""
			for _, part := range j.Accesses[0].NotExamined {
				got += part
			}
			if got != c.want {
				t.Errorf("left out is %q, want %q", got, c.want)
			}
			if j.Accesses[0].ExaminedOn != on(3).Format(time.DateOnly) {
				t.Errorf("examined on %q", j.Accesses[0].ExaminedOn)
			}
		})
	}
}
