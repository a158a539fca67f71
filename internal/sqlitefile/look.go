package sqlitefile

import (
	"database/sql"
	"errors"
	"io"
	"os"
	"path/filepath"
	"syscall"
)

// Looked is a file that is only looked at.
type Looked struct {
	*sql.DB
	tmp string // the folder of the copy that is read instead; empty for none
	// held is that folder, open and locked. The system ends the lock with the process, however that ends.
	held *os.File
}

// Look opens a file that no other program has open, and changes nothing, not even beside it. SQLite
// would write before it reads what stands in a write-ahead log beside the file. Then a copy of both in
// the folder for temporary files is read; Close removes it. What a killed process left of such copies the next look that
// makes one removes: they hold what the file does.
func Look(path string) (*Looked, error) { return lookIn("", path, Open) }

// LookChecked is Look for a file whose pages have checksums. What it reads is checked.
func LookChecked(path string) (*Looked, error) {
	return lookIn("", path, func(path, options string) (*sql.DB, error) {
		return OpenChecked(path, options, "", func(error) {})
	})
}

// lookIn makes the copy that it may need in the folder.
func lookIn(folder, path string, open func(path, options string) (*sql.DB, error)) (*Looked, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	l, options := &Looked{}, "_pragma=query_only(1)&immutable=1"
	if pending(path) {
		var err error
		if err = l.makeFolder(folder); err != nil {
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
	if l.DB, err = open(path, options); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// copies begins the names of the folders of copies.
const copies = "cannulary-look-"

// makeFolder makes a folder for a copy in the one given, and removes those of processes that ended without Close.
func (l *Looked) makeFolder(in string) error {
	if in == "" {
		in = os.TempDir()
	}
	left, err := filepath.Glob(filepath.Join(in, copies+"*"))
	if err != nil {
		return err
	}
	for _, dir := range left {
		if held, err := hold(dir); err == nil { // nobody has it
			_ = errors.Join(os.RemoveAll(dir), held.Close()) // what cannot be removed now is left to the next look
		}
	}
	for {
		dir, err := os.MkdirTemp(in, copies)
		if err != nil {
			return err
		}
		held, err := hold(dir)
		if err == nil {
			if _, err = os.Stat(dir); err == nil {
				l.tmp, l.held = dir, held
				return nil
			}
			_ = held.Close()
		}
		// Another look took it for a left one, between the two calls.
		if !errors.Is(err, os.ErrNotExist) && !errors.Is(err, syscall.EWOULDBLOCK) {
			return errors.Join(err, os.RemoveAll(dir))
		}
	}
}

// hold locks a folder of this user. The error is syscall.EWOULDBLOCK where another process, or another look, has it.
func hold(dir string) (*os.File, error) {
	f, err := os.OpenFile(dir, os.O_RDONLY|syscall.O_DIRECTORY|syscall.O_NOFOLLOW, 0)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// pending reports whether writes stand beside the file that are not in it yet.
func pending(path string) bool {
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
		errs = append(errs, os.RemoveAll(l.tmp), l.held.Close())
	}
	return errors.Join(errs...)
}
