package track_test

import (
	"reflect"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/protocol"
	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// The life of a track adds to the judgement and changes nothing of it. On every history its
// sessions add up to what the judgement says.
func TestLivesAddUpToTheJudgement(t *testing.T) {
	var past, numbered int
	for i := range 250 {
		h := drawn(i)
		q, err := h.Ask()
		if err != nil {
			t.Fatal(err)
		}
		in, _ := asked(h, q)
		want, got := track.Fold(in), track.FoldLives(in)
		for k := range got.Tracks {
			s := &got.Tracks[k]
			life := s.Life
			s.Life = nil
			if life == nil {
				t.Fatalf("history %d: track %s has no life", i, s.Name)
			}
			var own []track.Session
			blunt, clean, rescues := 0, 0, 0
			for n, x := range life.Sessions {
				if n > 0 && x.At.Before(life.Sessions[n-1].At) {
					t.Errorf("history %d, track %s: the session of %s stands after that of %s", i, s.Name, x.Date, life.Sessions[n-1].Date)
				}
				if x.Attempts == 0 {
					if x.Tip != track.None || x.Counted || x.Used {
						t.Errorf("history %d: a treatment without a needle is %+v", i, x)
					}
					continue
				}
				own = append(own, x)
				if x.Past {
					blunt++
				}
				if x.Past && x.Clean {
					clean++
				}
				if x.Rescue {
					rescues++
				}
			}
			if blunt != s.Trends.BluntSessions || clean != s.Trends.BluntSuccessful || rescues != s.Trends.Rescues {
				t.Errorf("history %d, track %s: %d, %d, %d blunt sessions, good ones and rescues; the judgement has %d, %d, %d", i, s.Name,
					blunt, clean, rescues, s.Trends.BluntSessions, s.Trends.BluntSuccessful, s.Trends.Rescues)
			}
			past += blunt
			var recent []track.Visit
			for n := len(own) - 1; n >= max(0, len(own)-5); n-- {
				recent = append(recent, own[n].Visit)
			}
			if !reflect.DeepEqual(recent, s.Recent) {
				t.Errorf("history %d, track %s: the last sessions are\n%+v, the card's\n%+v", i, s.Name, recent, s.Recent)
			}
			if n := len(own); n > 0 && (s.Taken == nil || s.TakenAt.Before(own[n-1].At)) {
				numbered++
				if last := own[n-1]; last.Number != s.Counted {
					t.Errorf("history %d, track %s: %d sessions count after the last one, the judgement has %d", i, s.Name, last.Number, s.Counted)
				}
			}
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("history %d: the judgement with lives is another one", i)
		}
	}
	if past < 200 || numbered < 200 {
		t.Errorf("only %d blunt sessions and %d tracks were compared", past, numbered)
	}
}

// life is the life of track A as of noon of the day.
func (s *story) life(day int) []track.Session {
	s.t.Helper()
	items := s.items(day)
	j := track.FoldLives(track.Input{Items: items, Ratings: items, Book: protocol.NewBook(items),
		Zone: func(string) *time.Location { return s.zone }, AsOf: on(day).Add(4 * time.Hour)})
	i := slices.IndexFunc(j.Tracks, func(x track.State) bool { return x.Name == "A" })
	if i < 0 {
		s.t.Fatal("track A is not judged")
	}
	return j.Tracks[i].Life.Sessions
}

func (s *story) stopped(day, session int, minutes float64) *story {
	return s.fact(on(day).Add(3*time.Hour), session, cann(&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_NeedleRemoved{
		NeedleRemoved: &cannularyv1.NeedleRemoved{Track: "A", Access: "F", HaemostasisMinutes: proto.Float64(minutes)}}}))
}

func (s *story) started(day, session int, access string) *story {
	return s.fact(on(day), session, cann(&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_SessionStarted{
		SessionStarted: &cannularyv1.SessionStarted{Access: access}}}))
}

func TestALifeSaysWhatCountsAndWhyNot(t *testing.T) {
	got := tell(t).planned(0).sharps(1, 3).insert(7, 7, at(31)).insert(9, 9).insert(11, 11).insert(13, 13).insert(15, 15, blunt).
		insert(17, 17, blunt).insert(19, 19).life(20)
	type row struct {
		date    string
		stage   track.Stage
		counted bool
		number  int
		rescue  bool
	}
	want := []row{
		{"2025-03-03", track.Forming, true, 1, false}, {"2025-03-05", track.Forming, true, 2, false},
		{"2025-03-07", track.Forming, true, 3, false}, {"2025-03-09", track.Forming, false, 3, false},
		{"2025-03-11", track.Forming, true, 4, false}, {"2025-03-13", track.Forming, true, 5, false},
		{"2025-03-15", track.Ready, true, 6, false}, {"2025-03-17", track.Trial, true, 6, false},
		{"2025-03-19", track.Trial, true, 6, false}, {"2025-03-21", track.Trial, false, 6, true},
	}
	var rows []row
	for _, x := range got {
		rows = append(rows, row{x.Date, x.Stage, x.Counted, x.Number, x.Rescue})
	}
	if !reflect.DeepEqual(rows, want) {
		t.Fatalf("the life is\n%+v, want\n%+v", rows, want)
	}
	if x := got[3]; len(x.WhyNot) != 1 || x.WhyNot[0] != "more than 5° from the track's angle" || *x.Reference != 25 || x.Tolerance != 5 {
		t.Errorf("the session at 31° says %v, about %g°±%g°", x.WhyNot, *x.Reference, x.Tolerance)
	}
	if x := got[9]; !x.Past || x.Clean {
		t.Errorf("the rescue is past forming %v, clean %v", x.Past, x.Clean)
	}
}

func TestALifeShowsTreatmentsWithoutTheTrack(t *testing.T) {
	s := tell(t).planned(0).started(-1, 90, "F").insert(1, 1).started(1, 1, "F").started(3, 3, "C").started(5, 5, "F")
	s.cannulation(on(7), &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_SessionMissed{
		SessionMissed: &cannularyv1.SessionMissed{Reason: cannularyv1.MissedReason_MISSED_REASON_UNSPECIFIED}}})
	got := s.insert(9, 9).life(20)
	var rows []string
	for _, x := range got {
		rows = append(rows, x.Date+" "+string(x.Tip)+" "+x.Elsewhere+" "+x.Missed)
	}
	want := []string{"2025-03-03 sharp  ", "2025-03-05 none C ", "2025-03-07 none  ", "2025-03-09 none  no reason recorded", "2025-03-11 sharp  "}
	if !slices.Equal(rows, want) {
		t.Errorf("the life is %q, want %q", rows, want)
	}
}

func TestALifeHasBleedingBesideWhatIsUsual(t *testing.T) {
	s := tell(t).planned(0)
	for i := range 7 {
		s.insert(1+2*i, 1+2*i).stopped(1+2*i, 1+2*i, 8)
	}
	got := s.insert(15, 15).stopped(15, 15, 14).insert(17, 17).life(20)
	for i, x := range got[:8] {
		b := x.Bleeding
		if b == nil || (b.Usual != nil) != (i >= 6) || b.Longer != (i == 7) {
			t.Fatalf("session %d: bleeding is %+v", i+1, b)
		}
	}
	if b := got[7].Bleeding; b.Minutes != 14 || b.Usual.Median != 8 || b.Usual.Limit != 11 {
		t.Errorf("the eighth session bled %g min, usual %+v; want 14, 8 and at most 11", b.Minutes, b.Usual)
	}
	if got[8].Bleeding != nil {
		t.Errorf("the session without a record of bleeding has %+v", got[8].Bleeding)
	}
}

func TestALifeShowsPegs(t *testing.T) {
	got := tell(t).adopted("2025-01-01", &cannularyv1.Protocol{UsesPegs: proto.Bool(true)}).planned(0).
		insert(1, 1).peg(1, 3).insert(3, 3).pegLeft(3).insert(5, 5).life(20)
	type row struct {
		asked bool
		found track.Peg
		left  bool
	}
	want := []row{{false, track.PegUnknown, true}, {true, track.PegIn, true}, {true, track.PegUnknown, false}}
	for i, x := range got {
		if r := (row{x.PegAsked, x.PegFound, x.PegLeft}); r != want[i] {
			t.Errorf("session %d: the peg is %+v, want %+v", i+1, r, want[i])
		}
	}
	// A peg that was found once is not found again at every blunt needle that follows.
	used := tell(t).adopted("2025-01-01", &cannularyv1.Protocol{UsesPegs: proto.Bool(true)}).planned(0)
	for i := range 6 {
		used.insert(1+2*i, 1+2*i).peg(1+2*i, 3+2*i)
	}
	blunts := used.insert(13, 13, blunt).insert(15, 15, blunt).life(20)[6:]
	if blunts[0].PegFound != track.PegIn || blunts[1].PegFound != track.PegUnknown || blunts[1].PegAsked {
		t.Errorf("at the blunt sessions the pegs are %s and %s", blunts[0].PegFound, blunts[1].PegFound)
	}
	if got[2].Needed != 7 {
		t.Errorf("%d sessions are asked for after a peg that was not found, want 7", got[2].Needed)
	}
}
