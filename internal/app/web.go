package app

import (
	"context"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"cannulary/fhir"
	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/chairside"
	"cannulary/internal/door"
	"cannulary/internal/dossier"
	"cannulary/internal/facade"
	"cannulary/internal/fault"
	"cannulary/internal/infectioncontrol"
	"cannulary/internal/metrics"
	"cannulary/internal/people"
	"cannulary/internal/smart"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
	"cannulary/internal/web"
	"cannulary/internal/web/cdshooks"
)

func (a *App) sources() metrics.Sources {
	src := metrics.Sources{
		Log: func(ctx context.Context) (metrics.LogState, error) {
			st, err := a.log.State(ctx)
			return metrics.LogState{LastSeq: st.LastSeq, Bytes: st.Bytes, MaxBytes: st.MaxBytes, Missing: a.missing(st.Missing)}, err
		},
		Checked: func() uint64 { return a.Checked().UpTo },
		Keys:    a.ring.Damage,
		Refused: a.door.Refused, TurnedAway: a.door.TurnedAway, Issuer: a.issuerSilent, BrokenGlass: a.brokenGlass,
		Projectors: map[string]func() uint64{}, Store: a.store, Now: a.cfg.Now, Slog: a.cfg.Slog,
		Complete: func() bool { return a.Ready() && a.withheld() == nil },
	}
	if len(a.certificateFiles()) > 0 {
		src.Certificates = a.certificates
	}
	if a.intake != nil {
		src.Projectors["ingest-index"] = a.intake.Sequence
	}
	if a.store != nil {
		src.ViewAside = func() bool { kept, _ := view.Aside(a.viewDir()); return kept }
	}
	if a.projector != nil {
		src.Projectors["view"] = a.projector.Sequence
		src.ProjectorFailed = func() bool { return a.projector.Failed() != nil }
		src.Surveillance = a.watch
	}
	if a.server != nil {
		src.LogWarnings, src.LogRecoveries = a.server.Warnings, a.server.Recoveries
	}
	return src
}

// watch returns the surveillance of all facilities. It reuses the last result while the log has
// not moved on.
func (a *App) watch(ctx context.Context) ([]*surveil.Watch, error) {
	a.watched.mu.Lock()
	defer a.watched.mu.Unlock()
	seq := a.projector.Sequence()
	if a.watched.list != nil && a.watched.seq == seq {
		return a.watched.list, nil
	}
	list, err := dossier.Facilities(ctx, a.store, a.projector)
	if err == nil {
		a.watched.list, a.watched.seq = list, seq
	}
	return list, err
}

// watched is the surveillance as of a sequence of the log.
type watched struct {
	mu   sync.Mutex
	seq  uint64
	list []*surveil.Watch
}

// certificateFiles lists the certificates whose end is told: the listeners' own and those named by hand.
func (a *App) certificateFiles() []string {
	return slices.DeleteFunc(slices.Concat([]string{a.cfg.TLSCertificate, a.cfg.TLSClients}, a.cfg.WatchCertificates),
		func(file string) bool { return file == "" })
}

// certificates returns when the watched certificates expire, by file name, or by the whole path
// for names that occur twice, as tls.crt may. A certificate that cannot be read is logged and
// counts as expired, so that it raises the alert.
func (a *App) certificates() map[string]time.Time {
	out := map[string]time.Time{}
	files := map[string]map[string]bool{} // by name
	for _, file := range a.certificateFiles() {
		name := filepath.Base(file)
		if files[name] == nil {
			files[name] = map[string]bool{}
		}
		files[name][filepath.Clean(file)] = true
	}
	for _, file := range a.certificateFiles() {
		end, err := certificateEnd(file)
		if err != nil {
			a.cfg.Slog.Warn("a watched certificate cannot be read", "file", file, "err", err)
			end = time.Unix(0, 0)
		}
		name := filepath.Base(file)
		if len(files[name]) > 1 {
			name = filepath.Clean(file)
		}
		out[name] = end
	}
	return out
}

// certificateEnd returns when the first certificate of a PEM file expires.
func certificateEnd(file string) (time.Time, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return time.Time{}, err
	}
	for block, rest := pem.Decode(data); block != nil; block, rest = pem.Decode(rest) {
		if block.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return time.Time{}, err
		}
		return c.NotAfter, nil
	}
	return time.Time{}, errors.New("the file holds no certificate in PEM form")
}

// lagLimit is how many events the view may be behind before a card says so.
const lagLimit = 100

// Lagging reports whether the view is behind the log. It is true if that is not known.
func (a *App) Lagging() bool {
	st, err := a.log.State(a.run)
	return err != nil || !a.Ready() || a.projector.Failed() != nil || st.LastSeq > a.projector.Sequence()+lagLimit
}

// knowledge returns how far the view has come. If the log does not answer, the view counts as
// lagging.
func (a *App) knowledge(ctx context.Context) infectioncontrol.Knowledge {
	k := infectioncontrol.Knowledge{Sequence: a.projector.Sequence(), Lagging: a.Lagging()}
	st, err := a.log.State(ctx)
	k.LogSequence, k.Lagging = max(st.LastSeq, k.Sequence), k.Lagging || err != nil
	return k
}

// handler returns the routes of HTTP.
func (a *App) handler() (http.Handler, error) {
	mux := &routes{mux: http.NewServeMux()}
	a.serveState(mux)
	if a.store == nil {
		mux.mux.Handle("/", answer.Handler(a.cfg.Slog, "an address was not answered", func(http.ResponseWriter, *http.Request) error {
			return fault.New(fault.NotFound, "there is nothing at this address",
				"this instance has no view; it answers /healthz, /readyz, /status and /metrics")
		}))
		return mux.mux, mux.err
	}
	base := a.cfg.PublicBase
	f, err := facade.New(facade.Config{
		Store: a.store, Base: base, Now: a.cfg.Now, Log: a.cfg.Slog, Version: a.cfg.Version,
		Survivor:    func(id string) string { return a.projector.Identities().Survivor(id) },
		Definitions: fhir.Definitions(), Exports: a.exports, Guarded: true, TokenURL: a.tokenURL(),
	})
	if err != nil {
		return nil, err
	}
	a.read = a.untilDamaged(f.Export)
	cards := &chairside.Service{Store: a.store, State: a.projector, Ring: a.ring, Now: a.cfg.Now, Lagging: a.Lagging}
	status := func(ctx context.Context) (web.Status, error) {
		st, err := a.log.State(ctx)
		return web.Status{LogSequence: st.LastSeq, ViewSequence: a.projector.Sequence(), Lagging: a.Lagging(), Version: a.cfg.Version}, err
	}
	moved := func(ctx context.Context, from uint64) (uint64, error) {
		err := a.projector.WaitFor(ctx, from+1)
		return a.projector.Sequence(), err
	}
	pages := displayed{a.cfg.Slog, web.Pages(web.Config{Cards: cards, Watch: a.watch, Store: a.store, Now: a.cfg.Now, Log: a.cfg.Slog, Status: status,
		Moved:    moved,
		Language: a.cfg.Language, Session: loggedIn, Ended: a.draining})}
	control := &infectioncontrol.Service{Watch: a.watch, Histories: a.store, Knowledge: a.knowledge}
	mux.Handle("/surveillance/threshold", web.Threshold(control, a.cfg.Slog))
	mux.Handle("/surveillance/signals", web.Signals(control, a.cfg.Slog))
	mux.Handle("/surveillance/report", web.Report(control, a.cfg.Slog))
	mux.Handle("/what-if", web.WhatIf(cards.WhatIf, a.cfg.Slog))
	hooks, err := cdshooks.New(cdshooks.Config{Cards: cards, Site: site(base), Origins: a.cfg.CDSOrigins, Log: a.cfg.Slog})
	if err != nil {
		return nil, err
	}
	mux.Handle(cdshooks.Path, hooks)
	mux.Handle(cdshooks.Path+"/", hooks)
	for _, path := range pages.Paths() {
		switch path {
		case "/": // below: Today, and what is not found
		case "/cards":
			mux.Handle(path, a.headed(pages))
		default:
			mux.Handle(path, pages)
		}
	}
	if a.people != nil {
		for _, path := range people.Paths() {
			mux.Handle(path, a.people)
		}
	}
	mux.mux.Handle("/", pages)
	whole := a.fhirFirst(f, mux.mux)
	withheld := answer.Withhold(whole, a.withheld)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if slices.Contains(statePaths, r.URL.Path) {
			whole.ServeHTTP(w, r)
			return
		}
		withheld.ServeHTTP(w, r)
	}), mux.err
}

// routes takes only what has a row in the door's table: what nobody decided about is not served.
type routes struct {
	mux *http.ServeMux
	err error
}

func (r *routes) Handle(path string, h http.Handler) {
	if !door.Named(door.Routes(), path) {
		r.err = errors.Join(r.err, fmt.Errorf("%s has no row in the table of rights (internal/door/table.go)", path))
	}
	r.mux.Handle(path, h)
}

// statePaths are the addresses that tell how the instance is, whatever its view is like.
var statePaths = []string{"/metrics", "/healthz", "/readyz", "/status"}

// serveState routes what tells how the instance is. It is only read, and takes no parameters.
func (a *App) serveState(mux *routes) {
	serve := func(path string, serve func(http.ResponseWriter, *http.Request) error) {
		mux.Handle(path, answer.Handler(a.cfg.Slog, path+" was not answered", func(w http.ResponseWriter, r *http.Request) error {
			if err := answer.Allow(r, "this address can only be read, with GET or HEAD", http.MethodGet, http.MethodHead); err != nil {
				return err
			}
			if _, err := answer.Query(r); err != nil {
				return err
			}
			return serve(w, r)
		}))
	}
	figures := a.metrics.Handler()
	serve("/metrics", func(w http.ResponseWriter, r *http.Request) error {
		figures.ServeHTTP(w, r)
		return nil
	})
	serve("/healthz", func(w http.ResponseWriter, r *http.Request) error {
		return answer.Value(w, r, http.StatusOK, map[string]any{"status": "alive"})
	})
	serve("/readyz", a.readyz)
	serve("/status", func(w http.ResponseWriter, r *http.Request) error {
		s, err := a.Status(r.Context())
		if err != nil {
			return fault.Wrap(fault.Unavailable, err, "the instance could not report its status; its log has the cause", "")
		}
		return answer.Value(w, r, http.StatusOK, s)
	})
}

// readyTimeout bounds how long log and keys may take to answer.
const readyTimeout = 5 * time.Second

// unwell is why log or keys cannot be relied on, or nothing can be written; empty where all is well.
func (a *App) unwell(ctx context.Context) string {
	ctx, cancel := context.WithTimeout(ctx, readyTimeout)
	defer cancel()
	st, err := a.log.State(ctx)
	switch {
	case errors.Is(err, jetstream.ErrStreamNotFound):
		return "the log's stream is gone"
	case err != nil:
		return "the log does not answer"
	case st.LastSeq < a.startSeq:
		return fmt.Sprintf("the log ends at entry %d, but it had %d at the start: it lost its end", st.LastSeq, a.startSeq)
	case a.missing(st.Missing) > 0:
		return fmt.Sprintf("%d entries are missing from the log: it is damaged", a.missing(st.Missing))
	}
	if err := a.ring.Alive(ctx); err != nil {
		return "the keys of patients cannot be read"
	}
	if a.intake != nil {
		if err := a.intake.Takes(); err != nil {
			return fault.As(err).What
		}
	}
	return ""
}

// readyz answers whether the view has come as far as the log was at start, and whether log and keys are
// there.
func (a *App) readyz(w http.ResponseWriter, r *http.Request) error {
	body := map[string]any{"status": "ready", "logAtStart": a.startSeq}
	code := http.StatusOK
	if why := a.unwell(r.Context()); why != "" {
		body["status"], body["reason"], code = "failed", why, http.StatusServiceUnavailable
	}
	if a.projector != nil {
		body["projected"] = a.projector.Sequence()
		if err := a.projector.Failed(); err != nil {
			body["status"], body["reason"], code = "failed", "the projector stopped; its log line says why", http.StatusServiceUnavailable
		}
	}
	if err := a.withheld(); err != nil && code == http.StatusOK {
		body["status"], body["reason"], code = "rebuilding", err.Error(), http.StatusServiceUnavailable
	}
	if !a.Ready() && code == http.StatusOK {
		body["status"], body["reason"], code = "catching up", "the view has not yet reached the end that the log had at start",
			http.StatusServiceUnavailable
	}
	if !access.From(r.Context()).Has(access.Metrics) {
		body = map[string]any{"status": body["status"]}
	}
	return answer.Value(w, r, code, body)
}

// fhirFirst hands what is below /fhir to the facade past the mux. The mux redirects a path
// with // or /./ to the clean one, and knows nothing of the public base: the client would
// leave it. What SMART asks for stands below /fhir too.
func (a *App) fhirFirst(f, others http.Handler) http.Handler {
	configuration, token := f, f
	if a.smart != nil {
		configuration = answer.Handler(a.cfg.Slog, "the SMART configuration was not answered", a.smart.Configuration)
		token = http.HandlerFunc(a.smart.Token)
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next := others
		switch p := r.URL.Path; {
		case p == facade.Path+smart.ConfigurationPath:
			next = configuration
		case p == facade.Path+smart.TokenPath:
			next = token
		case p == facade.Path || strings.HasPrefix(p, facade.Path+"/"):
			next = f
		}
		next.ServeHTTP(w, r)
	})
}

// site returns where cards in an EHR link to. If the public base of FHIR ends like the path
// here, the pages are public beside it.
func site(base string) cdshooks.Site {
	base = strings.TrimRight(base, "/")
	if root, ok := strings.CutSuffix(base, facade.Path); ok {
		return cdshooks.Site{Source: root + "/", Board: root}
	}
	return cdshooks.Site{Source: base}
}
