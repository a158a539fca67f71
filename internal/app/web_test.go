package app_test

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/testkit"
)

// TestNoRedirects: behind a gateway a redirect of the mux would lead past its prefix. Only
// paths below /fhir are the facade's; what it answers there is its own.
func TestNoRedirects(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	a, err := app.New(ctx, app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0",
		PublicBase: "https://gateway.example/records/fhir", Now: time.Now, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Stop()
	a.Start()
	testkit.Eventually(t, "the application is ready", a.Ready)
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	for path, status := range map[string]int{"/fhir//Patient": 200, "/fhir//": 404, "/fhir/./Patient": 404, "/fhir/../metrics": 404,
		"/fhir/Patient": 200, "/fhir": 404, "/fhirer": 404, "/healthz": 200} {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+a.HTTPAddr(), nil)
		if err != nil {
			t.Fatal(err)
		}
		req.URL.Path = path
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = io.Copy(io.Discard, resp.Body)
		_ = resp.Body.Close()
		if resp.StatusCode != status {
			t.Errorf("%s: %s %s", path, resp.Status, resp.Header.Get("Location"))
		}
	}
}

// TestWhatIsOnlyRead: how an instance is, is told to who reads it, in the same form with a view and without.
func TestWhatIsOnlyRead(t *testing.T) {
	for _, view := range []bool{true, false} {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		a, err := app.New(ctx, app.Config{Dir: t.TempDir(), Ingest: true, View: view, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0",
			Now: time.Now, Slog: testkit.Discard()})
		if err != nil {
			t.Fatal(err)
		}
		defer a.Stop()
		a.Start()
		testkit.Eventually(t, "the application is ready", a.Ready)
		const elsewhere = "there is nothing at this address. This instance has no view; it answers /healthz, /readyz, /status and /metrics"
		for _, c := range []struct {
			method, path string
			status       int
			code, text   string
		}{
			{"POST", "/metrics", 405, "method-not-allowed", "this address can only be read, with GET or HEAD"},
			{"DELETE", "/healthz", 405, "method-not-allowed", "this address can only be read, with GET or HEAD"},
			{"PUT", "/readyz", 405, "method-not-allowed", "this address can only be read, with GET or HEAD"},
			{"POST", "/status", 405, "method-not-allowed", "this address can only be read, with GET or HEAD"},
			{"GET", "/nowhere", 404, "not-found", map[bool]string{
				true:  "there is no page at this address. Today is at /, a card at /card?identifier=SYSTEM|VALUE",
				false: elsewhere,
			}[view]},
			{"GET", "/status", 200, "", ""}, {"HEAD", "/status", 200, "", ""}, {"GET", "/metrics", 200, "", ""},
			{"GET", "/readyz", 200, "", ""},
		} {
			req, err := http.NewRequestWithContext(ctx, c.method, "http://"+a.HTTPAddr()+c.path, nil)
			if err != nil {
				t.Fatal(err)
			}
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				t.Fatal(err)
			}
			body, err := io.ReadAll(resp.Body)
			_ = resp.Body.Close()
			if err != nil || resp.StatusCode != c.status {
				t.Errorf("%s %s with a view (%v): %s %.200s", c.method, c.path, view, resp.Status, body)
			}
			var e struct{ Error struct{ Code, Text string } }
			if c.status >= 400 && (json.Unmarshal(body, &e) != nil || e.Error.Code != c.code || e.Error.Text != c.text) {
				t.Errorf("%s %s with a view (%v): %s", c.method, c.path, view, body)
			}
			if allow := resp.Header.Get("Allow"); (c.status == 405) != (allow == "GET, HEAD") {
				t.Errorf("%s %s with a view (%v): Allow is %q", c.method, c.path, view, allow)
			}
		}
	}
}

// A page that listens for news would keep the server from stopping, if its answer did not end.
func TestStoppingEndsLivePages(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	a, err := app.New(ctx, app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0",
		Now: time.Now, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Stop()
	a.Start()
	testkit.Eventually(t, "the application is ready", a.Ready)
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+a.HTTPAddr()+"/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	began := time.Now()
	a.Stop()
	text, err := io.ReadAll(resp.Body)
	if took := time.Since(began); err != nil || !strings.HasPrefix(string(text), "event: beat\n") || took > 5*time.Second {
		t.Errorf("the stream ended after %s with %v: %s", took, err, text)
	}
}
