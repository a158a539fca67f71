package jsonhttp_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"cannulary/internal/fault"
	"cannulary/internal/jsonhttp"
)

func TestAnErrorInOneForm(t *testing.T) {
	const internal = "the service failed to answer. Try again; if it stays, tell the operator, whose log has the cause"
	for _, c := range []struct {
		name       string
		err        error
		status     int
		code, text string
		logged     bool
	}{
		{"invalid", fault.New(fault.Invalid, "no month", "write YYYY-MM"), 400, "invalid", "no month. Write YYYY-MM", false},
		{"not found, wrapped", fmt.Errorf("x: %w", fault.New(fault.NotFound, "no such unit", "")), 404, "not-found", "no such unit", false},
		{"too large", fault.New(fault.TooLarge, "it has 3 MB", "send less"), 413, "too-large", "it has 3 MB. Send less", false},
		{"passing", fault.New(fault.Unavailable, "catching up", ""), 503, "unavailable", "catching up", false},
		{"lines become one", fault.New(fault.Invalid, "first\n\tsecond", ""), 400, "invalid", "first second", false},
		{"no fault", errors.New("password=secret"), 500, "internal", internal, true},
		{"nobody waits any more", context.Canceled, 500, "internal", internal, false},
	} {
		var log bytes.Buffer
		w := httptest.NewRecorder()
		jsonhttp.Failed(w, httptest.NewRequest(http.MethodGet, "/card", nil), slog.New(slog.NewTextHandler(&log, nil)), "a test failed", c.err)
		var got struct{ Error struct{ Code, Text string } }
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
			t.Fatalf("%s: %v in %q", c.name, err, w.Body)
		}
		if w.Code != c.status || got.Error.Code != c.code || got.Error.Text != c.text || w.Header().Get("Content-Type") != "application/json" {
			t.Errorf("%s: %d %v %v", c.name, w.Code, got, w.Header())
		}
		if logged := strings.Contains(log.String(), c.err.Error()); logged != c.logged || !c.logged && log.Len() > 0 {
			t.Errorf("%s: the log has %q", c.name, log.String())
		}
		if strings.Contains(w.Body.String(), "secret") {
			t.Errorf("%s: the cause is told: %s", c.name, w.Body)
		}
	}
}

func TestWhatCannotBeJSONIsNotHalfAnswered(t *testing.T) {
	w := httptest.NewRecorder()
	jsonhttp.Answer(w, http.StatusOK, map[string]any{"a": 1, "b": func() {}})
	if w.Code != http.StatusInternalServerError || strings.Contains(w.Body.String(), `"a"`) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	w = httptest.NewRecorder()
	jsonhttp.Answer(w, http.StatusTeapot, map[string]string{"a": "<&>"})
	if w.Code != http.StatusTeapot || w.Body.String() != "{\"a\":\"<&>\"}\n" || w.Header().Get("Content-Length") != "12" {
		t.Errorf("%d %q %v", w.Code, w.Body, w.Header())
	}
}
