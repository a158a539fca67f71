package app_test

import (
	"bytes"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/testkit"
)

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
