package card_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/card"
	v1 "cannulary/proto/cannulary/v1"
)

// The headline answers "may I needle?", as a nurse would say it.
func TestHeadline(t *testing.T) {
	tell := func() *history { return &history{t: t} }
	formed := func() *history { return tell().planned().needles(3, 5, 7, 10, 12, 14) }
	rest := &v1.CannulationFact{Fact: &v1.CannulationFact_TrackRested{TrackRested: &v1.TrackRested{Track: "V1", Reason: "Infiltration"}}}
	created := func(kind v1.AccessKind) *v1.RosterFact {
		return &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "X1", Kind: kind}}}
	}
	for sentence, c := range map[string]struct {
		card  card.Card
		level card.Level
		title string
		lines []string // the first ones
	}{
		"a held track stops, and the other may be needled": {
			formed().cannulation(day(15), hold(&v1.HoldPlaced{Track: "A1", Reason: "Redness"})).card(16), card.LevelStop, "Do not needle A1",
			[]string{"Track A1: Redness.", "V1 may be needled after you have examined the access."}},
		"a held access stops both": {
			formed().cannulation(day(15), hold(&v1.HoldPlaced{Access: "F1", Reason: "No thrill felt"})).card(16), card.LevelStop,
			"Do not needle A1, V1", []string{"Access F1: No thrill felt."}},
		"a rest is no stop": {formed().cannulation(day(15), rest).card(16), card.LevelCare, "No needle in V1",
			[]string{"A1 may be needled after you have examined the access.", "V1: The track rests: Infiltration."}},
		"what nobody recorded is to be known first": {formed().card(16), card.LevelCare,
			"No hold is recorded. Look, listen and feel before you needle.", []string{"The kind of access F1 is not recorded."}},
		"a catheter has no needle": {tell().roster(day(1), created(v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER)).card(2), card.LevelCare,
			"Access X1 is a tunneled catheter: no needle.", nil},
		"a graft is needled, but not in a track": {tell().roster(day(1), created(v1.AccessKind_ACCESS_KIND_GRAFT)).card(2), card.LevelCare,
			"No constant-site track. Access X1 is a graft. Look, listen and feel, then choose the sites.", nil},
		"a held graft stops": {tell().roster(day(1), created(v1.AccessKind_ACCESS_KIND_GRAFT)).
			cannulation(day(2), hold(&v1.HoldPlaced{Access: "X1", Reason: "Swelling"})).card(3), card.LevelStop, "Do not needle access X1",
			[]string{"Access X1: Swelling."}},
		"a track that was not used for long is told of once": {formed().needle(17, blunt).card(70), card.LevelStop, "Do not needle A1",
			[]string{"V1 may be needled after you have examined the access.", "A1: Not needled for more than 42 days"}},
		"nothing on record is no all-clear": {tell().card(2), card.LevelCare, "Nothing is on record. That is not an all-clear.", nil},
	} {
		h := c.card.Headline()
		if h.Level != c.level || h.Title != c.title {
			t.Errorf("%s: %s %q, want %s %q", sentence, h.Level, h.Title, c.level, c.title)
		}
		said := map[string]bool{}
		for _, l := range h.Lines {
			if text := strings.ToLower(l.Text); said[text] {
				t.Errorf("%s: it says twice %q", sentence, l.Text)
			} else {
				said[text] = true
			}
		}
		for i, want := range c.lines {
			if i >= len(h.Lines) || !strings.HasPrefix(h.Lines[i].Text, want) {
				t.Errorf("%s: line %d of %+v does not begin with %q", sentence, i+1, h.Lines, want)
			}
		}
		if strings.Contains(h.Title, "No hold") && c.card.StandingHold {
			t.Errorf("%s: a hold is open, and the headline is %q", sentence, h.Title)
		}
	}
}

// What is drawn is what was recorded, and a place that may not be needled has no needle.
func TestWhatIsDrawn(t *testing.T) {
	plan := func(tips *uint32, names ...string) *v1.CannulationFact {
		p := &v1.TrackPlanned{Access: "F1", TipDistanceMillimetres: tips}
		for i, n := range names {
			p.Tracks = append(p.Tracks, &v1.TrackPlan{Track: n, Role: v1.NeedleRole(1 + i), SiteFromAnastomosisMillimetres: proto.Uint32(uint32(50 + 70*i)),
				AngleDegrees: proto.Float64(25), Direction: v1.NeedleDirection_NEEDLE_DIRECTION_RETROGRADE})
		}
		return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: p}}
	}
	created := &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "F1",
		Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: v1.BodySide_BODY_SIDE_RIGHT, Region: v1.AccessRegion_ACCESS_REGION_UPPER_ARM}}}
	h := (&history{t: t}).roster(day(1), created).cannulation(day(1), plan(proto.Uint32(70), "A1", "V1"))
	c := h.card(2)
	if l := c.Limbs(); len(l) != 1 || l[0].Side != "right" || l[0].Region != "upper arm" || !l[0].TwoInUse || *l[0].Tips != 70 ||
		l[0].KeepAway != 38 || *l[0].Sites[0].At != 50 || *l[0].Sites[1].At != 120 || l[0].Sites[0].Direction != "retrograde" {
		t.Errorf("%+v", l)
	}
	if s := c.Sides(); len(s) != 2 || *s["V1"].Angle != 25 || s["V1"].Depth != nil {
		t.Errorf("%+v", s)
	}
	// A track that replaces another: the tips are those of the newer plan, and the old track is faint.
	h.cannulation(day(3), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackRetired{TrackRetired: &v1.TrackRetired{Track: "A1", Reason: "Aneurysm"}}}).
		cannulation(day(4), plan(nil, "A2"))
	c = h.card(5)
	l := c.Limbs()[0]
	retired := 0
	for _, s := range l.Sites {
		if s.Retired {
			retired++
		}
	}
	if l.Tips != nil || !l.TwoInUse || retired != 1 || len(l.Sites) != 3 {
		t.Errorf("after a replacement: %+v", l)
	}
	// A hold takes the needle away, and the side is not drawn.
	h.cannulation(day(6), hold(&v1.HoldPlaced{Track: "V1", Reason: "Redness"}))
	c = h.card(7)
	for _, s := range c.Limbs()[0].Sites {
		if (s.NoNeedle != "") != (s.Track == "V1") {
			t.Errorf("the site of %s says %q", s.Track, s.NoNeedle)
		}
	}
	if _, drawn := c.Sides()["V1"]; drawn {
		t.Error("a held track is drawn with a needle")
	}
	// A catheter lies along no vessel that is needled.
	catheter := (&history{t: t}).roster(day(1), &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "C1",
		Kind: v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER}}}).card(2)
	if l := catheter.Limbs(); len(l) != 0 {
		t.Errorf("a catheter is drawn: %+v", l)
	}
}
