package cli

import (
	"context"
	"errors"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cannulary/internal/app"
)

func TestTheOperatorsSocketIsThereWhileTheInstanceRuns(t *testing.T) {
	t.Parallel()
	// Longer than the path of a socket may be.
	dir := filepath.Join(t.TempDir(), strings.Repeat("long", 30), "data")
	socket := filepath.Join(dir, "operator.sock")
	dir, _, _, stop := served(t, dir)
	info, err := os.Lstat(socket)
	if err != nil || info.Mode() != fs.ModeSocket|0o600 {
		t.Fatalf("%v, %v", info, err)
	}
	for _, command := range []string{"status", "status --json"} {
		code, out, stderr := run(t.Context(), append(strings.Fields(command), "--data", dir)...)
		if code != Done || stderr != "" || !strings.Contains(out, "quarantine") {
			t.Errorf("%s: %d %q %q", command, code, out, stderr)
		}
	}
	if code, _, stderr := run(t.Context(), "card", "--data", dir, "--identifier", "a|b"); code != Failed ||
		!strings.Contains(stderr, "No record under this number") {
		t.Errorf("the card of nobody: %d %q", code, stderr)
	}
	stop()
	if _, err := os.Lstat(socket); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("after the stop: %v", err)
	}
}

func TestASocketThatAKilledProcessLeftIsReplaced(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "unix", filepath.Join(dir, "operator.sock"))
	if err != nil {
		t.Fatal(err)
	}
	l.(*net.UnixListener).SetUnlinkOnClose(false)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if c, err := app.DialOperator(t.Context(), dir); err == nil {
		t.Fatal("somebody listens at the left socket", c.Close())
	}
	_, _, _, stop := served(t, dir)
	if code, _, stderr := run(t.Context(), "status", "--data", dir); code != Done {
		t.Errorf("running: %d %s", code, stderr)
	}
	stop()
	// The command starts the instance, which makes a socket and removes it.
	if code, out, stderr := run(t.Context(), "status", "--data", dir); code != Done || !strings.Contains(out, "ready") {
		t.Errorf("stopped: %d %s", code, stderr)
	}
	if _, err := os.Lstat(filepath.Join(dir, "operator.sock")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("after the command: %v", err)
	}
}

// Another's file in its place costs the socket, and not the service.
func TestWhatIsNoSocketStays(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	put(t, dir, "operator.sock")
	_, _, address, stop := served(t, dir)
	defer stop()
	if code, _, stderr := run(t.Context(), "status", "--http", address); code != Done {
		t.Errorf("at its address: %d %s", code, stderr)
	}
	code, _, stderr := run(t.Context(), "status", "--data", dir)
	wants(t, "status", code, stderr, "cannulary status: the folder is in use: "+dir+" is locked by a running cannulary, process HOLDER; stop it "+
		"first, or ask it with --http and --token-file: it has no operator's socket\n")
	if text, err := os.ReadFile(filepath.Join(dir, "operator.sock")); err != nil || string(text) != "operator.sock" {
		t.Errorf("the file: %q, %v", text, err)
	}
}

// What needs a stopped folder says who has it.
func TestARunningInstancesFolderIsNotTouched(t *testing.T) {
	t.Parallel()
	dir, _, _, stop := served(t)
	defer stop()
	for _, command := range []string{"verify", "repair --into " + filepath.Join(t.TempDir(), "new"), "rebuild",
		"erase --identifier https://invented.example|1", "serve --http 127.0.0.1:0 --grpc 127.0.0.1:0"} {
		args := append(strings.Fields(command), "--data", dir)
		code, _, stderr := run(context.Background(), args...)
		first, _, _ := strings.Cut(stderr, "; stop it first")
		wants(t, command, code, first, "cannulary "+args[0]+": the folder is in use: "+dir+" is locked by a running cannulary, process HOLDER")
	}
}
