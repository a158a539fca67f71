package app_test

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/testkit"
)

// A view that was lost, or that a new version begins anew, gives no part of the record as if it were all: nobody is answered
// before it has come as far as the log had at the start. What tells how far it is goes on.
func TestAViewThatBeginsAnewIsNotServedInPart(t *testing.T) {
	ctx := testkit.Context(t)
	cfg := app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: time.Now,
		Slog: testkit.Discard()}
	start := func(before func(*app.App)) *app.App {
		a, err := app.New(ctx, cfg)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(a.Stop)
		before(a)
		a.Start()
		return a
	}
	a := start(func(*app.App) {})
	testkit.Eventually(t, "a new instance is ready", a.Ready)
	c := testkit.Dial(t, a.GRPCAddr())
	if _, err := c.Send(ctx, testkit.Registration()); err != nil {
		t.Fatal(err)
	}
	for _, s := range testkit.Samples() {
		_, _ = c.Send(ctx, s.Request) // whatever is accepted of them fills the view
	}
	a.Stop()
	if err := os.RemoveAll(filepath.Join(cfg.Dir, "view")); err != nil {
		t.Fatal(err)
	}

	var release func()
	a = start(func(a *app.App) {
		tx, err := a.Store().Begin(ctx) // nothing is projected before it ends
		if err != nil {
			t.Fatal(err)
		}
		release = tx.Rollback
	})
	asked := func(path string) (*http.Response, string) {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+a.HTTPAddr()+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp, string(body)
	}
	paths := []string{"/fhir/Flag?status=active&_summary=count", "/card?identifier=a%7Cb", "/cards", "/", "/unit", "/surveillance/report"}
	for _, path := range append(paths, "/readyz") {
		resp, body := asked(path)
		if resp.StatusCode != http.StatusServiceUnavailable || !strings.Contains(body, "he view is being built from the log (0 of ") {
			t.Errorf("%s gives %d: %s", path, resp.StatusCode, body)
		}
		if path != "/readyz" && resp.Header.Get("Retry-After") == "" {
			t.Errorf("%s does not say when to ask again", path)
		}
	}
	if resp, body := asked("/status"); resp.StatusCode != http.StatusOK || strings.Contains(body, "being built") || !strings.Contains(body, `"projected":0`) {
		t.Errorf("/status gives %d: %s", resp.StatusCode, body)
	}
	release()
	testkit.Eventually(t, "the view is built", a.Ready)
	for _, path := range paths {
		if resp, body := asked(path); resp.StatusCode == http.StatusServiceUnavailable {
			t.Errorf("then %s gives %d: %s", path, resp.StatusCode, body)
		}
	}
}
