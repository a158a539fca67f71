// Package jsonhttp reads the queries of the endpoints that are not FHIR, strictly, and writes
// answers and errors of the JSON ones, all in one form.
package jsonhttp

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"

	"cannulary/internal/fault"
)

// Failed answers an error. What is no fault is logged as what, and not told.
func Failed(w http.ResponseWriter, r *http.Request, log *slog.Logger, what string, err error) {
	f := fault.As(err)
	status, code := http.StatusInternalServerError, "internal"
	switch f.Kind {
	case fault.Invalid:
		status, code = http.StatusBadRequest, "invalid"
	case fault.NotFound:
		status, code = http.StatusNotFound, "not-found"
	case fault.TooLarge:
		status, code = http.StatusRequestEntityTooLarge, "too-large"
	case fault.Unavailable:
		status, code = http.StatusServiceUnavailable, "unavailable"
	default:
		if !errors.Is(err, context.Canceled) {
			log.ErrorContext(context.WithoutCancel(r.Context()), what, "path", r.URL.Path, "err", f.Detail())
		}
	}
	Problem(w, status, code, strings.Join(strings.Fields(f.Error()), " "))
}

// Problem answers with a code and a text.
func Problem(w http.ResponseWriter, status int, code, text string) {
	body := struct {
		Error struct {
			Code string `json:"code"`
			Text string `json:"text"`
		} `json:"error"`
	}{}
	body.Error.Code, body.Error.Text = code, text
	Answer(w, status, body)
}

// Answer answers with v as JSON.
func Answer(w http.ResponseWriter, status int, v any) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil { // of plain structs: cannot happen
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Length", fmt.Sprint(b.Len()))
	w.WriteHeader(status)
	// The client may be gone; there is nobody to tell.
	_, _ = w.Write(b.Bytes())
}
