package cdshooks_test

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"net/http"
	"strings"
	"testing"

	"cannulary/internal/card"
	"cannulary/internal/chairside"
	"cannulary/internal/testkit"
	"cannulary/internal/web/cdshooks"
)

// The fields are those of the table under "Discovery" in CDS Hooks 2.0.
func TestDiscovery(t *testing.T) {
	h := open(t).handler()
	for _, path := range []string{"/cds-services", "/cds-services/"} {
		w := do(h, request(http.MethodGet, path, ""))
		var out struct{ Services []map[string]any }
		if err := json.Unmarshal(w.Body.Bytes(), &out); err != nil || w.Code != http.StatusOK || len(out.Services) != 1 {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
		s := out.Services[0]
		for _, k := range []string{"title", "description", "usageRequirements"} {
			if v, _ := s[k].(string); v == "" {
				t.Errorf("%s is %v", k, s[k])
			}
		}
		prefetch, _ := s["prefetch"].(map[string]any)
		if s["hook"] != "patient-view" || s["id"] != "needling-advice" || len(prefetch) != 1 || prefetch["patient"] != "Patient/{{context.patientId}}" {
			t.Errorf("%v", s)
		}
		if w.Header().Get("Content-Type") != "application/json" || w.Header().Get("Cache-Control") != "no-store" || w.Header().Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("headers %v", w.Header())
		}
	}
	if w := do(h, request(http.MethodHead, "/cds-services", "")); w.Code != http.StatusOK || w.Body.Len() != 0 || w.Header().Get("Content-Length") == "0" {
		t.Errorf("HEAD: %d, %d bytes, %v", w.Code, w.Body.Len(), w.Header())
	}
}

// Who is meant is found by the identifiers in the chart and by nothing else.
func TestWhoIsMeant(t *testing.T) {
	u := open(t)
	h := u.handler()
	key := u.node.Ring.PatientKey(mrn, "P-1")
	for _, x := range []struct {
		name string
		ids  []card.Identifier
		want string // indicator and summary of the first card
	}{
		{"the number that messages are posted under", []card.Identifier{id(mrn, "P-1")}, "info: Track A1 (arterial, established): next blunt needle, gauge not recorded, 25°"},
		{"a stated number", []card.Identifier{id(national, "N-1")}, "info: Track A1 (arterial, established): next blunt needle, gauge not recorded, 25°"},
		{"both, among some that nobody knows", []card.Identifier{id(other, "P-2"), id(national, "N-1"), id(mrn, "P-1")}, "info: Track A1 (arterial, established): next blunt needle, gauge not recorded, 25°"},
		{"the number of a merged identity", []card.Identifier{id(mrn, "P-4")}, "info: Track A1 (arterial, established): next blunt needle, gauge not recorded, 25°"},
		{"two numbers of two merged identities", []card.Identifier{id(mrn, "P-4"), id(mrn, "P-1"), id(national, "N-4")}, "info: Track A1 (arterial, established): next blunt needle, gauge not recorded, 25°"},
		{"a held patient", []card.Identifier{id(mrn, "P-2")}, "critical: Do not needle track A1: Sore ‹b›skin‹/b› [x](http://evil.example)"},
		{"a patient without tracks", []card.Identifier{id(mrn, "P-3")}, "info: No constant-site track is recorded for this patient."},
		{"a number that two patients state", []card.Identifier{id(national, "N-3")}, "warning: The identifiers in this chart lead to 2 different patients in the record of needle tracks: no advice is given."},
		{"numbers of two patients", []card.Identifier{id(mrn, "P-1"), id(national, "N-2")}, "warning: The identifiers in this chart lead to 2 different patients in the record of needle tracks: no advice is given."},
		{"a number of another system", []card.Identifier{id(other, "P-1")}, "info: No patient in this record of needle tracks has the identifiers in this chart. That is not an all-clear."},
		{"a number with a blank", []card.Identifier{id(mrn, "P-1 ")}, "info: No patient in this record of needle tracks has the identifiers in this chart. That is not an all-clear."},
		{"our own id of the patient is no identifier", []card.Identifier{id(mrn, key), id("urn:x", key)}, "info: No patient in this record of needle tracks has the identifiers in this chart. That is not an all-clear."},
		{"no identifier", nil, "info: This chart sent no identifier, so the record of needle tracks could not be asked. That is not an all-clear."},
	} {
		t.Run(x.name, func(t *testing.T) {
			w := do(h, request(http.MethodPost, service, chart(x.ids...)))
			cards := answered(t, w.Code, w.Body.String())
			conforms(t, cards)
			if got := cards[0].Indicator + ": " + cards[0].Summary; got != x.want {
				t.Errorf("%s, expected %s", got, x.want)
			}
			if w.Header().Get("Content-Type") != "application/json" || w.Header().Get("Cache-Control") != "no-store" {
				t.Errorf("headers %v", w.Header())
			}
			for _, i := range x.ids {
				if strings.Contains(w.Body.String(), i.Value) && i.Value != key {
					t.Errorf("the answer repeats the number %s: %s", i.Value, w.Body)
				}
			}
		})
	}
	// Our own id as the EHR's finds nobody either.
	w := do(h, request(http.MethodPost, service, strings.ReplaceAll(chart(id(other, "x")), `"77"`, `"`+key+`"`)))
	if c := answered(t, w.Code, w.Body.String()); !strings.Contains(c[0].Summary, "No patient in this record of needle tracks has the identifiers in this chart.") {
		t.Errorf("%+v", c)
	}
	u.lagging = true
	w = do(h, request(http.MethodPost, service, chart(id(other, "x"))))
	if c := answered(t, w.Code, w.Body.String()); c[0].Indicator != "warning" || !strings.Contains(c[0].Detail, "behind the log") {
		t.Errorf("unknown to a view that is behind: %+v", c)
	}
	w = do(h, request(http.MethodPost, service, chart(id(mrn, "P-1"))))
	if c := answered(t, w.Code, w.Body.String()); c[0].Indicator != "warning" || !strings.Contains(c[0].Summary, "this view is behind") {
		t.Errorf("known to a view that is behind: %+v", c)
	}
}

func TestRefusals(t *testing.T) {
	u := open(t)
	h := u.handler()
	for name, x := range refusals() {
		w := do(h, request(http.MethodPost, service, x.body))
		if i := outcome(t, w); w.Code != x.status || i.Code != x.code || i.Diagnostics != x.text || strings.Join(i.Expression, " ") != x.expression {
			t.Errorf("%s: %d %+v", name, w.Code, i)
		}
	}
	good := chart(id(mrn, "P-1"))
	for _, x := range []struct {
		r                      *http.Request
		status                 int
		code, expression, text string
		header, value          string
	}{
		{request(http.MethodPost, "/cds-services/colours", good), 404, "not-found", "", "there is no service colours here; /cds-services lists those that there are", "", ""},
		{request(http.MethodPost, service+"/more", good), 404, "not-found", "", "there is no service needling-advice/more here; /cds-services lists those that there are", "", ""},
		{request(http.MethodPost, service+"/feedback", `{"feedback":[]}`), 404, "not-found", "", "this service accepts no feedback; send none", "", ""},
		{request(http.MethodGet, "/cds-servicesx", ""), 404, "not-found", "", "there is nothing at this address; /cds-services lists the services", "", ""},
		{request(http.MethodGet, service, ""), 405, "not-supported", "", "GET is not possible here: a service is called with POST; allowed: POST", "Allow", "POST"},
		{request(http.MethodDelete, service, ""), 405, "not-supported", "", "DELETE is not possible here: a service is called with POST; allowed: POST", "Allow", "POST"},
		{request(http.MethodPost, "/cds-services", good), 405, "not-supported", "", "POST is not possible here: the list of services can only be read; allowed: GET, HEAD", "Allow", "GET, HEAD"},
		{request(http.MethodOptions, service, ""), 405, "not-supported", "", "OPTIONS is not possible here: a service is called with POST; allowed: POST", "Allow", "POST"},
		{request(http.MethodPost, service+"?x=1", good), 400, "not-supported", "http.x", `parameter "x" is not known here. There are no parameters here; ask without a question mark`, "", ""},
		{request(http.MethodGet, "/cds-services?x=%zz", ""), 400, "structure", "", "the query of the URL cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C", "", ""},
		{request(http.MethodPost, service, good, "Accept", "text/html"), 406, "not-supported", "http.Accept", "only application/json is answered, not text/html", "", ""},
		{request(http.MethodGet, "/cds-services", "", "Accept", "application/json;q=0, text/*"), 406, "not-supported", "http.Accept", "only application/json is answered, not application/json;q=0, text/*", "", ""},
		{request(http.MethodPost, service, strings.Repeat(" ", cdshooks.MaxBytes)+good), 413, "too-long", "", "the body of a call may have at most 1048576 bytes; send only the prefetch that the service asks for", "", ""},
		{request(http.MethodPost, service, good, "Content-Type", "text/plain"), 415, "not-supported", "http.Content-Type", "the body must be application/json in UTF-8, not text/plain", "", ""},
		{request(http.MethodPost, service, good, "Content-Type", ""), 415, "not-supported", "http.Content-Type", "the body must be application/json in UTF-8, not nothing", "", ""},
		{request(http.MethodPost, service, good, "Content-Type", "application/json; charset=latin1"), 415, "not-supported", "http.Content-Type", "the body must be application/json in UTF-8, not application/json; charset=latin1", "", ""},
		{request(http.MethodPost, service, good, "Content-Encoding", "gzip"), 415, "not-supported", "http.Content-Encoding", "the body must be sent as it is, not encoded as gzip", "", ""},
	} {
		w := do(h, x.r)
		if i := outcome(t, w); w.Code != x.status || i.Code != x.code || i.Diagnostics != x.text || strings.Join(i.Expression, " ") != x.expression {
			t.Errorf("%s %s: %d %+v", x.r.Method, x.r.URL, w.Code, i)
		}
		if x.header != "" && w.Header().Get(x.header) != x.value {
			t.Errorf("%s %s: %s is %q", x.r.Method, x.r.URL, x.header, w.Header().Get(x.header))
		}
		if w.Header().Get("Cache-Control") != "no-store" {
			t.Errorf("%s %s may be stored", x.r.Method, x.r.URL)
		}
	}
	for _, accept := range []string{"", "*/*", "application/*", "text/html, application/json;q=0.1"} {
		if w := do(h, request(http.MethodPost, service, good, "Accept", accept)); w.Code != http.StatusOK {
			t.Errorf("Accept %q: %d", accept, w.Code)
		}
	}
	body := strings.Repeat(" ", cdshooks.MaxBytes-len(good)) + good
	if w := do(h, request(http.MethodPost, service, body, "Content-Type", "application/json; charset=UTF-8")); w.Code != http.StatusOK {
		t.Errorf("a body of just 1 MiB: %d %s", w.Code, w.Body)
	}
}

// The headers are those of the Fetch standard, section "CORS protocol"
// (https://fetch.spec.whatwg.org/#http-cors-protocol).
func TestOrigins(t *testing.T) {
	u := open(t)
	h := u.handler(func(c *cdshooks.Config) { c.Origins = []string{"https://ehr.example", "http://localhost:8080"} })
	closed := u.handler()
	preflight := func(origin, path string) *http.Request {
		return request(http.MethodOptions, path, "", "Origin", origin, "Access-Control-Request-Method", "POST", "Access-Control-Request-Headers", "content-type")
	}
	for origin, may := range map[string]bool{"https://ehr.example": true, "http://localhost:8080": true, "https://evil.example": false, "https://ehr.example.evil.example": false, "null": false, "http://ehr.example": false} {
		want := map[bool]string{true: origin}[may]
		for _, r := range []*http.Request{
			request(http.MethodGet, "/cds-services", "", "Origin", origin), request(http.MethodPost, service, chart(id(mrn, "P-1")), "Origin", origin),
			request(http.MethodPost, service, "{", "Origin", origin), preflight(origin, service),
		} {
			w := do(h, r)
			if got := w.Header().Get("Access-Control-Allow-Origin"); got != want {
				t.Errorf("%s %s from %s: allowed origin %q", r.Method, r.URL, origin, got)
			}
			if w.Header().Get("Vary") != "Accept, Origin" || w.Header().Get("Access-Control-Allow-Credentials") != "" {
				t.Errorf("%s from %s: %v", r.Method, origin, w.Header())
			}
			w = do(closed, r)
			if got := w.Header().Get("Access-Control-Allow-Origin"); got != "" {
				t.Errorf("no origin is configured, but %q is allowed", got)
			}
		}
		w := do(h, preflight(origin, service))
		if may && (w.Code != http.StatusNoContent || w.Header().Get("Access-Control-Allow-Methods") != "POST" || w.Header().Get("Access-Control-Allow-Headers") != "Authorization, Content-Type" || w.Body.Len() != 0) {
			t.Errorf("preflight from %s: %d %v", origin, w.Code, w.Header())
		}
		if !may && w.Code != http.StatusMethodNotAllowed {
			t.Errorf("preflight from %s: %d", origin, w.Code)
		}
	}
	if w := do(h, preflight("https://ehr.example", "/cds-services")); w.Header().Get("Access-Control-Allow-Methods") != "GET, HEAD" {
		t.Errorf("preflight of the discovery: %v", w.Header())
	}
	if w := do(h, preflight("https://ehr.example", "/cds-services/colours")); w.Code != http.StatusNotFound {
		t.Errorf("preflight of no service: %d", w.Code)
	}
}

func TestConfig(t *testing.T) {
	u := open(t)
	if _, err := cdshooks.New(cdshooks.Config{}); err == nil || err.Error() != "cdshooks: the service that makes cards is needed" {
		t.Error(err)
	}
	for _, o := range []string{"*", "null", "ehr.example", "https://ehr.example/", "https://ehr.example/x", "ftp://ehr.example", "https://a@ehr.example", "https://*.example?", ""} {
		_, err := cdshooks.New(cdshooks.Config{Cards: u.cards, Origins: []string{o}})
		if err == nil || !strings.Contains(err.Error(), "is not a web origin; give scheme, host and port as a browser sends them, for instance https://ehr.example; all origins at once (*) cannot be allowed") {
			t.Errorf("%q: %v", o, err)
		}
	}
}

// The log tells nothing of who the patient is, whatever goes wrong.
func TestTheLogKnowsNoPatient(t *testing.T) {
	u := open(t)
	var log bytes.Buffer
	h := u.handler(func(c *cdshooks.Config) {
		c.Log = slog.New(slog.NewJSONHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	for _, body := range []string{chart(id(mrn, "P-1")), chart(id(mrn, "P-2")), chart(id(other, "P-9")), chart(id(national, "N-3")), chart(), "{"} {
		do(h, request(http.MethodPost, service, body))
	}
	if log.Len() > 0 {
		t.Errorf("what goes well, or is the caller's fault, is logged: %s", &log)
	}
	if err := u.cards.Store.Close(); err != nil {
		t.Fatal(err)
	}
	w := do(h, request(http.MethodPost, service, chart(id(mrn, "P-1"), id(national, "N-1"))))
	if i := outcome(t, w); w.Code != http.StatusInternalServerError || i.Code != "exception" || i.Diagnostics != "the service failed to answer. Try again; if it stays, tell the operator, whose log has the cause" {
		t.Errorf("%d %+v", w.Code, i)
	}
	panics := &chairside.Service{State: u.cards.State, Ring: u.cards.Ring, Now: u.cards.Now, Lagging: u.cards.Lagging} // no Store
	h = u.handler(func(c *cdshooks.Config) {
		c.Cards, c.Log = panics, slog.New(slog.NewJSONHandler(&log, nil))
	})
	if w := do(h, request(http.MethodPost, service, chart(id(mrn, "P-1")))); w.Code != http.StatusInternalServerError || outcome(t, w).Code != "exception" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if strings.Count(log.String(), "\n") != 2 {
		t.Errorf("two failures gave the log %s", &log)
	}
	for _, s := range []string{"P-1", "N-1", "Zelth", "77", instance, u.node.Ring.PatientKey(mrn, "P-1")} {
		if strings.Contains(log.String(), `"`+s) || strings.Contains(log.String(), " "+s) {
			t.Errorf("the log tells %q: %s", s, &log)
		}
	}
}

// FuzzCall posts whatever bytes: never a panic, never a 500, always JSON.
func FuzzCall(f *testing.F) {
	u := open(f)
	h := u.handler(func(c *cdshooks.Config) { c.Log = testkit.Discard() })
	f.Add(chart(id(mrn, "P-1")))
	f.Add(chart(id(mrn, "P-2"), id("\x00", "\x00"), id(national, "N-3")))
	for _, x := range refusals() {
		f.Add(x.body)
	}
	f.Fuzz(func(t *testing.T, body string) {
		w := do(h, request(http.MethodPost, service, body))
		switch w.Code {
		case http.StatusOK:
			conforms(t, answered(t, w.Code, w.Body.String()))
		case http.StatusBadRequest, http.StatusPreconditionFailed, http.StatusRequestEntityTooLarge:
			outcome(t, w)
		default:
			t.Errorf("%q: %d %s", body, w.Code, w.Body)
		}
	})
}
