package cli

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What an earlier demo exported is of patients who are no longer there.
func TestADemoBeginsWithAnEmptyFolder(t *testing.T) {
	dir := t.TempDir()
	old := map[string]string{}
	for _, part := range []string{"log", "view", "ingest", "keys", "export"} {
		old[part] = filepath.Join(dir, part, "old")
		if err := os.MkdirAll(filepath.Dir(old[part]), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(old[part], nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	code, _, stderr := run(context.Background(), "demo", "--data", dir, "--exit", "--patients", "5", "--months", "1", "--until", "2025-03-31")
	if code != Done {
		t.Fatalf("exit code %d: %.2000s", code, stderr)
	}
	for part, f := range old {
		if _, err := os.Stat(f); err == nil {
			t.Errorf("what was in %s is still there", part)
		}
	}
}

func TestAnAddressWithoutASchemeIsNoURL(t *testing.T) {
	for _, command := range []string{"status", "report --json", "threshold"} {
		args := append(strings.Fields(command), "--http", "localhost:7451")
		code, _, stderr := run(context.Background(), args...)
		if want := `--http "localhost:7451" is no URL; give for instance http://127.0.0.1:7451`; code != WrongUse || !strings.Contains(stderr, want) {
			t.Errorf("%s: %d, %q; want %q", command, code, stderr, want)
		}
	}
}
