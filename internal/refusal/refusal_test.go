package refusal_test

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
	"cannulary/internal/refusal"
)

const broken = "the service failed to answer; try again; if it stays, tell the operator, whose log has the cause"

func TestHowAnErrorIsAnswered(t *testing.T) {
	own := &refusal.Problem{Status: 406, Code: "not-supported", Text: "only JSON", Expression: "http.Accept"}
	for _, c := range []struct {
		name   string
		err    error
		status int
		code   string
		text   string
		logged string // empty for nothing
	}{
		{"a problem, wrapped", fmt.Errorf("route: %w", own), 406, "not-supported", "only JSON", ""},
		{"who are you", &refusal.Denied{Status: 401, Reason: "a token is needed", Challenge: "Bearer"}, 401, "login", "a token is needed", ""},
		{"not you", &refusal.Denied{Status: 403, Reason: "not this patient"}, 403, "forbidden", "not this patient", ""},
		{"invalid", fault.New(fault.Invalid, "no month", "write YYYY-MM"), 400, "invalid", "no month. Write YYYY-MM", "no month"},
		{"not found", fault.New(fault.NotFound, "no such unit", ""), 404, "not-found", "no such unit", "no such unit"},
		{"gone", fault.New(fault.Gone, "it was erased", ""), 410, "deleted", "it was erased", "it was erased"},
		{"passing", fault.Wrap(fault.Unavailable, errors.New("disk full"), "no room", "try again"), 503, "transient", "no room. Try again", "disk full"},
		{"of a kind that is none of HTTP's", fault.New(fault.Conflict, "used before", ""), 500, "exception", "used before", "used before"},
		{"no fault", errors.New("password=secret"), 500, "exception", broken, "password=secret"},
	} {
		var log bytes.Buffer
		p := refusal.Of(context.Background(), slog.New(slog.NewTextHandler(&log, nil)), "a test failed", c.err)
		if p.Status != c.status || p.Code != c.code || p.Text != c.text {
			t.Errorf("%s: %d %s %q, want %d %s %q", c.name, p.Status, p.Code, p.Text, c.status, c.code, c.text)
		}
		if (c.logged == "") != (log.Len() == 0) || !strings.Contains(log.String(), c.logged) {
			t.Errorf("%s: the log has %q, want %q", c.name, log.String(), c.logged)
		}
		var o struct {
			ResourceType string
			Issue        []struct {
				Severity, Code, Diagnostics string
				Expression                  []string
			}
		}
		if err := json.Unmarshal(p.Body(), &o); err != nil || o.ResourceType != "OperationOutcome" || len(o.Issue) != 1 || o.Issue[0].Severity != "error" || o.Issue[0].Code != c.code || o.Issue[0].Diagnostics != c.text ||
			strings.Join(o.Issue[0].Expression, " ") != p.Expression {
			t.Errorf("%s: the body is %s (%v)", c.name, p.Body(), err)
		}
		if got := p.Header["WWW-Authenticate"]; (got == "Bearer") != (c.status == 401) {
			t.Errorf("%s: challenge %q", c.name, got)
		}
	}
	ended, cancel := context.WithCancel(context.Background())
	cancel()
	if p := refusal.Of(ended, slog.New(slog.DiscardHandler), "a test failed", ended.Err()); p.Status != 503 || p.Text != "the request ended before it was answered; try again" {
		t.Errorf("a request that ended: %d %q", p.Status, p.Text)
	}
}

func TestWhoMayBeAnswered(t *testing.T) {
	r := httptest.NewRequest(http.MethodGet, "/fhir/Patient/p", nil)
	for name, c := range map[string]struct {
		authorize func(*http.Request) error
		want      string
		logged    bool
	}{
		"nobody decides":        {nil, "", false},
		"allowed":               {func(*http.Request) error { return nil }, "", false},
		"denied with a reason":  {func(*http.Request) error { return &refusal.Denied{Status: 403, Reason: "not this ward"} }, "not this ward", false},
		"denied with an error":  {func(*http.Request) error { return errors.New("directory at ldap.invalid is down") }, "this client may not read that", true},
		"denied with a wrapped": {func(*http.Request) error { return fmt.Errorf("x: %w", &refusal.Denied{Status: 401, Reason: "who"}) }, "x: who", false},
	} {
		var log bytes.Buffer
		err := refusal.Authorize(r, c.authorize, slog.New(slog.NewTextHandler(&log, nil)))
		got := ""
		if err != nil {
			got = err.Error()
		}
		if got != c.want || (log.Len() > 0) != c.logged || strings.Contains(log.String(), "Patient/p") {
			t.Errorf("%s: %q, logged %q; want %q", name, got, log.String(), c.want)
		}
		var d *refusal.Denied
		if err != nil && !errors.As(err, &d) {
			t.Errorf("%s: it is no Denied", name)
		}
	}
}
