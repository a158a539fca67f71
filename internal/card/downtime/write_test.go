package downtime_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"cannulary/internal/card"
	"cannulary/internal/card/downtime"
)

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

func TestPack(t *testing.T) {
	for name, prepare := range map[string]func(string) error{
		"a new folder":    func(string) error { return nil },
		"an empty folder": func(dir string) error { return os.Mkdir(dir, 0o755) },
	} {
		t.Run(name, func(t *testing.T) {
			parent := t.TempDir()
			dir := filepath.Join(parent, "pack")
			if err := prepare(dir); err != nil {
				t.Fatal(err)
			}
			cards := []card.Card{hold(patient("b2", "Zelthozumbrox, Q", "MRN-77")), patient("a1", "Abbothrizel, C", "MRN-78")}
			r, err := downtime.Write(dir, cards, printedAt(), head)
			if err != nil || r != (downtime.Result{Cards: 2, Held: 1, Out: dir}) {
				t.Fatalf("%+v, %v", r, err)
			}
			if got := names(t, dir); !reflect.DeepEqual(got, []string{"card-a1.html", "card-b2.html", "cards.json", "index.html", "print.html"}) {
				t.Errorf("the pack holds %q", got)
			}
			if got := names(t, parent); len(got) != 1 {
				t.Errorf("beside the pack lies %q", got)
			}
			if info, err := os.Stat(dir); err != nil || info.Mode().Perm() != 0o700 {
				t.Errorf("the folder is %v, %v", info.Mode(), err)
			}
			for _, n := range names(t, dir) {
				if info, err := os.Stat(filepath.Join(dir, n)); err != nil || info.Mode().Perm() != 0o600 {
					t.Errorf("%s is %v, %v", n, info.Mode(), err)
				}
			}
			b, err := os.ReadFile(filepath.Join(dir, "cards.json"))
			if err != nil {
				t.Fatal(err)
			}
			var back []card.Card
			if err := json.Unmarshal(b, &back); err != nil || len(back) != 2 || back[0].Patient.Name != "Abbothrizel, C" ||
				!back[1].StandingHold {
				t.Errorf("cards.json is %s, %v", b, err)
			}
		})
	}
}

func TestPackOfNobody(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "pack")
	if r, err := downtime.Write(dir, nil, printedAt(), head); err != nil || r.Cards != 0 {
		t.Fatalf("%+v, %v", r, err)
	}
	if b, err := os.ReadFile(filepath.Join(dir, "cards.json")); err != nil || string(b) != "[]\n" {
		t.Errorf("cards.json is %q, %v", b, err)
	}
}

func TestPackIsRefused(t *testing.T) {
	parent := t.TempDir()
	filled := filepath.Join(parent, "filled")
	if err := os.Mkdir(filled, 0o755); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(filled, "old.html")
	if err := os.WriteFile(file, []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	good := []card.Card{patient("a1", "Zel", "1")}
	for _, c := range []struct {
		dir   string
		cards []card.Card
		says  string
	}{
		{"", good, "no folder is named"},
		{filled, good, "exists and is not empty, and an older pack is never mixed with a newer one"},
		{file, good, "exists and is not a folder"},
		{filepath.Join(file, "pack"), good, "is a file, not a folder"},
		{filepath.Join(parent, "none", "pack"), good, "does not exist; make it first"},
		{filepath.Join(parent, "pack"), []card.Card{patient("../a", "Zel", "1")}, "cannot be a file name"},
		{filepath.Join(parent, "pack"), []card.Card{patient("", "Zel", "1")}, "cannot be a file name"},
		{filepath.Join(parent, "pack"), []card.Card{patient("a1", "Zel", "1"), patient("A1", "Zel", "1")}, "two cards have the patient id"},
	} {
		if _, err := downtime.Write(c.dir, c.cards, printedAt(), head); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", c.dir, err, c.says)
		}
	}
	// Nothing half-written is left, and what was there is as it was.
	if got := names(t, parent); len(got) != 1 || got[0] != "filled" {
		t.Errorf("the folder holds %q", got)
	}
	if b, err := os.ReadFile(file); err != nil || string(b) != "old" {
		t.Errorf("the old file is %q, %v", b, err)
	}
}
