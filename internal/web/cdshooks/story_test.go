package cdshooks_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"cannulary/internal/card"
	"cannulary/internal/testkit/cardtest"
	"cannulary/internal/web/cdshooks"
)

var update = flag.Bool("update", false, "write the answers in testdata again; read the difference before you keep it")

// site is an invented place that the cards lead to.
var site = cdshooks.Site{Source: "https://needles.example/", Board: "https://needles.example"}

// TestStoryboard answers at each step of the story. The answers are golden files: run with
// -update after a change that is meant, and read the difference.
func TestStoryboard(t *testing.T) {
	for _, s := range cardtest.Story(t) {
		c := card.Build(s.Input)
		cards := cdshooks.Advice(c, site)
		nothingIsMissing(t, c, cards)
		golden(t, filepath.Join("testdata", "story", s.Name+".json"), cards)
	}
}

func golden(t *testing.T, file string, cards []cdshooks.Card) {
	t.Helper()
	conforms(t, cards)
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(map[string]any{"cards": cards}); err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v; run with -update", err)
	}
	if !bytes.Equal(want, b.Bytes()) {
		t.Errorf("the answer differs from %s; run with -update and read the difference\n%s", file, b.Bytes())
	}
}
