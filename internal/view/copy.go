package view

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/sqlitefile"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// Copy reads a view's copies of events and changes nothing, not even beside the file.
type Copy struct {
	path      string
	db        *sqlitefile.Looked
	eventSums bool               // each copy of an event has a checksum
	pageSums  bool               // each page of the file has one
	loose     *sqlitefile.Looked // reads pages whatever their checksums say; nil until it is needed
}

// ErrCopy says that the copy of an event is damaged.
var ErrCopy = errors.New("the view's copy of the event is damaged")

// OpenCopy opens the view's file at path, of this version or an older one.
func OpenCopy(ctx context.Context, path string) (*Copy, error) {
	c := &Copy{path: path}
	var n int
	look := sqlitefile.Look
	if c.pageSums = hasPageSums(path); c.pageSums {
		look = sqlitefile.LookChecked
	}
	db, err := look(path)
	if err != nil {
		return nil, fmt.Errorf("view %s: %w", path, err)
	}
	c.db = db
	if err := c.db.QueryRowContext(ctx, `SELECT count(*) FROM pragma_table_info('event') WHERE name = 'sum'`).Scan(&n); err != nil {
		if c.pageSums {
			err = cmp.Or(sqlitefile.CheckPages(path, ctx.Err), err) // which names the page
		}
		return nil, errors.Join(fmt.Errorf("view %s: %w", path, err), db.Close())
	}
	c.eventSums = n > 0
	return c, nil
}

// Checkpoint reads how far the view came.
func (c *Copy) Checkpoint(ctx context.Context) (Checkpoint, bool, error) {
	return readCheckpoint(ctx, c.db)
}

// CopiedEvent is the copy of an entry. Its time is zero for an event that was set aside because nobody
// could understand it.
type CopiedEvent struct {
	ID     string
	Logged time.Time
	Data   []byte
}

// Event reads the copy of an entry; ok is false where the view has none, as of tests and repeats. The
// error is ErrCopy where what is there is not what was written.
func (c *Copy) Event(ctx context.Context, seq uint64) (e CopiedEvent, ok bool, err error) {
	sum := "-1"
	if c.eventSums {
		sum = "sum"
	}
	var logged, want int64
	db := c.db
	if c.loose != nil {
		db = c.loose
	}
	err = db.QueryRowContext(ctx, `SELECT id, logged, data, `+sum+` FROM event WHERE seq = ?1
		UNION ALL SELECT event_id, 0, data, -1 FROM quarantine WHERE seq = ?1`, int64(seq)).Scan(&e.ID, &logged, &e.Data, &want)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return e, false, nil
	case err != nil && c.pageSums && c.loose == nil:
		// Of a damaged page most rows are whole, and each of these has a checksum of its own.
		if c.loose, err = sqlitefile.Look(c.path); err != nil {
			return e, false, fmt.Errorf("view %s: %w", c.path, err)
		}
		return c.Event(ctx, seq)
	case err != nil:
		return e, false, fmt.Errorf("%w: entry %d: %w", ErrCopy, seq, err)
	}
	if logged > 0 {
		e.Logged = time.Unix(0, logged).UTC()
		var ev logv1.Event
		if want >= 0 && want != sumOf(e.Data) || proto.Unmarshal(e.Data, &ev) != nil || ev.GetId() != e.ID {
			return e, false, fmt.Errorf("%w: entry %d does not agree with its checksum", ErrCopy, seq)
		}
	}
	return e, true, nil
}

// hasPageSums reports whether a view's file has checksums of its pages: by its name, because the file may be
// damaged, or by its header where it has another name.
func hasPageSums(path string) bool {
	var version int
	if n, _ := fmt.Sscanf(filepath.Base(path), "view-%d.db", &version); n == 1 {
		return version >= firstPageSums
	}
	return sqlitefile.SaysChecked(path)
}

// firstPageSums is the first version whose files have checksums of their pages.
const firstPageSums = 10

// Check reads every page of SQLite's file, has SQLite check it, then opens every packed page of bodies. Pages of both
// kinds have checksums; a file of an older version may have none. found is empty where nothing is found.
func (c *Copy) Check(ctx context.Context) (found string) {
	if c.pageSums {
		err := cmp.Or(sqlitefile.LeftBehind(c.path), sqlitefile.CheckPages(c.path, ctx.Err))
		if err != nil {
			return err.Error()
		}
	}
	if err := c.db.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&found); err != nil {
		return err.Error()
	}
	if found != "ok" {
		return found
	}
	if !c.eventSums {
		return ""
	}
	if err := c.pages(ctx); err != nil {
		return err.Error()
	}
	return ""
}

func (c *Copy) pages(ctx context.Context) (err error) {
	u, err := NewUnpacker()
	if err != nil {
		return err
	}
	rows, err := c.db.QueryContext(ctx, `SELECT place, data FROM page`)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	var buffer []byte
	for rows.Next() {
		var place int64
		var data []byte
		if err := rows.Scan(&place, &data); err != nil {
			return err
		}
		if buffer, _, err = u.bodies(data, buffer); err != nil {
			return fmt.Errorf("the page of event %d: %w", place>>16, err)
		}
	}
	return rows.Err()
}

// Close closes the file.
func (c *Copy) Close() error {
	if c.loose != nil {
		return errors.Join(c.db.Close(), c.loose.Close())
	}
	return c.db.Close()
}
