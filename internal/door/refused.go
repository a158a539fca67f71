package door

import (
	"log/slog"
	"sync/atomic"
	"time"

	"golang.org/x/time/rate"

	"cannulary/internal/access"
	"cannulary/internal/fault"
)

// turnedAway counts who was not let in, and logs it: at most toldAtOnce lines, then one every tellEvery.
type turnedAway struct {
	slog *slog.Logger
	tell *rate.Limiter
	by   map[string]*atomic.Uint64 // by reason
}

const (
	toldAtOnce = 20
	tellEvery  = 3 * time.Second
)

// foreignHost is the reason of a request under a foreign name.
const foreignHost = "host"

func newTurnedAway(log *slog.Logger) turnedAway {
	t := turnedAway{slog: log, tell: rate.NewLimiter(rate.Every(tellEvery), toldAtOnce), by: map[string]*atomic.Uint64{foreignHost: {}}}
	for _, k := range []fault.Kind{fault.Unauthenticated, fault.Denied, fault.Limited} {
		t.by[k.String()] = &atomic.Uint64{}
	}
	return t
}

// add counts a refusal. The line names the principal and the names in the certificate, and nothing of what
// was asked but the right: an address may hold the number of a patient.
func (t *turnedAway) add(err error, who *access.Principal, c access.Caller, r access.Right) {
	reason := fault.As(err).Kind.String()
	if n := t.by[reason]; n != nil {
		n.Add(1)
	}
	if !t.tell.Allow() {
		return
	}
	name := "unknown"
	if who != nil {
		name = who.Name
	}
	t.slog.Warn("a caller was not let in", "reason", reason, "principal", name, "right", r, "certificate", access.Names(c.Certificate),
		"token", c.Bearer != "")
}

// TurnedAway returns how many requests were not let in, by reason.
func (d *Door) TurnedAway() map[string]uint64 {
	out := map[string]uint64{}
	for reason, n := range d.turnedAway.by {
		out[reason] = n.Load()
	}
	return out
}
