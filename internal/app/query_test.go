package app_test

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/testkit"
)

// TestADamagedQueryIsRefusedEverywhere: what is damaged, doubled or misspelt must not be left
// out in silence, or another question is answered than the one that was asked.
func TestADamagedQueryIsRefusedEverywhere(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	a, err := app.New(ctx, app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: time.Now,
		Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Stop()
	a.Start()
	testkit.Eventually(t, "the application is ready", a.Ready)
	for _, e := range []struct{ method, path, known, body string }{
		{"GET", "/", "facility", ""}, {"GET", "/card", "identifier", ""}, {"GET", "/cards", "facility", ""},
		{"GET", "/style.css", "v", ""}, {"GET", "/live.js", "v", ""}, {"GET", "/icon.svg", "v", ""}, {"GET", "/live", "facility", ""}, {"GET", "/confirm", "patient", ""},
		{"GET", "/track", "patient", ""}, {"GET", "/past", "patient", ""}, {"GET", "/unit", "facility", ""},
		{"GET", "/cannulators", "facility", ""},
		{"GET", "/metrics", "", ""}, {"GET", "/healthz", "", ""}, {"GET", "/readyz", "", ""}, {"GET", "/status", "", ""},
		{"GET", "/surveillance/report", "facility", ""}, {"GET", "/surveillance/signals", "facility", ""},
		{"GET", "/surveillance/threshold", "facility", ""},
		{"POST", "/what-if", "facility", "{}"},
		{"GET", "/cds-services", "", ""}, {"POST", "/cds-services/needling-advice", "", "{}"},
		{"GET", "/fhir/metadata", "_format", ""}, {"GET", "/fhir/Patient", "_format", ""}, {"GET", "/fhir/Measure", "_format", ""},
		{"GET", "/fhir/Patient/none", "_format", ""}, {"GET", "/fhir/_history", "_format", ""},
		{"GET", "/fhir/$export/none", "_format", ""}, {"DELETE", "/fhir/$export/none", "_format", ""},
		{"GET", "/fhir/$export/none/Patient.ndjson", "", ""},
		{"GET", "/fhir/$export", "_format", ""},
	} {
		queries := map[string]string{"unknown": "nobody-knows=1", "damaged": "x=nowhere%zz", "a semicolon": "a=1;b=2"}
		if e.known != "" {
			queries["damaged"] = e.known + "=json%zz"
			queries["twice"] = e.known + "=json&" + e.known + "=json"
		}
		for what, query := range queries {
			req, err := http.NewRequestWithContext(ctx, e.method, "http://"+a.HTTPAddr()+e.path+"?"+query, strings.NewReader(e.body))
			if err != nil {
				t.Fatal(err)
			}
			req.Header.Set("Content-Type", "application/json")
			req.Header.Set("Prefer", "respond-async")
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				t.Fatal(err)
			}
			text, err := io.ReadAll(resp.Body)
			_ = resp.Body.Close()
			if err != nil || resp.StatusCode != http.StatusBadRequest {
				t.Errorf("%s %s?%s (%s): %s %.200s", e.method, e.path, query, what, resp.Status, text)
			}
		}
	}
}
