package cdshooks

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"net/url"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"

	"cannulary/internal/chairside"
	"cannulary/internal/fault"
	"cannulary/internal/refusal"
)

// Path is where the handler expects to be mounted, with all that is below it.
const Path = "/cds-services"

// Config is what a Handler needs; Cards must be given.
type Config struct {
	Cards *chairside.Service
	Site  Site
	// Origins are the web origins, such as https://ehr.example, whose pages may call from a
	// browser (CORS). Without any, no page may.
	Origins []string
	// Authorize is the one place where it is decided who may read what, as with the facade.
	// It may return a *refusal.Denied. Nil lets everybody read everything. The preflight of a
	// browser, which never carries credentials, is not asked about.
	Authorize func(*http.Request) error
	// Log takes what went wrong inside, and never who the patient is; nil discards it.
	Log *slog.Logger
}

// Handler answers CDS Hooks calls. It is safe for concurrent use.
type Handler struct {
	cfg       Config
	discovery []byte
}

// New makes a handler.
func New(cfg Config) (*Handler, error) {
	if cfg.Cards == nil {
		return nil, errors.New("cdshooks: the service that makes cards is needed")
	}
	for _, o := range cfg.Origins {
		u, err := url.Parse(o)
		if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || u.Scheme+"://"+u.Host != o {
			return nil, fmt.Errorf("cdshooks: %q is no web origin; give scheme, host and port as a browser sends them, for instance https://ehr.example; all origins at once (*) cannot be allowed", o)
		}
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	body, err := encode(struct {
		Services []Service `json:"services"`
	}{Services()})
	return &Handler{cfg: cfg, discovery: body}, err
}

// reply is an answer before it is written.
type reply struct {
	status int
	media  string
	header map[string]string
	body   []byte
}

// ServeHTTP answers one call.
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	out := h.answer(r)
	head := w.Header()
	h.allowOrigin(head, r)
	head.Set("Cache-Control", "no-store")
	head.Set("X-Content-Type-Options", "nosniff")
	for k, v := range out.header {
		head.Set(k, v)
	}
	if out.body != nil {
		head.Set("Content-Type", out.media)
		head.Set("Content-Length", strconv.Itoa(len(out.body)))
	}
	w.WriteHeader(out.status)
	if r.Method != http.MethodHead {
		// The client may be gone; there is nobody to tell.
		_, _ = w.Write(out.body)
	}
}

func (h *Handler) answer(r *http.Request) (out reply) {
	defer func() {
		if v := recover(); v != nil {
			h.cfg.Log.ErrorContext(r.Context(), "a CDS Hooks call panicked", "panic", fmt.Sprintf("%T", v), "stack", string(debug.Stack()))
			out = refused(refusal.Broken())
		}
	}()
	out, err := h.dispatch(r)
	if err != nil {
		return refused(asProblem(r.Context(), h.cfg.Log, err))
	}
	return out
}

func refused(p *problem) reply {
	return reply{status: p.Status, media: "application/fhir+json; charset=utf-8", header: p.Header, body: p.Body()}
}

func (h *Handler) dispatch(r *http.Request) (reply, error) {
	rt, found := route(r.URL.Path)
	if found == nil && r.Method == http.MethodOptions && h.allowed(r) && r.Header.Get("Access-Control-Request-Method") != "" {
		return reply{status: http.StatusNoContent, header: map[string]string{
			"Access-Control-Allow-Methods": strings.Join(rt.methods, ", "), "Access-Control-Allow-Headers": "Authorization, Content-Type", "Access-Control-Max-Age": "600",
		}}, nil
	}
	if err := refusal.Authorize(r, h.cfg.Authorize, h.cfg.Log); err != nil {
		return reply{}, err
	}
	if found != nil {
		return reply{}, found
	}
	if !slices.Contains(rt.methods, r.Method) {
		allow := strings.Join(rt.methods, ", ")
		return reply{}, &problem{Status: http.StatusMethodNotAllowed, Code: "not-supported", Header: map[string]string{"Allow": allow},
			Text: fmt.Sprintf("%s is not possible here: %s; allowed: %s", shown(r.Method), rt.does, allow)}
	}
	if r.URL.RawQuery != "" {
		return reply{}, invalid("", "not-supported", "there are no parameters here; ask without a question mark")
	}
	if err := acceptable(r.Header.Values("Accept")); err != nil {
		return reply{}, err
	}
	if !rt.advice {
		return reply{status: http.StatusOK, media: "application/json", body: h.discovery}, nil
	}
	body, err := readBody(r)
	if err != nil {
		return reply{}, err
	}
	q, err := Read(body)
	if err != nil {
		return reply{}, err
	}
	cards, err := h.cards(r.Context(), q)
	if err != nil {
		return reply{}, err
	}
	body, err = encode(struct {
		Cards []Card `json:"cards"`
	}{cards})
	return reply{status: http.StatusOK, media: "application/json", body: body}, err
}

// target is what a path leads to.
type target struct {
	methods []string
	does    string
	advice  bool
}

func route(path string) (target, error) {
	notFound := func(format string, a ...any) error {
		return &problem{Status: http.StatusNotFound, Code: "not-found", Text: fmt.Sprintf(format, a...)}
	}
	rest, ok := strings.CutPrefix(path, Path)
	if !ok || rest != "" && rest[0] != '/' {
		return target{}, notFound("there is nothing at this address; %s lists the services", Path)
	}
	switch rest = strings.Trim(rest, "/"); rest {
	case "":
		return target{methods: []string{http.MethodGet, http.MethodHead}, does: "the list of services is only read"}, nil
	case ID:
		return target{methods: []string{http.MethodPost}, does: "a service is called with POST", advice: true}, nil
	case ID + "/feedback":
		return target{}, notFound("this service takes no feedback; send none")
	}
	return target{}, notFound("there is no service %s here; %s lists those that there are", shown(rest), Path)
}

// cards finds the patient and words the advice.
func (h *Handler) cards(ctx context.Context, q Request) ([]Card, error) {
	if len(q.Identifiers) == 0 {
		return Nameless(q.PatientID, h.cfg.Site), nil
	}
	matches, err := h.cfg.Cards.Find(ctx, q.Identifiers)
	if err != nil {
		return nil, err
	}
	if len(matches) > 1 {
		ways := map[string][]string{}
		for key, m := range matches {
			ways[key] = m.Systems
		}
		return Ambiguous(q.PatientID, ways, h.cfg.Site), nil
	}
	for _, m := range matches {
		c, err := h.cfg.Cards.Card(ctx, chairside.Request{Key: m.Asked})
		if err == nil && !sameBirth(q.BirthDate, c.Patient.BirthDate) {
			return OtherBirth(q.PatientID, c.Patient.ID, h.cfg.Site), nil
		}
		if err == nil {
			return Advice(c, h.cfg.Site), nil
		}
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != fault.NotFound {
			return nil, err
		}
	}
	counts, err := h.cfg.Cards.Store.Counts(ctx)
	if err != nil {
		return nil, err
	}
	return Unknown(q.PatientID, q.Systems(), Record{Lagging: h.cfg.Cards.Lagging(), Quarantined: counts.Quarantine}, h.cfg.Site), nil
}

func readBody(r *http.Request) ([]byte, error) {
	wrong := func(header, text string) error {
		return &problem{Status: http.StatusUnsupportedMediaType, Code: "not-supported", Text: text, Expression: "http." + header}
	}
	media, args, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if charset := args["charset"]; err != nil || media != "application/json" || charset != "" && !strings.EqualFold(charset, "utf-8") {
		return nil, wrong("Content-Type", "the body must be application/json in UTF-8, not "+shown(r.Header.Get("Content-Type")))
	}
	if e := r.Header.Get("Content-Encoding"); e != "" && !strings.EqualFold(e, "identity") {
		return nil, wrong("Content-Encoding", "the body must be sent as it is, not encoded as "+shown(e))
	}
	body, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, MaxBytes))
	if err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return nil, &problem{Status: http.StatusRequestEntityTooLarge, Code: "too-long", Text: fmt.Sprintf("the body of a call may have at most %d bytes; send only the prefetch that the service asks for", MaxBytes)}
		}
		return nil, invalid("", "structure", "the body of the call broke off; send it again")
	}
	return body, nil
}

// acceptable refuses what asks for anything but JSON.
func acceptable(accept []string) error {
	all := strings.Join(accept, ",")
	if strings.TrimSpace(all) == "" {
		return nil
	}
	for _, part := range strings.Split(all, ",") {
		media, args, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		if q, ok := args["q"]; ok {
			if v, err := strconv.ParseFloat(q, 64); err != nil || !(v > 0) {
				continue
			}
		}
		if media == "application/json" || media == "application/*" || media == "*/*" {
			return nil
		}
	}
	return &problem{Status: http.StatusNotAcceptable, Code: "not-supported", Text: "only application/json is answered, not " + shown(all), Expression: "http.Accept"}
}

// allowed tells whether the page that calls is of an origin that may.
func (h *Handler) allowed(r *http.Request) bool {
	return slices.Contains(h.cfg.Origins, r.Header.Get("Origin"))
}

// allowOrigin tells a browser whether the page that called may read the answer, an error too.
func (h *Handler) allowOrigin(head http.Header, r *http.Request) {
	vary := "Accept"
	if len(h.cfg.Origins) > 0 {
		vary += ", Origin"
	}
	head.Set("Vary", vary)
	if h.allowed(r) {
		head.Set("Access-Control-Allow-Origin", r.Header.Get("Origin"))
	}
}

func encode(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return b.Bytes(), err
}
