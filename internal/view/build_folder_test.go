package view

import (
	"context"
	"os"
	"path/filepath"
	"testing"
)

// Views are found, built beside and replaced also where the folder's name would be a pattern.
func TestAFolderOfAnyNameIsRebuilt(t *testing.T) {
	ctx := context.Background()
	for _, name := range []string{"plain", "[a]", "a*", `a\b`, "a?", "a#b"} {
		dir := filepath.Join(t.TempDir(), name, "view")
		if err := os.MkdirAll(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		for _, f := range []string{"view-2.db", "building-3.db", "building-3.db-wal", "kept"} {
			if err := os.WriteFile(filepath.Join(dir, f), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		for range 2 {
			s, err := Build(ctx, dir)
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if err := Replace(ctx, dir); err != nil {
				t.Fatal(err)
			}
		}
		left, err := os.ReadDir(dir)
		if err != nil || len(left) != 3 {
			t.Errorf("in %q is left %v (%v)", name, left, err)
		}
		views, err := List(ctx, dir)
		if err != nil || len(views) != 2 || views[1].Err != nil && views[0].Err != nil {
			t.Errorf("in %q are %+v (%v)", name, views, err)
		}
	}
}
