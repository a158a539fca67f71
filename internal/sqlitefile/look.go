package sqlitefile

import (
	"database/sql"
	"errors"
	"io"
	"os"
	"path/filepath"
)

// Looked is a file that is only looked at.
type Looked struct {
	*sql.DB
	tmp string // the folder of the copy that is read instead; empty for none
}

// Look opens a file that no other program has open, and changes nothing, not even beside it. SQLite
// would write before it reads what stands in a write-ahead log beside the file. Then a copy of both in
// the folder for temporary files is read; Close removes it.
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
	if l.DB, err = open(path, options); err != nil {
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
