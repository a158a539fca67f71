package app

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"

	"cannulary/internal/salvage"
)

// ErrLocked says that another process uses the folder.
var ErrLocked = errors.New("the folder is in use")

// Lock makes the folder if need be and locks it for this process. Closing the file releases it,
// and so does the end of the process. Lock refuses a folder with other contents than an
// instance's, and changes nothing in it.
func Lock(dir string) (*os.File, error) {
	if dir == "" {
		return nil, errors.New("no data folder is given; name one with --data")
	}
	if err := checkFolder(dir); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("data folder: %w; give --data a folder that this user may make", err)
	}
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("data folder: %w; give --data a folder that this user may write", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return nil, errors.Join(fmt.Errorf("%w: %s is locked by a running cannulary; stop it first, or ask it with --http",
			ErrLocked, dir), f.Close())
	}
	return f, nil
}

// LockExisting locks the folder of a stopped instance for whoever only looks at it: it makes nothing. A
// folder without a lock's file, for instance a copy of one, is not locked. unlock ends it.
func LockExisting(dir string) (unlock func() error, err error) {
	if _, err := os.Stat(dir); err != nil {
		return nil, fmt.Errorf("there is no instance in %s: %w; check --data", dir, err)
	}
	if err := salvage.CheckFinished(dir); err != nil {
		return nil, err
	}
	f, err := os.Open(filepath.Join(dir, lockName))
	if errors.Is(err, os.ErrNotExist) {
		return func() error { return nil }, nil
	}
	if err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return nil, errors.Join(fmt.Errorf("%w: %s is locked by a running cannulary; stop it first", ErrLocked, dir), f.Close())
	}
	return f.Close, nil
}
