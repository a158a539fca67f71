package card_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cannulary/internal/card"
	"cannulary/internal/testkit/cardtest"
)

// TestStoryboard walks one invented patient from the plan to a second hold. The card at each
// step is a golden file that a nurse can read: run with -update after a change that is
// meant, and read the difference.
func TestStoryboard(t *testing.T) {
	want := map[string][]string{
		"01-planned":       {"PLANNED", "SHARP NEEDLE", "session 1 of 6"},
		"02-first-session": {"FORMING", "1 of 6 sharp sessions count", "26°"},
		"03-third-session": {"3 of 6 sharp sessions count"},
		"04-away-for-more-than-a-week": {"LOOK FIRST: The last session that counts was on 2025-03-07, more than 7 days ago. One more " +
			"sharp session is needed."},
		"05-a-late-session":               {"4 of 7 sharp sessions count", "gap-long"},
		"06-a-missed-peg":                 {"5 of 8 sharp sessions count", "peg-missing"},
		"07-ready":                        {"READY", "BLUNT NEEDLE", "8 of 8 sharp sessions count"},
		"08-first-blunt-needle":           {"TRIAL", "1 of 3 good blunt sessions in a row so far"},
		"09-resistance":                   {"2 of 3 good blunt sessions in a row so far", "moderate resistance", "NEW blunt needle"},
		"10-a-rescue":                     {"0 of 3 good blunt sessions in a row so far", "rescue", "blunt would not pass"},
		"11-redness":                      {"HOLD TRACK A1: NO NEEDLE", "Redness at the site of A1", "NO NEEDLE", "Do not needle"},
		"12-the-hold-is-lifted":           {"HOLDS none", "BLUNT NEEDLE"},
		"13-a-late-ground-after-the-lift": {"HOLD TRACK A1: NO NEEDLE", "Pus at the site of A1", "NO NEEDLE"},
	}
	steps := cardtest.Story(t)
	if len(steps) != len(want) {
		t.Errorf("the story has %d steps, expected %d", len(steps), len(want))
	}
	for _, s := range steps {
		got := card.Text(card.Build(s.Input))
		for _, w := range want[s.Name] {
			if !strings.Contains(strings.Join(strings.Fields(got), " "), w) {
				t.Errorf("step %s: the card has no %q", s.Name, w)
			}
		}
		file := filepath.Join("testdata", "story", s.Name+".txt")
		if *update {
			if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		golden, err := os.ReadFile(file)
		if err != nil {
			t.Fatalf("%v; run with -update", err)
		}
		if string(golden) != got {
			t.Errorf("step %s: the card differs from %s; run with -update and read the difference\n%s", s.Name, file, got)
		}
	}
}
