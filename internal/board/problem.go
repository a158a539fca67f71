package board

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"strings"

	"cannulary/internal/fault"
)

// answerOf is the status and the code of a kind of fault.
func answerOf(k fault.Kind) (status int, code string) {
	switch k {
	case fault.Invalid:
		return http.StatusBadRequest, "invalid"
	case fault.Precondition:
		return http.StatusUnprocessableEntity, "precondition"
	case fault.Conflict:
		return http.StatusConflict, "conflict"
	case fault.NotFound:
		return http.StatusNotFound, "not-found"
	case fault.Gone:
		return http.StatusGone, "gone"
	case fault.Full:
		return http.StatusInsufficientStorage, "full"
	case fault.Unavailable:
		return http.StatusServiceUnavailable, "unavailable"
	case fault.Unsupported:
		return http.StatusNotImplemented, "unsupported"
	case fault.TooLarge:
		return http.StatusRequestEntityTooLarge, "too-large"
	}
	return http.StatusInternalServerError, "internal"
}

// fail answers an error. What is no fault is logged and not told.
func (h *handler) fail(w http.ResponseWriter, r *http.Request, fallback form, err error) {
	if r.Context().Err() != nil {
		err = fault.Wrap(fault.Unavailable, err, "the request ended before it was answered", "try again")
	}
	f := fault.As(err)
	if f.Kind == fault.Internal {
		h.cfg.Log.ErrorContext(context.WithoutCancel(r.Context()), "a page could not be made", "path", r.URL.Path, "err", f.Detail())
	}
	status, code := answerOf(f.Kind)
	h.problem(w, r, fallback, status, code, f.Error())
}

// problem answers in the form that was asked for.
func (h *handler) problem(w http.ResponseWriter, r *http.Request, fallback form, status int, code, text string) {
	asked := formOf(r, fallback)
	if r.URL.Path == "/card" {
		q, _ := readCard(r) // its form is good, whatever is wrong with the rest
		asked = q.form
	}
	text = strings.Join(strings.Fields(text), " ")
	switch asked {
	case formHTML:
		page := problemPage{Status: status, Title: http.StatusText(status), Text: text, Path: r.URL.Path}
		if err := h.render(w, status, "problem", page.Title, page); err == nil {
			return
		}
	case formText:
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		h.send(w, status, []byte(text+"\n"))
		return
	}
	body := struct {
		Error struct {
			Code string `json:"code"`
			Text string `json:"text"`
		} `json:"error"`
	}{}
	body.Error.Code, body.Error.Text = code, text
	h.json(w, status, body)
}

type problemPage struct {
	Status            int
	Title, Text, Path string
	Search            search
}

func (h *handler) json(w http.ResponseWriter, status int, v any) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		h.cfg.Log.Error("an answer could not be encoded", "err", err)
		status = http.StatusInternalServerError
		b.Reset()
		b.WriteString(`{"error":{"code":"internal","text":"the service failed to answer. Tell the operator, whose log has the cause"}}` + "\n")
	}
	w.Header().Set("Content-Type", "application/json")
	h.send(w, status, b.Bytes())
}

// layout is what every page has around its content.
type layout struct {
	Title        string
	StyleVersion string
	Print        string
	Body         any
}

// render makes a page whole before any of it is sent.
func (h *handler) render(w http.ResponseWriter, status int, name, title string, body any) error {
	var b bytes.Buffer
	page := layout{Title: title, StyleVersion: h.styleVersion, Print: h.cfg.Now().UTC().Format("2006-01-02 15:04 MST"), Body: body}
	if err := h.pages[name].Execute(&b, page); err != nil {
		h.cfg.Log.Error("a page could not be made", "page", name, "err", err)
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	h.send(w, status, b.Bytes())
	return nil
}
