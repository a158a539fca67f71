package salvage

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Holds returns nil where a folder has that part of an instance, for instance LogFolder. Its error tells a folder without one
// from a folder that this user may not look into.
func Holds(dir, part string) error {
	switch _, err := os.Stat(filepath.Join(dir, part)); {
	case err == nil:
		return nil
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no instance in %s; check --data", dir)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("whether there is an instance in %s cannot be seen: %w; run this as the user that the service runs as", dir, err)
	default:
		return fmt.Errorf("there is no instance in %s: %w; check --data", dir, err)
	}
}

// Within tells that a path is a folder or lies in it.
func Within(path, dir string) bool {
	a, err := filepath.Abs(path)
	b, err2 := filepath.Abs(dir)
	if err != nil || err2 != nil {
		return true
	}
	rel, err := filepath.Rel(b, a)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}
