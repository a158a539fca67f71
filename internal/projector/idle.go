package projector

import (
	"context"
	"runtime/debug"
	"time"

	"cannulary/internal/surveil"
	"cannulary/internal/view"
	"cannulary/internal/worklist"
)

const (
	// pause is how long nothing must have come for the log to count as idle.
	pause = 50 * time.Millisecond
	// manyEvents make it worth to give memory back.
	manyEvents = 5000
	// warmMost is how many patients are made ready: those of a large unit, some 120 kB each.
	warmMost = 128
)

// idler is what is done while nothing comes.
type idler struct {
	*Projector
	before uint64 // the sequence at the last look
	shrunk uint64 // the sequence when memory was given back last
	listed bool
	cold   []string // the patients to be made ready, the next one last
}

// whenIdle uses the time in which nothing comes. After a long catch-up it gives memory back. After a
// start it makes the patients ready, one at a time, about whom the last events came: else the first
// event of each of them would have to wait until all facts of the patient are read and judged. None of
// this has to succeed: what stands in its way is logged, and an event that meets it too stops Run.
func (p *Projector) whenIdle(ctx context.Context) {
	// There may be many extracts: of them nobody is kept ready.
	i := &idler{Projector: p, listed: p.cfg.Log.Partial()}
	t := time.NewTicker(pause)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			i.look(ctx)
		}
	}
}

// look does what is to be done, if nothing came since the last look and no batch is under way, until something comes.
func (i *idler) look(ctx context.Context) {
	seq := i.Sequence()
	quiet := seq == i.before
	i.before = seq
	for more := quiet; more && ctx.Err() == nil && i.Sequence() == seq && i.writing.TryLock(); {
		more = i.step(ctx, seq)
		i.writing.Unlock()
	}
}

// step does one thing. It returns whether there is more to do.
func (i *idler) step(ctx context.Context, seq uint64) (more bool) {
	switch {
	case seq-i.shrunk >= manyEvents:
		i.shrunk = seq
		if i.cfg.Log.Partial() {
			i.state.forget()
		}
		i.shrink(ctx)
		return true
	case i.listed && len(i.cold) == 0:
		return false
	}
	if err := i.warm(ctx); err != nil && ctx.Err() == nil {
		i.cfg.Slog.Warn("a patient could not be made ready for the next event", "err", err)
	}
	if len(i.cold) > 0 {
		return true
	}
	// All facts of all of them went through the memory.
	i.shrink(ctx)
	debug.FreeOSMemory()
	return false
}

func (i *idler) shrink(ctx context.Context) {
	if err := i.cfg.Store.Shrink(ctx); err != nil && ctx.Err() == nil {
		i.cfg.Slog.Warn("the view's memory could not be given back", "err", err)
	}
}

// warm makes the next patient ready, or finds out who that is.
func (i *idler) warm(ctx context.Context) error {
	tx, err := i.cfg.Store.Begin(ctx)
	if err != nil {
		i.listed, i.cold = true, nil
		return err
	}
	defer tx.Rollback()
	if !i.listed {
		i.listed = true
		i.cold, err = tx.LastReported(warmMost)
	} else {
		last := len(i.cold) - 1
		key := i.cold[last]
		i.cold = i.cold[:last]
		err = i.state.warm(tx, key)
	}
	if err != nil {
		return err
	}
	return tx.Commit()
}

// warm makes a patient ready for the next fact: with what judgement, surveillance and work lists keep
// of the patient.
func (s *state) warm(tx *view.Tx, key string) error {
	if s.identities.Survivor(key) != key || s.followers[key] != nil || len(s.followers) >= followersMost {
		return nil
	}
	d, err := s.gather(tx.Load(), key)
	if err != nil {
		return err
	}
	fw, j, asOf := s.newFollower(key, d.Input)
	fw.ready(j, asOf)
	s.followers[key] = fw
	_, s.memos[key] = surveil.Fold(surveil.Input{Items: d.Input.Items, Zone: s.zone})
	_, s.lists[key] = worklist.Fold(d.Input.Items, s.zone)
	return nil
}
