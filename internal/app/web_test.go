package app_test

import (
	"context"
	"io"
	"net/http"
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
	a, err := app.New(ctx, app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", PublicBase: "https://gateway.example/records/fhir", Now: time.Now, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Stop()
	a.Start()
	testkit.Eventually(t, "the application is ready", a.Ready)
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	for path, status := range map[string]int{"/fhir//Patient": 200, "/fhir//": 404, "/fhir/./Patient": 404, "/fhir/../metrics": 404, "/fhir/Patient": 200, "/fhir": 404, "/fhirer": 404, "/healthz": 200} {
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
