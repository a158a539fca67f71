package track_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

// Unit u asks for six sharp sessions, as the defaults do, unit v for eight.
func moves(t *testing.T) *story {
	return tell(t).adopted("2025-01-01", &v1.Protocol{FormingSessionsTarget: one(uint32(8))}).at("v").
		made().said(0, 5, 0, &v1.PatientAdmitted{}).planned(0).sharps(1, 6)
}

// The protocol of the stay at the moment asked for says how many sessions are enough; neither a
// guest session nor a late result moves a patient.
func TestAMovedPatientIsJudgedByTheStay(t *testing.T) {
	negative := &v1.CultureResulted{Specimen: v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, Growth: v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE}
	moved := func(s *story) *story { return s.said(12, 6, 0, &v1.PatientAdmitted{}).at("v") }
	gone := &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSFER}
	for _, c := range []struct {
		says  string
		told  func(s *story)
		day   int
		where string
		want  string
	}{
		{"at u six are enough", func(*story) {}, 11, "u", "ready, 6 of 6, blunt"},
		{"who moves to v has six of eight", func(s *story) { moved(s) }, 12, "v", "forming, 6 of 8, sharp"},
		{"on the last day at u six were enough, whatever came after", func(s *story) { moved(s) }, 11, "u", "ready, 6 of 6, blunt"},
		{"a late culture from u moves nobody back", func(s *story) { moved(s).said(13, 9, 0, negative).at("u") }, 13, "v",
			"forming, 6 of 8, sharp"},
		{"a late culture from v moves nobody", func(s *story) { s.said(11, 9, 0, negative).at("v") }, 11, "u", "ready, 6 of 6, blunt"},
		{"a session as a guest of u moves nobody back", func(s *story) { moved(s).insert(13, 13).at("u") }, 13, "v",
			"forming, 7 of 8, sharp"},
		{"a session as a guest of v moves nobody", func(s *story) { s.insert(12, 12).at("v") }, 12, "u", "ready, 7 of 6, blunt"},
		{"u closes its visit after v has admitted", func(s *story) { moved(s).said(13, 9, 0, gone).at("u") }, 13, "v",
			"forming, 6 of 8, sharp"},
		{"a ready track that moves is no track for a blunt needle", func(s *story) { moved(s).insert(13, 13, blunt).at("v") }, 13, "v",
			"early-blunt caution; forming, 6 of 8, sharp"},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := moves(t)
			c.told(s)
			j := s.judge(c.day)
			if j.Where.Facility != c.where || j.Where.Left {
				t.Errorf("the patient is at %q, left %v; want %s", j.Where.Facility, j.Where.Left, c.where)
			}
			if got := s.outcome(c.day); got != c.want {
				t.Errorf("it is %s; want %s", got, c.want)
			}
		})
	}
	s := moves(t).said(12, 6, 0, gone)
	if j := s.judge(12); !j.Where.Left || j.Where.LeftUnit != "u" {
		t.Errorf("who leaves the only unit has left: %+v", j.Where)
	}
}

// What the first insertion set is repeated; what a stranger did is not.
func TestAStrangersNeedleIsNoInstruction(t *testing.T) {
	as := func(d v1.NeedleDirection, deep float64, g uint32) func(*v1.NeedleInserted) {
		return func(n *v1.NeedleInserted) { n.Direction, n.DepthMillimetres, n.Gauge = d, &deep, &g }
	}
	const with, against = v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE, v1.NeedleDirection_NEEDLE_DIRECTION_RETROGRADE
	st := tell(t).made().planned(0).insert(1, 1, as(with, 5, 16)).insert(3, 3, as(against, 9, 14), by("stranger"), at(40)).on(3)
	if st.Direction != with || st.Depth == nil || *st.Depth != 5 || *st.Gauge != 16 || *st.ReferenceAngle != 25 || st.Counted != 1 {
		t.Errorf("after a stranger's needle the next one is told %v, %v mm, %vG, %v°, with %d counted", st.Direction, *st.Depth, *st.Gauge,
			*st.ReferenceAngle, st.Counted)
	}
	// A later needle of the creator does not change it either, but for the gauge.
	st = tell(t).made().planned(0).insert(1, 1, as(with, 5, 16)).insert(3, 3, as(against, 9, 15)).on(3)
	if st.Direction != with || *st.Depth != 5 || *st.Gauge != 15 || st.Counted != 2 {
		t.Errorf("after the creator's second needle the next one is told %v, %v mm, %vG, with %d counted", st.Direction, *st.Depth,
			*st.Gauge, st.Counted)
	}
}

func TestAHoldOnTheAccessStopsATrackOfUnknownAccess(t *testing.T) {
	nowhere := func(n *v1.NeedleInserted) { n.Access = "" }
	hold := &v1.HoldPlaced{Access: "F", PlacedBy: nurse("lead"), Reason: "Hot arm."}
	for _, c := range []struct {
		says string
		told func(s *story)
		held int
		next track.Needle
	}{
		{"a person's hold", func(s *story) { s.said(2, 9, 0, hold) }, 1, track.None},
		{"no thrill", func(s *story) { s.exam(2, func(x *v1.AccessExamined) { x.Feel.Thrill = absent }) }, 1, track.None},
		{"a hold on what is known to be a catheter", func(s *story) {
			s.access(0, v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER).said(2, 9, 0, hold)
		}, 0, track.Sharp},
		{"a hold on an access that was given up", func(s *story) {
			s.said(2, 9, 0, hold).said(2, 10, 0, &v1.AccessRetired{Access: "F"})
		}, 0, track.Sharp},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := tell(t).made().insert(1, 1, nowhere)
			c.told(s)
			if st := s.on(3); len(st.Held) != c.held || st.Next.Needle != c.next {
				t.Errorf("held by %v, next %s; want %d and %s", st.Held, st.Next.Needle, c.held, c.next)
			}
		})
	}
}

// An access whose name was used before it was retired makes tracks that are retired from the start. The card says what mends it.
func TestATrackOnAnAccessThatWasRetiredSaysSo(t *testing.T) {
	again := &v1.AccessCreated{Access: "F", Kind: v1.AccessKind_ACCESS_KIND_FISTULA}
	const text = "The track was given up: access F was retired on 2025-03-12, and a track on it is retired with it. If that was a mistake, have the " +
		"retirement voided. A new access needs a name of its own."
	for _, c := range []struct {
		says string
		told func(s *story)
		why  string
	}{
		{"planned on it after it was created again", func(s *story) { s.said(11, 9, 0, again).plan(12) }, text},
		{"taken over on it", func(s *story) {
			s.said(12, 9, 0, &v1.TrackTakenOver{Track: "A", Access: "F", Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED})
		}, text},
		{"needled on it", func(s *story) { s.insert(12, 12, func(n *v1.NeedleInserted) { n.Access = "F" }) }, text},
		{"planned on another one", func(s *story) {
			s.said(11, 9, 0, &v1.AccessCreated{Access: "G", Kind: v1.AccessKind_ACCESS_KIND_FISTULA}).
				plan(12, func(p *v1.TrackPlanned) { p.Access = "G" })
		}, ""},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := tell(t).made().access(0, v1.AccessKind_ACCESS_KIND_FISTULA).said(10, 9, 0, &v1.AccessRetired{Access: "F"}).
				said(10, 10, 0, &v1.AccessRetired{Access: "F"})
			c.told(s)
			if st := s.on(13); (st.Stage == track.Retired) != (c.why != "") || c.why != "" && st.Next.Why != c.why {
				t.Errorf("it is %s: %s", st.Stage, st.Next.Why)
			}
		})
	}
}

func TestAHoldSaysHowOftenItWasNeedledUnder(t *testing.T) {
	s := tell(t).ready().said(12, 9, 0, &v1.HoldPlaced{Access: "F", PlacedBy: nurse("lead"), Reason: "Hot arm."})
	s.insert(13, 13, blunt).insert(15, 15, blunt).
		insert(15, 15, blunt, func(n *v1.NeedleInserted) { n.Track, n.Role = "V", v1.NeedleRole_NEEDLE_ROLE_VENOUS })
	j := s.judge(15)
	if h := j.Open()[0]; h.Needled != 2 || h.NeedledLast != on(15).Format(time.DateOnly) {
		t.Errorf("needled in %d sessions, last on %s; want 2 and day 15", h.Needled, h.NeedledLast)
	}
	if got := s.outcome(15); got != "early-blunt caution, needled-under-hold caution; forming, 6 of 6, none" {
		t.Errorf("two blunt sessions under the hold count for nothing: %s", got)
	}
}

// What is serious stands first, whatever needle comes next.
func TestTheHeadlineBeginsWithWhatIsSerious(t *testing.T) {
	st := tell(t).trial().insert(15, 15, because(v1.RescueReason_RESCUE_REASON_OTHER)).insert(17, 17, blunt).insert(19, 19, blunt).
		insert(21, 21, blunt).
		insert(26, 26, blunt, failed).insert(26, 26, blunt, failed, attempt(2)).
		insert(26, 26, attempt(3), because(v1.RescueReason_RESCUE_REASON_OTHER)).on(26)
	if st.Stage != track.Established || st.Next.Needle != track.Blunt {
		t.Fatalf("it is %s, next %s", st.Stage, st.Next.Needle)
	}
	for _, want := range []string{"2 rescues", "2025-03-17, 2025-03-28", "3 attempts by creator"} {
		if !strings.Contains(st.Next.Caution, want) {
			t.Errorf("the headline does not begin with %q: %s", want, st.Next.Why)
		}
	}
	if !strings.HasPrefix(st.Next.Why, st.Next.Caution) || !strings.HasSuffix(st.Next.Why, "Established: blunt needle.") {
		t.Errorf("the headline is %q, its caution %q", st.Next.Why, st.Next.Caution)
	}
	// A note is none of it.
	if st := tell(t).made().plan(0, angled(19)).on(1); st.Next.Caution != "" {
		t.Errorf("a note pushes into the headline: %q", st.Next.Caution)
	}
}

func TestAFirstInsertionWithoutAnAngleSaysWhatMendsIt(t *testing.T) {
	bare := func(n *v1.NeedleInserted) { n.AngleDegrees = nil }
	s := tell(t).made().insert(1, 1, bare).sharps(3, 7)
	st := s.on(15)
	if st.Counted != 0 || !strings.Contains(st.Next.Why,
		"The first insertion (2025-03-03) does not record its angle: no session counts until that is corrected.") ||
		strings.Contains(st.Next.Why, "more sharp session") {
		t.Errorf("%d count; it says %q", st.Counted, st.Next.Why)
	}
	if st := tell(t).made().insert(1, 1).sharps(3, 3).on(7); st.Mend != "" || !strings.Contains(st.Next.Why, "more sharp session") {
		t.Errorf("with its angle it says %q, to mend %q", st.Next.Why, st.Mend)
	}
}

// One infection that was reported twice is one hold on the card; each report is lifted by itself.
func TestOneInfectionIsOneHold(t *testing.T) {
	signs := &v1.SiteSignsSeen{Track: "A", Redness: present}
	s := tell(t).ready().said(12, 9, 0, signs)
	first := s.last()
	s.exam(12, func(x *v1.AccessExamined) { x.Sites = []*v1.SiteLook{{Track: "A", Redness: present}} }).said(13, 9, 0, signs)
	sizes := func(j track.Judgement) (out []int) {
		for _, g := range j.Shown() {
			out = append(out, len(g))
		}
		return out
	}
	j := s.judge(13)
	if got := sizes(j); !slices.Equal(got, []int{2, 1}) {
		t.Errorf("two reports of one day and one of the next are shown as %v, want 2 and 1", got)
	}
	s.lifted(13, rule.SiteInfection, first)
	j = s.judge(14)
	if got := sizes(j); !slices.Equal(got, []int{1, 1}) {
		t.Errorf("after the lift of one report they are shown as %v, want 1 and 1", got)
	}
	// Two persons' holds are two opinions.
	hold := &v1.HoldPlaced{Track: "A", PlacedBy: nurse("lead"), Reason: "Odd."}
	j = tell(t).ready().said(12, 9, 0, hold).said(12, 10, 0, hold).judge(12)
	if got := sizes(j); !slices.Equal(got, []int{1, 1}) {
		t.Errorf("two persons' holds are shown as %v, want 1 and 1", got)
	}
}

func TestATrackGivenUpAndPlannedAgainSaysSo(t *testing.T) {
	s := tell(t).ready().said(12, 6, 0, &v1.TrackRetired{Track: "A", Reason: "Aneurysm."}).plan(13)
	if st := s.on(13); st.Stage != track.Retired ||
		!strings.Contains(st.Next.Why, "was given up: Aneurysm. A later plan names it again, but that does not bring it back") {
		t.Errorf("it is %s and says %q", st.Stage, st.Next.Why)
	}
}

// A session number that is used on two days is two sessions, and what belongs to them goes by
// the day.
func TestASessionReferenceOverDaysIsASessionADay(t *testing.T) {
	s := tell(t).made().planned(0).insert(1, 7).insert(3, 7).insert(5, 7)
	s.said(3, 12, 7, &v1.NeedleRemoved{Track: "A", AngleDegrees: one(40.0)})
	st := s.on(5)
	if st.Counted != 3 || len(st.Recent) != 3 {
		t.Errorf("%d of %d sessions count, want three", st.Counted, len(st.Recent))
	}
	n := 0
	for _, f := range s.judge(5).Findings {
		if f.Rule == rule.ReferenceReused {
			n++
		}
	}
	if n != 2 {
		t.Errorf("the number is said to be used again %d times, want at the second and the third session", n)
	}
	// A long evening of twelve hours is one session.
	for hours, want := range map[int]int{12: 1, 13: 2} {
		s := tell(t).made().planned(0).said(1, 11, 7, needle()).said(1, float64(11+hours), 7, needle(attempt(2)))
		if st := s.on(3); len(st.Recent) != want {
			t.Errorf("attempts %d hours apart under one number are %d sessions, want %d", hours, len(st.Recent), want)
		}
	}
}

// A fact of which only the day is known is looked at from the start of that day.
func TestAFactKnownToTheDayIsLookedAtInTheMorning(t *testing.T) {
	s := tell(t).ready().said(12, 9, 0, &v1.HoldPlaced{Track: "A", PlacedBy: nurse("lead"), Reason: "Odd."}).byDay()
	items := s.items(12)
	held := func(at time.Time) track.State {
		j := track.Fold(track.Input{Items: items, Ratings: items, Book: protocol.NewBook(items),
			Zone: func(string) *time.Location { return time.UTC }, AsOf: at})
		return j.Tracks[0]
	}
	midnight := time.Date(2025, 3, 14, 0, 0, 0, 0, time.UTC)
	if st := held(midnight.Add(-time.Second)); len(st.Held) != 0 || st.Next.Needle != track.Blunt {
		t.Errorf("the evening before it is held: %v", st.Held)
	}
	for _, at := range []time.Time{midnight, midnight.Add(7 * time.Hour)} {
		if st := held(at); len(st.Held) != 1 || st.Next.Needle != track.None {
			t.Errorf("at %s it is not held", at.Format(time.TimeOnly))
		}
	}
	// A needle of that day is in doubt and no needle under a hold.
	s.insert(12, 12, blunt)
	if got := s.outcome(12); got != "forming, 6 of 6, none" {
		t.Errorf("a needle on the day of the hold: %s", got)
	}
	// A lift within the day lifts nothing, one at its end does.
	id := record.HoldID(rule.Person, record.FactID(s.events[s.last()-1].GetId(), 0))
	lift := &v1.HoldLifted{Hold: id, LiftedBy: nurse("surgeon"), Reason: "Seen and sound."}
	if st := s.said(12, 20, 0, lift).on(13); len(st.Held) != 1 {
		t.Error("a lift within the day of the hold lifted it")
	}
	if st := s.said(13, 0, 0, lift).on(13); len(st.Held) != 0 {
		t.Error("a lift at the end of the day of the hold did not lift it")
	}
}
