package keyring_test

import (
	"os/signal"
	"strings"
	"syscall"
	"testing"

	"cannulary/internal/keyring"
	"cannulary/internal/testkit"
)

// A full disk is not damage: whoever starts on one must not be sent to repair keys that are whole. The limit on the size of
// files stands for the disk: SQLite meets it at the same place.
func TestAStartWithoutRoomIsNotCalledDamage(t *testing.T) {
	dir := t.TempDir()
	s, err := keyring.OpenFolder(testkit.Context(t), dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	signal.Ignore(syscall.SIGXFSZ)
	var before syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &before); err != nil {
		t.Fatal(err)
	}
	restore := func() {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &before); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() { restore(); signal.Reset(syscall.SIGXFSZ) })
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 4096, Max: before.Max}); err != nil {
		t.Fatal(err)
	}
	s, err = keyring.OpenFolder(testkit.Context(t), dir)
	restore()
	if err == nil {
		t.Fatal("it opens", s.Close())
	}
	if !strings.Contains(err.Error(), "there is no room on the disk, or a limit on files is reached") || strings.Contains(err.Error(), "repair") {
		t.Errorf("it says %v", err)
	}
	if s, err = keyring.OpenFolder(testkit.Context(t), dir); err != nil {
		t.Fatalf("with room again: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}
