package app_test

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/access"
	"cannulary/internal/app"
	"cannulary/internal/fault"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// A token over gRPC, as grpcurl sends it, and one beside the certificate of another principal.
func TestTokensOverGRPC(t *testing.T) {
	h := newHouse(t)
	for what, c := range map[string]struct {
		certificate, token string
		want               codes.Code
	}{
		"a token":                                {"nobody", tokenOf("lead"), codes.OK},
		"a token of nobody":                      {"nobody", strings.Repeat("x", 60), codes.Unauthenticated},
		"a token of another principal":           {"engine", tokenOf("lead"), codes.Unauthenticated},
		"the token of the certificate's own":     {"lead", tokenOf("lead"), codes.OK},
		"a token of nobody beside a certificate": {"lead", strings.Repeat("x", 60), codes.Unauthenticated},
	} {
		ctx := metadata.AppendToOutgoingContext(testkit.Context(t), "authorization", "Bearer "+c.token)
		m := testkit.ValidateOnly(testkit.Registration())
		testkit.Envelope(m).Source = "lead"
		_, err := h.grpc(t, h.shows(t, c.certificate)).Send(ctx, m)
		if status.Code(err) != c.want {
			t.Errorf("%s: %v, want %s", what, err, c.want)
		}
		if c.want != codes.OK && status.Convert(err).Message() != access.Unknown().Error() {
			t.Errorf("%s is told %q", what, status.Convert(err).Message())
		}
	}
}

func TestLimitsOfAPrincipal(t *testing.T) {
	h := newHouse(t, func(c *app.Config) {
		c.Policy = testkit.Write(t, t.TempDir(), "limited.yaml", []byte(housePolicy()+"  limits: {per_second: 0.001, burst: 2}\n"))
	})
	for range 2 {
		if status, said := h.ask(t, "prometheus", http.MethodGet, "/metrics"); status != 200 {
			t.Fatalf("%d %s", status, said)
		}
	}
	if status, said := h.ask(t, "prometheus", http.MethodGet, "/metrics"); status != 429 || !strings.Contains(said, "asks too often") {
		t.Errorf("the third of two: %d %s", status, said)
	}
	if status, _ := h.ask(t, "ward", http.MethodGet, "/style.css"); status != 200 {
		t.Errorf("another principal pays: %d", status)
	}
}

func TestAnAddressThatOthersReachIsGuarded(t *testing.T) {
	dir, ca := t.TempDir(), testkit.NewAuthority(t)
	own := ca.Issue(t, "localhost")
	policy := testkit.Write(t, dir, "policy.yaml", []byte(housePolicy()))
	cert, key := testkit.Write(t, dir, "cert.pem", own.Cert), testkit.Write(t, dir, "key.pem", own.Key)
	for what, c := range map[string]struct {
		cfg  app.Config
		want string // empty: it starts
	}{
		"nothing":               {app.Config{HTTP: "0.0.0.0:0", GRPC: "127.0.0.1:0"}, "address 0.0.0.0:0 can be reached from other machines, so it needs --policy, --tls-certificate and --tls-key"},
		"gRPC alone":            {app.Config{HTTP: "127.0.0.1:0", GRPC: ":0"}, "address :0 can be reached from other machines"},
		"TLS alone":             {app.Config{HTTP: "0.0.0.0:0", GRPC: "127.0.0.1:0", TLSCertificate: cert, TLSKey: key}, "so it needs --policy"},
		"a policy alone":        {app.Config{HTTP: "[::]:0", GRPC: "127.0.0.1:0", Policy: policy}, "so it needs --policy"},
		"a name":                {app.Config{HTTP: "cards.example:0", GRPC: "127.0.0.1:0"}, "so it needs --policy"},
		"no port":               {app.Config{HTTP: "127.0.0.1", GRPC: "127.0.0.1:0"}, `address "127.0.0.1" is not HOST:PORT`},
		"the flag and a policy": {app.Config{HTTP: "0.0.0.0:0", GRPC: "127.0.0.1:0", Policy: policy, ServeEverybody: true}, "leave one of them out"},
		"both":                  {app.Config{HTTP: "0.0.0.0:0", GRPC: "0.0.0.0:0", Policy: policy, TLSCertificate: cert, TLSKey: key}, ""},
		"the flag":              {app.Config{HTTP: "0.0.0.0:0", GRPC: "0.0.0.0:0", ServeEverybody: true}, ""},
	} {
		c.cfg.Dir, c.cfg.Ingest, c.cfg.View, c.cfg.Now, c.cfg.Slog = t.TempDir(), true, true, time.Now, testkit.Discard()
		a, err := app.New(testkit.Context(t), c.cfg)
		if err == nil {
			a.Stop()
		}
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", what, err, c.want)
		}
	}
}

// Certificates change while an engine sends: no message is lost, and new connections get the new one.
func TestCertificatesChangeUnderLoad(t *testing.T) {
	h := newHouse(t)
	lead := h.shows(t, "lead")
	register := testkit.Registration()
	testkit.Envelope(register).Source = "lead"
	if _, err := h.grpc(t, lead).Send(testkit.Context(t), register); err != nil {
		t.Fatal(err)
	}
	const messages, rounds = 40, 5
	engine := h.shows(t, "engine")
	for round := range rounds {
		feed := h.grpc(t, engine).Feed(t) // begun before the change
		answered := make(chan error, 1)
		go func() {
			for range messages {
				r, err := feed.Recv()
				if err == nil && r.GetOutcome() != v1.FeedOutcome_FEED_OUTCOME_ACCEPTED {
					err = fault.New(fault.Invalid, fmt.Sprint(r), "")
				}
				if err != nil {
					answered <- err
					return
				}
			}
			answered <- nil
		}()
		for i := range messages {
			m := proto.CloneOf(testkit.SampleOf("cannulation needle_inserted"))
			testkit.Envelope(m).SourceMessageId = fmt.Sprintf("m-%d-%d", round, i)
			if err := feed.Send(m); err != nil {
				t.Fatal(err)
			}
			if i == messages/2 {
				own := h.ca.Issue(t, "127.0.0.1", func(c *x509.Certificate) { c.Subject.CommonName = fmt.Sprint("round ", round) })
				testkit.Write(t, h.dir, "cert.pem", own.Cert)
				testkit.Write(t, h.dir, "key.pem", own.Key)
				h.Reload()
			}
		}
		if err := <-answered; err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		conn, err := (&tls.Dialer{Config: h.shows(t, "nobody")}).DialContext(t.Context(), "tcp", h.HTTPAddr())
		if err != nil {
			t.Fatal(err)
		}
		if c, ok := conn.(*tls.Conn); !ok || c.ConnectionState().PeerCertificates[0].Subject.CommonName != fmt.Sprint("round ", round) {
			t.Errorf("round %d: a new connection gets another certificate", round)
		}
		_ = conn.Close()
	}
	if last := testkit.LastSeq(t, h.Log()); last < rounds*messages {
		t.Errorf("the log ends at %d after %d messages", last, rounds*messages)
	}
}

// A browser shows a page of an allowed origin why its call was refused, and the page of another nothing.
func TestARefusedCallOfHooksCanBeReadByAnAllowedPage(t *testing.T) {
	h := newHouse(t, func(c *app.Config) { c.CDSOrigins = []string{"https://ehr.example"} })
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: h.shows(t, "nobody")}}
	defer client.CloseIdleConnections()
	for _, c := range []struct {
		method, path, host, token string
		status                    int
	}{
		{http.MethodGet, "/cds-services", "", "", 401},
		{http.MethodPost, "/cds-services/needling-advice", "", "wrong", 401},
		{http.MethodPost, "/cds-services/needling-advice", "", tokenOf("ward"), 403},
		{http.MethodPost, "/cds-services/needling-advice", "other.example", tokenOf("ehr"), 421},
		{http.MethodOptions, "/cds-services/needling-advice", "", "", 204},
		{http.MethodGet, "/cds-services", "", tokenOf("ehr"), 200},
		{http.MethodGet, "/cds-services/none", "", tokenOf("ehr"), 404},
	} {
		for origin, want := range map[string]string{"https://ehr.example": "https://ehr.example", "https://attacker.example": "", "": ""} {
			req, err := http.NewRequestWithContext(t.Context(), c.method, h.URL()+c.path, nil)
			if err != nil {
				t.Fatal(err)
			}
			for name, value := range map[string]string{"Origin": origin, "Authorization": map[bool]string{true: "Bearer " + c.token}[c.token != ""]} {
				if value != "" {
					req.Header.Set(name, value)
				}
			}
			if c.method == http.MethodOptions {
				req.Header.Set("Access-Control-Request-Method", "POST")
			}
			req.Host = c.host
			resp, err := client.Do(req)
			if err != nil {
				t.Fatal(err)
			}
			_ = resp.Body.Close()
			status := c.status
			if c.method == http.MethodOptions && want == "" {
				status = 405 // no preflight of a page that may not call
			}
			if got := resp.Header.Values("Access-Control-Allow-Origin"); resp.StatusCode != status || strings.Join(got, "|") != want {
				t.Errorf("%s %s by %q from %q: %d, read by %q", c.method, c.path, c.token, origin, resp.StatusCode, got)
			}
			if vary := resp.Header.Get("Vary"); !strings.Contains(vary, "Origin") {
				t.Errorf("%s %s from %q: Vary %q", c.method, c.path, origin, vary)
			}
		}
	}
	// Nothing else is for pages of other origins.
	for _, path := range []string{"/card", "/fhir/Patient", "/cds-servicesx"} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, h.URL()+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Origin", "https://ehr.example")
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if got := resp.Header.Get("Access-Control-Allow-Origin"); got != "" {
			t.Errorf("%s may be read by %q", path, got)
		}
	}
}
