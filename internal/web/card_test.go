package web_test

import (
	"encoding/json"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"cannulary/internal/card"
	v1 "cannulary/proto/cannulary/v1"
)

// contract lists the keys that the public contract promises, level by level.
func contract() (card, hold, track, next []string) {

	card = []string{"patient", "facility", "asOf", "knownAt", "lastFactAt", "lagging", "quarantined", "holds", "tracks", "caution"}
	hold = []string{"id", "rule", "scope", "since", "text", "clears", "groundWithdrawn"}
	track = []string{"id", "role", "stage", "underReview", "sessionsCounted", "sessionsTarget", "extras", "next", "findings", "recent"}
	next = []string{"needle", "who", "why"}
	return card, hold, track, next
}

func hasKeys(t *testing.T, where string, m map[string]any, keys []string) {
	t.Helper()
	for _, k := range keys {
		if _, ok := m[k]; !ok {
			t.Errorf("%s has no key %q: %v", where, k, m)
		}
	}
}

func byIdentifier(patient string) string {
	return "/card?identifier=" + url.QueryEscape(system+"|"+patient)
}

func decode(t *testing.T, a answer) card.Card {
	t.Helper()
	if a.status != http.StatusOK {
		t.Fatalf("status %d: %s", a.status, a.body)
	}
	var c card.Card
	d := json.NewDecoder(strings.NewReader(a.body))
	d.DisallowUnknownFields()
	if err := d.Decode(&c); err != nil {
		t.Fatalf("not a card: %v in %s", err, a.body)
	}
	return c
}

// one is a unit with one patient, whose track is held.
func one(t testing.TB) *unit {
	u := open(t)
	u.register("Pacific/Auckland")
	u.identity("P-1", "Quombave", "Zaph", "1951-03-12")
	u.takeOver("P-1", "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	u.takeOver("P-1", "B2", v1.TrackStage_TRACK_STAGE_TRIAL)
	u.sharp("P-1", "B2", at(6))
	u.hold("P-1", "A1", "pus & redness <b>seen</b>", at(3))
	u.settle()
	return u
}

func TestCardAsJSONKeepsTheContract(t *testing.T) {
	u := one(t)
	a := u.get(byIdentifier("P-1"))
	var m map[string]any
	if err := json.Unmarshal([]byte(a.body), &m); err != nil {
		t.Fatal(err)
	}
	ofCard, ofHold, ofTrack, ofNext := contract()
	hasKeys(t, "the card", m, ofCard)
	holds, tracks := m["holds"].([]any), m["tracks"].([]any)
	if len(holds) != 1 || len(tracks) != 2 {
		t.Fatalf("%d holds and %d tracks, want 1 and 2", len(holds), len(tracks))
	}
	hasKeys(t, "a hold", holds[0].(map[string]any), ofHold)
	for _, x := range tracks {
		tr := x.(map[string]any)
		hasKeys(t, "a track", tr, ofTrack)
		hasKeys(t, "next", tr["next"].(map[string]any), ofNext)
	}
	c := decode(t, a)
	if c.Caution != card.Caution || c.Patient.Name != "Quombave, Zaph" || c.Patient.BirthDate != "1951-03-12" || c.Facility != facility {
		t.Errorf("card is %+v", c)
	}
	if strings.Count(a.body, "\n") != 1 || a.head.Get("Content-Type") != "application/json" {
		t.Errorf("not one line of JSON: %q as %q", a.body, a.head.Get("Content-Type"))
	}
	same := decode(t, u.get("/card?patient="+c.Patient.ID))
	if same.Patient.ID != c.Patient.ID || len(same.Tracks) != 2 {
		t.Errorf("by patient key another card came: %+v", same)
	}
	two := decode(t, u.get("/card?system="+url.QueryEscape(system)+"&value=P-1"))
	if two.Patient.ID != c.Patient.ID {
		t.Errorf("by system and value another card came: %+v", two)
	}
}

func TestCardAsPage(t *testing.T) {
	u := one(t)
	a := u.get(byIdentifier("P-1"), "text/html")
	if a.status != http.StatusOK || a.head.Get("Content-Type") != "text/html; charset=utf-8" {
		t.Fatalf("status %d, %q", a.status, a.head.Get("Content-Type"))
	}
	for _, want := range []string{
		html.EscapeString(card.Caution), `<html lang="en">`, "Quombave, Zaph", "12 Mar 1951", "P-1", "Invented unit",
		"Do not needle A1", "Pus &amp; redness &lt;b&gt;seen&lt;/b&gt;", "No needle", "Blunt", "Declared, not recorded here", `scope="row"`,
		"B2 may be needled after you have examined the access.", "Trial session 1", "Newest entry: ",
		"Hold by nurse-1 since ", "(person)", "The local protocol and the treating team decide.", "Do not needle track A1.", "First, always",
		"Look, listen and feel", "Remove the scab completely", "The rule asks: A person placed a hold.", "Source of the rule: The judgement of a named person.",
		"On resistance", "a NEW blunt needle", "After the treatment", "Handover", "Fall-back site", "not recorded",
		"The kind of access fistula is not recorded", "No examination of access fistula is recorded", "site not recorded", "<desc ",
		`href="track?patient=`, `action="confirm"`,
	} {
		if !strings.Contains(a.body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if i, j := strings.Index(a.body, "Do not needle A1"), strings.Index(a.body, `class="next-needle`); i < 0 || j < i {
		t.Errorf("the hold (at %d) does not stand before the needles (at %d)", i, j)
	}
	// What a nurse sees before she touches anything has no code of a rule and no id.
	first, _, ok := strings.Cut(a.body, "<details")
	if !ok || regexp.MustCompile(`<code>|\(person\)|[0-9a-f]{20}`).MatchString(regexp.MustCompile(`(href|value|id|data-from|aria-labelledby)="[^"]*"`).ReplaceAllString(first, "")) {
		t.Error("a code or an id stands on the first screen")
	}
	if len(a.body) > 60<<10 {
		t.Errorf("the page has %d bytes", len(a.body))
	}
	if hasScript(a.body) {
		t.Error("the page has a script of its own")
	}
	for _, never := range []string{"style=", "<b>seen"} {
		if strings.Contains(a.body, never) {
			t.Errorf("the page has %q", never)
		}
	}
	if strings.Contains(a.body, "back-band") {
		t.Error("a card as of now says that it is not the present")
	}
}

func TestFormOfTheCard(t *testing.T) {
	u := one(t)
	browser := "text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,*/*;q=0.8"
	for _, c := range []struct{ accept, format, want string }{
		{"", "", "application/json"},
		{"*/*", "", "application/json"},
		{"application/json", "", "application/json"},
		{browser, "", "text/html"},
		{"text/html", "", "text/html"},
		{"text/plain", "", "text/plain"},
		{"text/plain, text/html;q=0.5", "", "text/plain"},
		{"text/html;q=0.5, application/json;q=0.4", "", "text/html"},
		{"text/html;q=0, */*", "", "application/json"},
		{"image/png", "", "application/json"},
		{"text/html;q=nonsense", "", "application/json"},
		{browser, "json", "application/json"},
		{"application/json", "html", "text/html"},
		{"", "text", "text/plain"},
	} {
		target := byIdentifier("P-1")
		if c.format != "" {
			target += "&format=" + c.format
		}
		a := u.get(target, c.accept)
		if got, _, _ := strings.Cut(a.head.Get("Content-Type"), ";"); a.status != http.StatusOK || got != c.want {
			t.Errorf("Accept %q, format %q: %d %q, want %q", c.accept, c.format, a.status, got, c.want)
		}
		if strings.HasPrefix(c.want, "text/plain") && !strings.Contains(strings.Join(strings.Fields(a.body), " "), card.Caution) {
			t.Errorf("the text has no caution")
		}
	}
}

func TestMomentsOfTheCard(t *testing.T) {
	u := one(t)
	before := time.Now()
	time.Sleep(5 * time.Millisecond)
	u.hold("P-1", "B2", "found later", at(2))
	u.settle()
	ask := func(parameter, value string) card.Card {
		t.Helper()
		return decode(t, u.get(byIdentifier("P-1")+"&"+url.Values{parameter: {value}}.Encode()))
	}
	if n := len(decode(t, u.get(byIdentifier("P-1"))).Holds); n != 2 {
		t.Errorf("%d holds now, want 2", n)
	}
	if n := len(ask("known_at", before.UTC().Format(time.RFC3339Nano)).Holds); n != 1 {
		t.Errorf("%d holds known before the second arrived, want 1", n)
	}
	if n := len(ask("as_of", at(4).Format(time.RFC3339)).Holds); n != 0 {
		t.Errorf("%d holds before the first was placed, want 0", n)
	}
	// A date is its last instant at the facility. In Auckland it is Saturday's end at noon
	// UTC on a day of standard time.
	c := ask("as_of", "2026-07-04")
	if want := time.Date(2026, 7, 4, 12, 0, 0, 0, time.UTC).Add(-time.Nanosecond); !c.AsOf.Equal(want) {
		t.Errorf("as_of 2026-07-04 is %s, want %s", c.AsOf, want)
	}
	zone, err := time.LoadLocation("Pacific/Auckland")
	if err != nil {
		t.Fatal(err)
	}
	today := ask("known_at", time.Now().In(zone).Format(time.DateOnly))
	if time.Since(today.KnownAt) > time.Minute || len(today.Holds) != 2 {
		t.Errorf("known today is known at %s with %d holds, want now and 2", today.KnownAt, len(today.Holds))
	}
	day := at(7).In(zone)
	a := u.get(byIdentifier("P-1")+"&as_of="+day.Format(time.DateOnly), "text/html")
	if !strings.Contains(a.body, "This is not the present") || !strings.Contains(a.body, "As it looked on the evening of "+day.Format("Mon 2 Jan")) || !strings.Contains(a.body, ", from what is known today.</p>") {
		t.Error("the page of another day does not say so")
	}
	if a := u.get(byIdentifier("P-1")+"&as_of=2090-01-01", "text/html"); !strings.Contains(a.body, "This moment has not come yet. Do not needle by it.") {
		t.Error("the page of a day to come does not say so")
	}
	first := func(query string) string {
		line, _, _ := strings.Cut(u.get(byIdentifier("P-1")+"&format=text"+query, "text/plain").body, "\n")
		return line
	}
	// Where nothing was known of the patient, nothing says the facility either: the time is UTC.
	for query, want := range map[string]string{
		"":                                      "PATIENT ",
		"&as_of=2024-07-04":                     "NOT THE PRESENT: as of 2024-07-04 11:59 UTC.",
		"&known_at=2024-07-04":                  "NOT THE PRESENT: as the record stood on 2024-07-04 11:59 UTC.",
		"&as_of=2024-07-03&known_at=2024-07-04": "NOT THE PRESENT: as of 2024-07-03 11:59 UTC, as the record stood on 2024-07-04 11:59 UTC.",
		"&as_of=2090-01-01":                     "NOT THE PRESENT: as of 2090-01-01 23:59 NZDT, which has not come yet.",
		"&as_of=" + time.Now().Format(time.RFC3339): "PATIENT ",
	} {
		if got := first(strings.ReplaceAll(query, "+", "%2B")); !strings.HasPrefix(got, want) {
			t.Errorf("?%s begins with %q, want %q", query, got, want)
		}
	}
	for _, form := range []string{"text/plain", "text/html"} {
		for _, query := range []string{"&as_of=1999-01-01", "&known_at=1999-01-01"} {
			a := u.get(byIdentifier("P-1")+query+"&format="+strings.Replace(strings.TrimPrefix(form, "text/"), "plain", "text", 1), form)
			if a.status != 200 || !strings.Contains(a.body, "Nothing was on record then. That is not an all-clear.") || strings.Contains(a.body, "none recorded") || strings.Contains(a.body, "No hold") {
				t.Errorf("%s, %s: %d %s", form, query, a.status, a.body)
			}
		}
	}
}

func TestErrorsSayWhatToDo(t *testing.T) {
	u := one(t)
	// The first letter of what is said may be a capital.
	for _, c := range []struct {
		target string
		status int
		code   string
		says   string
	}{
		{"/card", 400, "invalid", "no patient is named"},
		{"/card?identifier=", 400, "invalid", "give identifier=SYSTEM|VALUE"},
		{"/card?identifier=nobar", 400, "invalid", "not of the form SYSTEM|VALUE"},
		{"/card?identifier=|v", 400, "invalid", "not of the form SYSTEM|VALUE"},
		{"/card?system=s", 400, "invalid", "give both its system and its value"},
		{"/card?identifier=s|v&patient=k", 400, "invalid", "more than one way"},
		{"/card?identifier=s|nobody", 404, "not-found", "No record under this number. That is not an all-clear. Check the number."},
		{"/card?patient=00", 404, "not-found", "No record under this number"},
		{byIdentifier("P-1") + "&as_of=yesterday", 400, "invalid", `as_of "yesterday" is not a time`},
		{byIdentifier("P-1") + "&known_at=2026-13-01", 400, "invalid", "give it as 2026-03-04T10:00:00Z or 2026-03-04"},
		{byIdentifier("P-1") + "&known_at=2090-01-01", 400, "invalid", "known_at lies in the future"},
		{byIdentifier("P-1") + "&asof=2026-01-01", 400, "invalid", `"asof" is not known here`},
		{byIdentifier("P-1") + "&as_of=2026-01-01&as_of=2026-01-02", 400, "invalid", "given 2 times"},
		{byIdentifier("P-1") + "&format=pdf", 400, "invalid", "give json, html or text"},
		{"/card?identifier=%ff|v", 400, "invalid", "not readable text"},
		{"/card?identifier=s|" + strings.Repeat("x", 2000), 400, "invalid", "at most 1024 bytes"},
		{"/?facility=elsewhere", 404, "not-found", "no facility with this code is registered"},
		{"/nowhere", 404, "not-found", "Today is at /"},
	} {
		a := u.get(c.target, "application/json")
		var e struct {
			Error struct{ Code, Text string }
		}
		if err := json.Unmarshal([]byte(a.body), &e); err != nil {
			t.Errorf("%s: not JSON: %v in %q", c.target, err, a.body)
			continue
		}
		if a.status != c.status || e.Error.Code != c.code || !strings.Contains(e.Error.Text, c.says[1:]) {
			t.Errorf("%s: %d %q %q, want %d %q with %q", c.target, a.status, e.Error.Code, e.Error.Text, c.status, c.code, c.says)
		}
		if strings.Count(a.body, "\n") != 1 {
			t.Errorf("%s: not one line: %q", c.target, a.body)
		}
		page := u.get(c.target, "text/html")
		if page.status != c.status || !strings.Contains(page.body, html.EscapeString(c.says[1:])) {
			t.Errorf("%s: the page with status %d does not say %q", c.target, page.status, c.says)
		}
	}
	u.set(true, nil)
	if a := u.get("/card?identifier=s|nobody", "application/json"); a.status != 404 ||
		!strings.Contains(a.body, "This view is behind the log: a newer message may be about this patient. Ask again in a moment.") {
		t.Errorf("behind the log the answer is %d %s", a.status, a.body)
	}
	u.set(false, nil)
	if a := u.get("/card?format=text&identifier=nobar"); a.status != 400 || !strings.HasPrefix(a.head.Get("Content-Type"), "text/plain") {
		t.Errorf("an error for format=text came as %d %q", a.status, a.head.Get("Content-Type"))
	}
}

func TestMethodsAndHeaders(t *testing.T) {
	u := one(t)
	for _, target := range []string{"/", byIdentifier("P-1"), "/style.css", "/live.js", "/icon.svg", "/live"} {
		for _, method := range []string{"POST", "PUT", "DELETE", "PATCH", "OPTIONS"} {
			if a := u.do(method, target); a.status != http.StatusMethodNotAllowed || a.head.Get("Allow") != "GET, HEAD" {
				t.Errorf("%s %s: %d, Allow %q", method, target, a.status, a.head.Get("Allow"))
			}
		}
		if a := u.do(http.MethodHead, target); a.status != http.StatusOK {
			t.Errorf("HEAD %s: %d", target, a.status)
		}
	}
	for _, target := range []string{"/", byIdentifier("P-1"), byIdentifier("P-1") + "&format=html", "/card", "/nowhere"} {
		head := u.get(target).head
		if head.Get("Cache-Control") != "no-store" || head.Get("X-Content-Type-Options") != "nosniff" || head.Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s: headers %v", target, head)
		}
		if p := head.Get("Content-Security-Policy"); !strings.Contains(p, "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self';") ||
			strings.Contains(p, "unsafe") || strings.Contains(p, "http") || strings.Contains(p, "data:") {
			t.Errorf("%s: policy %q lets more in than the program's own files", target, p)
		}
	}
}

func FuzzCardQuery(f *testing.F) {
	u := one(f)
	key := keyOfOne(f, u)
	for _, q := range []string{"identifier=a|b", "identifier=%zz", "as_of=2026-01-01&patient=" + key, "known_at=9999-12-31&patient=" + key,
		"patient=" + key + "&as_of=1970-01-01&format=html", "patient=" + key + "&known_at=2026-01-01T00:00:00%2B23:59", ";", "identifier=%00|%00", "format=text&patient=" + key} {
		f.Add(q, "text/html, */*;q=0.1")
	}
	f.Fuzz(func(t *testing.T, query, accept string) {
		r := &http.Request{Method: http.MethodGet, URL: &url.URL{Path: "/card", RawQuery: query}, Header: http.Header{"Accept": {accept}}}
		w := newRecorder()
		u.handler.ServeHTTP(w, r)
		switch w.Code {
		case 200, 400, 404, 409:
		default:
			t.Fatalf("%q with Accept %q: status %d: %s", query, accept, w.Code, w.Body)
		}
		if w.Header().Get("Content-Type") == "application/json" && !json.Valid(w.Body.Bytes()) {
			t.Fatalf("%q: not JSON: %s", query, w.Body)
		}
		if strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") && hasScript(w.Body.String()) {
			t.Fatalf("%q: the page has a script", query)
		}
	})
}

// A merge that the log did not hold yet says nothing of that time: who asks what was known
// then gets each identity's own record.
func TestWhatWasKnownBeforeAMerge(t *testing.T) {
	u := one(t)
	u.hold("OLD", "B9", "posted under the old identity", at(3))
	u.settle()
	before := time.Now()
	time.Sleep(5 * time.Millisecond)
	u.roster("P-1", at(20), &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: &v1.PatientIdentifier{System: system, Value: "OLD"}}}})
	u.settle()
	known := "&known_at=" + before.UTC().Format(time.RFC3339Nano)
	for _, c := range []struct {
		patient, known string
		holds          int
		merged         bool
	}{
		{"P-1", "", 2, false}, {"OLD", "", 2, true}, {"P-1", known, 1, false}, {"OLD", known, 1, false},
	} {
		got := decode(t, u.get(byIdentifier(c.patient)+c.known))
		if len(got.Holds) != c.holds || (got.Patient.Asked != "") != c.merged {
			t.Errorf("%s%s: %d holds, merged %q; want %d, %v", c.patient, c.known, len(got.Holds), got.Patient.Asked, c.holds, c.merged)
		}
	}
}
