package app

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"time"

	"cannulary/internal/door"
)

// readDoorEvery is how often the policy and the certificates are looked at.
const readDoorEvery = 2 * time.Second

// guarded refuses addresses that other machines reach without TLS and a policy.
func guarded(cfg Config) error {
	if cfg.ServeEverybody && cfg.Policy != "" {
		return fmt.Errorf("a policy is given, and --serve-everybody-without-access-control as well; leave one of them out")
	}
	for _, addr := range []string{cfg.GRPC, cfg.HTTP} {
		if addr == "" {
			continue
		}
		host, _, err := net.SplitHostPort(addr)
		if err != nil {
			return fmt.Errorf("address %q is not HOST:PORT: %w; give for instance 127.0.0.1:7450", addr, err)
		}
		ip := net.ParseIP(host)
		own := host == "localhost" || ip != nil && ip.IsLoopback()
		if !own && !cfg.ServeEverybody && (cfg.Policy == "" || cfg.TLSCertificate == "") {
			return fmt.Errorf("address %s can be reached from other machines, so it needs --policy, --tls-certificate and --tls-key "+
				"(deploy/access.md says how); without them only 127.0.0.1, ::1 and localhost are served", addr)
		}
	}
	return nil
}

// newDoor makes the door before both listeners.
func (a *App) newDoor() (*door.Door, error) {
	cfg := a.cfg
	hosts := cfg.Hosts
	if u, err := url.Parse(cfg.PublicBase); err == nil && u.Hostname() != "" {
		hosts = append(hosts[:len(hosts):len(hosts)], u.Hostname())
	}
	if host, _, err := net.SplitHostPort(cfg.HTTP); err == nil {
		if ip := net.ParseIP(host); host != "" && (ip == nil || !ip.IsUnspecified()) {
			hosts = append(hosts[:len(hosts):len(hosts)], host)
		}
	}
	return door.New(door.Config{Policy: cfg.Policy, Certificate: cfg.TLSCertificate, Key: cfg.TLSKey, Clients: cfg.TLSClients, Hosts: hosts,
		Types: typeNames(), Bearer: a.bearer, People: a.peopleAtDoor, Check: a.checkPolicy, Known: known, Now: cfg.Now, Slog: cfg.Slog})
}

// httpServer bounds what a connection may hold and for how long. How long an answer may take is not
// bounded: live pages go on, and a download takes its time.
func httpServer(handler http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{Handler: handler, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 64 << 10, HTTP2: &http.HTTP2Config{MaxConcurrentStreams: 100},
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn)}
}

// Reload reads the policy and the certificates again, if they have changed. With the first client or hooks of a policy it opens
// what checks tokens. Until that is open no token counts, and the next Reload tries again.
func (a *App) Reload() {
	a.door.Look()
	if err := a.openSmart(a.run); err != nil && a.run.Err() == nil {
		a.cfg.Slog.Error("the policy has client or hooks, and their tokens cannot be checked yet: the store of tokens was not opened",
			"err", err)
	}
	if a.store != nil && !a.building && !a.beside {
		a.want()
	}
}

// watchDoor looks at the policy and the certificates until ctx ends.
func (a *App) watchDoor(ctx context.Context) {
	t := time.NewTicker(readDoorEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			a.Reload()
		}
	}
}
