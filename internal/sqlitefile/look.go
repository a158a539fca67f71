package sqlitefile

import (
	"database/sql"
	"errors"
	"io"
	"os"
	"path/filepath"

	_ "modernc.org/sqlite" // the driver, without a C compiler
)

// Looked is a file that is only looked at.
type Looked struct {
	*sql.DB
	tmp string // the folder of the copy that is read instead; empty for none
}

// Look opens a file that no other program has open, and changes nothing, not even beside it. SQLite
// would write before it reads what stands in a write-ahead log beside the file. Then a copy of both in
// the folder for temporary files is read; Close removes it.
func Look(path string) (*Looked, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	return lookIn("", path)
}

// memoryFolder is a folder that no disk holds.
const memoryFolder = "/dev/shm"

// LookSecret is Look for a file with secrets: where a copy is needed, it is made in memory, because what is
// removed from a disk may be found there for long.
func LookSecret(path string) (*Looked, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	if i, err := os.Stat(memoryFolder); Pending(path) && (err != nil || !i.IsDir()) {
		return nil, ErrPending
	}
	return lookIn(memoryFolder, path)
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

func lookIn(folder, path string) (*Looked, error) {
	l, options := &Looked{}, "_pragma=query_only(1)&immutable=1"
	if Pending(path) {
		var err error
		if l.tmp, err = os.MkdirTemp(folder, "cannulary-look-"); err != nil {
			return nil, err
		}
		to := filepath.Join(l.tmp, filepath.Base(path))
		for _, suffix := range []string{"", "-wal", "-journal"} {
			if err := copyFile(path+suffix, to+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
				return nil, errors.Join(err, l.Close())
			}
		}
		path, options = to, "_pragma=query_only(1)"
	}
	var err error
	if l.DB, err = sql.Open("sqlite", Name(path, options)); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// Pending tells whether writes stand beside the file that are not in it yet.
func Pending(path string) bool {
	for _, suffix := range []string{"-wal", "-journal"} {
		if i, err := os.Stat(path + suffix); err == nil && i.Size() > 0 {
			return true
		}
	}
	return false
}

func copyFile(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// Close closes the file and removes the copy.
func (l *Looked) Close() error {
	var errs []error
	if l.DB != nil {
		errs = append(errs, l.DB.Close())
	}
	if l.tmp != "" {
		errs = append(errs, os.RemoveAll(l.tmp))
	}
	return errors.Join(errs...)
}
