package track_test

import (
	"strings"
	"testing"
	"time"

	"cannulary/internal/oracle/needling"
	"cannulary/internal/protocol"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

// What cannot be true together stands first in the advice, whatever needle comes next. (Common practice, no source.)
func TestAContradictionStandsFirst(t *testing.T) {
	onG := func(p *v1.TrackPlanned) { p.Access = "G" }
	in := func(access string) func(*v1.NeedleInserted) { return func(n *v1.NeedleInserted) { n.Access = access } }
	hold := func(track, access string) *v1.HoldPlaced {
		return &v1.HoldPlaced{Track: track, Access: access, PlacedBy: nurse("lead"), Reason: "Pus."}
	}
	takeover := func(s v1.TrackStage) *v1.TrackTakenOver {
		return &v1.TrackTakenOver{Track: "A", Access: "F", Stage: s, DeclaredBy: nurse("lead"), Evidence: "Seen."}
	}
	const moved = "The last needle of this track is recorded in access F, but the track lies on access G."
	for _, c := range []struct {
		says string
		told func(*story)
		want string
		next track.Needle
	}{
		{"all agrees", func(s *story) { s.ready() }, "", track.Blunt},
		{"a plan puts the track on another access", func(s *story) { s.ready().plan(12, onG) }, moved, track.Blunt},
		{"and back again", func(s *story) { s.ready().plan(12, onG).plan(12) }, "", track.Blunt},
		{"needles are recorded in another access than the plan's", func(s *story) {
			s.made().planned(0)
			for day := 1; day <= 11; day += 2 {
				s.insert(day, day, in("H"))
			}
		}, "The last needle of this track is recorded in access H, but the track lies on access F.", track.Blunt},
		{"a needle that names no access is in the track's", func(s *story) {
			s.made().planned(0)
			for day := 1; day <= 11; day += 2 {
				s.insert(day, day, in(""))
			}
		}, "", track.Blunt},
		{"a hold on a track that nobody knows", func(s *story) { s.ready().said(12, 9, 0, hold("a", "")) },
			"A hold is open on track a (Pus), and nothing else of this patient's record knows that name.", track.Blunt},
		{"a hold on an access that nobody knows", func(s *story) { s.ready().said(12, 9, 0, hold("", "f")) },
			"A hold is open on access f (Pus), and nothing else of this patient's record knows that name.", track.Blunt},
		{"no thrill at an access that nobody knows", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Access, x.Feel.Thrill = "f", absent })
		}, "A hold is open on access f (no thrill), and nothing else of this patient's record knows that name.", track.Blunt},
		{"a hold on an access that the record knows", func(s *story) {
			s.ready().said(1, 5, 0, &v1.AccessCreated{Access: "C", Kind: v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER}).
				said(12, 9, 0, hold("", "C"))
		}, "", track.Blunt},
		{"a hold on an access through which there was a treatment", func(s *story) {
			s.ready().started(12, 12, "C").said(12, 9, 0, hold("", "C"))
		}, "", track.Blunt},
		{"a lifted hold on a track that nobody knows", func(s *story) {
			s.ready().said(10, 9, 0, hold("a", "")).lifted(10, rule.Person, s.last())
		}, "", track.Blunt},
		{"the track itself is held: that says enough", func(s *story) {
			s.ready().said(12, 9, 0, hold("a", "")).said(12, 9, 0, hold("A", ""))
		}, "", track.None},
		{"a takeover of a track that this record has from its first session on", func(s *story) {
			s.made().planned(0).sharps(1, 2).said(12, 7, 0, takeover(v1.TrackStage_TRACK_STAGE_ESTABLISHED))
		}, "The takeover of 2025-03-14 declares the track established, but this record has its sessions from the first on, and 2 of them " +
			"count: make sure that it takes a blunt needle.", track.Blunt},
		{"once it was needled after that, the needles speak", func(s *story) {
			s.made().planned(0).sharps(1, 2).said(9, 7, 0, takeover(v1.TrackStage_TRACK_STAGE_ESTABLISHED)).insert(11, 11, blunt)
		}, "", track.Blunt},
		{"a takeover of a track that is older than the record", func(s *story) {
			s.made().said(9, 7, 0, takeover(v1.TrackStage_TRACK_STAGE_ESTABLISHED))
		}, "", track.Blunt},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := tell(t)
			c.told(s)
			st := s.on(12)
			if !strings.HasPrefix(st.Next.Caution, c.want) || c.want == "" && st.Next.Caution != "" {
				t.Errorf("the caution is %q, want %q first", st.Next.Caution, c.want)
			}
			if !strings.HasPrefix(st.Next.Why, st.Next.Caution) || st.Next.Needle != c.next {
				t.Errorf("next %s, want %s: %s", st.Next.Needle, c.next, st.Next.Why)
			}
		})
	}
}

// agrees holds the judgement of the day against the reference's.
func (s *story) agrees(day int) {
	s.t.Helper()
	items := s.items(day)
	want := needling.Fold(needling.Input{Items: items, Ratings: items, Book: protocol.NewBook(items),
		Zone: func(string) *time.Location { return s.zone }, AsOf: on(day).Add(4 * time.Hour)}, needling.None)
	if d := difference(told(s.judge(day)), want); d != "" {
		s.t.Errorf("judged and reference differ:%s", d)
	}
}

// A night shift goes over midnight: the scab that was left before it keeps the needle back after it too. (Common practice, no
// source.)
func TestAScabKeepsTheNeedleBackUntilTheSessionEnds(t *testing.T) {
	left := func(session int) func(*story) {
		return func(s *story) {
			s.rated("creator", "2025-01-01", creatorLevel).planned(0).sharps(1, 6).
				said(13, 23.9, session, &v1.SitePrepared{Track: "A", Scab: v1.Removal_REMOVAL_PARTLY})
		}
	}
	for _, c := range []struct {
		says string
		told func(*story)
		day  int
		next track.Needle
	}{
		{"that evening", left(13), 13, track.Blunt}, // as of noon, before it
		{"after midnight, the session goes on", left(13), 14, track.None},
		{"a day later nobody waits for its end any more", left(13), 15, track.Blunt},
		{"after midnight, without a session", left(0), 14, track.Blunt},
		{"the session ended without a needle", func(s *story) {
			left(13)(s)
			s.said(14, 1, 13, &v1.SessionEnded{})
		}, 14, track.Blunt},
		{"another session ended", func(s *story) {
			left(13)(s)
			s.said(14, 1, 12, &v1.SessionEnded{})
		}, 14, track.None},
		{"it was removed whole after midnight", func(s *story) {
			left(13)(s)
			s.said(14, 0.5, 13, &v1.SitePrepared{Track: "A", Scab: v1.Removal_REMOVAL_WHOLE})
		}, 14, track.Blunt},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := tell(t)
			c.told(s)
			if st := s.on(c.day); st.Next.Needle != c.next {
				t.Errorf("next %s, want %s: %s", st.Next.Needle, c.next, st.Next.Why)
			}
			s.agrees(c.day)
		})
	}
}

// Whoever lifts a hold knows the places that were reported by then, and no others. (Common practice, no source.)
func TestALiftReachesNoPlaceThatACorrectionBringsInLater(t *testing.T) {
	noThrill := func(access string) func(*v1.AccessExamined) {
		return func(x *v1.AccessExamined) { x.Access, x.Feel.Thrill = access, absent }
	}
	for _, c := range []struct {
		says string
		told func(s *story, ground int)
		next track.Needle
	}{
		{"the lift alone", func(*story, int) {}, track.Blunt},
		{"it was the other arm, asserted after the lift", func(s *story, n int) { s.corrected(15, n, noThrill("F")) }, track.None},
		{"it was the other arm, asserted before the lift", func(s *story, n int) { s.corrected(13, n, noThrill("F")) }, track.Blunt},
		{"a lift after that correction", func(s *story, n int) {
			s.corrected(15, n, noThrill("F")).lifted(16, rule.ThrillAbsent, n)
		}, track.Blunt},
		{"the same place again, in other words", func(s *story, n int) {
			s.corrected(15, n, noThrill("G"), func(x *v1.AccessExamined) { x.Listen.Bruit = absent })
		}, track.Blunt},
		{"that correction was voided: the hold stays until a person lifts it", func(s *story, n int) {
			s.corrected(15, n, noThrill("F")).void(15, s.last())
		}, track.None},
	} {
		t.Run(c.says, func(t *testing.T) {
			s := tell(t).ready().said(1, 5, 0, &v1.AccessCreated{Access: "G"}).exam(12, noThrill("G"))
			ground := s.last()
			s.lifted(14, rule.ThrillAbsent, ground)
			c.told(s, ground)
			if st := s.on(17); st.Next.Needle != c.next {
				t.Errorf("next %s, want %s: %s", st.Next.Needle, c.next, st.Next.Why)
			}
			s.agrees(17)
		})
	}
}
