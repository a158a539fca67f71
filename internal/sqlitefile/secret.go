package sqlitefile

import (
	"database/sql"
	"errors"
	"os"
)

// memoryFolder is a folder that no disk holds.
const memoryFolder = "/dev/shm"

// LookSecret is Look for a file with secrets: where a copy is needed, it is made in memory, because what is
// removed from a disk may be found there for long.
func LookSecret(path string) (*Looked, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	if i, err := os.Stat(memoryFolder); pending(path) && (err != nil || !i.IsDir()) {
		return nil, ErrPending
	}
	return lookIn(memoryFolder, path, Open)
}

// ErrPending says that a file has writes pending, and cannot be looked at without writing to a disk.
var ErrPending = errors.New("the service was not stopped in order, and this system has no folder in memory (" + memoryFolder +
	") to look from: start and stop the service, then look again")

// LookBeside opens a file that a running program has open, for reading alone.
func LookBeside(path string) (*Looked, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	db, err := sql.Open("sqlite", Name(path, "mode=ro&_pragma=busy_timeout(5000)&_pragma=query_only(1)"))
	return &Looked{DB: db}, err
}
