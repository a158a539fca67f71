package cli_test

import (
	"bytes"
	"context"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/cli"
	"cannulary/internal/testkit"
)

// TestCodesAreWrittenOnce: the file is its owner's alone, is never written over, and is not left behind by a failure.
func TestCodesAreWrittenOnce(t *testing.T) {
	dir := t.TempDir()
	a, err := app.New(testkit.Context(t), app.Config{Dir: dir, Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: time.Now, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	a.Stop()
	file := filepath.Join(t.TempDir(), "codes.txt")
	run := func(args ...string) (int, string) {
		var out, errs bytes.Buffer
		code := cli.Run(context.Background(), cli.Env{Stdout: &out, Stderr: &errs, Now: testkit.Noon, Version: "test"}, append([]string{"codes"}, args...))
		return code, out.String() + errs.String()
	}
	if code, said := run("--data", dir, "--facility", "invented-north", "--count", "3", "--out", file); code != cli.Done || !strings.Contains(said, `"codes":3`) {
		t.Fatalf("%d %s", code, said)
	}
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info, err)
	}
	text, err := os.ReadFile(file)
	if err != nil || strings.Count(string(text), "-") != 3*7+3+1 || !strings.Contains(string(text), "Sealed codes of invented-north, made 2025-03-03") {
		t.Errorf("%s %v", text, err)
	}
	if code, said := run("--data", dir, "--facility", "invented-north", "--out", file); code != cli.Failed || !strings.Contains(said, "file exists; name a new file in a folder that exists") {
		t.Errorf("a file that is there: %d %s", code, said)
	}
	none := filepath.Join(t.TempDir(), "none.txt")
	if code, said := run("--data", t.TempDir(), "--facility", "x", "--out", none); code != cli.Failed || !strings.Contains(said, "there is no instance in") {
		t.Errorf("no instance: %d %s", code, said)
	}
	if _, err := os.Stat(none); err == nil {
		t.Error("a failure left a file")
	}
	// While the instance runs it makes them itself.
	b, err := app.New(testkit.Context(t), app.Config{Dir: dir, Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: time.Now, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	b.Start()
	defer b.Stop()
	testkit.Eventually(t, "it is ready", b.Ready)
	live := filepath.Join(t.TempDir(), "live.txt")
	if code, said := run("--data", dir, "--facility", "invented-north", "--count", "2", "--out", live); code != cli.Done || !strings.Contains(said, `"codes":2`) {
		t.Errorf("of a running instance: %d %s", code, said)
	}
	if text, err := os.ReadFile(live); err != nil || strings.Count(string(text), "-") != 2*7+3+1 {
		t.Errorf("of a running instance: %s %v", text, err)
	}
	// Nobody else has them made, though there is no policy.
	resp, err := http.Post(b.URL()+app.CodesPath+"?facility=invented-north&count=2", "", nil)
	if err != nil {
		t.Fatal(err)
	}
	_ = resp.Body.Close()
	if resp.StatusCode != http.StatusForbidden {
		t.Errorf("by the network: %s", resp.Status)
	}
	for _, args := range [][]string{{"--data", dir, "--out", none}, {"--facility", "x", "--out", none}, {"--data", dir, "--facility", "x"},
		{"--data", dir, "--facility", "x", "--out", none, "--count", "201"}, {"--data", dir, "--nats", "u", "--facility", "x", "--out", none}} {
		if code, said := run(args...); code != cli.WrongUse {
			t.Errorf("%v: %d %s", args, code, said)
		}
	}
}
