package view

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"cannulary/internal/durable"
	"cannulary/internal/sqlitefile"
)

// building is the name of a view that is being built beside the one in use.
func building() string { return fmt.Sprintf("building-%d.db", SchemaVersion) }

// Build opens an empty view beside the one in the folder, which is not touched. Fill it,
// Close it, then Replace. What an earlier build left behind is removed.
func Build(ctx context.Context, dir string) (*Store, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("view: %w", err)
	}
	if err := removeBuilding(dir); err != nil {
		return nil, err
	}
	return open(ctx, filepath.Join(dir, building()))
}

// removeBuilding removes what builds that were not finished left behind.
func removeBuilding(dir string) error {
	list, err := files(dir, "building-*.db*")
	if err != nil {
		return err
	}
	for _, f := range list {
		if err := os.Remove(f); err != nil {
			return fmt.Errorf("remove what an interrupted rebuild left: %w", err)
		}
	}
	return nil
}

// files lists what is in the folder by a pattern of names. The folder's own name is none: it
// may have brackets.
func files(dir, pattern string) ([]string, error) {
	names, err := fs.Glob(os.DirFS(dir), pattern)
	for i := range names {
		names[i] = filepath.Join(dir, names[i])
	}
	return names, err
}

// Discard removes a view that Build made and that will not be used; it must be closed.
func Discard(dir string) error { return removeBuilding(dir) }

// Replace puts the view that Build made, complete and closed, in the place of the one in
// the folder by one rename: whenever the machine stops, one of the two is there whole.
func Replace(ctx context.Context, dir string) error {
	from, to := filepath.Join(dir, building()), filepath.Join(dir, FileName())
	if _, err := os.Stat(from + "-wal"); err == nil {
		return fmt.Errorf("view %s: its last writes are not in the file yet; is another process reading it?", from)
	}
	// The old file's log of writes must not meet the new file: it is written into the old one
	// first. Where that file cannot be read there is nothing in it to keep.
	if err := fold(ctx, to); err != nil {
		return err
	}
	if err := durable.Sync(from); err != nil {
		return err
	}
	if err := os.Rename(from, to); err != nil {
		return fmt.Errorf("put the new view in its place: %w", err)
	}
	return durable.Sync(dir)
}

// fold writes what lies beside a closed view into the file, and removes it.
func fold(ctx context.Context, path string) error {
	if _, err := os.Stat(path); err == nil {
		db, err := openAny(path)
		if err != nil {
			return fmt.Errorf("view %s: %w", path, err)
		}
		var busy, log, done int
		err = db.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &log, &done)
		if cerr := db.Close(); err == nil && busy == 0 && cerr != nil {
			return fmt.Errorf("view %s: %w", path, cerr)
		}
		if err == nil && busy != 0 {
			return fmt.Errorf("view %s is in use by another program; end that first", path)
		}
	}
	for _, c := range sqlitefile.Beside {
		if err := os.Remove(path + c); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("view %s: %w", path, err)
		}
	}
	return nil
}

// Kept is a view's file as it lies in the folder, of this or another version.
type Kept struct {
	Path   string
	Schema int // by its name
	// At is how far it had come. Err tells why that cannot be read, nil in an empty view.
	At  Checkpoint
	Err error
}

// List tells of every view in the folder, none of which may be open for writing but that
// of this version.
func List(ctx context.Context, dir string) ([]Kept, error) {
	list, err := files(dir, "view-*.db")
	if err != nil {
		return nil, err
	}
	var out []Kept
	for _, f := range list {
		k := Kept{Path: f}
		if n, err := fmt.Sscanf(filepath.Base(f), "view-%d.db", &k.Schema); n != 1 || err != nil {
			continue
		}
		k.At, k.Err = peek(ctx, f)
		out = append(out, k)
	}
	return out, nil
}

// peek reads a view's checkpoint, which every version has kept in the same table.
func peek(ctx context.Context, path string) (Checkpoint, error) {
	db, err := openAny(path)
	if err != nil {
		return Checkpoint{}, err
	}
	c, _, err := readCheckpoint(ctx, db)
	return c, errors.Join(err, db.Close())
}

// openAny opens a view of any version for a short look.
func openAny(path string) (*sql.DB, error) {
	const options = "_pragma=busy_timeout(10000)"
	if filepath.Base(path) == FileName() {
		return sqlitefile.OpenChecked(path, options, "", func(error) {})
	}
	return sqlitefile.Open(path, options)
}

// Remove removes a view's file and what lies beside it.
func (k Kept) Remove() error { return sqlitefile.Remove(k.Path) }

// Size is how many bytes the views in the folder take.
func Size(dir string) (n int64) {
	files, _ := os.ReadDir(dir)
	for _, f := range files {
		if i, err := f.Info(); err == nil && strings.HasPrefix(f.Name(), "view-") {
			n += i.Size()
		}
	}
	return n
}
