package track_test

import (
	"slices"
	"sort"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

// What holds what. The scopes are those of package rule.
func TestTheScopeOfARulesHold(t *testing.T) {
	redAt := func(name string) func(*v1.AccessExamined) {
		return func(x *v1.AccessExamined) { x.Sites = []*v1.SiteLook{{Track: name, Redness: present}} }
	}
	for _, c := range []struct {
		says string
		told func(s *story)
		held string // tracks
	}{
		{"tips too close hold both tracks of the plan", func(s *story) { s.plan(2, tips(49)) }, "A B"},
		{"redness at a site holds its track", func(s *story) { s.exam(2, redAt("B")) }, "B"},
		{"redness over the access holds all its tracks", func(s *story) {
			s.exam(2, func(x *v1.AccessExamined) { x.Look.Redness = present })
		}, "A B"},
		{"signs at no named track hold the access", func(s *story) {
			s.said(2, 9, 0, &v1.SiteSignsSeen{Access: "F", Pus: present})
		}, "A B"},
		{"skin at risk at one site holds the access", func(s *story) {
			s.exam(2, func(x *v1.AccessExamined) { x.Sites = []*v1.SiteLook{{Track: "B", ShinyOrThinSkin: present}} })
		}, "A B"},
		{"no thrill holds the access and no other", func(s *story) {
			s.exam(2, func(x *v1.AccessExamined) { x.Feel.Thrill = absent })
		}, "A B"},
		{"no thrill in another access holds neither", func(s *story) {
			s.exam(2, func(x *v1.AccessExamined) { x.Access, x.Feel.Thrill = "G", absent })
		}, "C"},
		{"S. aureus holds the access of the track in use", func(s *story) { s.culture(2, nil) }, "A B"},
		{"S. aureus holds every access with a track in use", func(s *story) {
			s.insert(1, 1, func(n *v1.NeedleInserted) { n.Track, n.Access = "C", "G" }).culture(2, nil)
		}, "A B C"},
		{"a negative culture holds nothing", func(s *story) {
			s.culture(2, func(c *v1.CultureResulted) {
				c.Growth, c.Organisms = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE, nil
			})
		}, ""},
		{"a graft holds each of its tracks", func(s *story) { s.access(2, v1.AccessKind_ACCESS_KIND_GRAFT) }, "A B"},
		{"a person's hold on a track holds it alone", func(s *story) {
			s.said(2, 9, 0, &v1.HoldPlaced{Track: "A", PlacedBy: nurse("lead"), Reason: "Odd."})
		}, "A"},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := tell(t).plan(0, tips(70)).said(0, 6, 0,
				&v1.TrackPlanned{Access: "G", Tracks: []*v1.TrackPlan{{Track: "C", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL}}})
			s.insert(1, 1) // A is in use, B and C are planned
			c.told(s)
			j := s.judge(3)
			var held []string
			for _, st := range j.Tracks {
				if len(st.Held) > 0 {
					held = append(held, st.Name)
				}
				if (len(st.Held) > 0) != (st.Next.Needle == track.None) {
					t.Errorf("%s is held by %v and its next needle is %s", st.Name, st.Held, st.Next.Needle)
				}
			}
			sort.Strings(held)
			if got := strings.Join(held, " "); got != c.held {
				t.Errorf("held are %q, want %q", got, c.held)
			}
		})
	}
}

// corrected corrects the examination of the n-th message.
func (s *story) corrected(day, message int, opts ...func(*v1.AccessExamined)) *story {
	x := &v1.AccessExamined{Access: "F", Listen: &v1.Listen{Bruit: present}, Feel: &v1.Feel{Thrill: present}}
	for _, o := range opts {
		o(x)
	}
	return s.said(day, 17, 0, &v1.AssessmentFactCorrected{
		Correction: &v1.Correction{Fact: &v1.FactReference{SourceMessageId: s.events[message].GetSourceMessageId()}, Revision: 1,
			AssertedAt: timestamppb.New(on(day)), Reason: "Another arm."},
		Replacement: &v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessExamined{AccessExamined: x}},
	})
}

func TestAHoldOutlivesItsGround(t *testing.T) {
	noThrill := func(x *v1.AccessExamined) { x.Feel.Thrill = absent }
	noBruit := func(x *v1.AccessExamined) { x.Listen.Bruit = absent }
	for _, c := range []struct {
		says      string
		told      func(s *story)
		open      string
		withdrawn bool
		finds     string
	}{
		{"a ground that stands", func(s *story) { s.exam(12, noThrill) }, "thrill-absent", false, "thrill-absent"},
		{"a corrected ground leaves the hold, marked", func(s *story) { s.exam(12, noThrill).corrected(13, s.last()) },
			"thrill-absent", true, ""},
		{"a ground corrected to one that holds as well is not withdrawn",
			func(s *story) { s.exam(12, noThrill).corrected(13, s.last(), noBruit) }, "thrill-absent", false, "thrill-absent"},
		{"an examination corrected to a ground opens its hold", func(s *story) { s.exam(12).corrected(13, s.last(), noThrill) },
			"thrill-absent", false, "thrill-absent"},
		{"a withdrawn ground's hold is lifted by name", func(s *story) {
			s.exam(12, noThrill)
			ground := s.last()
			s.corrected(13, ground).lifted(13, rule.ThrillAbsent, ground)
		}, "", true, ""},
		{"the lift of another hold lifts nothing", func(s *story) {
			s.exam(12, noThrill)
			s.lifted(13, rule.SiteInfection, s.last())
		}, "thrill-absent", false, "thrill-absent"},
		{"a lift that is taken back leaves the hold open", func(s *story) {
			s.exam(12, noThrill)
			s.lifted(13, rule.ThrillAbsent, s.last())
			s.void(13, s.last())
		}, "thrill-absent", false, "thrill-absent"},
		{"two grounds are two holds, and each is lifted by itself", func(s *story) {
			s.exam(12, noThrill)
			first := s.last()
			s.exam(13, noBruit).lifted(13, rule.ThrillAbsent, first)
		}, "thrill-absent", false, "thrill-absent"},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := tell(t).ready()
			c.told(s)
			j := s.judge(14)
			var open, finds []string
			for _, h := range j.Open() {
				open = append(open, h.Rule)
			}
			for _, f := range j.Standing() {
				finds = append(finds, f.Rule)
			}
			if strings.Join(open, ", ") != c.open || strings.Join(finds, ", ") != c.finds {
				t.Errorf("open %v, found %v; want %q and %q", open, finds, c.open, c.finds)
			}
			if last := j.Holds[len(j.Holds)-1]; last.GroundWithdrawn != c.withdrawn {
				t.Errorf("ground withdrawn: %v, want %v", last.GroundWithdrawn, c.withdrawn)
			}
			if held := s.on(14).Next.Needle == track.None; held != (c.open != "") {
				t.Errorf("the needle is held back: %v", held)
			}
		})
	}
}

// The rest of what the documentation says of how findings begin and end.
func TestHowFindingsBeginAndEnd(t *testing.T) {
	pulse := func(x *v1.AccessExamined) { x.Feel.BoundingPulse, x.Feel.DiscontinuousThrill = present, present }
	infiltrated := &v1.ComplicationSeen{Kind: v1.ComplicationKind_COMPLICATION_KIND_INFILTRATION, Access: "F"}
	taken := &v1.TrackTakenOver{Track: "A", Access: "F", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, Stage: v1.TrackStage_TRACK_STAGE_TRIAL,
		AngleDegrees: one(25.0), Creator: nurse("creator"), DeclaredBy: nurse("lead"), Evidence: "Chart."}
	rise := []float64{100, 102, 101, 104, 105, 107, 106, 109, 111, 112, 114, 115}
	level := []float64{110, 111, 110, 109, 110, 111, 110, 109, 110, 111, 110, 109}
	for _, c := range []sentence{
		{"a deputy named after the session was a stranger in it", func(s *story) {
			s.made().planned(0).sharps(1, 1).insert(3, 3, by("deputy")).said(4, 8, 0, &v1.DeputyNamed{Track: "A", Deputy: nurse("deputy")})
		}, 4, "unlisted-cannulator caution", "", track.Sharp},
		{"a later plan ends a note on the angle", func(s *story) { s.plan(0, angled(19)).plan(1, angled(25)) }, 1, "", "", track.Sharp},
		{"a takeover ends what was found of the plan", func(s *story) { s.plan(0, angled(19)).said(1, 6, 0, taken) }, 1, "",
			"", track.Blunt},
		{"a taken over track is asked for disinfections from its first session here",
			func(s *story) { s.said(0, 6, 0, taken).insert(1, 1, blunt) }, 1, "single-disinfection note", "", track.Blunt},
		{"the drift at a removal ends with the next session", func(s *story) {
			s.made().planned(0).sharps(1, 1).removed(1, one(19.9), nil).
				insert(3, 3)
		}, 3, "", "", track.Sharp},
		{"a first insertion by a novice is forgotten when the track is ready", func(s *story) {
			s.made().rated("creator", "2025-02-01", v1.CannulatorLevel_CANNULATOR_LEVEL_SUPERVISED).planned(0).sharps(1, 6)
		}, 11, "", "", track.Blunt},
		{"and not before", func(s *story) {
			s.made().rated("creator", "2025-02-01", v1.CannulatorLevel_CANNULATOR_LEVEL_SUPERVISED).planned(0).sharps(1, 5)
		}, 9, "first-by-novice caution", "", track.Sharp},
		{"14 days are one more session, not a new beginning", func(s *story) { s.made().planned(0).sharps(1, 2).insert(17, 17) }, 17,
			"gap-long caution", "", track.Sharp},
		{"a pulse that no longer bounds ends the sign", func(s *story) {
			s.ready().exam(12, pulse).exam(13, func(x *v1.AccessExamined) { x.Feel.BoundingPulse = absent })
		}, 13, "", "", track.Blunt},
		{"neither discontinuous nor high-pitched ends it as well", func(s *story) {
			s.ready().exam(12, pulse).
				exam(13, func(x *v1.AccessExamined) { x.Feel.DiscontinuousThrill, x.Listen.HighPitchedBruit = absent, absent })
		}, 13, "", "", track.Blunt},
		{"one of the two alone does not", func(s *story) {
			s.ready().exam(12, pulse).exam(13, func(x *v1.AccessExamined) { x.Feel.DiscontinuousThrill = absent })
		}, 13, "outflow-sign caution", "", track.Blunt},
		{"a fistula that collapses does not end the sign of the pulse", func(s *story) {
			s.ready().exam(12, pulse).exam(13, func(x *v1.AccessExamined) { x.Look.CollapseOnElevation = present })
		}, 13, "outflow-sign caution", "", track.Blunt},
		{"a pulse that grows ends the sign of the inflow", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.PulseAugmentation = absent }).
				exam(13, func(x *v1.AccessExamined) { x.Feel.PulseAugmentation = present })
		}, 13, "", "", track.Blunt},
		{"twenty minutes the next time end the caution of a long bleeding", func(s *story) { s.ready().bleeding(11, 21, 20) }, 12, "",
			"", track.Blunt},
		{"a look without a trend ends that of the last", func(s *story) {
			s.trial().pressures(1, 16, 200, append(slices.Clone(rise), level...)...)
		}, 24, "", "", track.Blunt},
		{"between the looks it stands", func(s *story) { s.trial().pressures(1, 16, 200, append(slices.Clone(rise), level[:11]...)...) },
			23, "pressure-rising caution", "", track.Blunt},
		{"another gauge begins a new look", func(s *story) {
			s.trial().pressures(1, 16, 200, rise[:6]...).pressures(7, 15, 200, rise[6:]...)
		}, 13, "", "", track.Blunt},
		{"enough flow ends a low one", func(s *story) { s.ready().flow(5, 499).flow(11, 500) }, 11, "", "", track.Blunt},
		{"a missed treatment is rest for every access", func(s *story) {
			s.ready().said(12, 9, 12, infiltrated).said(13, 8, 13, &v1.SessionMissed{})
		}, 13, "", "", track.Blunt},
		{"the infiltrated treatment itself is none", func(s *story) {
			s.ready().said(12, 9, 12, infiltrated).said(12, 10, 12, &v1.SessionStarted{Access: "K"})
		}, 12, "infiltration caution", "", track.Blunt},
		{"a track given up has no findings", func(s *story) {
			s.trial().insert(15, 15).said(16, 6, 0, &v1.TrackRetired{Track: "A", Reason: "Aneurysm."})
		}, 16, "", "", track.None},
		{"but its hold stays until it is lifted", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.Thrill = absent }).
				said(13, 6, 0, &v1.TrackRetired{Track: "A", Reason: "Thrombosed."})
		}, 13, "thrill-absent stop", "thrill-absent", track.None},
		{"an access that is no longer used has no findings",
			func(s *story) { s.ready().flow(11, 499).said(12, 6, 0, &v1.AccessRetired{Access: "F"}) }, 12, "", "", track.None},
		{"a finding whose ground is taken back is not there", func(s *story) { s.ready().flow(11, 499).void(11, s.last()) }, 11, "",
			"", track.Blunt},
		{"a closed review of another track clears nothing here", func(s *story) {
			s.trial().insert(15, 15, because(v1.RescueReason_RESCUE_REASON_OTHER)).
				insert(17, 17, because(v1.RescueReason_RESCUE_REASON_OTHER))
			s.said(18, 8, 0, &v1.ReviewOpened{Review: "R", Track: "B", Reason: "Odd."}).
				said(18, 9, 0, &v1.ReviewClosed{Review: "R", ClosedBy: nurse("lead"), Outcome: "Nothing."})
		}, 18, "rescue note, rescue-repeat caution", "", track.Blunt},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := tell(t)
			c.told(s)
			j := s.judge(c.day)
			found := map[string]bool{}
			for _, f := range j.Standing() {
				found[f.Rule+" "+string(f.Severity)] = true
				explained(t, &f)
			}
			var finds, holds []string
			for f := range found {
				finds = append(finds, f)
			}
			sort.Strings(finds)
			for _, h := range j.Open() {
				holds = append(holds, h.Rule)
			}
			st := s.on(c.day)
			if strings.Join(finds, ", ") != c.finds || strings.Join(holds, ", ") != c.holds || st.Next.Needle != c.next {
				t.Errorf("found %q, held by %q, next %s (%s); want %q, %q, %s", finds, holds, st.Next.Needle, st.Next.Why, c.finds,
					c.holds, c.next)
			}
		})
	}
}

func TestAHoldOnWhatIsNoLongerUsed(t *testing.T) {
	thrill := func(x *v1.AccessExamined) { x.Feel.Thrill = absent }
	for _, c := range []struct {
		says    string
		told    func(s *story)
		givenUp bool
	}{
		{"its access is in use", func(s *story) { s.ready().exam(12, thrill) }, false},
		{"its access is no longer used", func(s *story) {
			s.ready().exam(12, thrill).said(13, 6, 0, &v1.AccessRetired{Access: "F"})
		}, true},
		{"the only track was given up, not its access", func(s *story) {
			s.ready().exam(12, thrill).said(13, 6, 0, &v1.TrackRetired{Track: "A", Reason: "Thrombosed."})
		}, false},
		{"its track was given up", func(s *story) {
			s.ready().said(12, 6, 0, &v1.HoldPlaced{Track: "A", PlacedBy: nurse("lead"), Reason: "Odd."}).
				said(13, 6, 0, &v1.TrackRetired{Track: "A", Reason: "Odd."})
		}, true},
		{"another track was given up", func(s *story) {
			s.ready().said(12, 6, 0, &v1.HoldPlaced{Track: "A", PlacedBy: nurse("lead"), Reason: "Odd."}).
				said(13, 6, 0, &v1.TrackRetired{Track: "B", Reason: "Odd."})
		}, false},
		{"nothing is known of the track", func(s *story) {
			s.ready().said(12, 6, 0, &v1.HoldPlaced{Access: "Z", PlacedBy: nurse("lead"), Reason: "Odd."})
		}, false},
	} {
		s := tell(t)
		c.told(s)
		j := s.judge(14)
		open := j.Open()
		if len(open) != 1 || j.GivenUp(&open[0]) != c.givenUp {
			t.Errorf("%s: given up is not %v of %+v", c.says, c.givenUp, open)
		}
	}
}

// A hold's id is told to whoever lifts it, so it must not change with what else is known.
func TestAHoldsNameIsItsRuleAndGround(t *testing.T) {
	s := tell(t).ready().exam(12, func(x *v1.AccessExamined) { x.Feel.Thrill = absent })
	want := record.HoldID(rule.ThrillAbsent, record.FactID(s.events[s.last()].GetId(), 0))
	s.exam(11).exam(13, func(x *v1.AccessExamined) { x.Look.Ulcer = present })
	j := s.judge(14)
	open := j.Open()
	if len(open) != 2 || open[0].ID != want || open[0].ID == open[1].ID {
		t.Errorf("open are %+v, want the first to be %s", open, want)
	}
}
