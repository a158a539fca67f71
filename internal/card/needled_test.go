package card_test

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/card"
	"cannulary/internal/record/zone"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// in adds a fact to a session of a day.
func (h *history) in(n int, f *v1.CannulationFact) *history {
	return h.add(day(n), "T-"+time.Weekday(n%7).String()+"-"+day(n).Format("02"),
		&logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: f}})
}

func inserted(role v1.NeedleRole, ordinal uint32, change ...func(*v1.NeedleInserted)) *v1.CannulationFact {
	x := &v1.NeedleInserted{Access: "F2", Role: role, AttemptOrdinal: ordinal, Pattern: v1.NeedlingPattern_NEEDLING_PATTERN_ROPE_LADDER,
		Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Gauge: proto.Uint32(16), AngleDegrees: proto.Float64(25),
		Direction:  v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE,
		Cannulator: staff("CN-04"), Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL}
	for _, f := range change {
		f(x)
	}
	return &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: x}}
}

func failed(x *v1.NeedleInserted) {
	x.Outcome, x.Resistance, x.Passes = v1.InsertionOutcome_INSERTION_OUTCOME_FAILED, v1.Resistance_RESISTANCE_HARD, proto.Uint32(3)
}

func started(access string, pump uint32) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionStarted{SessionStarted: &v1.SessionStarted{Access: access,
		PumpSpeedMillilitresPerMinute: proto.Uint32(pump)}}}
}

func complication(k v1.ComplicationKind) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_ComplicationSeen{ComplicationSeen: &v1.ComplicationSeen{Access: "F2", Kind: k}}}
}

func removed(role v1.NeedleRole, minutes float64) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleRemoved{NeedleRemoved: &v1.NeedleRemoved{Access: "F2", Role: role,
		HaemostasisMinutes: proto.Float64(minutes)}}}
}

const (
	arterial = v1.NeedleRole_NEEDLE_ROLE_ARTERIAL
	venous   = v1.NeedleRole_NEEDLE_ROLE_VENOUS
)

// What the card says of sessions without a needle in a track, as a nurse would say it.
func TestSessionsWithoutATrack(t *testing.T) {
	tell := func() *history { return &history{t: t} }
	for sentence, c := range map[string]struct {
		h    *history
		want [][]string
	}{
		"rope ladder: both needles, what they were, who, and what went wrong": {
			tell().in(3, started("F2", 320)).in(3, inserted(arterial, 1, failed)).in(3, inserted(arterial, 2)).in(3, inserted(venous, 1)).
				in(3, complication(v1.ComplicationKind_COMPLICATION_KIND_INFILTRATION)).in(3, removed(venous, 12)),
			[][]string{{"2025-03-03: access F2, pump 320 mL/min. Problems: infiltration",
				"Arterial: sharp 16G, 25°, with the flow, rope ladder; 2 attempts, 3 passes; by CN-04",
				"Venous: sharp 16G, 25°, with the flow, rope ladder; bleeding stopped after 12 min; by CN-04"}}},
		"the newest session comes first": {tell().in(3, inserted(arterial, 1)).in(5, inserted(arterial, 1)),
			[][]string{{"2025-03-05: access F2", "Arterial: sharp 16G, 25°, with the flow, rope ladder; by CN-04"},
				{"2025-03-03: access F2", "Arterial: sharp 16G, 25°, with the flow, rope ladder; by CN-04"}}},
		"a catheter has no needle": {tell().in(3, started("C1", 300)),
			[][]string{{"2025-03-03: access C1, pump 300 mL/min, no needle recorded"}}},
		"a needle that could not be used is said so": {tell().in(3, inserted(arterial, 1, failed)),
			[][]string{{"2025-03-03: access F2",
				"Arterial: sharp 16G, 25°, with the flow, rope ladder; 3 passes, hard resistance, could not be used; by CN-04"}}},
		"what is not recorded is said so": {tell().in(3, inserted(0, 1, func(x *v1.NeedleInserted) {
			x.Tip, x.Gauge, x.AngleDegrees, x.Direction, x.Pattern, x.Cannulator = 0, nil, nil, 0, 0, nil
		})), [][]string{{"2025-03-03: access F2",
			"Role not recorded: needle not recorded gauge not recorded, angle not recorded, direction not recorded; by not recorded"}}},
		"sessions in a track are with the track":                      {tell().planned().needles(3, 5), nil},
		"a session with a needle in a track and one beside it":        {tell().planned().needle(3).add(day(3), "T-3", &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: inserted(venous, 1)}}), [][]string{{"2025-03-03: access F2", "Venous: sharp 16G, 25°, with the flow, rope ladder; by CN-04"}}},
		"a voided needle is gone":                                     {tell().in(3, inserted(arterial, 1)).voids(day(4), "m0"), nil},
		"what happens later than the moment asked for is not known":   {tell().in(22, inserted(arterial, 1)), nil},
		"a complication alone is shown, so that it is not overlooked": {tell().in(3, complication(v1.ComplicationKind_COMPLICATION_KIND_HAEMATOMA)), [][]string{{"2025-03-03: access not recorded, no needle recorded. Problems: haematoma"}}},
	} {
		got := c.h.card(20)
		var lines [][]string
		for _, x := range got.Treatments {
			lines = append(lines, card.TreatmentText(x))
		}
		if !reflect.DeepEqual(lines, c.want) {
			t.Errorf("%s:\n got %q\nwant %q", sentence, lines, c.want)
		}
		text := strings.Join(strings.Fields(card.Text(got)), " ")
		for _, l := range c.want {
			for _, s := range l {
				if !strings.Contains(text, s) {
					t.Errorf("%s: the text does not say %q", sentence, s)
				}
			}
		}
		needles := false
		for _, l := range c.want {
			needles = needles || len(l) > 1
		}
		if strings.Contains(text, card.SpotUnknown) != needles {
			t.Errorf("%s: that the spot is not recorded is said: %v", sentence, !needles)
		}
	}
}

// Where the last needle went in is shown, so that the next one goes elsewhere.
func TestTheSpotOfANeedleWithoutATrackIsShown(t *testing.T) {
	for _, c := range []struct {
		name, site, says string
	}{
		{"the spot is recorded", "step 3 of 6 from the anastomosis", card.SpotKnown},
		{"the spot is not recorded", "", card.SpotUnknown},
	} {
		h := (&history{t: t}).in(3, inserted(arterial, 1, func(n *v1.NeedleInserted) { n.Site = c.site }))
		got := h.card(20)
		text := strings.Join(strings.Fields(card.Text(got)), " ")
		if strings.Contains(text, "at step 3 of 6 from the anastomosis") != (c.site != "") || !strings.Contains(text, c.says) ||
			card.Rotation(got.Treatments) != c.says {
			t.Errorf("%s: %s", c.name, text)
		}
	}
}

func TestTheCardShowsFiveSessionsWithoutATrack(t *testing.T) {
	h := &history{t: t}
	for n := 3; n < 11; n++ {
		h.in(n, inserted(arterial, 1))
	}
	got := h.card(20).Treatments
	if len(got) != 5 || got[0].Date != "2025-03-10" || got[4].Date != "2025-03-06" {
		t.Errorf("%d sessions are shown: %+v", len(got), got)
	}
}

// A session belongs to the day of its facility.
func TestTheDayOfATreatmentIsTheFacilitys(t *testing.T) {
	far, err := zone.Load("Pacific/Auckland")
	if err != nil {
		t.Fatal(err)
	}
	h := (&history{t: t}).add(time.Date(2025, 3, 3, 20, 0, 0, 0, time.UTC), "T-1",
		&logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: inserted(arterial, 1)}})
	c := h.card(20, func(in *card.Input) { in.Zone = func(string) *time.Location { return far } })
	if c.Treatments[0].Date != "2025-03-04" {
		t.Errorf("the session is of %s, want the 4th", c.Treatments[0].Date)
	}
}

// Where a track lies is that of its latest plan; where that is silent, of its takeover.
func TestPlaceOfATrack(t *testing.T) {
	plan := func(h *history, site, tips *uint32) *history {
		return h.cannulation(day(2), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: &v1.TrackPlanned{Access: "F1",
			TipDistanceMillimetres: tips, Tracks: []*v1.TrackPlan{{Track: "A1", Role: arterial, SiteFromAnastomosisMillimetres: site}}}}})
	}
	taken := func(h *history) *history {
		return h.cannulation(day(1), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: &v1.TrackTakenOver{
			Track: "A1", Access: "F1", Role: arterial, Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED, DeclaredBy: staff("CN-01"),
			Evidence: "a log", SiteFromAnastomosisMillimetres: proto.Uint32(90)}}})
	}
	is := func(name string, c card.Card, site, tips uint32) {
		t.Helper()
		x := c.Tracks[0]
		of := func(p *uint32) uint32 {
			if p == nil {
				return 0
			}
			return *p
		}
		if of(x.SiteMillimetres) != site || of(x.TipDistance) != tips {
			t.Errorf("%s: site %d, tips %d, want %d, %d", name, of(x.SiteMillimetres), of(x.TipDistance), site, tips)
		}
		if x.KeepAway != 38 { // 38 mm: from memory, the protocol's default
			t.Errorf("%s: keep away %d mm", name, x.KeepAway)
		}
	}
	is("planned", plan(&history{t: t}, proto.Uint32(60), proto.Uint32(70)).card(3), 60, 70)
	is("not recorded", plan(&history{t: t}, nil, nil).card(3), 0, 0)
	is("taken over", taken(&history{t: t}).card(3), 90, 0)
	is("taken over, then planned", plan(taken(&history{t: t}), proto.Uint32(60), nil).card(3), 60, 0)
	is("taken over, then planned without a site", plan(taken(&history{t: t}), nil, proto.Uint32(66)).card(3), 90, 66)
}

// A declaration says what has been recorded since.
func TestWhatIsRecordedSinceATakeover(t *testing.T) {
	h := (&history{t: t}).needles(1).cannulation(day(2), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{
		TrackTakenOver: &v1.TrackTakenOver{Track: "A1", Access: "F1", Role: arterial, Stage: v1.TrackStage_TRACK_STAGE_TRIAL,
			DeclaredBy: staff("CN-01"), Evidence: "a log", AngleDegrees: proto.Float64(25), Creator: staff("CN-01")}}})
	says := func(n int, want string) {
		t.Helper()
		if got := h.card(n).Tracks[0].Declared; !strings.HasSuffix(got, want) {
			t.Errorf("on the %dth: %q, want it to end with %q", n, got, want)
		}
	}
	says(2, "declared, not recorded here: trial. Declared by CN-01 on 2025-03-02. Evidence: a log. No session is recorded here since then.")
	h.needle(3, blunt)
	says(4, "Recorded here since then: 1 session.")
	h.needle(5, blunt).needle(7, blunt)
	says(8, "Recorded here since then: 3 sessions, and with them the track is established now.")
}

// Every fact that something on the card rests on has its source: who recorded what when, and which
// system sent it.
func TestSources(t *testing.T) {
	h := (&history{t: t}).planned().needles(3).needle(14, func(x *v1.NeedleInserted) { x.AngleDegrees = proto.Float64(35) }).
		cannulation(day(15), hold(&v1.HoldPlaced{Track: "A1", Reason: "Redness"}))
	h.events[1].Recorder = staff("CN-08")
	c := h.card(16)
	have := map[string]card.Source{}
	for i, s := range c.Sources {
		have[s.Fact] = s
		if i > 0 && s.At.Before(c.Sources[i-1].At) {
			t.Error("the sources are not in order")
		}
	}
	asked := 0
	for _, x := range c.Tracks {
		for _, f := range x.Findings {
			for _, id := range f.Facts {
				asked++
				if have[id].System != "test" || have[id].What == "" || have[id].At.IsZero() || have[id].ArrivedAt.IsZero() {
					t.Errorf("the source of %s, on which %s rests, is %+v", id, f.Rule, have[id])
				}
			}
		}
		if have[x.Basis].What != "track planned" {
			t.Errorf("track %s rests on %+v", x.Name, have[x.Basis])
		}
	}
	for _, x := range c.Holds {
		asked++
		if have[x.Ground].What != "hold placed" {
			t.Errorf("the hold rests on %+v", have[x.Ground])
		}
	}
	if asked < 3 {
		t.Errorf("only %d facts were asked for", asked)
	}
	// Nothing but what the card rests on.
	if len(c.Sources) > asked+1 {
		t.Errorf("%d sources for %d facts", len(c.Sources), asked)
	}
}

func TestSchedule(t *testing.T) {
	set := func(h *history, n int, shift string, days ...v1.Weekday) *history {
		return h.roster(day(n), &v1.RosterFact{Fact: &v1.RosterFact_ScheduleSet{ScheduleSet: &v1.ScheduleSet{Days: days, Shift: shift}}})
	}
	if c := (&history{t: t}).needles(3).card(4); c.Schedule != nil {
		t.Errorf("a schedule that nobody set: %+v", c.Schedule)
	}
	h := set(set(&history{t: t}, 1, "evening", v1.Weekday_WEEKDAY_TUESDAY), 5, "morning", v1.Weekday_WEEKDAY_FRIDAY, v1.Weekday_WEEKDAY_MONDAY)
	if got := h.card(3).Schedule; !reflect.DeepEqual(got, &card.Schedule{Days: []string{"Tuesday"}, Shift: "evening"}) {
		t.Errorf("%+v", got)
	}
	if got := h.card(3).Due; !reflect.DeepEqual(got, []card.Due{{Date: "2025-03-03"}, {Date: "2025-03-04", Due: true}}) { // a Monday
		t.Errorf("%+v", got)
	}
	if got := h.card(6).Schedule; !reflect.DeepEqual(got, &card.Schedule{Days: []string{"Monday", "Friday"}, Shift: "morning"}) {
		t.Errorf("%+v", got)
	}
}
