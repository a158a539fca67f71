package app_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"cannulary/internal/app"
	"cannulary/internal/testkit"
	"cannulary/internal/web/cdshooks"
)

// signed is a JWT as a client of SMART and a caller of CDS Hooks sign it.
func signed(t *testing.T, key *ecdsa.PrivateKey, iss, aud, jti string) string {
	t.Helper()
	s, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.ES384, Key: key},
		(&jose.SignerOptions{}).WithType("JWT").WithHeader("kid", "1"))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	raw, err := jwt.Signed(s).Claims(jwt.Claims{Issuer: iss, Subject: iss, Audience: jwt.Audience{aud}, ID: jti,
		IssuedAt: jwt.NewNumericDate(now), Expiry: jwt.NewNumericDate(now.Add(4 * time.Minute))}).Serialize()
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

// TestAnEHRReadsByToken walks an EHR's way from discovery to reading, and what is kept from it.
func TestAnEHRReadsByToken(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	set, err := json.Marshal(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: key.Public(), KeyID: "1"}}})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	keys := testkit.Write(t, dir, "jwks.json", set)
	policy := func(fhir string) []byte {
		return fmt.Appendf(nil, "principals:\n- {name: ehr, facilities: ['*'], fhir: %s, client: {keys_file: %s}}\n"+
			"- {name: chart, facilities: ['*'], may: [hooks], hooks: {issuer: 'https://ehr.example', keys_file: %s}}\n", fhir, keys, keys)
	}
	file := testkit.Write(t, dir, "policy.yaml", policy("[Patient, Observation]"))
	a, err := app.New(ctx, app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Policy: file,
		Now: time.Now, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Stop()
	a.Start()
	testkit.Eventually(t, "the application is ready", a.Ready)
	root := a.URL()

	do := func(method, path, token string, body io.Reader, media string) (int, string, string) {
		t.Helper()
		req, err := http.NewRequestWithContext(ctx, method, root+path, body)
		if err != nil {
			t.Fatal(err)
		}
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		if media != "" {
			req.Header.Set("Content-Type", media)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		data, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(data), resp.Header.Get("WWW-Authenticate")
	}
	get := func(path, token string) (int, string, string) {
		t.Helper()
		return do(http.MethodGet, path, token, nil, "")
	}

	// Who has no token learns how to get one, and nothing else.
	status, body, _ := get("/fhir/.well-known/smart-configuration", "")
	var about struct {
		Endpoint string `json:"token_endpoint"`
	}
	if err := json.Unmarshal([]byte(body), &about); err != nil || status != 200 || about.Endpoint != root+"/fhir/auth/token" {
		t.Fatalf("%d %s", status, body)
	}
	if status, body, _ = get("/fhir/metadata", ""); status != 200 || !strings.Contains(body, `"code":"SMART-on-FHIR"`) || !strings.Contains(body, about.Endpoint) {
		t.Errorf("metadata: %d %.300s", status, body)
	}
	if status, body, challenge := get("/fhir/Patient", ""); status != 401 || challenge != "Bearer" || !strings.Contains(body, `"OperationOutcome"`) {
		t.Errorf("without a token: %d %s %s", status, challenge, body)
	}
	token := func(jti, scope string) string {
		t.Helper()
		form := url.Values{"grant_type": {"client_credentials"}, "scope": {scope},
			"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"},
			"client_assertion":      {signed(t, key, "ehr", about.Endpoint, jti)}}
		status, body, _ := do(http.MethodPost, "/fhir/auth/token", "", strings.NewReader(form.Encode()), "application/x-www-form-urlencoded")
		var got struct {
			Token string `json:"access_token"`
		}
		if err := json.Unmarshal([]byte(body), &got); err != nil || status != 200 {
			t.Fatalf("%d %s", status, body)
		}
		return got.Token
	}
	narrow, wide := token("1", "system/Observation.rs"), token("2", "system/Observation.rs system/Patient.read")
	for _, c := range []struct {
		path, token string
		status      int
		challenge   string
	}{
		{"/fhir/Observation", narrow, 200, ""},
		{"/fhir/StructureDefinition", narrow, 200, ""},
		{"/fhir/Patient", narrow, 403, "insufficient_scope"},
		{"/fhir/Patient/none", narrow, 403, "insufficient_scope"},
		{"/fhir/Patient/none", wide, 404, ""},
		{"/fhir/Observation?patient.identifier=a|b", narrow, 403, "insufficient_scope"},
		{"/fhir/Observation?patient.identifier=a|b", wide, 200, ""},
		{"/fhir/Observation?_include=Observation:patient", narrow, 403, "insufficient_scope"},
		{"/fhir/Observation?_include=Observation:patient", wide, 200, ""},
		{"/fhir/Procedure", wide, 403, "insufficient_scope"},
		{"/card", wide, 403, "insufficient_scope"},
		{"/metrics", wide, 403, "insufficient_scope"},
		{"/cds-services", wide, 401, "invalid_token"},
		{"/fhir/Observation", "x" + wide, 401, "invalid_token"},
		{"/fhir/Observation", signed(t, key, "ehr", about.Endpoint, "3"), 401, "invalid_token"},
		{"/cds-services", signed(t, key, "https://ehr.example", root+"/cds-services", "4"), 200, ""},
		{"/fhir/Observation", signed(t, key, "https://ehr.example", root+"/fhir/Observation", "5"), 401, "invalid_token"},
	} {
		status, body, challenge := get(c.path, c.token)
		if status != c.status || (challenge == `Bearer error="`+c.challenge+`"`) != (c.challenge != "") {
			t.Errorf("%s: %d %q %.200s, want %d %s", c.path, status, challenge, body, c.status, c.challenge)
		}
	}
	// A call of CDS Hooks is for one service and for one time.
	advice := cdshooks.Path + "/" + cdshooks.ID
	call := `{"hook":"patient-view","hookInstance":"5f1c2f7e-8a54-4c0b-9f3e-2d6b1f0c7a11","context":{"patientId":"1"},` +
		`"prefetch":{"patient":{"resourceType":"Patient","id":"1","identifier":[{"system":"urn:x","value":"1"}]}}}`
	once := signed(t, key, "https://ehr.example", root+advice, "6")
	for i, c := range []struct {
		token  string
		status int
	}{{"", 401}, {signed(t, key, "https://ehr.example", root+"/cds-services", "7"), 401}, {once, 200}, {once, 401}} {
		if status, body, _ := do(http.MethodPost, advice, c.token, strings.NewReader(call), "application/json"); status != c.status {
			t.Errorf("call %d: %d %s", i, status, body)
		}
	}
	// A type that leaves the policy is lost at once.
	testkit.Write(t, dir, "policy.yaml", policy("[Patient]"))
	a.Reload()
	if status, _, _ := get("/fhir/Observation", wide); status != 403 {
		t.Errorf("a type that left the policy: %d", status)
	}
	if status, _, _ := get("/fhir/Patient", wide); status != 200 {
		t.Errorf("a type that stayed in the policy: %d", status)
	}
}

// TestTokensNeedAPublicAddress says when an instance with clients does not start: tokens are bound to an address that
// no request may choose.
func TestTokensNeedAPublicAddress(t *testing.T) {
	dir := t.TempDir()
	const client = "principals:\n- {name: ehr, facilities: ['*'], fhir: [Patient], client: {keys_url: 'https://ehr.example/jwks'}}\n"
	const chart = "principals:\n- {name: chart, facilities: ['*'], may: [hooks], hooks: {issuer: x, keys_url: 'https://ehr.example/jwks'}}\n"
	const bad = "principals:\n- {name: ehr, facilities: ['*'], fhir: [Patient], client: {keys_url: 'http://ehr.example/jwks'}}\n"
	own := testkit.NewAuthority(t).Issue(t, "127.0.0.1")
	for _, c := range []struct{ policy, http, base, want string }{
		{client, "0.0.0.0:0", "", "principal ehr: its tokens are bound to the public address of this service; give it with --public-base, ending in /fhir, for instance https://record.example/fhir"},
		{chart, "127.0.0.1:0", "https://record.example/r4", "principal chart: its tokens are bound to the public address"},
		{bad, "127.0.0.1:0", "", `principal ehr: address "http://ehr.example/jwks" is not an https address`},
		{client, "127.0.0.1:0", "https://record.example/r4", ""},
		{client + strings.TrimPrefix(chart, "principals:\n"), "127.0.0.1:0", "https://record.example/fhir", ""},
	} {
		a, err := app.New(t.Context(), app.Config{Dir: t.TempDir(), View: true, Ingest: true, GRPC: "127.0.0.1:0", HTTP: c.http, PublicBase: c.base,
			Policy: testkit.Write(t, dir, "policy.yaml", []byte(c.policy)), TLSCertificate: testkit.Write(t, dir, "cert.pem", own.Cert),
			TLSKey: testkit.Write(t, dir, "key.pem", own.Key), Now: time.Now, Slog: testkit.Discard()})
		if err == nil {
			a.Stop()
		}
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s at %s, %q: %v", c.policy, c.http, c.base, err)
		}
	}
}

// The first client of a policy is served as soon as the policy is read again: its tokens, the paths of SMART, the metadata.
func TestTheFirstClientNeedsNoRestart(t *testing.T) {
	dir := t.TempDir()
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	set, err := json.Marshal(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: key.Public(), KeyID: "1"}}})
	if err != nil {
		t.Fatal(err)
	}
	keys := testkit.Write(t, dir, "jwks.json", set)
	const ward = "- {name: ward, certificates: [ward.example], facilities: ['*'], may: [pages]}\n"
	var policy string
	h := newHouse(t, func(c *app.Config) {
		policy = c.Policy
		testkit.Write(t, filepath.Dir(policy), filepath.Base(policy), []byte("principals:\n"+ward))
	})
	if code, _ := h.ask(t, "nobody", http.MethodGet, "/fhir/.well-known/smart-configuration"); code != 401 {
		t.Errorf("without a client the configuration is answered with %d", code)
	}
	testkit.Write(t, filepath.Dir(policy), filepath.Base(policy), []byte("principals:\n"+ward+
		"- {name: ehr, facilities: ['*'], fhir: [Patient], client: {keys_file: '"+keys+"'}}\n"))
	h.Reload()
	code, said := h.ask(t, "nobody", http.MethodGet, "/fhir/.well-known/smart-configuration")
	if code != 200 || !strings.Contains(said, h.URL()+"/fhir/auth/token") {
		t.Errorf("the configuration: %d %s", code, said)
	}
	if _, said := h.ask(t, "nobody", http.MethodGet, "/fhir/metadata"); !strings.Contains(said, "SMART-on-FHIR") {
		t.Errorf("the metadata: %.300s", said)
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: h.shows(t, "nobody")}}
	defer client.CloseIdleConnections()
	token := func(jti string) int {
		t.Helper()
		form := url.Values{"grant_type": {"client_credentials"}, "scope": {"system/Patient.rs"},
			"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"},
			"client_assertion":      {signed(t, key, "ehr", h.URL()+"/fhir/auth/token", jti)}}
		resp, err := client.PostForm(h.URL()+"/fhir/auth/token", form)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		return resp.StatusCode
	}
	if code := token("1"); code != 200 {
		t.Errorf("the first token: %d", code)
	}
	if code := token("1"); code != 400 {
		t.Errorf("the same assertion again: %d", code)
	}
	if _, said := h.ask(t, "operator", http.MethodGet, "/metrics"); !strings.Contains(said, `cannulary_tokens_refused_total{reason="replayed",use="assertion"} 1`) ||
		!strings.Contains(said, `cannulary_tokens_refused_total{reason="forged",use="hook"} 0`) {
		t.Errorf("what is counted of refused tokens is not there")
	}
}
