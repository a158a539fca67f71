package app_test

import (
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/credentials"

	"cannulary/internal/access"
	"cannulary/internal/app"
	"cannulary/internal/testkit"
)

// house is an instance behind TLS and a policy.
type house struct {
	*app.App
	ca  *testkit.Authority
	cfg app.Config
	dir string // of policy and certificates
	// data is the instance's folder.
	data string
}

// housePolicy has one principal of each sort. Each is known by the certificate of its name, and by the
// token that tokenOf gives.
func housePolicy() string {
	var b strings.Builder
	b.WriteString("principals:\n")
	for _, p := range []struct{ name, may string }{
		{"engine", "facilities: [invented-north]\n  sources: [engine-a]\n  facts: [cannulation/*, assessment/*, surveillance/*]"},
		{"adt", "facilities: [invented-north]\n  sources: [adt]\n  facts: [roster/patient_admitted, roster/patient_left, " +
			"roster/identity_stated, roster/patients_merged, roster/merge_reversed, roster/fact_corrected, roster/fact_voided]"},
		{"lead", "facilities: ['*']\n  sources: [lead]\n  facts: ['*']\n  amends: ['*']"},
		{"south", "facilities: [invented-south]\n  sources: [engine-s]\n  facts: ['*']\n  amends: ['*']"},
		{"ehr", "facilities: ['*']\n  fhir: ['*']\n  may: [hooks]"},
		{"procedures", "facilities: ['*']\n  fhir: [Procedure]"},
		{"ward", "facilities: ['*']\n  may: [pages]"},
		{"control", "facilities: ['*']\n  may: [reports]"},
		{"auditor", "facilities: ['*']\n  may: [audit]"},
		{"prometheus", "may: [metrics]"},
	} {
		fmt.Fprintf(&b, "- name: %s\n  certificates: [%s.example]\n  tokens: [%s]\n  %s\n", p.name, p.name, access.Digest(tokenOf(p.name)), p.may)
	}
	return b.String()
}

func names() []string {
	return []string{"engine", "adt", "lead", "south", "ehr", "procedures", "ward", "control", "auditor", "prometheus"}
}

func tokenOf(name string) string { return name + strings.Repeat("-", 50) }

func newHouse(t *testing.T, change ...func(*app.Config)) *house {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	h := &house{ca: testkit.NewAuthority(t), dir: t.TempDir()}
	own := h.ca.Issue(t, "127.0.0.1")
	cfg := app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: time.Now, Slog: testkit.Discard(),
		// With a client by token the paths of SMART are there; TestAnEHRReadsByToken is about it.
		Policy: testkit.Write(t, h.dir, "policy.yaml", []byte(strings.Replace(housePolicy(), "principals:\n", "principals:\n"+
			"- {name: backend, facilities: ['*'], fhir: [Procedure], client: {keys_url: 'https://ehr.example/jwks.json'}}\n", 1))),
		TLSCertificate: testkit.Write(t, h.dir, "cert.pem", own.Cert), TLSKey: testkit.Write(t, h.dir, "key.pem", own.Key),
		TLSClients: testkit.Write(t, h.dir, "clients.pem", h.ca.PEM)}
	for _, f := range change {
		f(&cfg)
	}
	h.data = cfg.Dir
	h.cfg = cfg
	var err error
	if h.App, err = app.New(ctx, cfg); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(h.Stop)
	h.Start()
	testkit.Eventually(t, "the application is ready", h.Ready)
	return h
}

// shows is what a client of a name shows: nothing for nobody.
func (h *house) shows(t *testing.T, name string) *tls.Config {
	t.Helper()
	c := &tls.Config{RootCAs: h.ca.Pool()}
	if name != "nobody" {
		c.Certificates = []tls.Certificate{h.ca.Issue(t, name+".example").Pair(t)}
	}
	return c
}

// grpc is a client over mutual TLS.
func (h *house) grpc(t *testing.T, c *tls.Config) *testkit.Client {
	t.Helper()
	return testkit.DialTLS(t, h.GRPCAddr(), credentials.NewTLS(c))
}

// ask asks over HTTPS with a token, and as the operator by the socket in the folder.
func (h *house) ask(t *testing.T, name, method, path string) (int, string) {
	t.Helper()
	transport := &http.Transport{TLSClientConfig: h.shows(t, "nobody"), ForceAttemptHTTP2: true}
	defer transport.CloseIdleConnections()
	url := h.URL()
	if name == "operator" {
		url, transport = "http://localhost", &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return app.DialOperator(ctx, h.data)
		}}
		defer transport.CloseIdleConnections()
	}
	req, err := http.NewRequestWithContext(t.Context(), method, url+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if name != "nobody" && name != "operator" {
		req.Header.Set("Authorization", "Bearer "+tokenOf(name))
	}
	req.Header.Set("Prefer", "respond-async")
	resp, err := (&http.Client{Transport: transport}).Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	if path == "/live" && resp.StatusCode == http.StatusOK {
		return resp.StatusCode, ""
	}
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(body)
}
