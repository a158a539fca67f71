package door_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cannulary/internal/access"
	"cannulary/internal/door"
	"cannulary/internal/testkit"
)

var types = []string{"Patient"}

// token is the metrics principal's.
var token = strings.Repeat("m", 43)

func policy(more string) []byte {
	return []byte("principals:\n- {name: metrics, tokens: [" + access.Digest(token) + "], may: [metrics]}\n" +
		"- {name: engine, certificates: [engine.example], facilities: [north], sources: [engine], facts: [roster/*]}\n" +
		"- {name: both, certificates: [both.example], may: [metrics]}\n" + more)
}

func open(t *testing.T, change func(*door.Config)) *door.Door {
	t.Helper()
	cfg := door.Config{Types: types, Now: testkit.Noon, Slog: testkit.Discard()}
	change(&cfg)
	d, err := door.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// name answers who asks.
var name = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
	who := "nobody"
	if p := access.From(r.Context()); p != nil {
		who = p.Name
	}
	_, _ = io.WriteString(w, who)
})

func TestAForeignHostIsRefused(t *testing.T) {
	d := open(t, func(c *door.Config) { c.Hosts = []string{"Cards.Hospital.example", "10.0.0.7"} })
	for host, ok := range map[string]bool{
		"localhost": true, "localhost:7451": true, "127.0.0.1:1": true, "[::1]:7451": true, "LOCALHOST.": true,
		"cards.hospital.example": true, "cards.hospital.example:443": true, "10.0.0.7:80": true,
		"evil.example": false, "cards.hospital.example.evil.example": false, "xcards.hospital.example": false, "": false,
		"127.0.0.1.evil.example": false, "10.0.0.8": false, "localhost@evil.example": false,
	} {
		r := httptest.NewRequest(http.MethodGet, "/fhir/Patient", nil)
		r.Host = host
		w := httptest.NewRecorder()
		d.HTTP(name).ServeHTTP(w, r)
		if ok && (w.Code != 200 || w.Body.String() != "everybody") {
			t.Errorf("%q: %d %s", host, w.Code, w.Body)
		}
		if !ok && (w.Code != http.StatusMisdirectedRequest || !strings.Contains(w.Body.String(), "does not answer to the name in the Host header") ||
			host != "" && strings.Contains(w.Body.String(), host)) {
			t.Errorf("%q: %d %s", host, w.Code, w.Body)
		}
	}
}

// What a refusal says is the same whether or not there is something, and in the form that the path has.
func TestRefusals(t *testing.T) {
	file := testkit.Write(t, t.TempDir(), "policy.yaml", policy(""))
	var log bytes.Buffer
	d := open(t, func(c *door.Config) { c.Policy, c.Slog = file, slog.New(slog.NewTextHandler(&log, nil)) })
	const unknown = "this needs a client certificate or a bearer token of a principal. " +
		"Use those that the operator gave you; if they are refused, ask the operator"
	const refused = "this principal may not do that. Ask the operator what the policy allows"
	for _, c := range []struct {
		path, token, accept string
		status              int
		text                string
	}{
		{"/fhir/Patient/1", "", "", 401, unknown},
		{"/fhir/Patient/1", token, "", 403, refused},
		{"/cds-services", strings.Repeat("x", 43), "", 401, unknown},
		{"/card", "", "", 401, unknown}, {"/card", token, "", 403, refused}, {"/", token, "text/html", 403, refused},
		{"/nowhere", "", "", 401, unknown}, {"/nowhere", token, "", 403, refused}, {"/metrics/", token, "", 403, refused},
		{"//metrics", token, "", 403, refused}, {"/fhir/../metrics", token, "", 403, refused},
		{"/metrics", token, "", 200, "metrics"}, {"/healthz", "", "", 200, "nobody"}, {"/healthz", "wrong", "", 200, "nobody"},
		{"/readyz", token, "", 200, "metrics"},
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.URL.Path, r.Host = c.path, "localhost"
		r.Header.Set("Accept", c.accept)
		if c.token != "" {
			r.Header.Set("Authorization", "Bearer "+c.token)
		}
		w := httptest.NewRecorder()
		d.HTTP(name).ServeHTTP(w, r)
		var e struct {
			Error struct{ Text string }
			Issue []struct{ Diagnostics string }
		}
		said := strings.TrimSpace(w.Body.String())
		if json.Unmarshal(w.Body.Bytes(), &e) == nil {
			if said = e.Error.Text; len(e.Issue) == 1 {
				said = e.Issue[0].Diagnostics
			}
		}
		challenge := map[int]string{401: "Bearer"}[c.status]
		if c.token != "" {
			challenge = map[int]string{401: `Bearer error="invalid_token"`, 403: `Bearer error="insufficient_scope"`}[c.status]
		}
		if got := w.Header().Get("WWW-Authenticate"); w.Code != c.status || said != c.text || got != challenge {
			t.Errorf("%s with %.5q: %d %s %q, want %d %s %q", c.path, c.token, w.Code, w.Body, got, c.status, c.text, challenge)
		}
	}
	// It is counted and logged without what was asked, which may be the number of a patient, and without the token.
	if got := d.TurnedAway(); got["unauthenticated"] != 4 || got["denied"] != 7 || got["limited"] != 0 || got["host"] != 0 {
		t.Errorf("counted: %v", got)
	}
	if text := log.String(); strings.Contains(text, "Patient") || strings.Contains(text, token) || strings.Contains(text, access.Digest(token)) ||
		!strings.Contains(text, "reason=denied principal=metrics right=pages") || !strings.Contains(text, "reason=unauthenticated principal=unknown") {
		t.Errorf("logged: %s", text)
	}
	// A browser's question before it asks carries no credentials.
	r := httptest.NewRequest(http.MethodOptions, "/cds-services", nil)
	r.Host = "localhost"
	r.Header.Set("Access-Control-Request-Method", "POST")
	w := httptest.NewRecorder()
	d.HTTP(name).ServeHTTP(w, r)
	if w.Code != 200 {
		t.Errorf("the preflight of a browser is refused: %d", w.Code)
	}
}

func TestAPolicyIsReadAgain(t *testing.T) {
	var log bytes.Buffer
	dir := t.TempDir()
	file := testkit.Write(t, dir, "policy.yaml", policy(""))
	d := open(t, func(c *door.Config) { c.Policy, c.Slog = file, slog.New(slog.NewTextHandler(&log, nil)) })
	who := func(token string) string {
		p, err := d.Who(t.Context(), access.Caller{Bearer: token})
		if err != nil {
			return ""
		}
		return p.Name
	}
	other := strings.Repeat("o", 43)
	testkit.Write(t, dir, "policy.yaml", policy("- {name: other, tokens: ["+access.Digest(other)+"], may: [metrics]}\n"))
	if d.Look(); who(other) != "other" || who(token) != "metrics" || d.Refused()["policy"] {
		t.Errorf("a new policy is not in force: %q %v", who(other), d.Refused())
	}
	testkit.Write(t, dir, "policy.yaml", []byte("principals: []\n"))
	d.Look()
	d.Look()
	if who(other) != "other" || !d.Refused()["policy"] || strings.Count(log.String(), "what was read before stays in force") != 1 {
		t.Errorf("a bad policy changed something, or was not told once: %q %v\n%s", who(other), d.Refused(), log.String())
	}
	testkit.Write(t, dir, "policy.yaml", policy(""))
	if d.Look(); who(other) != "" || d.Refused()["policy"] {
		t.Errorf("a principal that is gone is still let in: %q %v", who(other), d.Refused())
	}
}

// Next asks the policy of now, so a feed that began before does not go on by the one of then.
func TestARunningFeedFollowsThePolicy(t *testing.T) {
	dir := t.TempDir()
	file := testkit.Write(t, dir, "policy.yaml", policy(""))
	d := open(t, func(c *door.Config) { c.Policy = file })
	engine := access.Caller{Certificate: &x509.Certificate{DNSNames: []string{"engine.example"}, NotAfter: testkit.Noon()}}
	_, done, err := d.Enter(t.Context(), engine, access.Send)
	if err != nil {
		t.Fatal(err)
	}
	defer done()
	if ctx, err := d.Next(t.Context(), engine, access.Send); err != nil || access.From(ctx).Name != "engine" {
		t.Fatal(err)
	}
	ended := access.Caller{Certificate: &x509.Certificate{DNSNames: []string{"engine.example"}, NotAfter: testkit.Noon().Add(-time.Second)}}
	if _, err := d.Next(t.Context(), ended, access.Send); err == nil || err.Error() != access.Unknown().Error() {
		t.Errorf("after its certificate has ended: %v", err)
	}
	testkit.Write(t, dir, "policy.yaml", bytes.Replace(policy(""), []byte("engine.example"), []byte("engine2.example"), 1))
	d.Look()
	if _, err := d.Next(t.Context(), engine, access.Send); err == nil || err.Error() != access.Unknown().Error() {
		t.Errorf("after its principal was taken away: %v", err)
	}
}

func TestWhatCannotGuardIsRefusedAtStart(t *testing.T) {
	dir, ca := t.TempDir(), testkit.NewAuthority(t)
	one, two := ca.Issue(t, "localhost"), ca.Issue(t, "localhost")
	cert, key := testkit.Write(t, dir, "cert.pem", one.Cert), testkit.Write(t, dir, "key.pem", one.Key)
	other := testkit.Write(t, dir, "other.pem", two.Key)
	bad := testkit.Write(t, dir, "bad.pem", []byte("nothing"))
	for want, c := range map[string]door.Config{
		"no such file or directory": {Policy: filepath.Join(dir, "none")},
		"the policy cannot be read": {Policy: bad},
		"TLS needs --tls-certificate and --tls-key, both; --tls-client-ca goes with them": {Certificate: cert},
		"private key does not match public key; give both in PEM form":                    {Certificate: cert, Key: other},
		"failed to find any PEM data in certificate input":                                {Certificate: bad, Key: key},
		"the file of the authorities for clients holds no certificate in PEM form":        {Certificate: cert, Key: key, Clients: bad},
		`--host "https://x.example" is not a name`:                                        {Hosts: []string{"https://x.example"}},
		`--host "x.example:443" is not a name`:                                            {Hosts: []string{"x.example:443"}},
	} {
		c.Now, c.Slog = testkit.Noon, testkit.Discard()
		if _, err := door.New(c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// served is an HTTPS server behind a door, whose files stand in dir.
func served(t *testing.T, dir string, ca *testkit.Authority) (*door.Door, *httptest.Server) {
	t.Helper()
	own := ca.Issue(t, "localhost")
	d := open(t, func(c *door.Config) {
		c.Policy = testkit.Write(t, dir, "policy.yaml", policy(""))
		c.Certificate, c.Key = testkit.Write(t, dir, "cert.pem", own.Cert), testkit.Write(t, dir, "key.pem", own.Key)
		c.Clients = testkit.Write(t, dir, "clients.pem", ca.PEM)
		c.Now = time.Now
	})
	s := httptest.NewUnstartedServer(d.HTTP(name))
	s.Config.ErrorLog = slog.NewLogLogger(testkit.Discard().Handler(), slog.LevelInfo)
	s.Listener = tls.NewListener(s.Listener, d.TLS("http/1.1"))
	s.Start()
	t.Cleanup(s.Close)
	return d, s
}

// ask asks /metrics, and returns the status and what was answered, or the error.
func ask(t *testing.T, s *httptest.Server, ca *testkit.Authority, pairs ...tls.Certificate) (int, string) {
	t.Helper()
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: ca.Pool(), ServerName: "localhost", Certificates: pairs}}
	defer transport.CloseIdleConnections()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "https://"+s.Listener.Addr().String()+"/metrics", nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := (&http.Client{Transport: transport}).Do(r)
	if err != nil {
		return 0, err.Error()
	}
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		return 0, err.Error()
	}
	return resp.StatusCode, string(body)
}

func TestCertificatesOfClients(t *testing.T) {
	ca, foreign := testkit.NewAuthority(t), testkit.NewAuthority(t)
	_, s := served(t, t.TempDir(), ca)
	for what, c := range map[string]struct {
		cert   testkit.Certificate
		status int // 0: the connection does not come about
	}{
		"good":                 {ca.Issue(t, "both.example"), 200},
		"of another principal": {ca.Issue(t, "engine.example"), 403},
		"of nobody":            {ca.Issue(t, "stranger.example"), 401},
		"expired":              {ca.Issue(t, "both.example", func(c *x509.Certificate) { c.NotAfter = time.Now().Add(-time.Minute) }), 0},
		"not yet valid": {ca.Issue(t, "both.example", func(c *x509.Certificate) {
			c.NotBefore = time.Now().Add(time.Hour)
			c.NotAfter = c.NotBefore.Add(time.Hour)
		}), 0},
		"of a foreign authority":                          {foreign.Issue(t, "both.example"), 0},
		"for servers only":                                {ca.Issue(t, "both.example", func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth} }), 0},
		"with the name in its common name beside another": {ca.Issue(t, "stranger.example", func(c *x509.Certificate) { c.Subject.CommonName = "both.example" }), 401},
	} {
		status, said := ask(t, s, ca, c.cert.Pair(t))
		if status != c.status {
			t.Errorf("%s: %d %s, want %d", what, status, said, c.status)
		}
	}
	if status, said := ask(t, s, ca); status != 401 {
		t.Errorf("without a certificate: %d %s", status, said)
	}
	if status, said := ask(t, s, foreign); status != 0 || !strings.Contains(said, "unknown authority") {
		t.Errorf("a client that knows another authority: %d %s", status, said)
	}
}

func TestCertificatesAreReadAgain(t *testing.T) {
	dir, ca, next := t.TempDir(), testkit.NewAuthority(t), testkit.NewAuthority(t)
	d, s := served(t, dir, ca)
	before := ca.Issue(t, "both.example").Pair(t)
	if status, said := ask(t, s, ca, before); status != 200 {
		t.Fatalf("%d %s", status, said)
	}
	// The certificate comes first, its key a moment later: in between the old pair serves.
	own := next.Issue(t, "localhost")
	testkit.Write(t, dir, "cert.pem", own.Cert)
	d.Look()
	if status, _ := ask(t, s, ca, before); status != 200 || !d.Refused()["certificate"] {
		t.Errorf("with half of a new pair: %d %v", status, d.Refused())
	}
	testkit.Write(t, dir, "key.pem", own.Key)
	testkit.Write(t, dir, "clients.pem", next.PEM)
	d.Look()
	if status, said := ask(t, s, next, next.Issue(t, "both.example").Pair(t)); status != 200 || d.Refused()["certificate"] {
		t.Errorf("with the new pair: %d %s %v", status, said, d.Refused())
	}
	if status, _ := ask(t, s, next, before); status != 0 {
		t.Errorf("a certificate of the authority that was taken away: %d", status)
	}
}

func TestTLSBelowTwelveIsRefused(t *testing.T) {
	ca := testkit.NewAuthority(t)
	_, s := served(t, t.TempDir(), ca)
	conn, err := (&tls.Dialer{Config: &tls.Config{RootCAs: ca.Pool(), ServerName: "localhost", MinVersion: tls.VersionTLS10,
		MaxVersion: tls.VersionTLS11}}).DialContext(context.Background(), "tcp", s.Listener.Addr().String())
	if err == nil {
		_ = conn.Close()
		t.Error("TLS 1.1 is accepted")
	}
}

// A connection that the kernel does not vouch for is nobody's, whatever it shows.
func TestTheOperatorComesByTheSocketAlone(t *testing.T) {
	var told bytes.Buffer
	d, err := door.New(door.Config{Policy: testkit.Write(t, t.TempDir(), "policy.yaml", policy("")), Types: types, Now: time.Now,
		Slog: slog.New(slog.NewTextHandler(&told, nil))})
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewUnstartedServer(d.Operator(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.WriteString(w, access.From(r.Context()).Name)
	})))
	s.Config.ConnContext = door.ByOperator
	ask := func(client *http.Client, url string) (int, string) {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url+"/metrics", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+token)
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(body)
	}
	s.Start()
	if code, said := ask(s.Client(), s.URL); code != 401 || !strings.Contains(said, "this needs a client certificate or a bearer token") {
		t.Errorf("over TCP: %d %s", code, said)
	}
	s.Close()
	if n := d.TurnedAway()["unauthenticated"]; n != 1 {
		t.Errorf("%d turned away: %s", n, told.String())
	}

	socket := filepath.Join(t.TempDir(), "s")
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: s.Config.Handler, ConnContext: door.ByOperator, ReadHeaderTimeout: time.Minute}
	go func() { _ = server.Serve(l) }()
	defer func() { _ = server.Close() }()
	client := &http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", socket)
	}}}
	defer client.CloseIdleConnections()
	if code, said := ask(client, "http://any.example"); code != 200 || said != "operator" {
		t.Errorf("by the socket: %d %s", code, said)
	}
}
