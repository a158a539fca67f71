package intake

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"

	"cannulary/internal/sqlitefile"
)

// IndexAt reads how far a stopped instance's index at path followed which log, and changes nothing. The
// error is fs.ErrNotExist where there is none. seq is 0 where it is empty.
func IndexAt(ctx context.Context, path string) (logID string, seq uint64, eventID string, err error) {
	db, err := sqlitefile.Look(path)
	if err != nil {
		return "", 0, "", fmt.Errorf("ingest index: %w", err)
	}
	logID, seq, eventID, err = checkpointOf(ctx, db)
	return logID, seq, eventID, errors.Join(err, db.Close())
}

func checkpointOf(ctx context.Context, db *sqlitefile.Looked) (logID string, seq uint64, eventID string, err error) {
	var n, newest int64
	err = db.QueryRowContext(ctx, `SELECT log_id, seq, event_id, (SELECT ifnull(max(seq), 0) FROM event) FROM checkpoint`).Scan(&logID, &n,
		&eventID, &newest)
	if errors.Is(err, sql.ErrNoRows) {
		return "", 0, "", nil
	}
	if err != nil {
		return "", 0, "", err
	}
	// A checkpoint is damaged that says more than the entries do. The last entry of a log may be one that nobody can read, or
	// stand there twice.
	id, err := hex.DecodeString(eventID)
	var at int64
	if err == nil && eventID != "" {
		err = db.QueryRowContext(ctx, `SELECT seq FROM event WHERE id = ?`, id).Scan(&at)
	}
	if err != nil || at != n && (at == newest || newest+indexBatch < n) {
		return "", 0, "", errors.New("the checkpoint of the ingest index does not agree with its entries")
	}
	return logID, uint64(n), eventID, nil
}

// DeleteIndex removes a stopped instance's index from the folder of Config.Dir. The next start builds it from the log.
func DeleteIndex(dir string) error { return sqlitefile.Remove(filepath.Join(dir, "index.db")) }

// IndexEntries calls each with every event that a stopped instance's index at path holds, and changes nothing.
func IndexEntries(ctx context.Context, path string, each func(seq uint64, eventID string)) (err error) {
	db, err := sqlitefile.Look(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	rows, err := db.QueryContext(ctx, `SELECT seq, id FROM event`)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var seq int64
		var id []byte
		if err := rows.Scan(&seq, &id); err != nil {
			return err
		}
		each(uint64(seq), hex.EncodeToString(id))
	}
	return rows.Err()
}
