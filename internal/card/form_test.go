package card_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"cannulary/internal/card"
)

// A figure that is no number would make the card no JSON.
func TestFiguresThatAreNoNumbersAreLeftOut(t *testing.T) {
	x := held(t)
	s := &x.j.Tracks[0].Trends
	s.Angles.Deviation, s.Haemostasis.Limit, s.BluntLower = math.Inf(1), math.NaN(), math.NaN()
	x.j.Accesses[0].Pressure.P = math.NaN()
	c := x.card()
	if _, err := json.Marshal(c); err != nil {
		t.Error(err)
	}
	if len(card.Figures(c.Tracks[0])) != 0 {
		t.Errorf("figures are %q", card.Figures(c.Tracks[0]))
	}
	if got := card.Figures(held(t).card().Tracks[0]); len(got) != 4 || !strings.Contains(got[2], "18 of 20") ||
		!strings.Contains(got[2], "90 %, exact 95 % limits 68 to 99 %") || !strings.Contains(got[3], "SIGNAL") {
		t.Errorf("figures are %q", got)
	}
}

// Free text must neither move a terminal's cursor nor break the lines of the card.
func TestTextKeepsControlCharactersOut(t *testing.T) {
	x := forming(t)
	x.in.Patient.Name = "Zel\x1b[2J\nSTOP"
	x.j.Tracks[0].Name = "A1\r\x1b]0;x\x07"
	x.j.Tracks[0].Plan.Landmarks = "over\u202ethe\nbone " + strings.Repeat("long ", 60)
	for i, r := range card.Text(x.card()) {
		if r != '\n' && r < ' ' || r == '\u202e' || r == '\x7f' {
			t.Fatalf("character %q at %d", r, i)
		}
	}
	if first, _, _ := strings.Cut(card.Text(x.card()), "\n"); !strings.Contains(first, "STOP, born 1950-01-02") {
		t.Errorf("the first line is %q", first)
	}
}

// The contract's keys stay what other people's scripts read.
func TestKeysOfTheCard(t *testing.T) {
	b, err := json.Marshal(held(t).card())
	if err != nil {
		t.Fatal(err)
	}
	var c map[string]any
	if err := json.Unmarshal(b, &c); err != nil {
		t.Fatal(err)
	}
	has := func(m map[string]any, keys string) {
		t.Helper()
		for _, k := range strings.Fields(keys) {
			if _, ok := m[k]; !ok {
				t.Errorf("no key %q in %v", k, m)
			}
		}
	}
	first := func(m map[string]any, k string) map[string]any {
		t.Helper()
		l, _ := m[k].([]any)
		if len(l) == 0 {
			t.Fatalf("%q is empty", k)
		}
		return l[0].(map[string]any)
	}
	has(c, "patient facility asOf knownAt lastFactAt lagging quarantined holds tracks caution standingHold use findings accesses notices "+
		"timeZone")
	has(first(c, "holds"), "id rule scope since text clears groundWithdrawn seen asked urgent tracks accesses")
	tr := first(c, "tracks")
	has(tr, "id role stage underReview sessionsCounted sessionsTarget extras next findings recent held bevel needleLengthMillimetres "+
		"creator deputies peg preparation onResistance handover trends")
	has(tr["next"].(map[string]any), "needle who why")
	has(first(tr, "recent"), "date needle attempts passes resistance pain complications counted inDoubt whyNot rescue who")
	has(first(c, "accesses"),
		"name kind side region examinedAt notExamined flowMillilitresPerMinute flowAt pressure findings inUse held retired")
	b, err = json.Marshal(forming(t).card().Tracks[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &tr); err != nil {
		t.Fatal(err)
	}
	has(first(tr, "findings"), "rule severity since text clears facts scope id")
	has(first(tr, "extras"), "rule text")
	has(tr["next"].(map[string]any), "needle session gauge angleDegrees direction depthMillimetres who why")
	if got := fmt.Sprint(tr["next"].(map[string]any)["who"]); got != "[CN-01 CN-02]" {
		t.Errorf("who is %s", got)
	}
}
