package app

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"cannulary/internal/erasure"
	"cannulary/internal/salvage"
)

// The names in an instance's folder.
const (
	lockName = "lock"
	// demoMark is the file by which a demo marks a folder. The next demo may delete the instance
	// beside it.
	demoMark = "cannulary-demo"
	// lostFound is the folder that some file systems put into their top folder.
	lostFound = "lost+found"
)

const demoText = "A demo made this folder. The next `cannulary demo` on it deletes the instance in it, keys included.\n"

// isPart reports whether an instance makes a file or folder of that name in its folder.
func isPart(name string) bool {
	return strings.HasPrefix(name, salvage.TrailFolder+trailAside) || slices.Contains([]string{"log", "view", "ingest", "keys", "export",
		salvage.TrailFolder, salvage.HeadFile, erasure.FileName, socketName}, name)
}

// contents returns the entries of a folder; none for a folder that does not exist.
func contents(dir string) ([]fs.DirEntry, error) {
	list, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("data folder: %w; give --data a folder that can be read, or one that does not exist yet", err)
	}
	return slices.DeleteFunc(list, func(e fs.DirEntry) bool { return e.Name() == lostFound }), nil
}

// has reports whether a regular file of that name is among them.
func has(list []fs.DirEntry, name string) bool {
	return slices.ContainsFunc(list, func(e fs.DirEntry) bool { return e.Name() == name && e.Type().IsRegular() })
}

// checkFolder refuses a folder that is neither empty nor an instance's. An instance has its lock
// file. An instance that was restored from copies may have none; then nothing else may be there.
func checkFolder(dir string) error {
	list, err := contents(dir)
	if err == nil {
		err = salvage.CheckFinished(dir)
	}
	if err != nil || has(list, lockName) {
		return err
	}
	for _, e := range list {
		if !isPart(e.Name()) && e.Name() != demoMark {
			return fmt.Errorf("%s is not the folder of an instance: it holds %q; nothing in it was changed; "+
				"give --data an instance's folder, an empty one, or one that does not exist yet", dir, e.Name())
		}
	}
	return nil
}

// OfDemo reports whether a demo has marked the folder.
func OfDemo(dir string) bool {
	list, err := contents(dir)
	return err == nil && has(list, demoMark)
}

// EmptyForDemo makes a folder ready for a demo. It creates and marks an empty folder, and
// deletes the instance in a folder that a demo marked before. It refuses every other folder, and
// one in use, and changes nothing in them.
func EmptyForDemo(dir string) (err error) {
	list, err := contents(dir)
	if err != nil {
		return err
	}
	if !has(list, demoMark) {
		if len(list) > 0 {
			return fmt.Errorf("%s is not empty and no demo has marked it; nothing in it was changed; "+
				"name another folder with --data, or delete this one if it is only an old demo's", dir)
		}
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return fmt.Errorf("data folder: %w; name another folder with --data", err)
		}
		// The mark comes first, so that the next demo recognises the folder of a demo that broke
		// off.
		if err := os.WriteFile(filepath.Join(dir, demoMark), []byte(demoText), 0o600); err != nil {
			return fmt.Errorf("mark the demo's folder: %w; name another folder with --data", err)
		}
	}
	lock, err := Lock(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	if list, err = contents(dir); err != nil { // once more: whoever had the lock may have changed it
		return err
	}
	for _, e := range list {
		if !isPart(e.Name()) {
			continue
		}
		if err := os.RemoveAll(filepath.Join(dir, e.Name())); err != nil {
			return fmt.Errorf("delete what an earlier demo left: %w; delete %s yourself, or name another folder with --data", err, dir)
		}
	}
	return nil
}
