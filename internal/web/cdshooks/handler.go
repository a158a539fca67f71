package cdshooks

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"net/url"
	"runtime/debug"
	"slices"
	"strings"

	"cannulary/internal/answer"
	"cannulary/internal/chairside"
	"cannulary/internal/fault"
	"cannulary/internal/trail/seen"
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
			return nil, fmt.Errorf("cdshooks: %q is not a web origin; give scheme, host and port as a browser sends them, for instance "+
				"https://ehr.example; all origins at once (*) cannot be allowed", o)
		}
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	body, err := answer.Marshal(struct {
		Services []service `json:"services"`
	}{services()})
	return &Handler{cfg: cfg, discovery: body}, err
}

// ServeHTTP answers one call.
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	head := w.Header()
	allowOrigin(head, h.cfg.Origins, r)
	head.Set("Cache-Control", "no-store")
	head.Set("X-Content-Type-Options", "nosniff")
	rt, found := route(r.URL.Path)
	if found == nil && r.Method == http.MethodOptions && h.allowed(r) && r.Header.Get("Access-Control-Request-Method") != "" {
		head.Set("Access-Control-Allow-Methods", strings.Join(rt.methods, ", "))
		head.Set("Access-Control-Allow-Headers", "Authorization, Content-Type")
		head.Set("Access-Control-Max-Age", "600")
		w.WriteHeader(http.StatusNoContent)
		return
	}
	body, err := h.answer(r, rt, found)
	if err != nil {
		// An OperationOutcome can always be written.
		_ = answer.Refuse(w, r, asProblem(r.Context(), h.cfg.Log, err), answer.Outcome())
		return
	}
	answer.Send(w, r, http.StatusOK, "application/json", body)
}

// answer is what a path leads to, or found, the error where it leads nowhere.
func (h *Handler) answer(r *http.Request, rt target, found error) (body []byte, err error) {
	defer func() {
		if v := recover(); v != nil {
			h.cfg.Log.ErrorContext(r.Context(), "a CDS Hooks call panicked", "panic", fmt.Sprintf("%T", v), "stack", string(debug.Stack()))
			body, err = nil, answer.Broken()
		}
	}()
	if err := answer.Withheld(r.Context()); err != nil {
		return nil, err
	}
	if found != nil {
		return nil, found
	}
	no := fmt.Sprintf("%s is not possible here: %s; allowed: %s", shown(r.Method), rt.does, strings.Join(rt.methods, ", "))
	if err := answer.Allow(r, no, rt.methods...); err != nil {
		return nil, err
	}
	if _, err := answer.Query(r); err != nil {
		return nil, err
	}
	if accept := r.Header.Values("Accept"); answer.Prefer(accept, "application/json") == "" {
		return nil, answer.Unacceptable("Accept", "only application/json is answered, not "+shown(strings.Join(accept, ",")))
	}
	if !rt.advice {
		return h.discovery, nil
	}
	if body, err = readBody(r); err != nil {
		return nil, err
	}
	q, err := Read(body)
	if err != nil {
		return nil, err
	}
	cards, err := h.cards(r.Context(), q)
	if err != nil {
		return nil, err
	}
	return answer.Marshal(struct {
		Cards []Card `json:"cards"`
	}{cards})
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
		return target{methods: []string{http.MethodGet, http.MethodHead}, does: "the list of services can only be read"}, nil
	case ID:
		return target{methods: []string{http.MethodPost}, does: "a service is called with POST", advice: true}, nil
	case ID + "/feedback":
		return target{}, notFound("this service accepts no feedback; send none")
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
	for key := range matches {
		seen.Patients(ctx, key)
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
			return otherBirth(q.PatientID, c.Patient.ID, h.cfg.Site), nil
		}
		if err == nil {
			return Advice(c, h.cfg.Site), nil
		}
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != fault.NotFound {
			return nil, err
		}
	}
	quarantined, err := h.cfg.Cards.Store.Quarantined(ctx)
	if err != nil {
		return nil, err
	}
	return Unknown(q.PatientID, q.Systems(), Record{Lagging: h.cfg.Cards.Lagging(), Quarantined: quarantined}, h.cfg.Site), nil
}

func readBody(r *http.Request) ([]byte, error) {
	media, args, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if charset := args["charset"]; err != nil || media != "application/json" || charset != "" && !strings.EqualFold(charset, "utf-8") {
		return nil, answer.WrongMedia("Content-Type", "the body must be application/json in UTF-8, not "+
			shown(r.Header.Get("Content-Type")))
	}
	if e := r.Header.Get("Content-Encoding"); e != "" && !strings.EqualFold(e, "identity") {
		return nil, answer.WrongMedia("Content-Encoding", "the body must be sent as it is, not encoded as "+shown(e))
	}
	body, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, MaxBytes))
	if err != nil {
		if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
			return nil, &problem{Status: http.StatusRequestEntityTooLarge, Code: "too-long",
				Text: fmt.Sprintf("the body of a call may have at most %d bytes; send only the prefetch that the service asks for",
					MaxBytes)}
		}
		return nil, invalid("", "structure", "the body of the call was cut off; send it again")
	}
	return body, nil
}

// allowed reports whether the page that calls is of an origin that may.
func (h *Handler) allowed(r *http.Request) bool {
	return slices.Contains(h.cfg.Origins, r.Header.Get("Origin"))
}

// allowOrigin says to a browser whether the page that called may read the answer, an error too.
func allowOrigin(head http.Header, origins []string, r *http.Request) {
	vary := "Accept"
	if len(origins) > 0 {
		vary += ", Origin"
	}
	head.Set("Vary", vary)
	if origin := r.Header.Get("Origin"); slices.Contains(origins, origin) {
		head.Set("Access-Control-Allow-Origin", origin)
	}
}

// Readable lets the pages of the origins read what next answers at the paths of CDS Hooks, also where next refuses a call
// before a Handler sees it. Otherwise a browser would report a refusal as a network that does not work.
func Readable(origins []string, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == Path || strings.HasPrefix(r.URL.Path, Path+"/") {
			allowOrigin(w.Header(), origins, r)
		}
		next.ServeHTTP(w, r)
	})
}
