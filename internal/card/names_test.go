package card_test

import (
	"strings"
	"testing"

	"cannulary/internal/card"
	v1 "cannulary/proto/cannulary/v1"
)

// twins are two tracks of one access whose names differ in their capitals alone.
func twins(t *testing.T) *history {
	plan := func(name string, role v1.NeedleRole) *v1.TrackPlan { return &v1.TrackPlan{Track: name, Role: role} }
	return (&history{t: t}).cannulation(day(1), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: &v1.TrackPlanned{
		Access: "f1", PlannedBy: staff("CN-01"),
		Tracks: []*v1.TrackPlan{plan("a1", v1.NeedleRole_NEEDLE_ROLE_ARTERIAL), plan("A1", v1.NeedleRole_NEEDLE_ROLE_VENOUS)}}}})
}

// A name stands as it was sent. In capitals a hold of track a1 would be read as one of track A1.
func TestNamesStandAsTheyWereSent(t *testing.T) {
	c := twins(t).cannulation(day(2), hold(&v1.HoldPlaced{Track: "a1", Reason: "a1 is red"})).card(3)
	text := card.Text(c)
	for _, want := range []string{"HOLD      TRACK a1: NO NEEDLE", "ARTERIAL TRACK a1 (access f1)", "VENOUS TRACK A1 (access f1)",
		"a1 is red. Do not needle."} {
		if !strings.Contains(text, want) {
			t.Errorf("the text does not say %q:\n%s", want, text)
		}
	}
	if strings.Contains(text, "HOLD      TRACK A1") || strings.Contains(text, "A1 is red") {
		t.Errorf("the text names the other track:\n%s", text)
	}
	if h := c.Headline(); h.Title != "Do not needle a1" || h.Lines[0].Text != "Track a1: a1 is red." {
		t.Errorf("the headline is %+v", h)
	}
	c = twins(t).cannulation(day(2), hold(&v1.HoldPlaced{Access: "f1", Reason: "Swelling"})).card(3)
	if text := card.Text(c); !strings.Contains(text, "HOLD      ACCESS f1: NO NEEDLE") || strings.Contains(text, "F1") {
		t.Errorf("a held access is named otherwise than it was sent:\n%s", text)
	}
}

// What is said of one of two such tracks does not hide the same of the other.
func TestWhatIsSeenInBothOfTwoSuchTracksIsSaidOfBoth(t *testing.T) {
	c := card.Card{}
	for _, name := range []string{"a1", "A1"} {
		c.Tracks = append(c.Tracks, card.Track{Name: name, Stage: "forming", Next: card.Next{Needle: "none", Why: "3 weeks unused."},
			Findings: []card.Finding{{ID: name, Severity: "stop", Scope: "track " + name, Seen: "not needled for long"}}})
	}
	var said []string
	for _, l := range c.Headline().Lines {
		said = append(said, l.Text)
	}
	if got := strings.Join(said, " | "); got != "a1: Not needled for long. | A1: Not needled for long." {
		t.Errorf("the headline says %s", got)
	}
	if text := card.Text(c); !strings.Contains(text, "NO NEEDLE TRACK a1\n") || !strings.Contains(text, "NO NEEDLE TRACK A1\n") {
		t.Errorf("the stops of both are not told apart:\n%s", text)
	}
}

func TestCapital(t *testing.T) {
	for in, want := range map[string]string{"redness at a1": "Redness at a1", "a1: redness": "a1: redness", "é1 is red": "é1 is red",
		"écoulement": "Écoulement", "track a1": "Track a1", "": ""} {
		if got := card.Capital(in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
}

func TestOnlyTheKindOfAPlaceIsInCapitals(t *testing.T) {
	for want, places := range map[string][]string{"TRACK a1": {"track a1"}, "ACCESS f1, TRACK track x": {"access f1", "track track x"},
		"": nil} {
		if got := card.Loud(places...); got != want {
			t.Errorf("%q becomes %q, want %q", places, got, want)
		}
	}
}
