package life_test

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/life"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

func on(month time.Month, day, hour int) time.Time {
	return time.Date(2026, month, day, hour, 0, 0, 0, time.UTC)
}

// told is a judgement of track A with a sharp session at each moment, as of 30 June.
func told(moments ...time.Time) (*track.Judgement, *card.Card) {
	l := &track.Life{}
	for _, at := range moments {
		l.Sessions = append(l.Sessions, track.Session{Visit: track.Visit{Date: at.Format(time.DateOnly), At: at, Tip: track.Sharp, Attempts: 1},
			Used: true, Stage: track.Forming})
	}
	j := &track.Judgement{AsOf: on(6, 30, 12), Tracks: []track.State{{ID: "id-a", Name: "A", Access: "F", Life: l}}}
	return j, &card.Card{Tracks: []card.Track{{ID: "id-a", Name: "A", Next: card.Next{Needle: "sharp", Session: 3}}}}
}

func of(t *testing.T, j *track.Judgement, c *card.Card, w life.Window) life.Life {
	t.Helper()
	w, err := w.Check()
	if err != nil {
		t.Fatal(err)
	}
	l, ok := life.Of(j, c, "A", w, time.UTC)
	if !ok {
		t.Fatal("track A has no life")
	}
	return l
}

func TestATrackIsFoundByIDAndByName(t *testing.T) {
	j, c := told(on(6, 1, 8))
	for named, want := range map[string]bool{"A": true, "id-a": true, "B": false, "": false} {
		if _, ok := life.Of(j, c, named, life.Window{Months: 3}, time.UTC); ok != want {
			t.Errorf("%q is found: %v, want %v", named, ok, want)
		}
	}
}

func TestTheMorningIsBeforeTheSession(t *testing.T) {
	j, c := told(on(6, 1, 7), on(6, 3, 4), on(6, 5, 5))
	var got []string
	for _, x := range of(t, j, c, life.Window{}).Columns {
		got = append(got, x.Morning.Format("2 15:04"))
	}
	if want := []string{"1 05:00", "3 00:00", "5 00:00"}; !reflect.DeepEqual(got, want) {
		t.Errorf("the mornings are %v, want %v: a treatment before five is looked at from midnight", got, want)
	}
}

func TestHoldsCoverTheSessionsOfTheirTime(t *testing.T) {
	j, c := told(on(6, 1, 8), on(6, 3, 8), on(6, 5, 8), on(6, 8, 8))
	hold := func(text string, since, lifted time.Time, tracks, accesses []string) {
		j.Holds = append(j.Holds, track.Hold{ID: text, Rule: rule.Person, Text: text, Since: since, Date: since.Format(time.DateOnly), Lifted: lifted,
			Tracks: tracks, Accesses: accesses, LiftedBy: &v1.StaffIdentifier{Value: "MD-1"}})
	}
	hold("over two", on(6, 2, 9), on(6, 6, 9), []string{"A"}, nil)
	hold("between", on(6, 3, 10), on(6, 3, 12), nil, []string{"F"})
	hold("open", on(6, 7, 9), time.Time{}, []string{"A"}, nil)
	hold("after all", on(6, 10, 9), on(6, 11, 9), []string{"A"}, nil)
	hold("elsewhere", on(6, 2, 9), time.Time{}, []string{"B"}, []string{"G"})
	got := map[string]string{}
	for _, h := range of(t, j, c, life.Window{}).Holds {
		got[h.Text] = fmt.Sprintf("%d %d %s %s", h.First, h.Last, h.Lifted, h.By)
	}
	want := map[string]string{"over two": "1 2 2026-06-06 MD-1", "between": "2 1 2026-06-03 MD-1", "open": "3 4  ", "after all": "4 3 2026-06-11 MD-1"}
	for k, v := range want {
		if strings.Join(strings.Fields(got[k]), " ") != strings.Join(strings.Fields(v), " ") {
			t.Errorf("hold %q lies at %q, want %q", k, got[k], v)
		}
	}
	if len(got) != len(want) {
		t.Errorf("the holds are %v", got)
	}
}

func TestFindingsStandAtTheirSession(t *testing.T) {
	j, c := told(on(6, 1, 8), on(6, 3, 8))
	find := func(seen, trackName, access string, since time.Time) {
		j.Findings = append(j.Findings, track.Finding{Rule: rule.AngleDrift, Severity: rule.Caution, Track: trackName, Access: access, Since: since, Seen: seen})
	}
	find("of the first", "A", "F", on(6, 1, 11))
	find("on a day between", "A", "F", on(6, 2, 11))
	find("of the access", "", "F", on(6, 3, 7))
	find("since then", "A", "F", on(6, 9, 7))
	find("of another track", "B", "F", on(6, 3, 7))
	l := of(t, j, c, life.Window{})
	seen := func(list []life.Finding) (out []string) {
		for _, f := range list {
			out = append(out, f.Seen)
		}
		return out
	}
	got := [][]string{seen(l.Columns[0].Findings), seen(l.Columns[1].Findings), seen(l.Now.Findings)}
	if want := [][]string{{"of the first"}, {"on a day between", "of the access"}, {"since then"}}; !reflect.DeepEqual(got, want) {
		t.Errorf("the findings are %v, want %v", got, want)
	}
}

func TestAWindowKeepsWhatLiesInIt(t *testing.T) {
	j, c := told(on(1, 5, 8), on(2, 5, 8), on(3, 5, 8), on(4, 5, 8), on(6, 5, 8))
	j.Holds = []track.Hold{{Text: "in February", Since: on(2, 1, 8), Lifted: on(2, 20, 8), Date: "2026-02-01", Tracks: []string{"A"}},
		{Text: "March until now", Since: on(3, 1, 8), Date: "2026-03-01", Tracks: []string{"A"}}}
	for _, c2 := range []struct {
		w              life.Window
		dates          string
		from, until    string
		earlier, later string
		now            bool
		holds          string
	}{
		{life.Window{}, "04-05 06-05", "2026-04", "2026-06", "2026-03", "", true, "March until now -1 2;"},
		{life.Window{Until: "2026-03"}, "01-05 02-05 03-05", "2026-01", "2026-03", "", "2026-06", false, "in February 1 1;March until now 2 5;"},
		{life.Window{Until: "2026-05"}, "03-05 04-05", "2026-03", "2026-05", "2026-02", "2026-06", false, "March until now 0 3;"},
		{life.Window{Until: "2025-12"}, "", "2025-10", "2025-12", "", "2026-03", false, ""},
		{life.Window{Until: "2026-12", Months: 3}, "", "2026-10", "2026-12", "2026-09", "", true, "March until now -3 0;"},
		{life.Window{Months: 12}, "01-05 02-05 03-05 04-05 06-05", "2025-07", "2026-06", "", "", true, "in February 1 1;March until now 2 5;"},
	} {
		l := of(t, j, c, c2.w)
		var dates []string
		for _, x := range l.Columns {
			dates = append(dates, x.Date[5:])
		}
		holds := ""
		for _, h := range l.Holds {
			holds += fmt.Sprintf("%s %d %d;", h.Text, h.First, h.Last)
		}
		w := l.Window
		if strings.Join(dates, " ") != c2.dates || w.From != c2.from || w.Until != c2.until || w.Earlier != c2.earlier || w.Later != c2.later ||
			(l.Now != nil) != c2.now || holds != c2.holds {
			t.Errorf("%+v: %v, %+v, now %v, holds %q", c2.w, dates, w, l.Now != nil, holds)
		}
	}
}

// What is not recorded is nil or empty in a column, and a treatment without a needle is no session.
func TestAColumnClaimsNothing(t *testing.T) {
	j, c := told(on(6, 1, 8), on(6, 3, 8))
	j.Tracks[0].Life.Sessions[1] = track.Session{Visit: track.Visit{Date: "2026-06-03", At: on(6, 3, 8), Tip: track.None}}
	j.Tracks[0].Life.Sessions[0].Tip = track.None
	l := of(t, j, c, life.Window{})
	x := l.Columns[0]
	if x.Needle != life.Unknown || x.Angle != nil || x.Passes != nil || x.Pain != nil || x.Resistance != "" || x.Bleeding != nil || x.Pressure != nil ||
		x.Who != "" || x.Off || x.Longer {
		t.Errorf("a session without details is %+v", x)
	}
	if l.Columns[1].Needle != life.NoneYet || l.Sessions != 1 || l.Treatments != 1 {
		t.Errorf("%q, %d sessions and %d treatments", l.Columns[1].Needle, l.Sessions, l.Treatments)
	}
}
