package cdshooks_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/testkit"
	"cannulary/internal/web/cdshooks"
)

// start starts the whole application on free ports, with the messages in it.
func start(t *testing.T, change func(*app.Config)) *app.App {
	t.Helper()
	cfg := app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: testkit.NewClock(testkit.Noon()).Now, Slog: testkit.Discard()}
	change(&cfg)
	ctx := testkit.Context(t)
	a, err := app.New(ctx, cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Stop)
	a.Start()
	testkit.Eventually(t, "the application is ready", a.Ready)
	client := testkit.Dial(t, a.GRPCAddr())
	if _, err := client.Send(ctx, testkit.Registration()); err != nil {
		t.Fatal(err)
	}
	for _, m := range messages() {
		if _, err := client.Send(ctx, m); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.Projector().WaitFor(ctx, testkit.LastSeq(t, a.Log())); err != nil {
		t.Fatal(err)
	}
	return a
}

// post calls the service over the network.
func post(t *testing.T, a *app.App, body, origin string) (*http.Response, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(context.Background(), http.MethodPost, "http://"+a.HTTPAddr()+service, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Origin", origin)
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, string(b)
}

func TestOverTheNetwork(t *testing.T) {
	a := start(t, func(c *app.Config) {
		c.PublicBase, c.CDSOrigins = "https://unit.example/needles/fhir", []string{"https://ehr.example"}
	})
	resp, err := http.Get("http://" + a.HTTPAddr() + "/cds-services")
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		t.Errorf("discovery: %d", resp.StatusCode)
	}
	for _, x := range []struct {
		patient string
		want    string
	}{
		{"P-1", "info: Track A1 (arterial, established): next blunt needle, gauge not recorded, 25°"},
		{"P-2", "critical: Do not needle track A1: Sore ‹b›skin‹/b› [x](http://evil.example)"},
		{"P-9", "info: No patient in this record of needle tracks has the identifiers in this chart. That is not an all-clear."},
	} {
		began := time.Now()
		resp, body := post(t, a, chart(id(mrn, x.patient)), "https://ehr.example")
		took := time.Since(began)
		cards := answered(t, resp.StatusCode, body)
		conforms(t, cards)
		if got := cards[0].Indicator + ": " + cards[0].Summary; got != x.want {
			t.Errorf("%s: %s", x.patient, got)
		}
		if took > 5*time.Second {
			t.Errorf("%s: answered in %s; CDS Hooks 2.0 asks for about 500 ms", x.patient, took)
		}
		if resp.Header.Get("Access-Control-Allow-Origin") != "https://ehr.example" || cards[0].Source.URL != "https://unit.example/needles/" {
			t.Errorf("%s: %v, source %q", x.patient, resp.Header, cards[0].Source.URL)
		}
		if x.patient == "P-9" {
			continue
		}
		// The link leads to the board's page of that patient, here under its own address.
		path, ok := strings.CutPrefix(cards[0].Links[0].URL, "https://unit.example/needles/card?patient=")
		page, err := http.Get("http://" + a.HTTPAddr() + "/card?patient=" + path)
		if !ok || err != nil {
			t.Fatalf("%s: link %q, %v", x.patient, cards[0].Links[0].URL, err)
		}
		b, err := io.ReadAll(page.Body)
		page.Body.Close()
		if err != nil || page.StatusCode != http.StatusOK || !strings.Contains(string(b), x.patient) {
			t.Errorf("%s: the page of the link answers %d %s", x.patient, page.StatusCode, b)
		}
	}
	resp2, body := post(t, a, call("{}"), "https://evil.example")
	if resp2.StatusCode != http.StatusPreconditionFailed || !strings.Contains(body, "OperationOutcome") || resp2.Header.Get("Access-Control-Allow-Origin") != "" {
		t.Errorf("no prefetch, from elsewhere: %d %s %v", resp2.StatusCode, body, resp2.Header)
	}
}

// Where the public base does not end as the path of FHIR does, nobody knows where the board is.
func TestAddressesFollowThePublicBase(t *testing.T) {
	for base, want := range map[string]cdshooks.Source{"": {Label: "Cannulary"}, "https://fhir.example/r4/": {Label: "Cannulary", URL: "https://fhir.example/r4"}} {
		a := start(t, func(c *app.Config) { c.PublicBase = base })
		resp, body := post(t, a, chart(id(mrn, "P-1")), "https://ehr.example")
		cards := answered(t, resp.StatusCode, body)
		if cards[0].Source != want || len(cards[0].Links) != 0 || resp.Header.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("base %q: source %+v, links %v, %v", base, cards[0].Source, cards[0].Links, resp.Header)
		}
	}
}

func TestAWrongOriginKeepsTheApplicationFromStarting(t *testing.T) {
	cfg := app.Config{Dir: t.TempDir(), View: true, HTTP: "127.0.0.1:0", CDSOrigins: []string{"*"}, Now: testkit.Noon, Slog: testkit.Discard()}
	a, err := app.New(testkit.Context(t), cfg)
	if err == nil {
		a.Stop()
	}
	if fmt.Sprint(err) != `cdshooks: "*" is not a web origin; give scheme, host and port as a browser sends them, for instance https://ehr.example; all origins at once (*) cannot be allowed` {
		t.Error(err)
	}
}
