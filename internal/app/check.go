package app

import (
	"context"
	"runtime/debug"
	"sync"
	"time"
)

// checkEvery is the time between two passes that read every entry of the log. The first pass
// begins at start.
const checkEvery = 24 * time.Hour

// checked is the result of reading every entry.
type checked struct {
	mu sync.Mutex
	Checked
}

// Checked is what reading every entry of the log has found so far.
type Checked struct {
	UpTo    uint64 // last sequence that was read, in the running pass or the last one
	Missing uint64 // in the running pass, or in the one before if that found more
	First   uint64 // first missing, 0 if none
	Whole   bool   // the whole log was read since the start
}

// Checked returns what reading every entry of the log has found so far.
func (a *App) Checked() Checked {
	a.checked.mu.Lock()
	defer a.checked.mu.Unlock()
	return a.checked.Checked
}

// check reads every secret of the key store and every entry of the log once a day and notes its head, until
// ctx ends.
func (a *App) check(ctx context.Context) {
	for {
		a.checkKeys(ctx)
		if err := a.checkOnce(ctx); err != nil {
			a.cfg.Slog.Warn("the log could not be checked for missing entries; it will be tried again", "err", err)
		}
		if err := a.noteHead(ctx); err != nil && ctx.Err() == nil {
			a.cfg.Slog.Warn("the log's head could not be read", "err", err)
		}
		debug.FreeOSMemory() // every entry went through the memory
		select {
		case <-ctx.Done():
			return
		case <-time.After(checkEvery):
		}
	}
}

// checkKeys looks whether every secret can be read.
func (a *App) checkKeys(ctx context.Context) {
	unreadable, halved, err := a.ring.Look(ctx)
	switch {
	case ctx.Err() != nil:
	case err != nil:
		a.cfg.Slog.Error("the key store cannot be read; runbook CannularyKeysDamaged", "err", err)
	case len(unreadable)+len(halved) > 0:
		a.cfg.Slog.Error("keys are damaged: these patients' names cannot be shown, or not any more after one more damage; runbook "+
			"CannularyKeysDamaged", "unreadable", unreadable, "damagedInOneOfTwoFiles", halved)
	}
}

func (a *App) checkOnce(ctx context.Context) error {
	c := &a.checked
	var missing, first, last uint64
	told := func() {
		if last > 0 {
			a.cfg.Slog.Error("entries are missing from the log: it is damaged; keep the data folder as it is, runbook CannularyLogDamaged",
				"first", first, "last", last, "missing", missing)
		}
	}
	err := a.log.Check(ctx, func(seq uint64, gone bool) {
		if gone {
			missing++
			last = seq
			if first == 0 {
				first = seq
				told()
			}
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		c.UpTo = seq
		if missing > c.Missing {
			c.Missing, c.First = missing, first
		}
	})
	if err != nil || ctx.Err() != nil {
		return err
	}
	if missing > 1 {
		told()
	}
	c.mu.Lock()
	c.Missing, c.First, c.Whole = missing, first, true
	c.mu.Unlock()
	return nil
}

// missing returns how many entries the log lacks, by the server's own counts or by reading.
func (a *App) missing(counted uint64) uint64 { return max(counted, a.Checked().Missing) }
