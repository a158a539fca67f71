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
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/door"
	"cannulary/internal/facade"
	"cannulary/internal/fault"
	"cannulary/internal/metrics"
	"cannulary/internal/people"
	"cannulary/internal/smart"
	"cannulary/internal/view"
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
	if a.trail.Trail != nil {
		src.Trail = a.trailState
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
		src.Extracts = a.extracts.sequences
		src.ProjectorFailed = func() bool { return a.projector.Failed() != nil }
		src.Surveillance = a.side.watch
		src.TokensRefused = a.tokensRefused.Counts
	}
	if a.server != nil {
		src.LogWarnings, src.LogRecoveries = a.server.Warnings, a.server.Recoveries
	}
	return src
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
	whole, err := a.side.handler()
	if err != nil {
		return nil, err
	}
	mux.Handle(CodesPath, answer.Handler(a.cfg.Slog, "sealed codes were not made", a.codes))
	mux.Handle(BackupPath, answer.Handler(a.cfg.Slog, "a backup was not entered in the trail", backup))
	a.side.read = a.untilDamaged(a.side.read)
	record := answer.Withhold(a.sided(whole), a.withheld)
	// A mux would redirect a path with // or /./, and know nothing of the public base.
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case slices.Contains(statePaths, r.URL.Path), r.URL.Path == CodesPath, r.URL.Path == BackupPath:
			mux.mux.ServeHTTP(w, r)
			return
		case a.people != nil && slices.Contains(people.Paths(), r.URL.Path):
			a.people.ServeHTTP(w, r)
			return
		}
		record.ServeHTTP(w, r)
	}), mux.err
}

// statePaths are the addresses that tell how the instance is, whatever its view is like.
var statePaths = []string{"/metrics", "/healthz", "/readyz", "/status"}

// sided hands the requests of readers of some facilities to the view of their extract.
func (a *App) sided(whole http.Handler) http.Handler {
	waiting := answer.Withhold(whole, notYet) // it refuses in the form of each address, and reads nothing
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h, who := whole, access.From(r.Context())
		if who.ReadsPatients() && !who.Everywhere() && door.RightOf(door.Routes(), r.URL.Path) != access.Open {
			if h = a.extracts.of(who.Facilities); h == nil {
				h = waiting
			}
		}
		h.ServeHTTP(w, r)
	})
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
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next, tokens := others, a.smart.Load()
		switch p := r.URL.Path; {
		case p == facade.Path+smart.ConfigurationPath && tokens != nil:
			next = answer.Handler(a.cfg.Slog, "the SMART configuration was not answered", tokens.Configuration)
		case p == facade.Path+smart.TokenPath && tokens != nil:
			next = http.HandlerFunc(tokens.Token)
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
