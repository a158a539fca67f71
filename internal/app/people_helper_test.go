package app_test

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

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
