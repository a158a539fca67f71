package unit_test

import (
	"math"
	"reflect"
	"testing"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
	"cannulary/internal/track"
	"cannulary/internal/unit"
	v1 "cannulary/proto/cannulary/v1"
)

func day(s string) zone.Day {
	d, err := zone.ParseDay(s)
	if err != nil {
		panic(err)
	}
	return d
}

// The limits of Clopper and Pearson (1934) as tables give them, from memory: 0 and 10 of 10, half
// of ten, and 81 of 263 (Newcombe, Stat Med 1998;17:857).
func TestSharesHaveExactLimits(t *testing.T) {
	for _, c := range []struct {
		some, of     int
		lower, upper float64
	}{{0, 10, 0, 0.3085}, {10, 10, 0.6915, 1}, {5, 10, 0.1871, 0.8129}, {81, 263, 0.2527, 0.3676}, {0, 0, 0, 1}} {
		s := unit.ShareOf(c.some, c.of)
		if math.Abs(s.Lower-c.lower) > 5e-5 || math.Abs(s.Upper-c.upper) > 5e-5 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", c.some, c.of, s.Lower, s.Upper, c.lower, c.upper)
		}
	}
}

func TestTwoYearsAreCompared(t *testing.T) {
	for _, c := range []struct {
		name        string
		now, before incidence.Group
		verdict     unit.Verdict
		ratio       float64
	}{
		// Counts and patient-years of Nesrallah (Clin J Am Soc Nephrol 2010), the 8 by subtraction;
		// ratio 8.29, exact limits 1.654 to 80.10, computed apart from this program.
		{"far more than last year", incidence.Group{Events: 8, Exposure: 93.4}, incidence.Group{Events: 2, Exposure: 193.5}, unit.HardlyChance, 8.29},
		{"the same", incidence.Group{Events: 5, Exposure: 1000}, incidence.Group{Events: 5, Exposure: 1000}, unit.CouldBeChance, 1},
		{"a little more", incidence.Group{Events: 6, Exposure: 1000}, incidence.Group{Events: 3, Exposure: 1000}, unit.CouldBeChance, 2},
		// Half to the power of five, twice, is 0.0625; to the power of six 0.031.
		{"five of five", incidence.Group{Events: 5, Exposure: 1000}, incidence.Group{Events: 0, Exposure: 1000}, unit.TooFew, math.Inf(1)},
		{"six of six", incidence.Group{Events: 6, Exposure: 1000}, incidence.Group{Events: 0, Exposure: 1000}, unit.HardlyChance, math.Inf(1)},
		{"none at all", incidence.Group{Exposure: 1000}, incidence.Group{Exposure: 1000}, unit.TooFew, math.NaN()},
		{"two events, one of them rarely watched", incidence.Group{Events: 2, Exposure: 10}, incidence.Group{Events: 0, Exposure: 1000}, unit.HardlyChance, math.Inf(1)},
		{"nobody last year", incidence.Group{Events: 3, Exposure: 1000}, incidence.Group{}, unit.NoComparison, math.NaN()},
	} {
		y, err := unit.Compare(c.now, c.before, 1000)
		if err != nil || y.Verdict != c.verdict {
			t.Errorf("%s: %q, %v; want %q", c.name, y.Verdict, err, c.verdict)
			continue
		}
		switch finite := !math.IsNaN(c.ratio) && !math.IsInf(c.ratio, 0); {
		case finite && (y.Ratio == nil || math.Abs(*y.Ratio-c.ratio) > 0.005):
			t.Errorf("%s: the ratio is %v, want %g", c.name, y.Ratio, c.ratio)
		case !finite && y.Ratio != nil:
			t.Errorf("%s: a ratio of %g is shown", c.name, *y.Ratio)
		}
		if c.name == "the same" && (y.Rate.Value != 5 || math.Abs(y.Rate.Lower-1.6235) > 5e-5 || math.Abs(y.RateBefore.Upper-11.6683) > 5e-5) {
			t.Errorf("5 in 1000 is %+v; the exact limits of 5 are 1.6235 and 11.6683 (Garwood 1936)", y.Rate)
		}
		// The word follows from the limits alone.
		if y.Verdict == unit.HardlyChance || y.Verdict == unit.CouldBeChance {
			within := *y.Lower <= 1 && (y.Upper == nil || *y.Upper >= 1)
			if within != (y.Verdict == unit.CouldBeChance) {
				t.Errorf("%s: %q with limits from %g to %v", c.name, y.Verdict, *y.Lower, y.Upper)
			}
		}
	}
}

// begun is a track whose sessions lie two days apart from a first day on; the last n of them are
// good blunt ones if the track is ready by then.
func begun(first string, sharp int, ready bool, blunt int) unit.Track {
	t := unit.Track{Patient: first, Name: "A", Stage: track.Forming}
	for i := range sharp + blunt {
		s := unit.Session{Day: day(first) + zone.Day(2*i), Forming: i < sharp, Past: i >= sharp, Clean: i >= sharp,
			Ready: ready && i >= sharp-1, Listed: v1.Answer_ANSWER_YES, Who: "one"}
		t.Sessions = append(t.Sessions, s)
	}
	if ready {
		t.Stage = track.Trial
	}
	return t
}

func TestFiguresOfAUnit(t *testing.T) {
	givenUp := begun("2026-02-01", 3, false, 0)
	givenUp.Stage, givenUp.GivenUp = track.Retired, day("2026-02-20")
	declared := begun("2026-02-01", 2, true, 4)
	declared.Declared = true
	old := begun("2024-02-01", 8, true, 9)
	rescued := begun("2026-01-10", 6, true, 4)
	rescued.Sessions[8].Rescue, rescued.Sessions[8].Clean = true, false
	rescued.Sessions[2].Listed, rescued.Sessions[2].Who = v1.Answer_ANSWER_NO, "two"
	rescued.Sessions[3].Listed, rescued.Sessions[3].Who = v1.Answer_ANSWER_UNSPECIFIED, ""
	away := begun("2026-03-01", 4, false, 0)
	away.Away = true
	tracks := []unit.Track{begun("2026-01-01", 6, true, 2), rescued, begun("2026-05-01", 3, false, 0), givenUp, declared, old, away}
	p := surveil.Period{From: surveil.MonthOf(2025, time.July), To: surveil.MonthOf(2026, time.June)}
	f := unit.Of(tracks, p, day("2026-05-20"))

	r := f.Readiness
	if r.Begun != 5 || r.Reached != 2 || r.OnTheWay != 1 || r.GivenUp != 2 || r.Declared != 1 {
		t.Errorf("readiness counts %+v", r)
	}
	// Watched for 4 and 6 days without being ready (given up; left), ready after 10 days twice, on
	// the way for 19: after 10 days 1 of 3 is left.
	if r.Quarter == nil || *r.Quarter != 10 || r.Median == nil || *r.Median != 10 || r.Three != nil {
		t.Errorf("a quarter after %v, half after %v, three quarters after %v", r.Quarter, r.Median, r.Three)
	}
	if f.Blunt.Some != 9 || f.Blunt.Of != 10 || f.Rescues.Some != 1 || f.Rescues.Of != 10 {
		t.Errorf("blunt %+v, rescues %+v; want 9 and 1 of 10, the old track left out", f.Blunt, f.Rescues)
	}
	if c := f.Continuity; c.Listed != 22 || c.Others != 1 || c.Unknown != 1 || c.Share.Some != 22 || c.Share.Of != 24 || c.Tracks != 6 ||
		c.Median != 1 || c.Most != 2 {
		t.Errorf("continuity %+v", c)
	}
	stages := map[track.Stage]int{}
	for _, s := range f.Stages {
		stages[s.Stage] = s.Tracks
	}
	if want := (map[track.Stage]int{track.Planned: 0, track.Forming: 1, track.Ready: 0, track.Trial: 4, track.Established: 0, track.Resting: 0,
		track.Retired: 1}); !reflect.DeepEqual(stages, want) {
		t.Errorf("by stage %v, want %v", stages, want)
	}
	years, err := unit.Needling(tracks, surveil.MonthOf(2026, time.June))
	if err != nil || years[0].Events != 1 || years[0].Exposure != 10 || years[0].Before != 0 || years[0].Verdict != unit.NoComparison {
		t.Errorf("needling of the years is %+v, %v", years, err)
	}
}

func TestARatingLapsesAfterTheProtocolsMonths(t *testing.T) {
	rated := func(who string, level v1.CannulatorLevel, at time.Time, facility string) record.Item {
		return record.Item{Fact: record.Fact{Kind: record.KindCannulatorRated, At: at, Facility: facility,
			Body: &v1.CannulatorRated{Cannulator: &v1.StaffIdentifier{System: "urn:s", Value: who}, Level: level}}}
	}
	creator := v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR
	on := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 12, 0, 0, 0, time.UTC) }
	ratings := []record.Item{rated("b", creator, on(2025, 3, 1), "u"), rated("z", creator, on(2025, 5, 21), "u"),
		rated("a", v1.CannulatorLevel_CANNULATOR_LEVEL_INDEPENDENT, on(2025, 6, 1), "u"), rated("elsewhere", creator, on(2025, 6, 1), "v"),
		rated("b", creator, on(2025, 5, 20), "v"), rated("b", creator, on(2026, 9, 1), "u")}
	tracks := []unit.Track{{Patient: "p", Name: "A1", Stage: track.Forming, Creator: &v1.StaffIdentifier{System: "urn:s", Value: "b"},
		Deputies: []*v1.StaffIdentifier{{System: "urn:s", Value: "unrated"}}}}
	utc := func(string) *time.Location { return time.UTC }
	got := unit.Cannulators(ratings, tracks, "u", 12, day("2026-05-21"), utc)
	var names []string
	for _, c := range got {
		names = append(names, c.Name)
	}
	if !reflect.DeepEqual(names, []string{"a", "b", "unrated", "z"}) {
		t.Fatalf("the cannulators are %v, in the order of names", names)
	}
	if r := got[1].Rating; !r.Lapsed || r.Until != "2026-05-20" || len(got[1].Before) != 1 || len(got[1].Created) != 1 {
		t.Errorf("rated on 20 May 2025, on 21 May 2026: %+v, %+v", r, got[1])
	}
	if r := got[3].Rating; r.Lapsed || r.Until != "2026-05-21" {
		t.Errorf("rated on 21 May 2025, on 21 May 2026: %+v; the last day still counts", r)
	}
	if r := got[0].Rating; r.Level != "follows tracks alone" || r.Until != "" || r.Lapsed {
		t.Errorf("the rating of who follows tracks is %+v", r)
	}
	if got[2].Rating != nil || len(got[2].Deputy) != 1 {
		t.Errorf("the deputy without a rating is %+v", got[2])
	}
}
