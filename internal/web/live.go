package web

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/fault"
)

const (
	// beat is how often a page hears that the server lives. A page is out of date to its reader
	// when it has missed four beats; live.js knows that figure.
	beat = 15 * time.Second
	// calm is the least time between two messages that the view has changed.
	calm = time.Second
)

// live answers "/live" with server-sent events, until the client goes or the server stops:
// "beat" at once and then every 15 seconds, "changed" when the view has gone on, at most once a
// second, "ended" when the session of who reads it does. Each carries the server's time, as an instant and as the facility's
// clocks show it.
func (h *handler) live(w http.ResponseWriter, r *http.Request) error {
	p, err := answer.Query(r, paramFacility)
	if err != nil {
		return err
	}
	zone := time.UTC
	if id := p[paramFacility]; id != "" {
		if err := h.registered(r.Context(), id); err != nil {
			return err
		}
		zone = h.cfg.Cards.Zone(id)
	}
	status, err := h.cfg.Status(r.Context())
	from := status.ViewSequence
	if err != nil && r.Context().Err() == nil { // else the page has gone already
		h.cfg.Log.WarnContext(r.Context(), "a live page could not ask how far the log is", "err", err)
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.WriteHeader(http.StatusOK)
	if r.Method == http.MethodHead {
		return nil
	}
	tell := func(event string) error {
		now := h.cfg.Now()
		if _, err := fmt.Fprintf(w, "event: %s\ndata: {\"now\":%d,\"clock\":%q}\n\n", event, now.UnixMilli(),
			now.In(zone).Format(clock)); err != nil {
			return err
		}
		return http.NewResponseController(w).Flush()
	}
	// An error of tell is that nobody listens any more.
	if tell("beat") != nil {
		return nil
	}
	h.follow(r.Context(), from, tell)
	if cause := context.Cause(r.Context()); cause != nil && fault.As(cause).Kind == fault.Unauthenticated {
		_ = tell("ended") // the page may have gone
	}
	return nil
}

// registered refuses a facility that is not.
func (h *handler) registered(ctx context.Context, facility string) error {
	if _, ok, err := h.cfg.Store.Facility(ctx, facility); err != nil || ok {
		return err
	}
	return notRegistered()
}

func notRegistered() error {
	return fault.New(fault.NotFound, "no facility with this code is registered", "choose one at /")
}

// follow reports what happens until ctx ends, the server stops or tell fails.
func (h *handler) follow(ctx context.Context, from uint64, tell func(event string) error) {
	ctx, cancel := context.WithCancel(ctx)
	changed := make(chan struct{})
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		h.watch(ctx, from, changed)
	}()
	defer func() { cancel(); <-ended }()
	beats := time.NewTicker(beat)
	defer beats.Stop()
	for {
		event := "beat"
		select {
		case <-ctx.Done():
			return
		case <-h.cfg.Ended:
			return
		case <-changed:
			event = "changed"
		case <-beats.C:
		}
		if tell(event) != nil {
			return
		}
	}
}

// watch sends when the view has gone on, and rests after that, until ctx ends. It sends for the
// last time when the view stops, since pages say that then.
func (h *handler) watch(ctx context.Context, from uint64, changed chan<- struct{}) {
	for {
		at, err := h.cfg.Moved(ctx, from)
		from = at
		select {
		case changed <- struct{}{}:
		case <-ctx.Done():
			return
		}
		if err != nil {
			return
		}
		select {
		case <-time.After(calm):
		case <-ctx.Done():
			return
		}
	}
}
