package web

import (
	"context"
	"io"
	"net/http"

	"cannulary/internal/answer"
)

// fail answers an error, in the form that was asked for.
func (h *handler) fail(w http.ResponseWriter, r *http.Request, fallback form, err error) {
	p := answer.Of(r.Context(), h.cfg.Log, "a page could not be made: "+r.URL.Path, err)
	asked := formOf(r, fallback)
	if r.URL.Path == "/card" {
		q, _ := readCard(r) // its form is good, whatever is wrong with the rest
		asked = q.form
	} else if r.URL.Query().Get(paramFormat) == "json" {
		asked = formJSON
	}
	as := answer.JSON()
	switch asked {
	case formHTML:
		as = answer.HTML(func(w io.Writer, p *answer.Problem) error { return h.problem(r.Context(), w, p) })
	case formText:
		as = answer.Text()
	}
	if err := answer.Refuse(w, r, p, as); err != nil {
		h.cfg.Log.Error("a page could not be made", "page", "problem", "err", err)
		_ = answer.Refuse(w, r, p, answer.JSON()) // two strings can always be written
	}
}

// problem writes the page of a refusal.
func (h *handler) problem(ctx context.Context, w io.Writer, p *answer.Problem) error {
	title := http.StatusText(p.Status)
	return h.write(ctx, w, "problem", frame{Title: title}, problemPage{Title: title, Text: p.Text})
}

type problemPage struct {
	Title, Text, Facility string
}
