package web

import (
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"html/template"
	"log/slog"
	"net/http"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/chairside"
	"cannulary/internal/fault"
	"cannulary/internal/view"
)

// Status is how far the view has come.
type Status struct {
	LogSequence  uint64 // the log's end
	ViewSequence uint64 // how far the view has followed it
	Lagging      bool   // so far behind that newer facts may be missing
	Version      string // of the program
}

// Config is what the pages are made from. All fields but ListLimit are required.
type Config struct {
	Cards  *chairside.Service
	Store  *view.Store
	Now    func() time.Time
	Log    *slog.Logger
	Status func(context.Context) (Status, error)
	// ListLimit is how many patients are listed before a facility must be chosen: beyond
	// it nobody reads the list, and all names would be opened for nothing. 0 is 600.
	ListLimit int
}

const defaultListLimit = 600

//go:embed page/*
var files embed.FS

type handler struct {
	cfg   Config
	pages map[string]*template.Template
	style []byte
	icon  []byte
	// styleVersion changes with the style, so that a browser may keep it.
	styleVersion string
}

// Pages answers "/" (the board), "/card", "/cards" (all of them, a line each) and what the pages
// need; every other path is not found. It panics if the templates, which are compiled in, cannot be read.
func Pages(cfg Config) http.Handler {
	if cfg.ListLimit == 0 {
		cfg.ListLimit = defaultListLimit
	}
	h := &handler{cfg: cfg, pages: map[string]*template.Template{}, style: embedded("board.css"), icon: embedded("icon.svg")}
	sum := sha256.Sum256(h.style)
	h.styleVersion = hex.EncodeToString(sum[:6])
	for _, name := range []string{"board", "card", "problem"} {
		h.pages[name] = template.Must(template.New("page.html").Funcs(functions()).ParseFS(files, "page/page.html", "page/search.html",
			"page/"+name+".html"))
	}
	return h
}

func embedded(name string) []byte {
	b, err := files.ReadFile("page/" + name)
	if err != nil {
		panic(err)
	}
	return b
}

// policy lets a page load this handler's style and icon and send its forms here; nothing
// else, and no script at all.
const policy = "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func (h *handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	head := w.Header()
	head.Set("Content-Security-Policy", policy)
	head.Set("X-Content-Type-Options", "nosniff")
	// Identifiers stand in addresses: they must not travel on.
	head.Set("Referrer-Policy", "no-referrer")
	head.Set("Cross-Origin-Resource-Policy", "same-origin")
	head.Set("Cache-Control", "no-store")
	head.Set("Vary", "Accept")
	var serve func(http.ResponseWriter, *http.Request) error
	fallback := formJSON // the form of an error where the client has no preference
	switch r.URL.Path {
	case "/":
		serve, fallback = h.board, formHTML
	case "/card":
		serve = h.card
	case "/cards":
		serve = h.cards
	case "/board.css":
		serve = h.file("text/css; charset=utf-8", h.style)
	case "/icon.svg":
		serve = h.file("image/svg+xml", h.icon)
	default:
		h.fail(w, r, fallback, fault.New(fault.NotFound, "there is no page at this address",
			"the board is at /, a card at /card?identifier=SYSTEM|VALUE"))
		return
	}
	err := answer.Allow(r, "this address is only read, with GET or HEAD; facts are posted over gRPC", http.MethodGet, http.MethodHead)
	if err == nil {
		err = serve(w, r)
	}
	if err != nil {
		h.fail(w, r, fallback, err)
	}
}

// fixedFor is how long a browser may keep style and icon: their addresses change with them.
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
