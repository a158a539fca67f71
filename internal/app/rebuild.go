package app

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"

	"cannulary/internal/projector"
	"cannulary/internal/view"
)

// viewDir returns the folder of the view.
func (a *App) viewDir() string { return filepath.Join(a.cfg.Dir, "view") }

// Rebuild builds the view of a stopped instance again from its log and returns how many events
// it holds. It builds the view beside the old one and renames it when the whole log is read. On
// an error the old view is as it was.
func Rebuild(ctx context.Context, cfg Config) (events uint64, err error) {
	lock, err := Lock(cfg.Dir)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	if err := roomToRebuild(cfg); err != nil {
		return 0, err
	}
	return rebuildLocked(ctx, cfg)
}

// roomToRebuild looks whether a second view has room beside the old one.
func roomToRebuild(cfg Config) error {
	dir := filepath.Join(cfg.Dir, "view")
	old := view.Size(dir)
	free, known := diskFree(cfg.Dir)
	cfg.Slog.Info("the view is built beside the old one, which is kept until the log is read whole", "needsAboutBytes",
		old, "freeBytes", free)
	if known && free < uint64(old) {
		return fmt.Errorf("there is not enough room to build the view beside the old one in %s: about %s are needed, %s are free; make "+
			"room, the old view stays as it is", dir, size(old), size(int64(free)))
	}
	return nil
}

// rebuildLocked is Rebuild in a folder that the caller has locked.
func rebuildLocked(ctx context.Context, cfg Config) (events uint64, err error) {
	cfg.Ingest, cfg.View = false, true
	defer hurry()()
	dir := filepath.Join(cfg.Dir, "view")
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("%w; the old view is as it was", err), view.Discard(dir))
		}
	}()
	a, err := newApp(ctx, cfg, true)
	if err != nil {
		return 0, err
	}
	defer a.Stop()
	kept, err := view.List(ctx, dir)
	if err != nil {
		return 0, err
	}
	for _, k := range kept {
		// A view that cannot be read holds nothing worth keeping.
		if k.Err == nil && k.At.Seq > 0 {
			if err := projector.Verify(ctx, a.log, k.At, k.Path); err != nil {
				return 0, err
			}
		}
	}
	a.Start()
	if err := a.WaitReady(ctx); err != nil {
		return 0, err
	}
	events = a.projector.Sequence()
	a.Stop()
	if err := view.Replace(ctx, dir); err != nil {
		return 0, err
	}
	for _, k := range kept {
		if k.Schema < view.SchemaVersion {
			err = errors.Join(err, k.Remove())
		}
	}
	if err != nil {
		cfg.Slog.Warn("the new view is in its place; an older one could not be removed", "err", err)
	}
	return events, nil
}

// retire removes views of older versions once this one has come as far as they had. Until then
// they may hold what the log has lost. The view of a newer version is kept for a return to that
// version.
func (a *App) retire(ctx context.Context) {
	kept, err := view.List(ctx, a.viewDir())
	if err != nil {
		a.cfg.Slog.Warn("could not look for views of older versions", "err", err)
	}
	for _, k := range kept {
		if k.Schema >= view.SchemaVersion {
			continue
		}
		err := k.Err
		if err == nil && k.At.Seq > 0 {
			err = projector.Verify(ctx, a.log, k.At, k.Path)
		}
		if err == nil {
			err = k.Remove()
		}
		if err != nil {
			a.cfg.Slog.Warn("the view of an older version is kept; remove it when you know what it holds", "file", k.Path, "err", err)
			continue
		}
		a.cfg.Slog.Info("the view of an older version was removed: the new one has come as far", "file", k.Path, "sequence", k.At.Seq)
	}
}
