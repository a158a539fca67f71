package app

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"cannulary/fhir"
	"cannulary/internal/answer"
	"cannulary/internal/export"
	"cannulary/internal/fault"
	"cannulary/internal/projector"
	"cannulary/internal/view"
)

// ErrReopen ends an application that is to be opened again at once, with the same addresses: its view
// was found damaged and is set aside, or the new one is built and put in its place.
var ErrReopen = errors.New("the application is to be started again")

var (
	errViewDamaged = fmt.Errorf("%w: its view is damaged and was set aside", ErrReopen)
	errViewBuilt   = fmt.Errorf("%w: its view was built again and put in its place", ErrReopen)
)

// scrubEvery is how long the view's file rests between two scrubs. What a page says is checked whenever it is read from
// the file; a scrub finds damage of pages that nobody reads.
const scrubEvery = time.Hour

// openView opens the view and its projector. A damaged view is set aside, and a new one is built beside its
// place; left is what is known of damage already.
func (a *App) openView(ctx context.Context, left error) error {
	dir := a.viewDir()
	_, owed := view.Aside(dir)
	a.beside = owed && !a.building
	err := left
	if err == nil || a.building || a.beside {
		err = a.openStore(ctx)
	}
	if a.building || a.beside || !errors.Is(err, view.ErrDamaged) {
		return err
	}
	a.tellDamage(err)
	if err := view.SetAside(dir); err != nil {
		return err
	}
	a.beside = true
	return a.openStore(ctx)
}

func (a *App) openStore(ctx context.Context) error {
	open := view.Open
	if a.building || a.beside {
		open = view.Build
	}
	store, err := open(ctx, a.viewDir())
	if err != nil {
		return err
	}
	p, err := projector.New(ctx, projector.Config{Log: a.log, Store: store, Opener: a.ring,
		Options: fhir.Options{NoSNOMED: a.cfg.NoSNOMED}, Slog: a.cfg.Slog, Room: a.waitForRoom})
	if err != nil {
		store.NoteDamage(err)
		return errors.Join(store.Damage(), err, store.Close())
	}
	a.store, a.projector, a.fresh = store, p, p.Sequence() == 0 && a.startSeq > 1
	return nil
}

func (a *App) tellDamage(err error) {
	a.cfg.Slog.Error("the view is damaged: it is not read any more; it is set aside and built again from the log, runbook "+
		"CannularyViewDamaged", "err", err, "keptAs", view.AsideName)
}

// watchView ends the application when damage of its view is noticed.
func (a *App) watchView() error {
	select {
	case <-a.run.Done():
		return nil
	case <-a.store.Damaged():
		a.tellDamage(a.store.Damage())
		return errViewDamaged
	}
}

// settleView puts the view in order for the next time that the application is opened. All must be closed.
func (a *App) settleView(ctx context.Context) error {
	switch {
	case a.store.Damage() == nil:
		return view.Replace(ctx, a.viewDir())
	case a.beside: // it is still owed, and is built once more
		return view.Discard(a.viewDir())
	}
	return view.SetAside(a.viewDir())
}

// scrub reads all of the view's file, slowly and again and again, until ctx ends.
func (a *App) scrub(ctx context.Context) {
	for {
		if err := a.store.Scrub(ctx); err != nil && ctx.Err() == nil {
			a.cfg.Slog.Warn("the view's file could not be checked; it will be tried again", "err", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(scrubEvery):
		}
	}
}

// withheld is why nothing is read from the view; nil where it is.
func (a *App) withheld() error {
	text := ""
	switch {
	case a.store == nil:
	case a.store.Damage() != nil:
		text = "the view was found damaged and is not read any more"
	case a.beside && !a.Ready():
		text = fmt.Sprintf("the view was found damaged and was set aside; it is being built again from the log (%d of %d entries)",
			a.projector.Sequence(), a.startSeq)
	case a.gathers():
		text = fmt.Sprintf("the view is being built from the log (%d of %d entries)", a.projector.Sequence(), a.startSeq)
	}
	if text == "" {
		return nil
	}
	return later(text, "wait; the service builds it by itself, and nothing is lost")
}

// later refuses a request until something is built.
func later(what, todo string) error {
	return &answer.Problem{Status: http.StatusServiceUnavailable, Code: "transient",
		Header: map[string]string{"Retry-After": strconv.Itoa(int(retryWithheld.Seconds()))},
		Text:   fault.New(fault.Unavailable, what, todo).Error()}
}

// gathers reports whether a view that held nothing at the start has not come as far as the log had then: a part of the record
// must not be taken for all of it. One whose projector stopped gives what it has, as any other.
func (a *App) gathers() bool { return a.fresh && !a.Ready() && a.projector.Failed() == nil }

// untilDamaged has an export that met damage go on once the application is opened again, as after any other end.
func (a *App) untilDamaged(read export.Reader) export.Reader {
	return func(ctx context.Context, r *export.Request, w *export.Writer) (time.Time, error) {
		at, err := read(ctx, r, w)
		if err != nil && a.store.Damage() != nil {
			<-ctx.Done()
			err = ctx.Err()
		}
		return at, err
	}
}

// retryWithheld is when a client may ask again.
const retryWithheld = 10 * time.Second
