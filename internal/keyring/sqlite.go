package keyring

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"cannulary/internal/sqlitefile"
)

// folderStore keeps secrets in two SQLite files of its own, apart from log and view, each secret with a
// checksum in both. A damaged secret is read from the other file, and so is each secret where one file cannot be
// opened at all.
type folderStore struct {
	files  []*sql.DB
	broken error // why one of the two is not among them; nil where both are
}

// FileNames are the files of a key store in a folder. They hold the same.
var FileNames = [...]string{"keys.db", "keys-copy.db"}

// OpenFolder opens or makes the key store in a folder that only its owner can read.
func OpenFolder(ctx context.Context, dir string) (Store, error) {
	s, err := openFolder(ctx, dir)
	if err != nil {
		return nil, err
	}
	return s, nil
}

func openFolder(ctx context.Context, dir string) (*folderStore, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("key store: %w", err)
	}
	s := &folderStore{}
	for _, name := range FileNames {
		db, err := openSecrets(ctx, filepath.Join(dir, name))
		switch {
		case err == nil:
			s.files = append(s.files, db)
		case s.broken == nil && sqlitefile.IsDamage(err):
			s.broken = err
		default:
			return nil, errors.Join(err, s.broken, s.Close())
		}
	}
	if s.broken != nil {
		return s, nil
	}
	if err := s.copy(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("key store %s: %w", dir, err), s.Close())
	}
	return s, nil
}

func openSecrets(ctx context.Context, path string) (*sql.DB, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("key store: %w", err)
	}
	if err := f.Close(); err != nil {
		return nil, fmt.Errorf("key store: %w", err)
	}
	// synchronous(FULL) in WAL mode fsyncs every commit: a key is durable before anything
	// is sealed with it. secure_delete overwrites a destroyed key.
	db, err := sql.Open("sqlite", sqlitefile.Name(path,
		"_pragma=busy_timeout(5000)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=secure_delete(ON)&_txlock=immediate"))
	if err != nil {
		return nil, fmt.Errorf("key store %s: %w", path, err)
	}
	db.SetMaxOpenConns(1)
	err = prepare(ctx, db)
	if sqlitefile.NoRoom(err) {
		return nil, errors.Join(fmt.Errorf("key store %s: there is no room on the disk, or a limit on files is reached (%w); make room "+
			"and start again", path, err), db.Close())
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("key store %s: %w; look with `cannulary verify`, repair with `cannulary repair` (runbook "+
			"CannularyKeysDamaged)", path, err), db.Close())
	}
	return db, nil
}

// prepare makes the table, or gives that of an older version its checksums.
func prepare(ctx context.Context, db *sql.DB) error {
	if _, err := db.ExecContext(ctx,
		`CREATE TABLE IF NOT EXISTS secret (name TEXT PRIMARY KEY, value BLOB NOT NULL, sum BLOB) WITHOUT ROWID`); err != nil {
		return err
	}
	if has, err := summed(ctx, db); err != nil {
		return err
	} else if !has {
		if _, err := db.ExecContext(ctx, `ALTER TABLE secret ADD COLUMN sum BLOB`); err != nil {
			return err
		}
	}
	all, err := secrets(ctx, db)
	if err != nil {
		return err
	}
	for _, s := range all {
		if s.sum == nil {
			if _, err := db.ExecContext(ctx, `UPDATE secret SET sum = ? WHERE name = ?`, sumOf(s.name, s.value), s.name); err != nil {
				return err
			}
		}
	}
	return nil
}

// copy puts into the second file what stands only in the first, as in a store of an older version. What was
// destroyed stands in neither.
func (s *folderStore) copy(ctx context.Context) error {
	all, err := secrets(ctx, s.files[0])
	if err != nil {
		return err
	}
	for _, x := range all {
		if x.whole() {
			if err := insert(ctx, s.files[1], x.name, x.value); err != nil {
				return err
			}
		}
	}
	return nil
}

// secret is a row of the table.
type secret struct {
	name  string
	value []byte
	sum   []byte // nil in a store of an older version
}

func (s *secret) whole() bool { return bytes.Equal(s.sum, sumOf(s.name, s.value)) }

// sumOf is the checksum of a secret: it tells nothing of the secret to whoever does not have it.
func sumOf(name string, value []byte) []byte {
	sum := sha256.Sum256(append(append([]byte(name), 0), value...))
	return sum[:8]
}

// summed reports whether the table has checksums. That of an older version has none.
func summed(ctx context.Context, db *sql.DB) (bool, error) {
	var n int
	err := db.QueryRowContext(ctx, `SELECT count(*) FROM pragma_table_info('secret') WHERE name = 'sum'`).Scan(&n)
	return n > 0, err
}

func secrets(ctx context.Context, db *sql.DB) (out []secret, err error) {
	sum := "NULL"
	if has, err := summed(ctx, db); err != nil {
		return nil, err
	} else if has {
		sum = "sum"
	}
	rows, err := db.QueryContext(ctx, `SELECT name, value, `+sum+` FROM secret ORDER BY name`)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var s secret
		if err := rows.Scan(&s.name, &s.value, &s.sum); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, rows.Err()
}

func insert(ctx context.Context, db *sql.DB, name string, value []byte) error {
	_, err := db.ExecContext(ctx, `INSERT INTO secret (name, value, sum) VALUES (?, ?, ?) ON CONFLICT (name) DO NOTHING`, name, value,
		sumOf(name, value))
	return err
}

// Get reads a secret from the first file in which it is whole.
func (s *folderStore) Get(ctx context.Context, name string) ([]byte, error) {
	damaged := false
	for _, db := range s.files {
		x := secret{name: name}
		err := db.QueryRowContext(ctx, `SELECT value, sum FROM secret WHERE name = ?`, name).Scan(&x.value, &x.sum)
		switch {
		case errors.Is(err, sql.ErrNoRows):
		case err == nil && x.whole():
			return x.value, nil
		case ctx.Err() != nil:
			return nil, ctx.Err()
		default:
			damaged = true
		}
	}
	if damaged {
		return nil, ErrDamaged
	}
	return nil, ErrNoKey
}

// Create writes into both files, or into the one that can be opened; a repair makes the other again. Where one of
// them has the name already, that secret stands: a damaged one is never replaced.
func (s *folderStore) Create(ctx context.Context, name string, value []byte) ([]byte, error) {
	found, err := s.Get(ctx, name)
	if !errors.Is(err, ErrNoKey) {
		return found, err
	}
	for _, db := range s.files {
		if err := insert(ctx, db, name, value); err != nil {
			return nil, err
		}
	}
	return s.Get(ctx, name)
}

// Look reads both files. Where one cannot be read every secret is damaged in one place.
func (s *folderStore) Look(ctx context.Context) (unreadable, halved []string, err error) {
	whole, names := map[string]int{}, map[string]bool{}
	var failed []error
	for _, db := range s.files {
		rows, err := secrets(ctx, db)
		if err != nil {
			failed = append(failed, err)
			continue
		}
		for _, x := range rows {
			names[x.name] = true
			if x.whole() {
				whole[x.name]++
			}
		}
	}
	if ctx.Err() != nil || len(failed) == len(s.files) {
		return nil, nil, errors.Join(failed...)
	}
	for name := range names {
		switch whole[name] {
		case 0:
			unreadable = append(unreadable, name)
		case 1:
			halved = append(halved, name)
		}
	}
	slices.Sort(unreadable)
	slices.Sort(halved)
	return unreadable, halved, nil
}

func (s *folderStore) Destroy(ctx context.Context, name string) error {
	if s.broken != nil {
		return fmt.Errorf("one of the two files of the key store cannot be opened, and may still hold the key: %w", s.broken)
	}
	for _, db := range s.files {
		if _, err := db.ExecContext(ctx, `DELETE FROM secret WHERE name = ?`, name); err != nil {
			return err
		}
		// The write-ahead log may still hold the page with the key, so checkpoint it and empty it.
		var busy, log, done int
		if err := db.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &log, &done); err != nil {
			return err
		}
		if busy != 0 {
			return errors.New("the key store is in use by another program, so old pages may still hold the key: end that, then try again")
		}
	}
	return nil
}

func (s *folderStore) Close() error {
	var errs []error
	for _, db := range s.files {
		errs = append(errs, db.Close())
	}
	return errors.Join(errs...)
}
