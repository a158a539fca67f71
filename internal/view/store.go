package view

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"cannulary/internal/freetext"
	"cannulary/internal/sqlitefile"
)

// Store is an open view. It is safe for concurrent use.
type Store struct {
	path string
	w    *sql.DB
	// r serves searches and reads of FHIR, cards what a person waits for: cards, lists and hooks.
	// However many searches run, a card finds a reader free.
	r, cards *sql.DB
	writing
	everything kept
	damage     damage
	only       map[string]bool // the facilities that readers are told of; nil is all
}

// FileName is the view's file in its folder.
func FileName() string { return fmt.Sprintf("view-%d.db", SchemaVersion) }

// readers is how many statements each of r and cards runs at once.
const readers = 4

// Open opens the view in the folder, making an empty one if there is none. What a build
// that was interrupted left behind is removed.
func Open(ctx context.Context, dir string) (*Store, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("view: %w", err)
	}
	if err := removeBuilding(dir); err != nil {
		return nil, err
	}
	path := filepath.Join(dir, FileName())
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		// A log of writes whose file is gone must not meet a new one.
		if err := sqlitefile.Remove(path); err != nil {
			return nil, fmt.Errorf("view: %w", err)
		}
	}
	return open(ctx, path)
}

// Opens has events read with what people wrote in their own words opened. It must be called before anything
// else; without it an event with such words cannot be read.
func (s *Store) Opens(opener freetext.Opener) { s.opener = opener }

// writer is how the one connection that writes is set up. synchronous(NORMAL) in WAL mode may lose the latest
// transactions in a power cut but never the file; the checkpoint goes with them and the log gives them again.
const writer = `PRAGMA synchronous = NORMAL; PRAGMA cache_size = -32000; PRAGMA wal_autocheckpoint = 4000; PRAGMA temp_store = MEMORY`

// pageSize is that of the file. A page of 8 kB holds three resources where one of 4 kB has room for one.
const pageSize = 8192

func open(ctx context.Context, path string) (_ *Store, err error) {
	s := &Store{path: path, damage: damage{noticed: make(chan struct{})},
		writing: writing{turn: make(chan struct{}, 1), stmts: map[string]*sql.Stmt{},
			quick: map[string]quickStatement{}, memo: newMemo()}}
	defer func() {
		if err == nil {
			return
		}
		for _, db := range []*sql.DB{s.w, s.r, s.cards} {
			if db != nil {
				err = errors.Join(err, db.Close())
			}
		}
		s.NoteDamage(err)
		if d := s.Damage(); d != nil {
			err = errors.Join(d, err)
		}
	}()
	if err := sqlitefile.Create(path, pageSize); err != nil {
		return nil, fmt.Errorf("view %s: %w", path, err)
	}
	if s.w, err = sqlitefile.OpenChecked(path, "_pragma=busy_timeout(10000)&_txlock=immediate", writer, s.damage.note); err != nil {
		return nil, fmt.Errorf("view %s: %w", path, err)
	}
	s.w.SetMaxOpenConns(1)
	if s.packer, err = newPacker(); err != nil {
		return nil, err
	}
	if s.unpacker, err = NewUnpacker(); err != nil {
		return nil, err
	}
	if err := s.prepare(ctx); err != nil {
		return nil, fmt.Errorf("view %s: %w; stop the process and run `cannulary rebuild --data DIR`, which replaces the "+
			"view once the log is read whole; until then keep the file", path, err)
	}
	if s.conn, err = s.w.Conn(ctx); err != nil {
		return nil, fmt.Errorf("view %s: %w", path, err)
	}
	for _, pool := range []**sql.DB{&s.r, &s.cards} {
		if *pool, err = sqlitefile.OpenChecked(path, "_pragma=busy_timeout(10000)", `PRAGMA query_only = 1`, s.damage.note); err != nil {
			return nil, fmt.Errorf("view %s: %w", path, err)
		}
		(*pool).SetMaxOpenConns(readers)
		(*pool).SetMaxIdleConns(readers)
	}
	return s, nil
}

func (s *Store) prepare(ctx context.Context) error {
	var n int
	if err := s.w.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master WHERE name = 'meta'`).Scan(&n); err != nil {
		return err
	}
	if n > 0 {
		var v string
		if err := s.w.QueryRowContext(ctx, `SELECT value FROM meta WHERE name = 'schema'`).Scan(&v); err != nil {
			return err
		}
		if v != fmt.Sprint(SchemaVersion) {
			return fmt.Errorf("it has schema %s, this program needs %d", v, SchemaVersion)
		}
		return nil
	}
	s.memo.unseen = newUnseen()
	tx, err := s.w.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }()
	for _, q := range schema {
		if _, err := tx.ExecContext(ctx, q); err != nil {
			return fmt.Errorf("%w in %q", err, q)
		}
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO meta (name, value) VALUES ('schema', ?)`, fmt.Sprint(SchemaVersion)); err != nil {
		return err
	}
	return tx.Commit()
}

// Shrink gives the writer's caches back to the system; they fill again when needed.
func (s *Store) Shrink(ctx context.Context) error {
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-s.turn }()
	s.memo.forget()
	if s.memo.unseen.noted() { // else a view that is still empty would do without it
		s.memo.unseen = nil
	}
	if _, err := s.conn.ExecContext(ctx, `PRAGMA shrink_memory`); err != nil {
		return fmt.Errorf("view %s: give memory back: %w", s.path, err)
	}
	return nil
}

// Path is the view's file.
func (s *Store) Path() string { return s.path }

// Close closes the view.
func (s *Store) Close() error {
	var errs []error
	select {
	case s.turn <- struct{}{}:
		// SQLite does not write its log of writes into the file while a statement is open.
		for _, st := range s.stmts {
			errs = append(errs, st.Close())
		}
		errs = append(errs, unlessDone(s.conn.Raw(func(any) error {
			var errs []error
			for _, st := range s.quick {
				errs = append(errs, st.Close())
			}
			return errors.Join(errs...)
		})))
		<-s.turn
	default: // a transaction was left open: what it did is lost
	}
	errs = append(errs, unlessDone(s.conn.Close()))
	return errors.Join(append(errs, s.r.Close(), s.cards.Close(), s.w.Close())...)
}

// unlessDone leaves out that the connection is closed already.
func unlessDone(err error) error {
	if errors.Is(err, sql.ErrConnDone) {
		return nil
	}
	return err
}

// Checkpoint is how far the log was projected.
type Checkpoint struct {
	LogID   string
	Seq     uint64
	EventID string
	Logged  time.Time // the log's time of that event
	// Updated is the newest lastUpdated that any resource was given: it never steps back.
	Updated time.Time
}

// Checkpoint reads the checkpoint; ok is false in an empty view.
func (s *Store) Checkpoint(ctx context.Context) (c Checkpoint, ok bool, err error) {
	return readCheckpoint(ctx, s.r)
}

type queryer interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

func readCheckpoint(ctx context.Context, q queryer) (c Checkpoint, ok bool, err error) {
	var seq, logged, updated int64
	err = q.QueryRowContext(ctx, `SELECT log_id, seq, event_id, logged, updated FROM checkpoint`).
		Scan(&c.LogID, &seq, &c.EventID, &logged, &updated)
	if errors.Is(err, sql.ErrNoRows) {
		return c, false, nil
	}
	c.Seq, c.Logged, c.Updated = uint64(seq), fromMillis(logged), fromMillis(updated)
	return c, err == nil, err
}

func millis(t time.Time) int64 { return t.UnixMilli() }

func fromMillis(ms int64) time.Time { return time.UnixMilli(ms).UTC() }
