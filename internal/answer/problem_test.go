package answer_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"cannulary/internal/answer"
	"cannulary/internal/fault"
)

const broken = "the service failed to answer. Try again; if it stays, tell the operator, whose log has the cause"

func TestHowAnErrorIsAnswered(t *testing.T) {
	own := answer.Unacceptable("Accept", "only JSON")
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for _, c := range []struct {
		name   string
		ctx    context.Context
		err    error
		status int
		text   string
		logged string // empty for nothing
	}{
		{"a problem, wrapped", t.Context(), fmt.Errorf("route: %w", own), 406, "only JSON", ""},
		{"a fault of the client", t.Context(), fault.New(fault.Invalid, "no month", "write YYYY-MM"), 400, "no month. Write YYYY-MM", ""},
		{"a fault of the client with a cause", t.Context(), fault.Wrap(fault.Invalid, io.ErrUnexpectedEOF, "the body could not be read", ""),
			400, "the body could not be read", ""},
		{"a fault, wrapped", t.Context(), fmt.Errorf("x: %w", fault.New(fault.NotFound, "no such unit", "")),
			404, "no such unit", ""},
		{"passing, and said why", t.Context(), fault.New(fault.Unavailable, "catching up", ""), 503, "catching up", ""},
		{"passing, for a cause", t.Context(), fault.Wrap(fault.Unavailable, errors.New("disk full"), "no room", "try again"),
			503, "no room. Try again", "disk full"},
		{"no fault", t.Context(), errors.New("password=secret"), 500, broken, "password=secret"},
		{"the request ended", ended, ended.Err(), 503, "the request ended before it was answered. Try again", ""},
		{"the request ended, and a fault says more", ended, fault.Wrap(fault.Unavailable, ended.Err(), "too slow", ""), 503, "too slow", ""},
		{"a problem of a request that ended", ended, own, 406, "only JSON", ""},
	} {
		var log bytes.Buffer
		p := answer.Of(c.ctx, slog.New(slog.NewTextHandler(&log, nil)), "a test failed", c.err)
		if p.Status != c.status || p.Text != c.text || p.Error() != c.text {
			t.Errorf("%s: %+v, want %d %q", c.name, p, c.status, c.text)
		}
		says := strings.Contains(log.String(), "a test failed") && strings.Contains(log.String(), c.logged)
		if (c.logged == "") != (log.Len() == 0) || c.logged != "" && !says {
			t.Errorf("%s: the log has %q, want %q", c.name, log.String(), c.logged)
		}
	}
	if p := answer.Broken(); p.Status != 500 || p.Text != broken || p.Code != "exception" {
		t.Errorf("a panic is told as %+v", p)
	}
}

func TestAHandlerAnswersWholeOrRefuses(t *testing.T) {
	do := func(method string, serve func(http.ResponseWriter, *http.Request) error) *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		answer.Handler(slog.New(slog.DiscardHandler), "a test failed", serve).ServeHTTP(w, httptest.NewRequest(method, "/", nil))
		if w.Header().Get("Cache-Control") != "no-store" || w.Header().Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("headers %v", w.Header())
		}
		return w
	}
	value := func(w http.ResponseWriter, r *http.Request) error {
		return answer.Value(w, r, http.StatusTeapot, map[string]string{"a": "<&>"})
	}
	const body = "{\"a\":\"<&>\"}\n"
	if w := do("GET", value); w.Code != http.StatusTeapot || w.Body.String() != body || w.Header().Get("Content-Length") != "12" {
		t.Errorf("%d %q %v", w.Code, w.Body, w.Header())
	}
	if w := do("HEAD", value); w.Code != http.StatusTeapot || w.Body.Len() != 0 || w.Header().Get("Content-Length") != "12" {
		t.Errorf("HEAD: %d %q %v", w.Code, w.Body, w.Header())
	}
	w := do("GET", func(w http.ResponseWriter, r *http.Request) error {
		return answer.Value(w, r, http.StatusOK, map[string]any{"a": 1, "b": func() {}})
	})
	if w.Code != http.StatusInternalServerError || w.Body.String() != `{"error":{"code":"internal","text":"`+broken+"\"}}\n" {
		t.Errorf("what cannot be JSON is answered %d %s", w.Code, w.Body)
	}
	w = do("GET", func(http.ResponseWriter, *http.Request) error { return fault.New(fault.Invalid, "first\n\tsecond", "") })
	if w.Body.String() != `{"error":{"code":"invalid","text":"first second"}}`+"\n" {
		t.Errorf("two lines: %q", w.Body)
	}
}

func TestAPageThatCannotBeMadeIsNotHalfWritten(t *testing.T) {
	w := httptest.NewRecorder()
	half := answer.HTML(func(w io.Writer, _ *answer.Problem) error {
		_, _ = io.WriteString(w, "<html>")
		return errors.New("no template")
	})
	err := answer.Refuse(w, httptest.NewRequest(http.MethodGet, "/", nil), answer.Broken(), half)
	if err == nil || w.Body.Len() > 0 || len(w.Header()) > 0 {
		t.Errorf("%v, %q, %v", err, w.Body, w.Header())
	}
}

func TestAnOutcomeSaysWhere(t *testing.T) {
	for _, p := range []*answer.Problem{answer.WrongMedia("Content-Type", "no"), answer.Broken()} {
		w := httptest.NewRecorder()
		if err := answer.Refuse(w, httptest.NewRequest(http.MethodGet, "/", nil), p, answer.Outcome()); err != nil {
			t.Fatal(err)
		}
		var o struct {
			ResourceType string
			Issue        []struct {
				Severity, Code, Diagnostics string
				Expression                  []string
			}
		}
		if err := json.Unmarshal(w.Body.Bytes(), &o); err != nil || o.ResourceType != "OperationOutcome" || len(o.Issue) != 1 ||
			o.Issue[0].Severity != "error" || o.Issue[0].Code != p.Code || o.Issue[0].Diagnostics != p.Text ||
			strings.Join(o.Issue[0].Expression, " ") != p.Expression {
			t.Errorf("%+v: the body is %s (%v)", p, w.Body, err)
		}
	}
}
