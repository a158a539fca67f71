package zone_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"cannulary/internal/record/zone"
)

// TestTheMachinesDatabaseIsNotAsked puts other rules where the machine's would be found
// under a zone's name, in a process of its own: days must not depend on them.
func TestTheMachinesDatabaseIsNotAsked(t *testing.T) {
	const bermuda = "Atlantic/Bermuda"
	if os.Getenv("ZONEINFO") == "" {
		dir := t.TempDir()
		if err := os.MkdirAll(filepath.Join(dir, "Atlantic"), 0o700); err != nil {
			t.Fatal(err)
		}
		// The smallest file of that format: version 1, one zone "ODD" nine hours ahead.
		odd := append([]byte("TZif\x00"), make([]byte, 15+16)...)
		odd = append(odd, 0, 0, 0, 1, 0, 0, 0, 4, 0, 0, 0x7e, 0x90, 0, 0, 'O', 'D', 'D', 0)
		if _, err := time.LoadLocationFromTZData("odd", odd); err != nil {
			t.Fatalf("the odd file is not read at all: %v", err)
		}
		if err := os.WriteFile(filepath.Join(dir, bermuda), odd, 0o600); err != nil {
			t.Fatal(err)
		}
		again := exec.Command(os.Args[0], "-test.run=^"+t.Name()+"$")
		again.Env = append(os.Environ(), "ZONEINFO="+dir)
		if out, err := again.CombinedOutput(); err != nil {
			t.Errorf("%v\n%s", err, out)
		}
		return
	}
	l, err := zone.Load(bermuda)
	if err != nil {
		t.Fatal(err)
	}
	if name, _ := time.Date(2025, 1, 1, 0, 0, 0, 0, l).Zone(); name != "AST" {
		t.Errorf("Bermuda's zone is called %s, want AST", name)
	}
}
