package facade

import (
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"runtime/debug"
	"strings"
	"time"

	"cannulary/fhir"
	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/export"
	"cannulary/internal/trail/seen"
	"cannulary/internal/view"
)

// Path is where the handler expects to be mounted, with all that is below it.
const Path = "/fhir"

// metadataPath is the one path that anybody may read.
const metadataPath = Path + "/metadata"

// Config is what a Handler needs; Store and Now must be given.
type Config struct {
	Store *view.Store
	// Base is the public base URL for links, with no slash at its end, for instance
	// https://ehr-gateway.example/fhir. If it is empty, each request's host is taken.
	Base string
	Now  func() time.Time
	// Survivor answers the Patient id into which an identity was merged, or the id itself.
	// Nil knows of no merges.
	Survivor func(id string) string
	// Log takes what went wrong inside; nil discards it.
	Log *slog.Logger
	// MaxCount is the greatest _count; 0 is 1000.
	MaxCount int
	// Definitions are what the service publishes of itself, by (Type, ID): fhir.Definitions.
	Definitions []fhir.Resource
	// TokenURL returns where clients get access tokens, for the CapabilityStatement; empty, or a nil function, if there are none.
	TokenURL func() string
	// Exports keeps the jobs of bulk export, which Handler.Export reads for; nil offers none.
	Exports *export.Engine
	// Audit is the trail, whose AuditEvents are answered; nil offers none. Group answers all identities of a
	// patient; nil knows of no merges.
	Audit Audit
	Group func(id string) []string
	// Version is the program's version, for the CapabilityStatement; may be empty.
	Version string
}

// defaultCount is the page size where the client names none.
const defaultCount = 50

const defaultMaxCount = 1000

// Handler answers FHIR requests. It is safe for concurrent use.
type Handler struct {
	cfg   Config
	types []Type
	// profiles are the definitions' profiles by type.
	profiles map[string][]string
	since    time.Time
	gate     *gate
}

// New makes a handler.
func New(cfg Config) (*Handler, error) {
	if cfg.Store == nil || cfg.Now == nil {
		return nil, errors.New("facade: a store and a clock are needed")
	}
	if cfg.Base != "" {
		u, err := url.Parse(cfg.Base)
		if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.RawQuery != "" || u.Fragment != "" {
			return nil, fmt.Errorf("the public base %q is no http or https URL; give for instance https://fhir.example/fhir", cfg.Base)
		}
		cfg.Base = strings.TrimRight(cfg.Base, "/")
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.MaxCount <= 0 {
		cfg.MaxCount = defaultMaxCount
	}
	if cfg.Survivor == nil {
		cfg.Survivor = func(id string) string { return id }
	}
	if cfg.Group == nil {
		cfg.Group = func(id string) []string { return []string{id} }
	}
	profiles, err := profilesByType(cfg.Definitions)
	if err != nil {
		return nil, err
	}
	return &Handler{cfg: cfg, types: Types(), profiles: profiles, since: cfg.Now().UTC().Truncate(time.Second),
		gate: newGate(longestWait, longestRun)}, nil
}

// reply is an answer before it is written.
type reply struct {
	status int
	header map[string]string
	body   []byte
	// patients are those of whom the answer tells something, for the trail.
	patients []string
	write    func(http.ResponseWriter) // writes all of a 200 that is no FHIR JSON; nil for others
}

// request is what the interactions read of an HTTP request.
type request struct {
	*http.Request
	base   string
	params url.Values // of the query and, for _search, of the body
}

// ServeHTTP answers one request.
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	out, err := h.answer(r)
	seen.Patients(r.Context(), out.patients...)
	if out.write != nil {
		out.write(w)
		return
	}
	head := w.Header()
	head.Set("Vary", "Accept, Accept-Encoding, Prefer")
	if err != nil {
		refuse(w, r, answer.Of(r.Context(), h.cfg.Log, "a FHIR request failed", err))
		return
	}
	for k, v := range out.header {
		head.Set(k, v)
	}
	if out.status == http.StatusNotModified {
		w.WriteHeader(out.status)
		return
	}
	if len(out.body) >= minGzip && answer.Quality(r.Header.Values("Accept-Encoding"), "gzip") > 0 {
		if small, err := gzipped(out.body); err == nil {
			out.body = small
			head.Set("Content-Encoding", "gzip")
		}
	}
	head.Set("X-Content-Type-Options", "nosniff")
	answer.Send(w, r, out.status, answer.Outcome().Media, out.body)
}

func (h *Handler) answer(r *http.Request) (out reply, err error) {
	defer func() {
		if v := recover(); v != nil {
			h.cfg.Log.ErrorContext(r.Context(), "FHIR request panicked", "panic", fmt.Sprint(v), "stack", string(debug.Stack()))
			out, err = reply{}, answer.Broken()
		}
	}()
	return h.dispatch(r)
}

func (h *Handler) dispatch(r *http.Request) (reply, error) {
	who := access.From(r.Context())
	// The CapabilityStatement is open: by it a client learns how to authenticate.
	if err := who.Ask(asks(r.URL.Path)); err != nil && r.URL.Path != metadataPath {
		return reply{}, err
	}
	if err := answer.Withheld(r.Context()); err != nil {
		return reply{}, err
	}
	rt, err := h.route(r.URL.Path, who)
	if err != nil {
		return reply{}, err
	}
	if err := rt.allow(r); err != nil {
		return reply{}, err
	}
	req := &request{Request: r, base: h.base(r)}
	if req.params, err = readParams(r, rt.form); err != nil {
		return reply{}, err
	}
	if rt.raw {
		return rt.run(req)
	}
	if err := negotiate(r.Header.Values("Accept"), req.params); err != nil {
		return reply{}, err
	}
	pretty, err := wantsPretty(req.params)
	if err != nil {
		return reply{}, err
	}
	out, err := rt.run(req)
	if err == nil && pretty && out.body != nil {
		out.body, err = indented(out.body)
	}
	return out, err
}

// reads reports whether a principal may read a type. Everybody may read what the service publishes of
// itself.
func (t *Type) reads(who *access.Principal) bool { return t.Published || who.Reads(t.Name) }

// base is the public base URL of links.
func (h *Handler) base(r *http.Request) string {
	if h.cfg.Base != "" {
		return h.cfg.Base
	}
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return scheme + "://" + r.Host + Path
}

// route is one thing that can be asked, with the methods for it.
type route struct {
	path    string
	methods []string
	form    bool // parameters also stand in the body
	raw     bool // no FHIR JSON is answered: run looks at Accept
	run     func(*request) (reply, error)
}

func (rt *route) allow(r *http.Request) error {
	return answer.Allow(r, fmt.Sprintf("%s is not possible at %s; this service takes no FHIR writes; allowed: %s",
		shown(r.Method), shown(rt.path), strings.Join(rt.methods, ", ")), rt.methods...)
}

func (h *Handler) typeNamed(name string) *Type {
	for i := range h.types {
		if h.types[i].Name == name {
			return &h.types[i]
		}
	}
	return nil
}

func (h *Handler) typeNames() string {
	names := make([]string, 0, len(h.types))
	for _, t := range h.types {
		names = append(names, t.Name)
	}
	return strings.Join(names, ", ")
}

// stored lists the types that the view holds.
func (h *Handler) stored() []string { return h.readable(access.Everybody()) }

// readable lists the types of the view that a principal may read.
func (h *Handler) readable(who *access.Principal) []string {
	var out []string
	for i := range h.types {
		if !h.types[i].Published && h.types[i].reads(who) {
			out = append(out, h.types[i].Name)
		}
	}
	return out
}

// route finds what a path asks for, if the principal may read the type that it names.
func (h *Handler) route(path string, who *access.Principal) (*route, error) {
	unknown := notFound("not-supported", "there is nothing at %s; %s/metadata lists what there is", shown(path), Path)
	rest, ok := strings.CutPrefix(path, Path)
	if !ok || rest != "" && rest[0] != '/' {
		return nil, unknown
	}
	get := func(run func(*request) (reply, error)) (*route, error) {
		return &route{path: path, methods: []string{http.MethodGet, http.MethodHead}, run: run}, nil
	}
	// Slashes too many come of a base that ends with one; they mean nothing.
	for strings.Contains(rest, "//") {
		rest = strings.ReplaceAll(rest, "//", "/")
	}
	rest = strings.TrimSuffix(strings.TrimPrefix(rest, "/"), "/")
	if rest == "" {
		return get(func(*request) (reply, error) {
			return reply{}, notFound("not-supported", "a search over all types is not possible; search one of %s", h.typeNames())
		})
	}
	seg := strings.Split(rest, "/")
	if rt := h.exportRoute(path, seg); rt != nil {
		return rt, nil
	}
	if rt := h.auditRoute(path, seg); rt != nil {
		return rt, nil
	}
	if seg[0] == "metadata" && len(seg) == 1 {
		return get(h.metadata)
	}
	t := h.typeNamed(seg[0])
	if seg[0] == "_history" && len(seg) == 1 {
		return get(func(r *request) (reply, error) { return h.changes(r, "_history", h.readable(who)) })
	}
	if t == nil {
		return nil, notFound("not-supported", "there is no resource type %s here; use one of %s", shown(seg[0]), h.typeNames())
	}
	if !t.reads(who) {
		return nil, access.Refused()
	}
	search, read := h.search, h.read
	if t.Published {
		search, read = h.searchPublished, h.readPublished
	}
	if len(seg) == 1 {
		return get(func(r *request) (reply, error) { return search(r, t) })
	}
	id := seg[1]
	switch {
	case len(seg) == 2 && id == "_history" && t.Offers(HistoryType):
		return get(func(r *request) (reply, error) { return h.changes(r, t.Name+"/_history", []string{t.Name}) })
	case len(seg) == 2 && id == "_search" && t.Offers(SearchType):
		return &route{path: path, methods: []string{http.MethodPost}, form: true,
			run: func(r *request) (reply, error) { return search(r, t) }}, nil
	case strings.HasPrefix(id, "_") || strings.HasPrefix(id, "$"):
		return nil, unknown
	case len(seg) == 2 && t.Offers(Read):
		return get(func(r *request) (reply, error) { return read(r, t, id) })
	case len(seg) == 3 && seg[2] == "_history" && t.Offers(HistoryInstance):
		return get(func(r *request) (reply, error) { return h.history(r, t, id) })
	case len(seg) == 3 && seg[2] == "$everything" && t.Everything:
		return &route{path: path, methods: []string{http.MethodGet, http.MethodHead, http.MethodPost},
			run: func(r *request) (reply, error) { return h.everything(r, id) }}, nil
	case t.Name == compartmentType && (len(seg) == 3 || len(seg) == 4 && seg[3] == "_search"):
		if within := h.typeNamed(seg[2]); within != nil && !within.reads(who) {
			return nil, access.Refused()
		}
		return h.compartmentRoute(path, id, seg[2], len(seg) == 4)
	case len(seg) == 4 && seg[2] == "_history" && t.Offers(VRead):
		return get(func(r *request) (reply, error) { return h.vread(r, t, id, seg[3]) })
	}
	return nil, unknown
}
