package app

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"cannulary/fhir"
	"cannulary/internal/export"
	"cannulary/internal/extract"
	"cannulary/internal/projector"
	"cannulary/internal/view"
)

// extracts are the views for readers of some facilities, one for each set of facilities that the policy gives to
// readers. They are made from the view of the whole log and hold nothing that cannot be made again.
type extracts struct {
	mu   sync.Mutex
	list map[string]*extracted // by extract.ID
}

// extracted is one of them.
type extracted struct {
	app        *App
	facilities []string
	dir        string
	// serving answers once the view has come as far as the log was when it was opened; nil before.
	serving atomic.Pointer[http.Handler]
	side    atomic.Pointer[side]
}

// extractPrefix begins the name of a folder in the view's folder that holds an extract's view.
const extractPrefix = "extract-"

// again is the time between two attempts to make an extract's view.
const again = 5 * time.Second

// want sees that there is a view for each set of facilities of the policy. Those that are new are begun. The others of this
// process go on until it ends.
func (a *App) want() {
	x := &a.extracts
	x.mu.Lock()
	defer x.mu.Unlock()
	if a.run.Err() != nil {
		return // Stop waits for those that were begun before
	}
	for _, set := range a.door.Policy().Views() {
		id := extract.ID(set)
		if x.list[id] != nil {
			continue
		}
		e := &extracted{app: a, facilities: set, dir: filepath.Join(a.viewDir(), extractPrefix+id)}
		if x.list == nil {
			x.list = map[string]*extracted{}
		}
		x.list[id] = e
		a.work.Go(func() { e.run(a.run) })
	}
}

// forgetExtracts removes the views of extracts that no reader has any more.
func (a *App) forgetExtracts() {
	sets := a.door.Policy().Views()
	list, err := os.ReadDir(a.viewDir())
	for _, f := range list {
		id, ok := strings.CutPrefix(f.Name(), extractPrefix)
		if ok && !slices.ContainsFunc(sets, func(set []string) bool { return extract.ID(set) == id }) {
			err = errors.Join(err, os.RemoveAll(filepath.Join(a.viewDir(), f.Name())))
		}
	}
	if err != nil {
		a.cfg.Slog.Warn("a view for readers whom the policy does not name any more could not be removed", "err", err)
	}
}

// of returns what answers readers of these facilities; nil while it is not there.
func (x *extracts) of(facilities []string) http.Handler {
	x.mu.Lock()
	e := x.list[extract.ID(facilities)]
	x.mu.Unlock()
	if e != nil {
		if h := e.serving.Load(); h != nil {
			return *h
		}
	}
	return nil
}

// notYet is why nothing is read from an extract that is not there.
func notYet() error {
	return later("what readers of these facilities may read is being gathered from the log",
		"wait and ask again; a large log takes minutes")
}

// sequences returns how far each extract followed the log, by its facilities.
func (x *extracts) sequences() map[string]uint64 {
	x.mu.Lock()
	defer x.mu.Unlock()
	out := map[string]uint64{}
	for _, e := range x.list {
		var seq uint64
		if s := e.side.Load(); s != nil {
			came, last := s.extract.Came()
			if seq = came; s.projector.Sequence() < last {
				seq-- // what came is not in the view yet
			}
		}
		out["extract "+strings.Join(e.facilities, " ")] = seq
	}
	return out
}

// run makes the view and keeps it up to date until ctx ends. What stands in its way is logged, and it is made again.
func (e *extracted) run(ctx context.Context) {
	log := e.app.cfg.Slog.With("facilities", e.facilities)
	for ctx.Err() == nil {
		err := e.follow(ctx)
		if ctx.Err() != nil {
			return
		}
		if errors.Is(err, projector.ErrForeign) || errors.Is(err, projector.ErrClocks) || errors.Is(err, view.ErrDamaged) {
			log.Warn("the view for readers of some facilities is made again", "why", err)
			if err = os.RemoveAll(e.dir); err == nil {
				continue
			}
		}
		log.Error("the view for readers of some facilities does not follow the log; it is tried again", "err", err)
		select {
		case <-ctx.Done():
		case <-time.After(again):
		}
	}
}

// follow opens the view and projects the extract until ctx ends or something fails.
func (e *extracted) follow(ctx context.Context) (err error) {
	a := e.app
	store, err := view.Open(ctx, e.dir)
	if err != nil {
		return err
	}
	defer func() {
		e.serving.Store(nil)
		e.side.Store(nil)
		store.NoteDamage(err)
		err = errors.Join(store.Damage(), err, store.Close())
	}()
	store.Only(e.facilities)
	s := &side{app: a, store: store, extract: extract.New(extract.Config{Facilities: e.facilities, Main: a.store,
		WaitFor: a.projector.WaitFor, File: filepath.Join(e.dir, "gate"), LogID: a.log.ID(), Clocks: a.log.WrongClocks()})}
	if s.projector, err = projector.New(ctx, projector.Config{Log: s.extract, Store: store, Opener: a.ring, Slog: a.cfg.Slog,
		Options: fhir.Options{NoSNOMED: a.cfg.NoSNOMED}, Room: a.waitForRoom,
		Figures: func(facility string) bool { return slices.Contains(e.facilities, facility) }}); err != nil {
		return err
	}
	if s.exports, err = export.Open(export.Config{Dir: filepath.Join(e.dir, "export"), Now: a.cfg.Now, Free: a.exportRoom,
		Slog: a.cfg.Slog}); err != nil {
		return err
	}
	h, err := s.handler()
	if err != nil {
		return err
	}
	e.side.Store(s)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var work sync.WaitGroup
	defer work.Wait()
	defer cancel()
	work.Go(func() { e.serve(ctx, s, h) })
	work.Go(func() {
		select {
		case <-ctx.Done():
		case <-store.Damaged():
			cancel()
		}
	})
	return s.projector.Run(ctx)
}

// serve lets readers in once the view has what the log had when it was opened, and runs their exports.
func (e *extracted) serve(ctx context.Context, s *side, h http.Handler) {
	end := e.app.projector.Sequence()
	if err := e.app.projector.WaitFor(ctx, e.app.startSeq); err != nil {
		return
	}
	end = max(end, e.app.startSeq)
	if err := s.caughtUp(ctx, end); err != nil {
		return
	}
	e.serving.Store(&h)
	s.exports.Run(ctx, s.read)
}

// caughtUp waits until an extract has followed the log up to an entry and its view has that.
func (s *side) caughtUp(ctx context.Context, seq uint64) error {
	for {
		at := s.projector.Sequence()
		came, last := s.extract.Came()
		if came >= seq && at >= last {
			return nil
		}
		wait, cancel := context.WithTimeout(ctx, time.Second)
		err := s.projector.WaitFor(wait, at+1)
		cancel()
		if ctx.Err() != nil || err != nil && !errors.Is(err, context.DeadlineExceeded) {
			return fmt.Errorf("the extract: %w", err)
		}
	}
}
