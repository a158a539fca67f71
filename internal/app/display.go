package app

import (
	"log/slog"
	"net/http"
	"slices"

	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/chairside"
	"cannulary/internal/fault"
	"cannulary/internal/web"
)

// displayed are the pages as a display on a wall gets them too: Today alone, with names shortened, and nobody is looked for.
type displayed struct {
	log *slog.Logger
	web.Site
}

func (d displayed) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	who := access.From(r.Context())
	if who == nil || who.Display == nil {
		d.Site.ServeHTTP(w, r)
		return
	}
	if !slices.Contains([]string{"/", "/live", "/live.js", "/style.css", "/icon.svg"}, r.URL.Path) || r.URL.Query().Has("find") {
		err := fault.New(fault.Denied, "a display on a wall shows Today alone, and finds nobody", "open this at a device of your own")
		_ = answer.Refuse(w, r, answer.Of(r.Context(), d.log, "", err), answer.Text()) // a Problem of texts can always be written
		return
	}
	names := chairside.Nothing
	if who.Display.Names == access.NamesShort {
		names = chairside.Letters
	}
	d.Site.ServeHTTP(w, r.WithContext(chairside.OnDisplay(r.Context(), names)))
}
