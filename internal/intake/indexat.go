package intake

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"

	"cannulary/internal/sqlitefile"
)

// IndexAt reads how far a stopped instance's index at path followed which log, and changes nothing. The
// error is fs.ErrNotExist where there is none. seq is 0 where it is empty.
func IndexAt(ctx context.Context, path string) (logID string, seq uint64, eventID string, err error) {
	db, err := sqlitefile.Look(path)
	if err != nil {
		return "", 0, "", fmt.Errorf("ingest index: %w", err)
	}
	var n int64
	err = db.QueryRowContext(ctx, `SELECT log_id, seq, event_id FROM checkpoint`).Scan(&logID, &n, &eventID)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return logID, uint64(n), eventID, errors.Join(err, db.Close())
}

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
