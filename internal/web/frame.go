package web

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"html/template"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"path"
	"slices"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/chairside"
	"cannulary/internal/fault"
	"cannulary/internal/surveil"
	"cannulary/internal/trail/seen"
	"cannulary/internal/view"
)

// Status is how far the view has come.
type Status struct {
	LogSequence  uint64 // the log's end
	ViewSequence uint64 // how far the view has followed it
	Lagging      bool   // so far behind that newer facts may be missing
}

// Config is what the pages are made from. All fields but Language, Session and Ended are required.
type Config struct {
	Cards  *chairside.Service
	Store  *view.Store
	Now    func() time.Time
	Log    *slog.Logger
	Status func(context.Context) (Status, error)
	// Watch returns the surveillance of every registered facility.
	Watch func(context.Context) ([]*surveil.Watch, error)
	// Moved waits until the view has gone on from a sequence, and returns how far. Its error says
	// that the view stopped or ctx ended.
	Moved func(ctx context.Context, from uint64) (uint64, error)
	// Language is one of Languages; empty is English. A unit has one language: its staff share the
	// tablets, so what a browser prefers is not asked.
	Language string
	// AtOnce is how many bytes of all cards are sent at once, and entered in the trail together; 0 is 4 MiB, the
	// cards of some hundred patients.
	AtOnce int
	// Session returns who is logged in, as the header says it; empty for nobody, and nil where nobody logs in.
	Session func(context.Context) string
	// Ended is closed when the server stops, so that what it goes on sending ends; nil never is.
	Ended <-chan struct{}
}

//go:embed page
var files embed.FS

type handler struct {
	cfg    Config
	judged *chairside.Units
	words  *words
	pages  map[string]*template.Template
	routes map[string]route
	// version changes with a file, so that a browser may keep the file.
	version map[string]string
}

// route is what answers a path, and the form of an error where the client has no preference.
type route struct {
	serve    func(http.ResponseWriter, *http.Request) error
	fallback form
}

// Site answers the pages' paths, and says of every other that it is not found.
type Site interface {
	http.Handler
	// Paths lists the paths that there are.
	Paths() []string
}

// Pages answers "/" (today), "/card", "/cards" (all of them, a line each), "/confirm" and what the
// pages need. It panics if the templates, which are compiled in, cannot be read.
func Pages(cfg Config) Site {
	if cfg.AtOnce == 0 {
		cfg.AtOnce = 4 << 20
	}
	if cfg.Language == "" {
		cfg.Language = Languages()[0].Tag
	}
	h := &handler{cfg: cfg, judged: &chairside.Units{Cards: cfg.Cards}, words: readWords(cfg.Language),
		pages: map[string]*template.Template{}, version: map[string]string{}}
	h.routes = map[string]route{
		"/":        {h.today, formHTML},
		"/card":    {h.card, formJSON},
		"/cards":   {h.cards, formJSON},
		"/confirm": {h.confirm, formHTML},
		"/live":    {h.live, formJSON},
		// A track's life, the way back in time, the unit and who needles there.
		"/track":       {h.life, formHTML},
		"/past":        {h.past, formHTML},
		"/unit":        {h.unitFigures, formHTML},
		"/cannulators": {h.cannulators, formHTML},
	}
	for name, media := range map[string]string{
		"style.css": "text/css; charset=utf-8", "live.js": "text/javascript; charset=utf-8", "icon.svg": "image/svg+xml",
	} {
		content := embedded(name)
		sum := sha256.Sum256(content)
		h.version[name] = hex.EncodeToString(sum[:6])
		h.routes["/"+name] = route{h.file(media, content), formJSON}
	}
	call := functions()
	maps.Copy(call, h.words.functions())
	for _, name := range []string{
		"today",
		"card",
		"confirm",
		"problem",
		"life", "unit", "cannulators",
	} {
		h.pages[name] = template.Must(template.New("page.html").Funcs(call).ParseFS(files, "page/page.html", "page/find.html",
			"page/past.html", "page/"+name+".html"))
	}
	return h
}

func embedded(name string) []byte {
	b, err := files.ReadFile(path.Join("page", name))
	if err != nil {
		panic(err)
	}
	return b
}

// policy lets a page load this handler's style, icon and script, ask this handler for news and
// send its forms here; nothing else. No script and no style stands in a page.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; form-action 'self'; " +
	"base-uri 'none'; frame-ancestors 'none'"

func (h *handler) Paths() []string { return slices.Sorted(maps.Keys(h.routes)) }

func (h *handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	head := w.Header()
	head.Set("Content-Security-Policy", policy)
	head.Set("X-Content-Type-Options", "nosniff")
	// Identifiers stand in addresses: they must not travel on.
	head.Set("Referrer-Policy", "no-referrer")
	head.Set("Cross-Origin-Resource-Policy", "same-origin")
	head.Set("Cache-Control", "no-store")
	head.Set("Vary", "Accept")
	to, ok := h.routes[r.URL.Path]
	if !ok {
		h.fail(w, r, formJSON, fault.New(fault.NotFound, "there is no page at this address",
			"today is at /, a card at /card?identifier=SYSTEM|VALUE"))
		return
	}
	err := answer.Allow(r, "this address can only be read, with GET or HEAD; facts are posted over gRPC", http.MethodGet, http.MethodHead)
	if _, fixed := h.version[r.URL.Path[1:]]; err == nil && !fixed {
		err = answer.Withheld(r.Context())
	}
	if err == nil {
		err = to.serve(w, r)
	}
	if err != nil {
		h.fail(w, r, to.fallback, err)
	}
}

// fixedFor is how long a browser may keep a file: its address changes with it.
const fixedFor = "public, max-age=604800, immutable"

// paramVersion makes the address of a file change with the file; its value is not looked at.
const paramVersion = "v"

func (h *handler) file(media string, content []byte) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if _, err := answer.Query(r, paramVersion); err != nil {
			return err
		}
		w.Header().Set("Cache-Control", fixedFor)
		answer.Send(w, r, http.StatusOK, media, content)
		return nil
	}
}

// frame is what a page says of itself to what stands around it.
type frame struct {
	Title    string
	Page     string // which link of the navigation is this page's: today, unit, report; may be empty
	Facility string // whose page it is; empty where it is nobody's
}

// layout is what every page has around its content.
type layout struct {
	frame
	Language
	FacilityName string
	Clock, Made  string // when the page was made, by the facility's clocks
	Zone         string // of these times
	Style        string // version of the style
	Script       string // version of the script
	Opened       string // the page's name while it is kept open, for the trail
	Session      string // who is logged in; empty for nobody
	Body         any
}

// write writes a page. The facility's name is left out where the view does not give it: a page
// without it is better than none.
func (h *handler) write(ctx context.Context, w io.Writer, name string, f frame, body any) error {
	now := h.cfg.Now()
	local := now.In(time.UTC)
	page := layout{frame: f, Language: h.words.Language, Style: h.version["style.css"], Script: h.version["live.js"],
		Opened: seen.Page(ctx), Body: body}
	if h.cfg.Session != nil {
		page.Session = h.cfg.Session(ctx)
	}
	if f.Facility != "" {
		local = now.In(h.cfg.Cards.Zone(f.Facility))
		if known, _, err := h.cfg.Store.Facility(ctx, f.Facility); err != nil {
			h.cfg.Log.WarnContext(ctx, "the facility's name could not be read for a page", "facility", f.Facility, "err", err)
		} else {
			page.FacilityName = cmp.Or(known.Name, f.Facility)
		}
	}
	page.Clock, page.Made, page.Zone = local.Format(clock), h.words.when(local, local), local.Location().String()
	return h.pages[name].Execute(w, page)
}

// render makes a page whole before any of it is sent.
func (h *handler) render(w http.ResponseWriter, r *http.Request, name string, f frame, body any) error {
	var b bytes.Buffer
	if err := h.write(r.Context(), &b, name, f, body); err != nil {
		return err
	}
	answer.Send(w, r, http.StatusOK, "text/html; charset=utf-8", b.Bytes())
	return nil
}
