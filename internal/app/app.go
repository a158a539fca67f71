// Package app joins the roles. New opens everything and listens, Run serves until its context
// ends, Stop ends everything in order. The programs add flags and signals. Every test starts the
// same application on port 0.
package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"

	"cannulary/internal/door"
	"cannulary/internal/eventlog"
	"cannulary/internal/export"
	"cannulary/internal/grpcapi"
	"cannulary/internal/intake"
	"cannulary/internal/keyring"
	"cannulary/internal/metrics"
	"cannulary/internal/people"
	"cannulary/internal/projector"
	"cannulary/internal/salvage"
	"cannulary/internal/smart"
	"cannulary/internal/view"
	"cannulary/internal/web/cdshooks"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// Config says what to run. Dir, Now and Slog must be set; every other field may be zero.
type Config struct {
	Dir string // holds log, view, ingest, keys and export
	// Ingest and View are the roles. `serve` runs both on one embedded log.
	Ingest, View bool
	GRPC         string // address of the gRPC services, with role Ingest
	HTTP         string // address of FHIR, pages and metrics; empty listens at the operator's socket only
	// NATS is the address of an external server. Empty embeds one in Dir/log.
	NATS string
	// Credentials is a NATS credentials file for the external server, if it asks for one.
	Credentials string
	// NATSCA, NATSCert and NATSKey are PEM files for TLS to the external server; NATSAPI is the prefix of its
	// JetStream API. See eventlog.Remote.
	NATSCA, NATSCert, NATSKey, NATSAPI string
	// Prepare makes stream and bucket on the external server and sets the log's limit: the administrator's.
	Prepare bool
	// MasterKeyFile holds 64 hexadecimal digits that wrap the keys of patients on an external
	// server. It is required with NATS.
	MasterKeyFile string
	Replicas      int    // of log and keys on an external server; 0 is 1
	Shard         string // empty is "main"
	// LogMaxBytes is the log's limit. The start of an embedded log sets it. The start of an
	// ingesting process raises it on an external log. Other processes leave it alone. 0 leaves a
	// log as it is; a new log then has eventlog.DefaultMaxBytes.
	LogMaxBytes int64
	// TrailMaxBytes is the trail's limit, likewise; a new trail has eventlog.DefaultTrailBytes.
	TrailMaxBytes int64
	PublicBase    string // public base of FHIR links; empty uses the host of each request
	// Policy is the file that says who may do what. Empty lets everybody do everything.
	Policy string
	// TLSCertificate and TLSKey are the PEM files of both listeners. TLSClients is the PEM file of
	// the authorities whose certificates clients may show.
	TLSCertificate, TLSKey, TLSClients string
	// Hosts are the names under which HTTP may be asked, beside this machine's, HTTP's own address
	// and the public base's.
	Hosts []string
	// ServeEverybody allows addresses that other machines reach without TLS and without a policy.
	ServeEverybody bool
	// CDSOrigins are the web origins whose pages may call the CDS Hooks service from a browser.
	// Empty allows none.
	CDSOrigins []string
	NoSNOMED   bool
	// WatchCertificates are PEM files whose expiry is exported as a metric, for instance the
	// gateway's.
	WatchCertificates []string
	// Language is the language of the pages, one of web.Languages; empty is English.
	Language string
	Version  string
	Now      func() time.Time
	// Clock is the machine's clock; nil is this machine's.
	Clock intake.Clock
	Slog  *slog.Logger
	// Free returns the free bytes of the disk with the folder; nil asks the system.
	Free func(dir string) (free uint64, known bool)
	// Invented is set only by the demo, whose log holds a year that has passed.
	Invented *Invented
}

// Invented gives the dates of the entries of an embedded log of invented facts.
type Invented struct {
	Arrived func(*logv1.Event) time.Time // see eventlog.Config
	Day     func() time.Time             // see intake.Config
}

// App is a running application.
type App struct {
	cfg           Config
	lock          *os.File
	answers       bool // somebody may ask it, so it keeps a trail
	building      bool // the view is built beside the one in use; the caller holds a lock
	beside        bool // the view is built beside a place that is empty, because a damaged one was set aside
	fresh         bool // the view held nothing at the start, and the log did
	server        *eventlog.Server
	nc            *nats.Conn
	log           *eventlog.Log
	trail         kept
	ring          *keyring.Ring
	door          *door.Door
	smart         atomic.Pointer[smart.Service] // nil without the view role, or a policy with tokens
	tokensRefused smart.Refusals
	people        *people.Service // nil where nobody logs in
	opening       sync.Mutex      // while smart is opened
	intake        *intake.Intake
	store         *view.Store
	projector     *projector.Projector
	exports       *export.Engine // nil without the view role
	side          *side          // that of the whole log; nil without the view role
	extracts      extracts
	metrics       *metrics.Metrics
	grpc          *grpcapi.Server
	grpcLis       net.Listener
	http          *http.Server
	httpLis       net.Listener // nil without an address
	// operator serves what HTTP does at the socket in the folder; nil without one.
	operator    *http.Server
	operatorLis net.Listener
	startSeq    uint64 // the log's end at start
	reopens     bool   // whoever runs it opens it again after ErrReopen

	run    context.Context
	cancel context.CancelFunc
	work   sync.WaitGroup
	fatal  chan error
	once   sync.Once
	// draining is closed when HTTP stops: an answer that goes on for ever must end by itself.
	draining chan struct{}
	ready    atomic.Bool // it becomes true once

	checked checked
	room    room
}

// New opens folder, log, keys and views, and listens. On an error it closes everything that it
// opened.
func New(ctx context.Context, cfg Config) (*App, error) { return newApp(ctx, cfg, false) }

func newApp(ctx context.Context, cfg Config, building bool) (*App, error) {
	cfg.Shard, cfg.Replicas = cmp.Or(cfg.Shard, "main"), cmp.Or(cfg.Replicas, 1)
	a := &App{cfg: cfg, building: building, fatal: make(chan error, 4), draining: make(chan struct{}), tokensRefused: smart.NewRefusals()}
	a.run, a.cancel = context.WithCancel(context.Background())
	if err := a.open(ctx); err != nil {
		a.Stop()
		return nil, err
	}
	return a, nil
}

func (a *App) open(ctx context.Context) error {
	cfg := a.cfg
	var err error
	if err := guarded(cfg); err != nil {
		return err
	}
	if a.door, err = a.newDoor(); err != nil {
		return err
	}
	if !a.building {
		if a.lock, err = Lock(cfg.Dir); err != nil {
			return err
		}
	}
	a.lookAtRoom()
	a.answers = !a.building
	var left error // what an unclean end left of the view; opening the log's witnesses opens views
	if cfg.View {
		if left = view.LeftDamaged(a.viewDir()); left != nil && !errors.Is(left, view.ErrDamaged) {
			return left
		}
	}
	if err := a.openLog(ctx); err != nil {
		return err
	}
	st, err := a.log.State(ctx)
	if err != nil {
		return err
	}
	a.startSeq = st.LastSeq
	if err := a.openTrail(ctx); err != nil {
		return err
	}
	if cfg.Ingest {
		in := intake.Config{
			Log: a.log, Ring: a.ring, Dir: filepath.Join(cfg.Dir, "ingest"),
			Now: cfg.Now, Clock: cfg.Clock, Slog: cfg.Slog, Note: a.note,
			Outcome: func(service, outcome string) { a.metrics.Outcome(service, outcome) }, // metrics are made later
			Room:    func() bool { return a.room.has(logReserve) },
		}
		if cfg.Invented != nil {
			in.Day = cfg.Invented.Day
		}
		if a.intake, err = intake.New(ctx, in); err != nil {
			return err
		}
	}
	if cfg.View {
		if err := a.openView(ctx, left); err != nil {
			return err
		}
		if a.exports, err = export.Open(export.Config{Dir: filepath.Join(cfg.Dir, "export"), Now: cfg.Now, Free: a.exportRoom,
			Slog: cfg.Slog}); err != nil {
			return err
		}
		a.side = &side{app: a, store: a.store, projector: a.projector, exports: a.exports}
	}
	a.metrics = metrics.New(a.sources())
	if cfg.Ingest {
		a.grpc = grpcapi.New(a.intake, a.door, cfg.Slog, a.trail.Trail)
		if a.grpcLis, err = (&net.ListenConfig{}).Listen(ctx, "tcp", cfg.GRPC); err != nil {
			return fmt.Errorf("listen for gRPC on %s: %w; choose another address with --grpc, port 0 takes a free one", cfg.GRPC, err)
		}
	}
	if cfg.HTTP != "" {
		if a.httpLis, err = (&net.ListenConfig{}).Listen(ctx, "tcp", cfg.HTTP); err != nil {
			return fmt.Errorf("listen for HTTP on %s: %w; choose another address with --http, port 0 takes a free one", cfg.HTTP, err)
		}
	}
	if err := errors.Join(a.openSmart(ctx), a.openPeople(ctx)); err != nil {
		return err
	}
	handler, err := a.handler()
	if err != nil {
		return err
	}
	guarded := a.trail.HTTP(a.door.HTTP(a.trail.Guard(handler)))
	a.http = httpServer(cdshooks.Readable(cfg.CDSOrigins, guarded), cfg.Slog)
	a.http.TLSConfig = a.door.TLS("h2", "http/1.1")
	a.http.RegisterOnShutdown(func() { close(a.draining) })
	if !a.building {
		a.openOperator(ctx, handler)
	}
	return nil
}

// openLog starts the log's server or connects to it, and opens keys and log.
func (a *App) openLog(ctx context.Context) error {
	cfg := a.cfg
	if cfg.NATS != "" {
		return a.external(ctx)
	}
	if err := a.look(ctx); err != nil {
		return err
	}
	var err error
	if a.server, err = eventlog.StartServer(filepath.Join(cfg.Dir, "log"), max(cfg.LogMaxBytes, eventlog.DefaultMaxBytes),
		cfg.Slog); err != nil {
		return err
	}
	if a.nc, err = a.server.Connect(); err != nil {
		return err
	}
	store, err := keyring.OpenFolder(ctx, filepath.Join(cfg.Dir, "keys"))
	if err != nil {
		return err
	}
	return a.openRecord(ctx, store)
}

// openRecord opens keys and log on the connection.
func (a *App) openRecord(ctx context.Context, store keyring.Store) error {
	cfg := a.cfg
	var err error
	if a.ring, err = keyring.Open(ctx, store); err != nil {
		return errors.Join(err, store.Close())
	}
	log := eventlog.Config{
		Shard: cfg.Shard, MaxBytes: cfg.LogMaxBytes, Resize: resize(cfg, cfg.LogMaxBytes), Replicas: cfg.Replicas,
		Fingerprint: a.ring.Fingerprint(), Now: cfg.Now, API: cfg.NATSAPI, Appends: cfg.Ingest || cfg.Prepare,
	}
	if cfg.NATS == "" {
		log.Head = filepath.Join(cfg.Dir, salvage.HeadFile)
		if cfg.Invented != nil {
			log.Arrived = cfg.Invented.Arrived
		}
	}
	if a.log, err = eventlog.Open(ctx, a.nc, log); err != nil {
		return err
	}
	switch m := a.log.Limit(); {
	case m.Was != m.Is:
		cfg.Slog.Info("the log's limit was changed", "from", m.Was, "to", m.Is, "shard", cfg.Shard)
	case m.Asked != 0 && m.Asked != m.Is:
		cfg.Slog.Warn("the log's limit was not changed: on an external server it is only raised", "is", m.Is, "asked", m.Asked,
			"shard", cfg.Shard)
	}
	return nil
}

// resize says who may change the limit of an existing log or trail to most bytes. A process that has the log to itself
// may set it, and so may the administrator. One of many processes that ingest may raise it. A process
// that only reads may not change it.
func resize(cfg Config, most int64) eventlog.Resize {
	switch {
	case most == 0 || !cfg.Ingest && !cfg.Prepare:
		return eventlog.Keep
	case cfg.NATS != "" && !cfg.Prepare:
		return eventlog.Raise
	}
	return eventlog.Set
}

// GRPCAddr returns the address of the gRPC server, empty without the ingest role.
func (a *App) GRPCAddr() string {
	if a.grpcLis == nil {
		return ""
	}
	return a.grpcLis.Addr().String()
}

// HTTPAddr returns the address of the HTTP server, empty without one.
func (a *App) HTTPAddr() string {
	if a.httpLis == nil {
		return ""
	}
	return a.httpLis.Addr().String()
}

// URL returns the address of the HTTP server with its scheme.
func (a *App) URL() string {
	if a.cfg.TLSCertificate != "" { // the server itself fills in a TLSConfig
		return "https://" + a.HTTPAddr()
	}
	return "http://" + a.HTTPAddr()
}

// Store returns the view, nil without that role.
func (a *App) Store() *view.Store { return a.store }

// Log returns the log.
func (a *App) Log() *eventlog.Log { return a.log }

// Intake returns the ingest role, nil without it.
func (a *App) Intake() *intake.Intake { return a.intake }

// Projector returns the view role's projector, nil without it.
func (a *App) Projector() *projector.Projector { return a.projector }

// Run serves until ctx ends or a role fails. Then it stops in order. The error is ErrReopen where the application is
// to be opened again.
func (a *App) Run(ctx context.Context) error {
	a.reopens = true
	a.Start()
	var err error
	select {
	case <-ctx.Done():
	case err = <-a.fatal:
	}
	a.Stop()
	if errors.Is(err, ErrReopen) {
		if serr := a.settleView(ctx); serr != nil {
			return serr
		}
	}
	return err
}

// Failed receives the error of a role that failed.
func (a *App) Failed() <-chan error { return a.fatal }

// Start serves in the background. The caller must call Stop. Failed reports roles that fail.
func (a *App) Start() {
	a.serveHTTP()
	a.work.Go(func() { a.watchDoor(a.run) })
	if a.people != nil {
		a.work.Go(func() { a.people.Run(a.run) })
	}
	relax := func() {}
	if a.projector != nil {
		if a.startSeq > a.projector.Sequence()+farBehind {
			relax = hurry()
		}
		a.work.Go(func() {
			err := a.projector.Run(a.run)
			a.store.NoteDamage(err)
			if err != nil && a.store.Damage() == nil {
				// The view goes on answering from what it has. Readiness and metrics show the
				// failure.
				a.cfg.Slog.Error("the projector stopped", "err", err)
			}
		})
	}
	if a.exports != nil {
		a.work.Go(func() {
			// A view that is being rebuilt would give only a part of what the client had before.
			// A view whose projector stopped gives what it has, as in a search.
			if err := a.projector.WaitFor(a.run, a.startSeq); err != nil {
				a.cfg.Slog.Warn("exports begin before the view has caught up, or not at all", "err", err)
			}
			if !a.beside { // once the view is in its place
				a.exports.Run(a.run, a.side.read)
			}
		})
	}
	a.spawn(func() error {
		defer relax()
		if a.intake != nil {
			if err := a.intake.Ready(a.run); err != nil {
				return nil
			}
		}
		if a.projector != nil {
			if err := a.projector.WaitFor(a.run, a.startSeq); err != nil {
				return nil
			}
		}
		if a.beside && a.reopens {
			a.cfg.Slog.Info("the view is built again; it is put in its place", "sequence", a.projector.Sequence())
			return errViewBuilt
		}
		a.ready.Store(true)
		if a.grpc != nil {
			a.grpc.Serving(true)
		}
		if a.projector != nil && !a.building && !a.beside {
			a.retire(a.run)
		}
		return nil
	})
	if a.store != nil && !a.building && !a.beside {
		a.forgetExtracts()
		a.want()
	}
	if a.store != nil && !a.building {
		a.spawn(a.watchView)
		a.work.Go(func() { a.scrub(a.run) })
	}
	if a.intake != nil {
		a.spawn(func() error {
			select {
			case <-a.run.Done():
				return nil
			case <-a.intake.Broken():
				return errors.New("the ingest index is damaged; start the process again, it is built from the log")
			}
		})
	}
	a.spawn(func() error { return a.watchRoom(a.run) })
	if !a.building {
		a.work.Go(func() {
			// A view that catches up reads every entry itself, and would have half the machine beside the check.
			// One that failed is no reason not to look.
			if a.projector != nil {
				_ = a.projector.WaitFor(a.run, a.startSeq)
			}
			a.check(a.run)
		})
	}
	if a.grpc != nil {
		a.spawn(func() error {
			if err := a.grpc.Serve(a.grpcLis); err != nil {
				return fmt.Errorf("gRPC: %w", err)
			}
			return nil
		})
	}
}

// serveHTTP serves at the address of HTTP and at the operator's socket.
func (a *App) serveHTTP() {
	serve := func(server *http.Server, l net.Listener, what string) {
		a.spawn(func() error {
			start := server.Serve
			if server.TLSConfig != nil {
				start = func(l net.Listener) error { return server.ServeTLS(l, "", "") }
			}
			if err := start(l); !errors.Is(err, http.ErrServerClosed) {
				return fmt.Errorf("%s: %w", what, err)
			}
			return nil
		})
	}
	if a.httpLis != nil {
		serve(a.http, a.httpLis, "HTTP")
	}
	if a.operator != nil {
		serve(a.operator, a.operatorLis, "the operator's socket")
	}
}

func (a *App) spawn(f func() error) {
	a.work.Go(func() {
		if err := f(); err != nil {
			select {
			case a.fatal <- err:
			default:
			}
		}
	})
}

// Ready reports whether every role has reached the log's end at start.
func (a *App) Ready() bool { return a.ready.Load() }

// WaitReady returns once it is ready. The error is that of a view which stopped before, or of ctx.
func (a *App) WaitReady(ctx context.Context) error {
	for !a.Ready() {
		if a.projector != nil && a.projector.Failed() != nil {
			return a.projector.Failed()
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(10 * time.Millisecond):
		}
	}
	return nil
}

// stopTimeout limits the time that running calls have to end.
const stopTimeout = 10 * time.Second

// Stop ends everything in order: stop serving, drain, close. It may be called twice.
func (a *App) Stop() {
	a.once.Do(func() {
		if a.grpc != nil {
			a.grpc.Serving(false)
			done := make(chan struct{})
			go func() { a.grpc.GracefulStop(); close(done) }()
			select {
			case <-done:
			case <-time.After(stopTimeout):
				a.grpc.Stop()
			}
		}
		for _, server := range []*http.Server{a.http, a.operator} {
			if server != nil {
				ctx, cancel := context.WithTimeout(context.Background(), stopTimeout)
				_ = server.Shutdown(ctx)
				cancel()
			}
		}
		a.extracts.mu.Lock() // a policy that is read again meanwhile begins no extract
		a.cancel()
		a.extracts.mu.Unlock()
		a.work.Wait()
		for _, l := range []net.Listener{a.grpcLis, a.httpLis} {
			if l != nil {
				_ = l.Close()
			}
		}
		a.closeOperator()
		var errs []error
		if a.intake != nil {
			errs = append(errs, a.intake.Close())
		}
		errs = append(errs, a.trail.close())
		if a.store != nil {
			errs = append(errs, a.store.Close())
		}
		if a.ring != nil {
			errs = append(errs, a.ring.Close())
		}
		if a.log != nil {
			errs = append(errs, a.log.Close())
		}
		if a.nc != nil {
			a.nc.Close()
		}
		if a.server != nil {
			a.server.Stop()
		}
		if a.lock != nil {
			errs = append(errs, a.lock.Close())
		}
		if err := errors.Join(errs...); err != nil {
			a.cfg.Slog.Warn("not everything closed cleanly", "err", err)
		}
	})
}
