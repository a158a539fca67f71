package app

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"

	"github.com/nats-io/nats.go"

	"cannulary/internal/access"
	"cannulary/internal/eventlog"
	"cannulary/internal/facade"
	"cannulary/internal/trail"
	"cannulary/internal/trail/seen"
)

// kept is the trail of an instance with what it stands on. The embedded one has a server and a folder of its own: what
// repairs, copies or fills the log touches no entry of it, and the other way round.
type kept struct {
	server *eventlog.Server // nil on an external server
	nc     *nats.Conn       // nil on an external server, whose connection is the log's
	stream *eventlog.Log
	*trail.Trail
}

// TrailFolder is the folder of the trail in a data folder; the stream's files are in TrailStream within it.
const (
	TrailFolder = "trail"
	TrailStream = "stream"
)

// openTrail opens the trail. A view that is built beside another is asked by nobody.
func (a *App) openTrail(ctx context.Context) error {
	if a.building {
		return nil
	}
	cfg, k := a.cfg, &a.trail
	dir := filepath.Join(cfg.Dir, TrailFolder)
	if err := k.openStream(ctx, a, dir); err != nil {
		return fmt.Errorf("%w; the audit trail of this instance is in %s", err, dir)
	}
	types := []string{facade.AuditType}
	for _, t := range facade.Types() {
		types = append(types, t.Name)
	}
	var err error
	k.Trail, err = trail.Open(ctx, trail.Config{Log: k.stream, Dir: dir, Types: types, Index: cfg.View, Now: cfg.Now, Slog: cfg.Slog})
	return err
}

func (k *kept) openStream(ctx context.Context, a *App, dir string) (err error) {
	cfg, nc := a.cfg, a.nc
	if cfg.NATS == "" {
		if k.server, err = eventlog.StartServer(filepath.Join(dir, TrailStream), max(cfg.TrailMaxBytes, eventlog.DefaultTrailBytes),
			cfg.Slog); err != nil {
			return err
		}
		if k.nc, err = k.server.Connect(); err != nil {
			return err
		}
		nc = k.nc
	}
	k.stream, err = eventlog.Open(ctx, nc, a.trailConfig())
	return eventlog.NotYet(err)
}

func (a *App) trailConfig() eventlog.Config {
	cfg := a.cfg
	return eventlog.Config{Trail: true, Shard: cfg.Shard, MaxBytes: cfg.TrailMaxBytes, Resize: resize(cfg, cfg.TrailMaxBytes),
		Replicas: cfg.Replicas, Fingerprint: a.ring.Fingerprint(), Now: cfg.Now, API: cfg.NATSAPI, Appends: true}
}

// known hears from the door whose request it is.
func known(ctx context.Context, who *access.Principal) {
	if c := seen.From(ctx); c != nil {
		c.By(who.Name)
	}
}

func (k *kept) close() error {
	err := k.Trail.Close()
	if k.stream != nil {
		err = errors.Join(err, k.stream.Close())
	}
	if k.nc != nil {
		k.nc.Close()
	}
	if k.server != nil {
		k.server.Stop()
	}
	return err
}

// Trail returns the trail, nil in an instance that only builds a view.
func (a *App) Trail() *trail.Trail { return a.trail.Trail }

// audit is the trail as the facade asks it, nil without one.
func (a *App) audit() facade.Audit {
	if a.trail.Trail == nil {
		return nil
	}
	return a.trail.Trail
}
