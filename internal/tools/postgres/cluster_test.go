package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// place makes a folder with executable files of those names.
func place(t *testing.T, dir string, names ...string) string {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestBinariesAreThoseOnThePathElseTheNewest(t *testing.T) {
	root := t.TempDir()
	half := place(t, filepath.Join(root, "half"), "postgres")
	whole := place(t, filepath.Join(root, "whole"), "postgres", "initdb")
	place(t, filepath.Join(root, "9", "bin"), "postgres", "initdb")
	newest := place(t, filepath.Join(root, "15", "bin"), "postgres", "initdb")
	versions := filepath.Join(root, "*", "bin")
	for _, c := range []struct{ path, want string }{
		{half + string(filepath.ListSeparator) + whole, whole},
		{half, newest},
	} {
		if got, err := binaries(c.path, versions); err != nil || got != c.want {
			t.Errorf("on the path %s: %s, %v; want %s", c.path, got, err, c.want)
		}
	}
	if _, err := binaries(half, filepath.Join(root, "none")); err == nil || !strings.Contains(err.Error(), "apt-get install postgresql") {
		t.Errorf("without PostgreSQL the error is %v", err)
	}
}

func TestAFolderThatTheUserCannotEnterIsNamed(t *testing.T) {
	closed := filepath.Join(t.TempDir(), "closed")
	inner := place(t, filepath.Join(closed, "inner"))
	as := &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534}}
	if err := os.Chmod(closed, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := reachable(inner, as); err == nil || !strings.Contains(err.Error(), closed+":") {
		t.Errorf("the error is %v", err)
	}
	if err := reachable(inner, nil); err != nil {
		t.Errorf("who is not root enters as before: %v", err)
	}
}
