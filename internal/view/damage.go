package view

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"cannulary/internal/durable"
	"cannulary/internal/sqlitefile"
)

// ErrDamaged says that the view's file is not what was written into it.
var ErrDamaged = errors.New("the view is damaged")

// damage is what was noticed of it, by any connection.
type damage struct {
	mu      sync.Mutex
	err     error
	noticed chan struct{}
}

func (d *damage) note(err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.err == nil {
		d.err = fmt.Errorf("%w: %w", ErrDamaged, err)
		close(d.noticed)
	}
}

// NoteDamage takes an error of a read or write, which may say that the file is damaged: checksums see nearly all of it,
// SQLite itself may see more.
func (s *Store) NoteDamage(err error) {
	if sqlitefile.IsDamage(err) {
		s.damage.note(err)
	}
}

// Damage is the first damage that was noticed since the view was opened, as ErrDamaged; nil for none.
func (s *Store) Damage() error {
	s.damage.mu.Lock()
	defer s.damage.mu.Unlock()
	return s.damage.err
}

// Damaged is closed when damage is noticed.
func (s *Store) Damaged() <-chan struct{} { return s.damage.noticed }

// scrubShare: of the time of one core, a scrub takes one part in so many.
const scrubShare = 10

// Scrub reads every page of the view's file once, slowly. Damage is noted, and is no error.
func (s *Store) Scrub(ctx context.Context) error {
	began := time.Now()
	err := sqlitefile.CheckPages(s.path, func() error {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(max(10*time.Millisecond, (scrubShare-1)*time.Since(began))):
		}
		began = time.Now()
		return nil
	})
	if errors.Is(err, sqlitefile.ErrDamaged) {
		s.damage.note(err)
		return nil
	}
	return err
}

// LeftDamaged looks at what is in the folder before any view is opened, and changes nothing. After an unclean end SQLite
// may mix new pages with old ones without a word where the log of writes is damaged: the error is ErrDamaged then.
func LeftDamaged(dir string) error {
	err := sqlitefile.LeftBehind(filepath.Join(dir, FileName()))
	if errors.Is(err, sqlitefile.ErrDamaged) {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return err
}

// AsideName is the name under which a damaged view is kept, for whoever looks for the cause.
const AsideName = "damaged.db"

// SetAside keeps the view in the folder, which must be closed, under another name, instead of one that was kept before.
func SetAside(dir string) error {
	from, to := filepath.Join(dir, FileName()), filepath.Join(dir, AsideName)
	if err := sqlitefile.Remove(to); err != nil {
		return fmt.Errorf("remove the damaged view that was kept before: %w", err)
	}
	// The file first: while it has the old name it must have its log of writes.
	for _, suffix := range []string{"", "-wal"} {
		if err := os.Rename(from+suffix, to+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("set the damaged view aside: %w", err)
		}
	}
	return errors.Join(sqlitefile.Remove(from), durable.Sync(dir))
}

// Aside reports whether a damaged view is kept, and whether the one in its place is still owed.
func Aside(dir string) (kept, owed bool) {
	_, err := os.Stat(filepath.Join(dir, AsideName))
	_, missing := os.Stat(filepath.Join(dir, FileName()))
	return err == nil, err == nil && errors.Is(missing, os.ErrNotExist)
}
