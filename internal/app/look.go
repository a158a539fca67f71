package app

import (
	"context"
	"path/filepath"

	"cannulary/internal/erasure"
	"cannulary/internal/intake"
	"cannulary/internal/salvage"
)

// look reads the log's files before the server opens them. The server cuts a file off at the first
// entry that it cannot read, so a damaged log is not opened at all: the error is a *salvage.Damaged.
func (a *App) look(ctx context.Context) error {
	found, err := salvage.LookAtStart(ctx, a.cfg.Dir, a.cfg.Shard)
	if err != nil {
		return err
	}
	if err := found.Refusal(); err != nil {
		return err
	}
	switch {
	case found.LogErr != nil && len(found.Witnesses) > 0: // not a new log
		a.cfg.Slog.Warn("the log's files could not be checked before they are opened", "err", found.LogErr)
	case found.Log.Tail != nil:
		a.cfg.Slog.Info("the last write into the log was interrupted and is cut off; no sender got the answer that it is stored", "bytes",
			found.Log.Tail.Bytes, "after", found.Log.Last)
	}
	erasures, err := erasure.Read(filepath.Join(a.cfg.Dir, erasure.FileName))
	if err != nil {
		a.cfg.Slog.Warn("the list of erasures cannot be read", "err", err)
	}
	for key, what := range erasure.Last(erasures) {
		if what == erasure.Begun && !a.building {
			a.cfg.Slog.Error("an erasure was interrupted: the view may still show what was to be erased; stop the service and give the "+
				"command `cannulary erase` again", "patient", key)
		}
	}
	for _, u := range found.Unread {
		a.cfg.Slog.Warn("a file beside the log cannot be read", "says", u)
	}
	if d := found.IndexDamage(ctx); d != "" && a.cfg.Ingest {
		a.cfg.Slog.Warn("the ingest index is damaged: it is deleted and rebuilt from the log", "says", d)
		return intake.DeleteIndex(filepath.Join(a.cfg.Dir, "ingest"))
	}
	return nil
}
