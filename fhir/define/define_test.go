package define_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"cannulary/fhir/define"
)

var update = flag.Bool("update", false, "rewrite fhir/definitions")

const folder = "../definitions"

// TestKept compares what is kept with what the tables give now. After a change that is
// meant, run with -update and read the difference.
func TestKept(t *testing.T) {
	all, err := define.All()
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, d := range all {
		file := filepath.Join(folder, d.File())
		names = append(names, d.File())
		if *update {
			if err := os.WriteFile(file, d.JSON, 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		if got, err := os.ReadFile(file); err != nil || !bytes.Equal(got, d.JSON) {
			t.Errorf("%s differs from the tables (%v); if the change is meant, run with -update and read the difference", d.File(), err)
		}
	}
	files, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if slices.Contains(names, f.Name()) {
			continue
		}
		if *update {
			if err := os.Remove(filepath.Join(folder, f.Name())); err != nil {
				t.Fatal(err)
			}
			continue
		}
		t.Errorf("%s is kept, and no table gives it", f.Name())
	}
	if len(slices.Compact(slices.Sorted(slices.Values(names)))) != len(names) || len(names) < 80 {
		t.Errorf("%d definitions, or two of one name", len(names))
	}
}
