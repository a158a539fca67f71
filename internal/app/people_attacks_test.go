package app_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"html"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"cannulary/internal/app"
	"cannulary/internal/people/devissuer"
	"cannulary/internal/testkit"
)

// TestAttacksOnTheLogin: one row, one attack.
func TestAttacksOnTheLogin(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	other, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	// tampered is a login whose ID token the issuer made otherwise.
	tampered := func(change func(map[string]any), sign func(map[string]any) string) func(*testing.T, *browser) answered {
		return func(t *testing.T, b *browser) answered {
			w.issuer.Change(change)
			w.issuer.Sign(sign)
			defer w.issuer.Change(nil)
			defer w.issuer.Sign(nil)
			return b.get(b.begin("/", nurse))
		}
	}
	set := func(name string, value any) func(map[string]any) { return func(c map[string]any) { c[name] = value } }
	by := func(key any, alg jose.SignatureAlgorithm) func(map[string]any) string {
		return func(c map[string]any) string {
			raw, err := devissuer.Signed(key, alg, c)
			if err != nil {
				t.Error(err)
			}
			return raw
		}
	}
	unsigned := func(c map[string]any) string {
		text, _ := json.Marshal(c)
		return base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"none"}`)) + "." + base64.RawURLEncoding.EncodeToString(text) + "."
	}
	edit := func(address, name, value string) string {
		u, _ := url.Parse(address)
		q := u.Query()
		q.Set(name, value)
		u.RawQuery = q.Encode()
		return u.String()
	}
	public := publicKey(t, w.issuer.URL())
	for name, attack := range map[string]struct {
		try     func(*testing.T, *browser) answered
		because string
	}{
		"a wrong state":                      {func(t *testing.T, b *browser) answered { return b.get(edit(b.begin("/", nurse), "state", "x")) }, "this browser began no login of this state"},
		"no state":                           {func(t *testing.T, b *browser) answered { return b.get(edit(b.begin("/", nurse), "state", "")) }, "this browser began no login of this state"},
		"a link from another person's login": {func(t *testing.T, b *browser) answered { return b.get(w.browser(t).begin("/", nurse)) }, "this browser began no login of this state"},
		"a replayed state, with its cookie": {func(t *testing.T, b *browser) answered {
			back := b.begin("/", nurse)
			u, _ := url.Parse(b.root)
			var kept *http.Cookie
			for _, c := range b.http.Jar.Cookies(u) {
				if strings.HasPrefix(c.Name, "cannulary-login-") {
					kept = c
				}
			}
			if a := b.get(back); a.status != 303 {
				t.Fatalf("the first time: %d", a.status)
			}
			b.setCookie("cannulary-session", "")
			b.setCookie(kept.Name, kept.Value)
			return b.get(back)
		}, "the state was used before"},
		"a code that was used": {func(t *testing.T, b *browser) answered {
			back := b.begin("/", nurse)
			code, _ := url.Parse(back)
			if a := b.get(back); a.status != 303 {
				t.Fatalf("the first time: %d", a.status)
			}
			b.setCookie("cannulary-session", "")
			return b.get(edit(b.begin("/", nurse), "code", code.Query().Get("code")))
		}, "invalid_grant"},
		"a code of another login, injected": {func(t *testing.T, b *browser) answered {
			code, _ := url.Parse(w.browser(t).begin("/", leader))
			return b.get(edit(b.begin("/", nurse), "code", code.Query().Get("code")))
		}, "invalid_grant"}, // PKCE
		"a login that took too long": {func(t *testing.T, b *browser) answered {
			back := b.begin("/", nurse)
			w.clock.Advance(11 * time.Minute)
			return b.get(back)
		}, "the login took too long"},
		"an answer of another issuer": {func(t *testing.T, b *browser) answered {
			return b.get(edit(b.begin("/", nurse), "iss", "https://other.example"))
		}, "the answer is another issuer's"},
		"a wrong nonce":                         {tampered(set("nonce", "other"), nil), "the nonce is of another login"},
		"a wrong audience":                      {tampered(set("aud", "another-service"), nil), "expected audience"},
		"two audiences and no azp":              {tampered(set("aud", []string{devissuer.Client, "another"}), nil), "for another service as well"},
		"given to another":                      {tampered(set("azp", "another"), nil), "was given to another"},
		"an ID token of a foreign issuer":       {tampered(set("iss", "https://other.example"), nil), "issued by a different provider"},
		"an ID token that has ended":            {tampered(set("exp", testkit.Noon().Add(-time.Hour).Unix()), nil), "token is expired"},
		"an ID token of tomorrow":               {tampered(set("iat", testkit.Noon().Add(24*time.Hour).Unix()), nil), "time that has not come"},
		"a session at the issuer that lay open": {tampered(set("auth_time", testkit.Noon().Add(-24*time.Hour).Unix()), nil), "saw the person too long ago"},
		"no auth_time":                          {tampered(func(c map[string]any) { delete(c, "auth_time") }, nil), "has no auth_time"},
		"the algorithm none":                    {tampered(nil, unsigned), "malformed jwt"},
		"HS256 by the public key":               {tampered(nil, by(public, jose.HS256)), "malformed jwt"},
		"the key of somebody else":              {tampered(nil, by(other, jose.ES256)), "failed to verify"},
	} {
		t.Run(name, func(t *testing.T) {
			b := w.browser(t)
			w.log.Reset()
			a := attack.try(t, b)
			if a.status != 403 || !strings.Contains(a.body, "his login was not accepted. Begin again at the page that you wanted") || strings.Contains(a.body, attack.because) {
				t.Errorf("%d to %q: %s", a.status, a.to, a.body)
			}
			if !strings.Contains(w.log.String(), attack.because) {
				t.Errorf("the log does not say %q: %s", attack.because, w.log.String())
			}
			if b.cookie() != "" || b.get("/").status != 303 {
				t.Error("it gave a session")
			}
		})
	}
}

// publicKey is the issuer's public key as PEM, which everybody can read.
func publicKey(t *testing.T, issuer string) []byte {
	t.Helper()
	resp, err := http.Get(issuer + "/jwks")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	var set jose.JSONWebKeySet
	if err := json.NewDecoder(resp.Body).Decode(&set); err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKIXPublicKey(set.Keys[0].Key)
	if err != nil {
		t.Fatal(err)
	}
	return der
}

// TestAttacksOnASession: likewise, when somebody is logged in.
func TestAttacksOnASession(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	t.Run("a stolen cookie after the logout", func(t *testing.T) {
		b, thief := w.browser(t), w.browser(t)
		b.logIn("/", nurse)
		thief.setCookie("cannulary-session", b.cookie())
		if a := thief.get("/"); a.status != 200 {
			t.Fatalf("before: %d", a.status)
		}
		if a := b.ask(http.MethodPost, "/logout", url.Values{}); a.status != 303 || b.cookie() != "" {
			t.Errorf("the logout: %d", a.status)
		}
		if a := thief.get("/"); a.status != 303 {
			t.Errorf("after: %d", a.status)
		}
	})
	t.Run("a session that the attacker chose", func(t *testing.T) {
		b := w.browser(t)
		chosen := strings.Repeat("A", 43)
		b.setCookie("cannulary-session", chosen)
		b.logIn("/", nurse)
		if b.cookie() == chosen || b.cookie() == "" {
			t.Error("the cookie is the one that was brought")
		}
		old := b.cookie()
		w.clock.Advance(11 * time.Minute)
		b.logIn("/", nurse)
		thief := w.browser(t)
		thief.setCookie("cannulary-session", old)
		if b.cookie() == old || thief.get("/").to == "" {
			t.Error("the session before goes on after a new login")
		}
	})
	t.Run("another site's page sends forms", func(t *testing.T) {
		b := w.browser(t)
		b.logIn("/", leader)
		for _, path := range []string{"/logout", "/lock", "/break-glass", "/break-glass/review", "/what-if"} {
			for _, from := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Origin", "https://other.example"}} {
				if a := b.ask(http.MethodPost, path, url.Values{}, from...); a.status != 403 || !strings.Contains(a.body, "his was sent by a page of another site") {
					t.Errorf("%s with %v: %d %s", path, from, a.status, a.body)
				}
			}
		}
		if a := b.get("/"); a.status != 200 {
			t.Errorf("it was logged out: %d", a.status)
		}
	})
	t.Run("a link logs nobody out", func(t *testing.T) {
		b := w.browser(t)
		b.logIn("/", nurse)
		if a := b.get("/logout"); a.status != 405 || b.get("/").status != 200 {
			t.Errorf("GET /logout: %d", a.status)
		}
	})
	t.Run("an open redirect", func(t *testing.T) {
		for _, to := range []string{"https://evil.example/", "//evil.example", `/\evil.example`, `\\evil.example`, "/\t/evil.example", "javascript:alert(1)",
			"https:evil.example", "/%5cevil.example", "http://127.0.0.1@evil.example", "evil.example", "", "/login?to=/login", "/logout", "/" + strings.Repeat("a", 1001)} {
			b := w.browser(t)
			a := b.get("/login?" + url.Values{"to": {to}}.Encode())
			if a.status != 303 || !strings.HasPrefix(a.to, w.issuer.URL()+"/authorize?") {
				if a.status != 400 {
					t.Errorf("%q: %d to %q", to, a.status, a.to)
				}
				continue
			}
			if a = b.get(b.choose(a.to, nurse)); a.to != "/" {
				t.Errorf("%q leads to %q", to, a.to)
			}
		}
	})
}

// TestPagesOfTheLoginRefuse: like every other address, in the form that is asked for.
func TestPagesOfTheLoginRefuse(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	b := w.browser(t)
	b.logIn("/", leader)
	for _, c := range []struct {
		method, path string
		status       int
		text         string
	}{
		{"GET", "/login?who=x", 400, `parameter "who" is not known here. There is to`},
		{"GET", "/login?to=a&to=b", 400, "to is given 2 times. Give it once"},
		{"GET", "/login/return?code=%zz", 400, "the query of the URL cannot be read"},
		{"GET", "/lock?who=x", 400, `parameter "who" is not known here`},
		{"GET", "/break-glass?who=x", 400, "There are no parameters here"},
		{"GET", "/break-glass/review?who=x", 400, "There are no parameters here"},
		{"POST", "/login", 405, "this address does not take that method"},
		{"POST", "/login/return", 405, "this address does not take that method"},
		{"GET", "/logout", 405, "this address does not take that method"},
		{"DELETE", "/lock", 405, "this address does not take that method"},
		{"PATCH", "/break-glass", 405, "this address does not take that method"},
		{"DELETE", "/break-glass/review", 405, "this address does not take that method"},
	} {
		for accept, media := range map[string]string{"application/json": "application/json", "text/html": "text/html; charset=utf-8"} {
			a := b.ask(c.method, c.path, nil, "Accept", accept)
			if a.status != c.status || a.header.Get("Content-Type") != media || a.header.Get("Cache-Control") != "no-store" ||
				!strings.Contains(strings.ReplaceAll(html.UnescapeString(a.body), `\"`, `"`), c.text) {
				t.Errorf("%s %s: %d %s %s", c.method, c.path, a.status, a.header.Get("Content-Type"), a.body)
			}
		}
	}
}

// TestAPolicyOfPeopleThatCannotWorkIsRefused says what an operator hears at the start.
func TestAPolicyOfPeopleThatCannotWorkIsRefused(t *testing.T) {
	t.Parallel()
	good := "people:\n  issuer: https://login.example\n  client_id: record\n  claims: {role: r}\n  roles: {n: cannulator}\n  views: [['*']]\n"
	for change, want := range map[string]string{
		"issuer: http://login.example":                                         `people: issuer "http://login.example" is not an https address; give for instance https://login.hospital.example`,
		"issuer: https://login.example\n  client_secret_file: /nowhere/secret": "people: client_secret_file: open /nowhere/secret: no such file or directory; name the file that holds the secret",
	} {
		file := testkit.Write(t, t.TempDir(), "policy.yaml", []byte(strings.Replace(good, "issuer: https://login.example", change, 1)))
		_, err := app.New(t.Context(), app.Config{Dir: t.TempDir(), View: true, Ingest: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Policy: file, Now: time.Now, Slog: testkit.Discard()})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %s", change, err, want)
		}
	}
	// Where people come back to must be known.
	file := testkit.Write(t, t.TempDir(), "policy.yaml", []byte(good))
	_, err := app.New(t.Context(), app.Config{Dir: t.TempDir(), View: true, Ingest: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", PublicBase: "https://record.example/r4",
		Policy: file, Now: time.Now, Slog: testkit.Discard()})
	if err == nil || !strings.Contains(err.Error(), "people come back from their login to the public address of the pages; give it with --public-base, ending in /fhir") {
		t.Errorf("without a public address of pages: %v", err)
	}
}

// TestCookiesOfAPublicAddress: where people come by TLS, a cookie is this host's alone, and the issuer sends them back there,
// whatever name they asked by.
func TestCookiesOfAPublicAddress(t *testing.T) {
	t.Parallel()
	w := newWard(t, func(c *app.Config) { c.PublicBase = "https://record.example/base/fhir" })
	a := w.browser(t).get("/login?to=%2Fbase%2Funit")
	cookie := a.header.Get("Set-Cookie")
	if !strings.HasPrefix(cookie, "__Host-cannulary-login-") || !strings.HasSuffix(cookie, "; Path=/; Max-Age=600; HttpOnly; Secure; SameSite=Lax") {
		t.Errorf("the cookie: %s", cookie)
	}
	u, err := url.Parse(a.to)
	if err != nil || u.Query().Get("redirect_uri") != "https://record.example/base/login/return" || u.Query().Get("code_challenge_method") != "S256" {
		t.Errorf("the issuer is asked to send people to %v", u)
	}
	if a = w.browser(t).get("/unit"); a.to != "/base/login?to=%2Funit" {
		t.Errorf("a page sends people to %s", a.to)
	}
}
