package app_test

import (
	"net/http"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"cannulary/internal/testkit"
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
