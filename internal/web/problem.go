package web

import (
	"bytes"
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
	}
	as := answer.JSON()
	switch asked {
	case formHTML:
		as = answer.HTML(h.problem)
	case formText:
		as = answer.Text()
	}
	if err := answer.Refuse(w, r, p, as); err != nil {
		h.cfg.Log.Error("a page could not be made", "page", "problem", "err", err)
		_ = answer.Refuse(w, r, p, answer.JSON()) // two strings can always be written
	}
}

// problem writes the page of a refusal.
func (h *handler) problem(w io.Writer, p *answer.Problem) error {
	title := http.StatusText(p.Status)
	return h.write(w, "problem", title, problemPage{Title: title, Text: p.Text})
}

type problemPage struct {
	Title, Text string
	Search      search
}

// layout is what every page has around its content.
type layout struct {
	Title        string
	StyleVersion string
	Print        string
	Body         any
}

func (h *handler) write(w io.Writer, name, title string, body any) error {
	page := layout{Title: title, StyleVersion: h.styleVersion, Print: h.cfg.Now().UTC().Format("2006-01-02 15:04 MST"), Body: body}
	return h.pages[name].Execute(w, page)
}

// render makes a page whole before any of it is sent.
func (h *handler) render(w http.ResponseWriter, r *http.Request, name, title string, body any) error {
	var b bytes.Buffer
	if err := h.write(&b, name, title, body); err != nil {
		return err
	}
	answer.Send(w, r, http.StatusOK, "text/html; charset=utf-8", b.Bytes())
	return nil
}
