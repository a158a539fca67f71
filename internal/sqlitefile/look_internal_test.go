package sqlitefile

import (
	"os"
	"path/filepath"
	"testing"
)

// A killed process leaves its copy; the next look removes it, and no copy that somebody still reads.
func TestALookRemovesTheCopiesOfDeadProcesses(t *testing.T) {
	t.Parallel()
	dir, tmp := t.TempDir(), t.TempDir()
	path := filepath.Join(dir, "x.db")
	db, err := Open(path, "_pragma=journal_mode(wal)")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	if _, err := db.Exec("CREATE TABLE t (x); INSERT INTO t VALUES ('a')"); err != nil {
		t.Fatal(err)
	}
	if !pending(path) {
		t.Fatal("nothing stands in the write-ahead log")
	}
	left := filepath.Join(tmp, "cannulary-look-1")
	if err := os.Mkdir(left, 0o700); err != nil {
		t.Fatal(err)
	}
	other := filepath.Join(tmp, "another-program-1")
	for _, file := range []string{filepath.Join(left, "x.db"), other} {
		if err := os.WriteFile(file, []byte("identities"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	first, err := lookIn(tmp, path, Open)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(left); !os.IsNotExist(err) {
		t.Errorf("what a killed process left: %v", err)
	}
	second, err := lookIn(tmp, path, Open)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range []*Looked{first, second} {
		var x string
		if err := l.QueryRow("SELECT x FROM t").Scan(&x); err != nil || x != "a" {
			t.Errorf("a copy that is read: %q, %v", x, err)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
	list, err := os.ReadDir(tmp)
	if err != nil || len(list) != 1 || list[0].Name() != filepath.Base(other) {
		t.Errorf("in the folder for temporary files: %v, %v", list, err)
	}
}
