package app_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"html"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"cannulary/internal/access"
	"cannulary/internal/app"
	"cannulary/internal/people/devissuer"
	"cannulary/internal/testkit"
)

// ward is an instance to which people log in at the development issuer.
type ward struct {
	*app.App
	issuer *devissuer.Issuer
	clock  *testkit.Clock
	dir    string
	policy string
	log    *lines
}

func newWard(t *testing.T, change ...func(*app.Config)) *ward {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	w := &ward{clock: testkit.NewClock(testkit.Noon()), dir: t.TempDir(), log: &lines{}}
	w.issuer = newIssuer(t, w.clock)
	w.policy = testkit.Write(t, w.dir, "policy.yaml", []byte(figures()+w.issuer.Policy([]string{"invented-north"}, []string{"invented-north", "invented-south"})))
	cfg := app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: w.clock.Now, Slog: w.log.Logger(),
		Policy: w.policy}
	for _, f := range change {
		f(&cfg)
	}
	var err error
	if w.App, err = app.New(ctx, cfg); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.Stop)
	w.Start()
	w.ready(t)
	return w
}

// ready waits until the views of all sets of facilities are there.
func (w *ward) ready(t *testing.T) {
	t.Helper()
	testkit.Eventually(t, "the application is ready", w.Ready)
	for _, name := range []string{"north", "both"} {
		testkit.Eventually(t, "the view of "+name+" is there", func() bool {
			return w.browser(t).get("/", "Authorization", "Bearer "+tokenOf(name)).status == 200
		})
	}
}

func newIssuer(t *testing.T, clock *testkit.Clock) *devissuer.Issuer {
	t.Helper()
	i, err := devissuer.Start(t.Context(), "127.0.0.1:0", devissuer.People("invented-north"), clock.Now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(i.Stop)
	return i
}

// browser keeps cookies, and follows no redirect by itself.
type browser struct {
	t    *testing.T
	root string
	http *http.Client
}

func (w *ward) browser(t *testing.T) *browser {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &browser{t, w.URL(), &http.Client{Jar: jar, Timeout: 20 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// answered is an answer that was read.
type answered struct {
	status int
	to     string // where it sends the browser
	body   string
	header http.Header
}

func (b *browser) ask(method, address string, form url.Values, header ...string) answered {
	b.t.Helper()
	if strings.HasPrefix(address, "/") {
		address = b.root + address
	}
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	req, err := http.NewRequestWithContext(b.t.Context(), method, address, body)
	if err != nil {
		b.t.Fatal(err)
	}
	req.Header.Set("Accept", "text/html")
	if form != nil {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	resp, err := b.http.Do(req)
	if err != nil {
		b.t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return answered{resp.StatusCode, resp.Header.Get("Location"), string(text), resp.Header}
}

func (b *browser) get(address string, header ...string) answered {
	b.t.Helper()
	return b.ask(http.MethodGet, address, nil, header...)
}

// choose goes on from the issuer's page as a person, and returns where the issuer sends the browser.
func (b *browser) choose(authorize, sub string) string {
	b.t.Helper()
	u, err := url.Parse(authorize)
	if err != nil {
		b.t.Fatal(err)
	}
	if page := b.get(authorize); page.status != 200 || !strings.Contains(page.body, "DEVELOPMENT ISSUER") {
		b.t.Fatalf("the issuer's page: %d %s", page.status, page.body)
	}
	form := u.Query()
	form.Set("sub", sub)
	u.RawQuery = ""
	return b.ask(http.MethodPost, u.String(), form).to
}

// begin asks for a page and goes as far as the issuer's answer.
func (b *browser) begin(page, sub string) (back string) {
	b.t.Helper()
	a := b.get(page)
	if a.status != http.StatusSeeOther || !strings.HasPrefix(a.to, "/login?to=") && !strings.HasPrefix(a.to, "/lock?to=") {
		b.t.Fatalf("GET %s: %d to %q, want the login", page, a.status, a.to)
	}
	a = b.get(strings.Replace(a.to, "/lock?", "/login?", 1))
	if a.status != http.StatusSeeOther {
		b.t.Fatalf("the login: %d %s", a.status, a.body)
	}
	return b.choose(a.to, sub)
}

// logIn logs a person in who asked for a page.
func (b *browser) logIn(page, sub string) {
	b.t.Helper()
	a := b.get(b.begin(page, sub))
	if a.status != http.StatusSeeOther || a.to != page {
		b.t.Fatalf("the return of %s: %d to %q, want %s\n%s", sub, a.status, a.to, page, a.body)
	}
	if a = b.get(page); a.status == 401 || a.status == 303 {
		b.t.Fatalf("GET %s after the login of %s: %d %s", page, sub, a.status, a.body)
	}
}

// cookie is the value of the session's cookie; empty without one.
func (b *browser) cookie() string {
	u, _ := url.Parse(b.root)
	for _, c := range b.http.Jar.Cookies(u) {
		if c.Name == "cannulary-session" {
			return c.Value
		}
	}
	return ""
}

func (b *browser) setCookie(name, value string) {
	u, _ := url.Parse(b.root)
	b.http.Jar.SetCookies(u, []*http.Cookie{{Name: name, Value: value, Path: "/"}})
}

const (
	nurse   = "invented-1"
	leader  = "invented-2"
	control = "invented-3"
	auditor = "invented-4"
	nobody  = "invented-5"
)

// TestPeopleByRole: each role reaches what is its own, by login, and comes back to the page that was asked for.
func TestPeopleByRole(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	for sub, may := range map[string]map[string]int{
		nurse:   {"/": 200, "/surveillance/report": 403, "/break-glass/review": 403, "/fhir/Patient": 403, "/metrics": 403},
		leader:  {"/": 200, "/surveillance/signals": 400, "/break-glass/review": 200, "/fhir/Patient": 403, "/metrics": 403},
		control: {"/": 200, "/surveillance/signals": 400, "/break-glass/review": 403, "/cds-services": 403},
		auditor: {"/": 403, "/surveillance/report": 403, "/break-glass/review": 403},
	} {
		b := w.browser(t)
		b.logIn("/unit?facility=a%26b", sub)
		for path, want := range may {
			if a := b.get(path); a.status != want {
				t.Errorf("%s at %s: %d, want %d: %.200s", sub, path, a.status, want, a.body)
			}
		}
	}
	// Who has no role hears what the operator must do, and is let in nowhere.
	b := w.browser(t)
	if a := b.get(b.begin("/", nobody)); a.status != 403 || !strings.Contains(a.body, "You are logged in, but you have no role here. Ask the operator: the claim roles") &&
		!strings.Contains(a.body, "you are logged in, but you have no role here. Ask the operator: the claim roles") {
		t.Errorf("without a role: %d %s", a.status, a.body)
	}
	if b.cookie() != "" {
		t.Error("who has no role has a session")
	}
	// What is no page stays 401, and is never a login.
	for _, path := range []string{"/fhir/Patient", "/status", "/cds-services", "/live"} {
		if a := w.browser(t).get(path, "Accept", "application/json"); a.status != 401 || a.to != "" {
			t.Errorf("%s: %d to %q, want 401", path, a.status, a.to)
		}
	}
	if a := w.browser(t).get("/", "Sec-Fetch-Mode", "cors"); a.status != 401 {
		t.Errorf("a script that asks for a page: %d, want 401", a.status)
	}
	// A page says who is logged in. The cookie is no script's.
	b = w.browser(t)
	back := b.get(b.begin("/", nurse))
	if c := back.header.Get("Set-Cookie") + strings.Join(back.header.Values("Set-Cookie"), " "); !strings.Contains(c, "HttpOnly") || !strings.Contains(c, "SameSite=Lax") {
		t.Errorf("the cookie: %s", c)
	}
	if a := b.get("/"); !strings.Contains(a.body, `<a href="lock" id="session">Cannulator (invented)</a>`) {
		t.Errorf("the page does not say who is logged in: %s", a.body)
	}
}

// TestSomePeopleSeeNoFacility: whose facilities hold none of the sets is told what the operator must do.
func TestSomePeopleSeeNoFacility(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	w.issuer.Change(func(c map[string]any) { c["facilities"] = []string{"elsewhere"} })
	b := w.browser(t)
	if a := b.get(b.begin("/", nurse)); a.status != 403 || !strings.Contains(a.body, "no set of facilities here is yours. Ask the operator: the claim facilities") {
		t.Errorf("%d %s", a.status, a.body)
	}
	w.issuer.Change(func(c map[string]any) { c["facilities"] = []string{"x", "invented-south", "invented-north"} })
	b.logIn("/", nurse)
}

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

// TestALockOpensInOneStep: idle locks; what a page asks by itself is no activity; the person is where they were.
func TestALockOpensInOneStep(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	b := w.browser(t)
	b.logIn("/unit", nurse)
	for range 3 {
		w.clock.Advance(9 * time.Minute)
		if a := b.get("/"); a.status != 200 {
			t.Fatalf("a person who goes on asking is locked out: %d to %s", a.status, a.to)
		}
	}
	stream := b.stream()
	w.clock.Advance(6 * time.Minute)
	if a := b.get("/", "Cannulary-By-Page", "1"); a.status != 200 {
		t.Fatalf("the page asks by itself: %d", a.status)
	}
	w.clock.Advance(5 * time.Minute)
	if a := b.get("/card?patient=x"); a.status != 303 || a.to != "/lock?to=%2Fcard%3Fpatient%3Dx" {
		t.Fatalf("after the idle time: %d to %s", a.status, a.to)
	}
	stream.ends(t)
	if a := b.get("/lock?to=%2Funit"); a.status != 200 || !strings.Contains(a.body, "This device is locked") || !strings.Contains(a.body, `href="/login?to=%2funit"`) {
		t.Errorf("the page of the lock: %d %s", a.status, a.body)
	}
	a := b.get("/login?to=%2Funit")
	u, _ := url.Parse(a.to)
	if q := u.Query(); q.Get("login_hint") != nurse || q.Get("max_age") != "60" || q.Get("prompt") != "" {
		t.Errorf("the issuer is asked %v, want a hint who it is and max_age since the lock", q)
	}
	if a = b.get(b.choose(a.to, nurse)); a.to != "/unit" || b.get("/unit").to != "" {
		t.Errorf("it opens at %q", a.to)
	}
	// By hand.
	stream = b.stream()
	if a = b.ask(http.MethodPost, "/lock", url.Values{}); a.status != 303 || b.get("/").to != "/lock?to=%2F" {
		t.Errorf("the lock by hand: %d to %s", a.status, a.to)
	}
	stream.ends(t)
	// The longest session.
	b.logIn("/", nurse)
	for range 13 * 6 {
		w.clock.Advance(9*time.Minute + 30*time.Second)
		a = b.get("/")
	}
	if !strings.HasPrefix(a.to, "/login?") {
		t.Errorf("after twelve hours: %d to %q", a.status, a.to)
	}
}

// stream is an open live page.
type stream struct{ said chan string }

func (b *browser) stream() *stream {
	b.t.Helper()
	req, err := http.NewRequestWithContext(b.t.Context(), http.MethodGet, b.root+"/live", nil)
	if err != nil {
		b.t.Fatal(err)
	}
	client := *b.http
	client.Timeout = 0
	resp, err := client.Do(req)
	if err != nil || resp.StatusCode != http.StatusOK {
		b.t.Fatalf("the live page: %v %v", resp, err)
	}
	s := &stream{make(chan string, 1)}
	go func() {
		text, _ := io.ReadAll(resp.Body)
		_ = resp.Body.Close()
		s.said <- string(text)
	}()
	return s
}

// ends waits until the stream ends, and holds that it says so.
func (s *stream) ends(t *testing.T) {
	t.Helper()
	select {
	case said := <-s.said:
		if !strings.Contains(said, "event: ended") {
			t.Errorf("the stream ended and said %q", said)
		}
	case <-time.After(10 * time.Second):
		t.Error("the stream goes on")
	}
}

// TestWhoLeftIsOut: a departed person's session ends within minutes, at pages and at streams.
func TestWhoLeftIsOut(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	b, colleague := w.browser(t), w.browser(t)
	b.logIn("/", nurse)
	colleague.logIn("/", control)
	w.clock.Advance(5 * time.Minute)
	if b.get("/").status != 200 || colleague.get("/").status != 200 {
		t.Fatal("who is there is let in")
	}
	stream := b.stream()
	w.issuer.Depart(nurse)
	w.clock.Advance(5 * time.Minute)
	stream.ends(t)
	if a := b.get("/"); !strings.HasPrefix(a.to, "/login?") {
		t.Errorf("who left: %d to %q", a.status, a.to)
	}
	if a := colleague.get("/"); a.status != 200 {
		t.Errorf("the colleague: %d", a.status)
	}
	// Another role at the issuer is another role here.
	w.issuer.Change(func(c map[string]any) { c["roles"] = "auditor" })
	w.clock.Advance(5 * time.Minute)
	_ = colleague.get("/")
	if a := colleague.get("/"); a.status != 403 {
		t.Errorf("who became an auditor still reads pages: %d", a.status)
	}
}

// TestTheWardGoesOnWithoutTheIssuer: running sessions go on for the stated time, and no longer.
func TestTheWardGoesOnWithoutTheIssuer(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	b := w.browser(t)
	b.logIn("/", nurse)
	w.issuer.Stop()
	last := answered{}
	for range 8*6 - 1 { // eight hours, every ten minutes but a little
		w.clock.Advance(9*time.Minute + 50*time.Second)
		if last = b.get("/"); last.status != 200 {
			t.Fatalf("the ward went dark at %s: %d to %s", w.clock.Now(), last.status, last.to)
		}
	}
	if figure := w.figure(t, "cannulary_login_issuer_unreachable"); figure != "1" {
		t.Errorf("the figure is %q", figure)
	}
	// Nobody new gets in, and hears what to do.
	if a := w.browser(t).get("/login"); a.status != 503 || !strings.Contains(a.body, "login does not answer, so nobody new can log in here") || !strings.Contains(a.body, "sealed code at /break-glass") {
		t.Errorf("a new login: %d %s", a.status, a.body)
	}
	for range 3 {
		w.clock.Advance(9*time.Minute + 50*time.Second)
		last = b.get("/")
	}
	if !strings.HasPrefix(last.to, "/login?") {
		t.Errorf("after the time of an outage: %d to %q", last.status, last.to)
	}
}

// figure is a metric's value by a principal that may read it.
func (w *ward) figure(t *testing.T, name string) string {
	t.Helper()
	a := w.browser(t).get("/metrics", "Authorization", "Bearer "+tokenOf("prometheus"))
	if a.status != 200 {
		t.Fatalf("the figures: %d %s", a.status, a.body)
	}
	for line := range strings.Lines(a.body) {
		if value, ok := strings.CutPrefix(line, name+" "); ok {
			return strings.TrimSpace(value)
		}
	}
	return ""
}

// figures are a principal that reads figures, and one for each view of people.
func figures() string {
	return "principals:\n- {name: prometheus, may: [metrics], tokens: [" + access.Digest(tokenOf("prometheus")) + "]}\n" +
		"- {name: north, may: [pages], facilities: [invented-north], tokens: [" + access.Digest(tokenOf("north")) + "]}\n" +
		"- {name: both, may: [pages], facilities: [invented-north, invented-south], tokens: [" + access.Digest(tokenOf("both")) + "]}\n"
}

// lines is what a program logged.
type lines struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func (l *lines) Reset() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text.Reset()
}

func (l *lines) Logger() *slog.Logger { return slog.New(slog.NewTextHandler(l, nil)) }

// codes makes sealed codes beside a running instance, as another process does.
func (w *ward) codes(t *testing.T, facility string, n int) []string {
	t.Helper()
	out, err := w.MakeCodes(testkit.Context(t), facility, n)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func broken(code string) url.Values {
	return url.Values{"code": {code}, "name": {"A. Nurse (invented)"}, "reason": {"The login is down, the patient sits here."}}
}

// TestBreakGlass walks the way of a sealed code: from the envelope to the lead's list.
func TestBreakGlass(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	lead := w.browser(t)
	lead.logIn("/", leader)
	codes := w.codes(t, "invented-north", 3)
	w.issuer.Stop()
	b := w.browser(t)
	if a := b.get("/break-glass"); a.status != 200 || !strings.Contains(a.body, "Open for 30 minutes") {
		t.Fatalf("the page: %d %s", a.status, a.body)
	}
	for what, form := range map[string]url.Values{
		"without a reason": {"code": {codes[0]}, "name": {"A"}}, "without a name": {"code": {codes[0]}, "reason": {"A"}},
	} {
		if a := b.ask(http.MethodPost, "/break-glass", form); a.status != 400 || !strings.Contains(a.body, "the code was not used") {
			t.Errorf("%s: %d %s", what, a.status, a.body)
		}
	}
	if a := b.ask(http.MethodPost, "/break-glass", broken(strings.Repeat("AAAA-", 7)+"AAAA")); a.status != 403 || !strings.Contains(a.body, "his code is not good, or it was used before. Compare it with the paper") {
		t.Errorf("a wrong code: %d %s", a.status, a.body)
	}
	// As a person types it.
	typed := strings.ReplaceAll(strings.ToLower(strings.NewReplacer("0", "O", "1", "l").Replace(codes[0])), "-", " ")
	if a := b.ask(http.MethodPost, "/break-glass", broken(typed)); a.status != 303 || a.to != "/" {
		t.Fatalf("a good code: %d %s", a.status, a.body)
	}
	for path, want := range map[string]int{"/": 200, "/surveillance/signals": 403, "/break-glass/review": 403, "/fhir/Patient": 403} {
		if a := b.get(path); a.status != want {
			t.Errorf("%s: %d, want %d", path, a.status, want)
		}
	}
	if figure := w.figure(t, `cannulary_break_glass_unreviewed{facility="invented-north"}`); figure != "1" {
		t.Errorf("the figure is %q", figure)
	}
	if a := w.browser(t).ask(http.MethodPost, "/break-glass", broken(codes[0])); a.status != 403 {
		t.Errorf("the second use: %d", a.status)
	}
	// The lead sees it, and looks at it.
	a := lead.get("/break-glass/review")
	for _, want := range []string{"A. Nurse (invented)", "The login is down, the patient sits here.", "2025-03-03 12:00", "invented-north", "I looked at it"} {
		if !strings.Contains(a.body, want) {
			t.Errorf("the lead's list has no %q: %s", want, a.body)
		}
	}
	if a = lead.ask(http.MethodPost, "/break-glass/review", url.Values{"number": {"1"}}); a.status != 303 {
		t.Errorf("the review: %d %s", a.status, a.body)
	}
	if a = lead.get("/break-glass/review"); !strings.Contains(a.body, "Lead (invented) S-102, 2025-03-03 12:00") || strings.Contains(a.body, "I looked at it") {
		t.Errorf("after the review: %s", a.body)
	}
	if figure := w.figure(t, `cannulary_break_glass_unreviewed{facility="invented-north"}`); figure != "0" {
		t.Errorf("the figure is %q", figure)
	}
	for _, n := range []string{"0", "2", "x", ""} {
		if a = lead.ask(http.MethodPost, "/break-glass/review", url.Values{"number": {n}}); a.status != 404 {
			t.Errorf("a review of number %q: %d", n, a.status)
		}
	}
	w.clock.Advance(29 * time.Minute)
	if a := b.get("/"); a.status != 200 {
		t.Errorf("within the half hour: %d", a.status)
	}
	w.clock.Advance(time.Minute)
	if a := b.get("/"); a.status != 303 {
		t.Errorf("after half an hour: %d", a.status)
	}
	// A new run replaces the codes that are left, and leaves those of others.
	south := w.codes(t, "invented-south", 1)
	fresh := w.codes(t, "invented-north", 1)
	for code, want := range map[string]int{codes[1]: 403, south[0]: 303, fresh[0]: 303} {
		if a := w.browser(t).ask(http.MethodPost, "/break-glass", broken(code)); a.status != want {
			t.Errorf("after a new run: %d, want %d", a.status, want)
		}
	}
	// At a facility of which nobody reads anything a code opens nothing, and is not used up.
	if a := w.browser(t).ask(http.MethodPost, "/break-glass", broken(w.codes(t, "elsewhere", 1)[0])); a.status != 403 || !strings.Contains(a.body, "no set of facilities") {
		t.Errorf("elsewhere: %d %s", a.status, a.body)
	}
}

// TestOneOfTwoGetsIn: a code that is used at two places at once opens one session.
func TestOneOfTwoGetsIn(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	code := w.codes(t, "invented-north", 1)[0]
	status := make(chan int, 4)
	for range cap(status) {
		b := w.browser(t)
		go func() { status <- b.ask(http.MethodPost, "/break-glass", broken(code)).status }()
	}
	got := map[int]int{}
	for range cap(status) {
		got[<-status]++
	}
	if got[303] != 1 || got[403] != cap(status)-1 {
		t.Errorf("%v, want one 303", got)
	}
	// Whoever goes on guessing waits.
	for range 3 {
		_ = w.browser(t).ask(http.MethodPost, "/break-glass", broken("x"))
	}
	if a := w.browser(t).ask(http.MethodPost, "/break-glass", broken("x")); a.status != 429 || !strings.Contains(a.body, "too many codes were tried in the last seconds. Wait ten seconds") &&
		!strings.Contains(a.body, "Too many codes were tried in the last seconds. Wait ten seconds") {
		t.Errorf("%d %s", a.status, a.body)
	}
}

// TestADisplayOnAWall shows Today with names shortened as it is set, and nothing else; it is never locked.
func TestADisplayOnAWall(t *testing.T) {
	t.Parallel()
	h := newHouse(t, func(c *app.Config) {
		text, err := os.ReadFile(c.Policy)
		if err != nil {
			t.Fatal(err)
		}
		c.Policy = testkit.Write(t, t.TempDir(), "policy.yaml", append(text, "- {name: wall, certificates: [wall.example], facilities: ['*'], may: [pages], display: {names: short}}\n"+
			"- {name: hall, certificates: [hall.example], facilities: ['*'], may: [pages], display: {names: none}}\n"...))
	})
	lead := h.grpc(t, h.shows(t, "lead"))
	for _, name := range []string{"roster facility_registered", "roster patient_admitted", "roster identity_stated"} {
		m := testkit.SampleOf(name)
		testkit.Envelope(m).Source = "lead"
		if _, err := lead.Send(testkit.Context(t), m); err != nil {
			t.Fatal(err)
		}
	}
	testkit.Eventually(t, "the view has followed", func() bool { return h.Projector().Sequence() >= testkit.LastSeq(t, h.Log()) })
	get := func(name, path string) (int, string) {
		transport := &http.Transport{TLSClientConfig: h.shows(t, name)}
		defer transport.CloseIdleConnections()
		resp, err := (&http.Client{Transport: transport}).Get(h.URL() + path)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		text, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(text)
	}
	const today = "/?facility=invented-north&list=all"
	if _, whole := get("ward", today); !strings.Contains(whole, ">Invented, Example <small>") || !strings.Contains(whole, "1961") {
		t.Fatalf("the ward's Today has no name: %s", whole)
	}
	for name, want := range map[string]string{"wall": ">I… E… <small>", "hall": ">… <small>"} {
		status, said := get(name, today)
		if status != 200 || !strings.Contains(said, want) || strings.Contains(said, "Example") || strings.Contains(said, "1961") || strings.Contains(said, "INV-") {
			t.Errorf("%s: %d %s, want %s", name, status, said, want)
		}
		for _, path := range []string{"/card?patient=x", "/cards", "/confirm?patient=x&scan=y", "/track", "/past", "/unit", "/cannulators", "/?find=a"} {
			if status, said := get(name, path); status != 403 || !strings.Contains(said, "a display on a wall shows Today alone, and finds nobody. Open this at a device of your own") {
				t.Errorf("%s at %s: %d %s", name, path, status, said)
			}
		}
	}
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

// TestWhoLeftIsOutByUserinfo: likewise at an issuer that gives no refresh tokens.
func TestWhoLeftIsOutByUserinfo(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	w.issuer.Once()
	b, colleague := w.browser(t), w.browser(t)
	b.logIn("/", nurse)
	colleague.logIn("/", control)
	w.issuer.Depart(nurse)
	w.clock.Advance(5 * time.Minute)
	if left, stays := b.get("/"), colleague.get("/"); left.status != 303 || stays.status != 200 {
		t.Errorf("who left: %d, who did not: %d", left.status, stays.status)
	}
}

// TestARefreshTokenIsSpentOnce: of many requests at the moment of a check one asks the issuer, which ends a session whose
// refresh token comes twice.
func TestARefreshTokenIsSpentOnce(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	b := w.browser(t)
	b.logIn("/", nurse)
	for range 3 {
		w.clock.Advance(5 * time.Minute)
		status := make(chan int, 12)
		for range cap(status) {
			go func() { status <- b.get("/live.js").status }()
		}
		for range cap(status) {
			if got := <-status; got != 200 {
				t.Errorf("a request at the moment of the check: %d", got)
			}
		}
	}
	if a := b.get("/"); a.status != 200 {
		t.Errorf("afterwards: %d", a.status)
	}
}

// TestThePolicySaysWhatASessionMay: a policy that is read again counts for sessions that are open.
func TestThePolicySaysWhatASessionMay(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	b := w.browser(t)
	b.logIn("/", nurse)
	before, err := os.ReadFile(w.policy)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		from, to string
		status   int
	}{
		{"cannulator: cannulator", "cannulator: auditor", 403},
		{"[\"invented-north\"]", "[\"invented-west\"]", 403},
		{"client_id: cannulary", "client_id: cannulary\n  idle_minutes: 1", 200},
		{"people:", "issuers: []\nnobody:", 200}, // it cannot be read, so the one before stays
	} {
		testkit.Write(t, w.dir, "policy.yaml", []byte(strings.ReplaceAll(string(before), c.from, c.to)))
		w.Reload()
		if a := b.get("/"); a.status != c.status {
			t.Errorf("%s: %d, want %d: %s", c.to, a.status, c.status, a.body)
		}
	}
	testkit.Write(t, w.dir, "policy.yaml", []byte(figures()))
	w.Reload()
	if a := b.get("/"); a.status != 401 {
		t.Errorf("without people: %d", a.status)
	}
}

// TestCodesOfAStoppedInstance: the command makes codes while the service is stopped, and sessions outlast a restart.
func TestCodesOfAStoppedInstance(t *testing.T) {
	t.Parallel()
	var cfg app.Config
	w := newWard(t, func(c *app.Config) { cfg = *c })
	if _, err := app.Codes(t.Context(), cfg, "invented-north", 1); err == nil || !strings.Contains(err.Error(), "; stop it first") {
		t.Errorf("while it runs: %v", err)
	}
	b := w.browser(t)
	b.logIn("/", nurse)
	cookie := b.cookie()
	w.Stop()
	codes, err := app.Codes(t.Context(), cfg, "invented-north", 2)
	if err != nil || len(codes) != 2 {
		t.Fatalf("%v %v", codes, err)
	}
	elsewhere := cfg
	elsewhere.Dir = t.TempDir()
	if _, err := app.Codes(t.Context(), elsewhere, "invented-north", 1); err == nil || !strings.Contains(err.Error(), "there is no instance in") {
		t.Errorf("where there is none: %v", err)
	}
	// The codes stand nowhere in the folder, and no cookie does.
	err = filepath.WalkDir(cfg.Dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		for _, secret := range []string{codes[0], strings.ReplaceAll(codes[0], "-", ""), cookie} {
			if bytes.Contains(text, []byte(secret)) {
				t.Errorf("%s holds a secret", path)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if w.App, err = app.New(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.Stop)
	w.Start()
	w.ready(t)
	again := w.browser(t)
	again.setCookie("cannulary-session", cookie)
	if a := again.get("/"); a.status != 200 {
		t.Errorf("the session after a restart: %d", a.status)
	}
	if a := w.browser(t).ask(http.MethodPost, "/break-glass", broken(codes[1])); a.status != 303 {
		t.Errorf("a code of the command: %d %s", a.status, a.body)
	}
}
