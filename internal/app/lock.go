package app

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"

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
		return nil, errors.Join(fmt.Errorf("%w: %s is locked by %s; stop it first, or ask it with --http", ErrLocked, dir, holder(f)),
			f.Close())
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
		return nil, errors.Join(fmt.Errorf("%w: %s is locked by %s; stop it first", ErrLocked, dir, holder(f)), f.Close())
	}
	return f.Close, nil
}

// holder says in words who has locked a file, as far as the system shows it. On Linux /proc/locks has a line for each lock:
// number, FLOCK, ADVISORY, WRITE, process, device and inode, range.
func holder(f *os.File) string {
	const somebody = "a running cannulary"
	info, err := f.Stat()
	if err != nil {
		return somebody
	}
	file, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return somebody
	}
	dev := uint64(file.Dev) //nolint:unconvert // it has another type elsewhere
	at := fmt.Sprintf("%02x:%02x:%d", unix.Major(dev), unix.Minor(dev), file.Ino)
	// The system gives the list page by page; a line slips through while locks before it come and go.
	for range 20 {
		if who := lockedBy(at); who != "" {
			return somebody + who
		}
	}
	return somebody
}

// lockedBy says in words which process has locked a file, by its device and inode; "" where the list does not show it.
func lockedBy(at string) string {
	locks, err := os.ReadFile("/proc/locks")
	if err != nil {
		return ""
	}
	for line := range strings.Lines(string(locks)) {
		field := strings.Fields(line)
		if len(field) < 6 || field[1] != "FLOCK" || field[5] != at {
			continue
		}
		who := ", process " + field[4]
		if p, err := os.Stat("/proc/" + field[4]); err == nil {
			if s, ok := p.Sys().(*syscall.Stat_t); ok {
				who += " of user " + userName(s.Uid)
			}
		}
		return who
	}
	return ""
}

// userName returns the name of a user, or the number of one without a name.
func userName(uid uint32) string {
	id := strconv.FormatUint(uint64(uid), 10)
	if u, err := user.LookupId(id); err == nil {
		return u.Username
	}
	return id
}
