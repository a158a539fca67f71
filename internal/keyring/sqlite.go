package keyring

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	_ "modernc.org/sqlite" // the driver, without a C compiler

	"cannulary/internal/sqlitefile"
)

// folderStore keeps secrets in one SQLite file of its own, apart from log and view.
type folderStore struct{ db *sql.DB }

// OpenFolder opens or makes the key store in a folder that only its owner can read.
func OpenFolder(ctx context.Context, dir string) (Store, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("key store: %w", err)
	}
	path := filepath.Join(dir, "keys.db")
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
	if _, err := db.ExecContext(ctx,
		`CREATE TABLE IF NOT EXISTS secret (name TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID`); err != nil {
		return nil, errors.Join(fmt.Errorf("key store %s: %w", path, err), db.Close())
	}
	return &folderStore{db: db}, nil
}

func (s *folderStore) Get(ctx context.Context, name string) ([]byte, error) {
	var v []byte
	err := s.db.QueryRowContext(ctx, `SELECT value FROM secret WHERE name = ?`, name).Scan(&v)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, ErrNoKey
	}
	return v, err
}

func (s *folderStore) Create(ctx context.Context, name string, secret []byte) ([]byte, error) {
	if _, err := s.db.ExecContext(ctx, `INSERT INTO secret (name, value) VALUES (?, ?) ON CONFLICT (name) DO NOTHING`, name,
		secret); err != nil {
		return nil, err
	}
	return s.Get(ctx, name)
}

func (s *folderStore) Destroy(ctx context.Context, name string) error {
	if _, err := s.db.ExecContext(ctx, `DELETE FROM secret WHERE name = ?`, name); err != nil {
		return err
	}
	// The write-ahead log may still hold the page with the key, so checkpoint it and empty it.
	_, err := s.db.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`)
	return err
}

func (s *folderStore) Close() error { return s.db.Close() }
