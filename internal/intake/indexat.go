package intake

import (
	"context"
	"errors"
	"fmt"

	"cannulary/internal/sqlitefile"
)

// IndexAt reads how far a stopped instance's index at path followed which log, and changes nothing. The
// error is fs.ErrNotExist where there is none, and sql.ErrNoRows where it is empty.
func IndexAt(ctx context.Context, path string) (logID string, seq uint64, eventID string, err error) {
	db, err := sqlitefile.Look(path)
	if err != nil {
		return "", 0, "", fmt.Errorf("ingest index: %w", err)
	}
	var n int64
	err = db.QueryRowContext(ctx, `SELECT log_id, seq, event_id FROM checkpoint`).Scan(&logID, &n, &eventID)
	return logID, uint64(n), eventID, errors.Join(err, db.Close())
}
