package app

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"cannulary/internal/eventlog"
	"cannulary/internal/intake"
)

// ConfirmClock notes for the instance in dir that a person found the machine's clock right at that moment.
func ConfirmClock(dir string, at time.Time) error {
	return intake.ConfirmClock(filepath.Join(dir, "ingest"), at)
}

// Declared is what declaring a clock wrong did.
type Declared struct {
	Sequence uint64 `json:"sequence"` // the entry that says so
	First    uint64 `json:"first"`
	Last     uint64 `json:"last"`
	// Was and Is are when the first and the last of the entries were logged, before and after.
	Was    [2]time.Time `json:"was"`
	Is     [2]time.Time `json:"is"`
	Events uint64       `json:"events"` // in the view that was built anew
}

// DeclareWrongClock writes into the log of a stopped instance that the entries were dated by a wrong clock, and
// builds the view anew.
func DeclareWrongClock(ctx context.Context, cfg Config, w eventlog.WrongClock, reason string) (d Declared, err error) {
	cfg.Ingest, cfg.View, cfg.HTTP = false, false, "127.0.0.1:0"
	a, err := New(ctx, cfg)
	if err != nil {
		return d, err
	}
	d, err = a.declare(ctx, w, reason)
	a.Stop()
	if err != nil {
		return d, err
	}
	d.Events, err = Rebuild(ctx, cfg)
	return d, err
}

func (a *App) declare(ctx context.Context, w eventlog.WrongClock, reason string) (d Declared, err error) {
	if w.First < 2 || w.Last < w.First || w.Last > a.startSeq {
		return d, fmt.Errorf("the log has entries 2 to %d that can be declared; give --first and --last within", a.startSeq)
	}
	d.First, d.Last = w.First, w.Last
	for i, seq := range [2]uint64{w.First, w.Last} {
		e, err := a.log.Get(ctx, seq)
		if err != nil {
			return d, fmt.Errorf("read entry %d: %w", seq, err)
		}
		d.Was[i], d.Is[i] = e.Time, e.Time.Add(-w.Ahead)
	}
	if now := a.cfg.Now(); d.Is[1].After(now.Add(time.Minute)) {
		return d, fmt.Errorf("entry %d would then be of %s, which has not come (it is %s now); set the machine's clock right first, or "+
			"give a larger --ahead", w.Last, d.Is[1].Format(time.RFC3339), now.UTC().Format(time.RFC3339))
	}
	if a.log.ByWrongClock(w.First) || a.log.ByWrongClock(w.Last) {
		return d, errors.New("these entries are declared already; what is declared adds up, so nothing was written")
	}
	d.Sequence, err = a.log.Declare(ctx, w, reason)
	return d, err
}
