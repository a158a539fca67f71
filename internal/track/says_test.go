package track_test

import (
	"slices"
	"strings"
	"testing"

	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

// What a nurse reads of a finding must be true of that finding, and tell what to do. (Common practice, no source. The days are
// this project's own; one treatment of rest after an infiltration is read, with weak evidence: see package rule.)
func TestAFindingSaysWhatEndsIt(t *testing.T) {
	for _, c := range []struct {
		sentence    string
		tell        func(s *story)
		day         int
		rule        string
		severity    rule.Severity
		seen, clear string
	}{
		{"a needle ends the caution of a track that is not used", func(s *story) { s.trial() }, 60, rule.UnusedLong, rule.Caution,
			"not needled since 2025-03-15", "a needle is used in the track"},
		{"only a review ends its stop", func(s *story) { s.trial() }, 60, rule.UnusedLong, rule.Stop,
			"not needled for more than 42 days after 2025-03-15",
			"a review of the track or its access is closed; a needle alone does not clear it"},
		{"a needle under that stop was under no hold", func(s *story) { s.trial().insert(57, 57, blunt) }, 57, rule.NeedledUnderHold, rule.Caution,
			"needled on 2025-04-28 while the track had not been used for long and no review was closed; such a session does not count",
			"no hold or other stop is on the place any more"},
		{"after an infiltration the access is to rest", func(s *story) {
			s.ready().said(12, 9, 12, &v1.ComplicationSeen{Kind: v1.ComplicationKind_COMPLICATION_KIND_INFILTRATION, Track: "A", Access: "F"})
		}, 12, rule.Infiltration, rule.Caution,
			"an infiltration on 2025-03-14 at track A: rest the access for 1 treatment, then needle above the injury",
			"1 treatment without a needle in the access"},
		{"as long as the protocol asks for", func(s *story) {
			s.adopted("2025-01-01", &v1.Protocol{InfiltrationRestSessions: one(uint32(3))})
			s.ready().said(12, 9, 12, &v1.ComplicationSeen{Kind: v1.ComplicationKind_COMPLICATION_KIND_INFILTRATION, Access: "F"})
		}, 12, rule.Infiltration, rule.Caution, "an infiltration on 2025-03-14: rest the access for 3 treatments, then needle above the injury",
			"3 treatments without a needle in the access"},
		{"a bacteraemia says when the blood was taken", func(s *story) {
			s.ready().culture(12, nil)
		}, 12, rule.Bacteraemia, rule.Stop, "Staphylococcus aureus in blood, taken on 2025-03-14",
			"the technique is reviewed, and a named person lifts the hold, with a reason"},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			s := tell(t)
			c.tell(s)
			j := s.judge(c.day)
			for _, f := range j.Standing() {
				if f.Rule == c.rule && f.Severity == c.severity {
					if f.Seen != c.seen || f.Clears != c.clear {
						t.Errorf("it says %q and is cleared by %q", f.Seen, f.Clears)
					}
					return
				}
			}
			t.Errorf("there is no such finding: %v", j.Standing())
		})
	}
}

func TestANeedleUnderAStopWithoutAHoldIsNotSaidToBeUnderOne(t *testing.T) {
	for want, told := range map[string]func(s *story) *story{
		"no review was closed after the track had not been used for long": func(s *story) *story { return s.trial().insert(57, 57, blunt) },
		"a hold was open": func(s *story) *story { return s.ready().culture(12, nil).insert(13, 13, blunt) },
	} {
		st := told(tell(t)).judge(57).Tracks[0]
		if got := st.Recent[0].WhyNot; !slices.Contains(got, want) || st.Recent[0].Counted {
			t.Errorf("it does not count because %q, want %q", got, want)
		}
	}
}

// A gap runs from the first session since a takeover, also where that one is in doubt. It must not be said to count. The 7 days
// are this project's own.
func TestASessionInDoubtIsNotSaidToCount(t *testing.T) {
	s := tell(t).said(0, 6, 0, &v1.TrackTakenOver{Track: "A", Access: "F", Stage: v1.TrackStage_TRACK_STAGE_FORMING,
		SharpSessions: one(uint32(4)), DeclaredBy: nurse("lead"), Evidence: "Chart."}).insert(1, 1)
	st := s.judge(10).Tracks[0]
	if !st.OneMore || st.Recent[0].Counted {
		t.Fatalf("the gap asks for one more: %v; the session counts: %v", st.OneMore, st.Recent[0].Counted)
	}
	if want := "The first session since the takeover was on 2025-03-03, more than 7 days ago. One more sharp session is needed."; !strings.Contains(
		st.Next.Caution, want) {
		t.Errorf("the caution is %q", st.Next.Caution)
	}
}

// The course of the next session has the one that a gap adds, before a session has ended the gap. That 8 to
// 14 days add one, and 15 start the count again, is this project's own.
func TestTheCourseHasTheSessionThatAGapAdds(t *testing.T) {
	for _, c := range []struct{ day, course int }{{12, 6}, {19, 7}, {30, 6}} {
		st := tell(t).made().planned(0).sharps(1, 5).judge(c.day).Tracks[0] // the fifth on day 9
		if st.Course() != c.course || st.Target+len(st.Extras) != 6 {
			t.Errorf("on day %d the course has %d sessions, want %d; %d are needed so far", c.day, st.Course(), c.course, st.Target+len(st.Extras))
		}
	}
}

// A treatment after a recorded death stands before every needle. (Common practice, no source.)
func TestADeathBeforeATreatmentIsACaution(t *testing.T) {
	s := tell(t).made().planned(0).sharps(1, 2).said(4, 9, 0, &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_DEATH})
	const want = "A death is recorded for 2025-03-06, and treatment after it: make sure who this is before you needle."
	if j := s.judge(5); j.Where.DiedOn != "" || strings.Contains(j.Tracks[0].Next.Caution, "death") {
		t.Errorf("nothing contradicts the death: %q", j.Tracks[0].Next.Caution)
	}
	if j := s.insert(6, 6).judge(7); j.Where.DiedOn != "2025-03-06" || !strings.HasPrefix(j.Tracks[0].Next.Caution, want) {
		t.Errorf("treated after a death: %q", j.Tracks[0].Next.Caution)
	}
}
