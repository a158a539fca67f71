package facade_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/facade"
	"cannulary/internal/testkit"
)

// FuzzRequests sends whatever strings as path, query and body: never a panic, never a 500,
// always JSON.
func FuzzRequests(f *testing.F) {
	s := newService(f)
	for i := range 3 {
		s.put(at(i), resource("Procedure", fmt.Sprint(i), "p", "", fhir.Index{Tokens: []fhir.Token{{Param: "status", System: "s", Code: "c"}}}),
			resource("Observation", fmt.Sprint(i), "p", "", fhir.Index{Quantities: []fhir.Quantity{{Param: "value-quantity", Value: 1}}}), resource("Patient", "p", "p", fmt.Sprint(i), fhir.Index{}))
	}
	for _, seed := range [][2]string{
		{"/Procedure", "status=s|c,d&patient=Patient/p&date=ge2027-03-01T07:00:00 01:00&_count=1"},
		{"/Observation", "value-quantity=gt1.50e-3||mm&_total=accurate"}, {"/Patient/p/_history", "_count=1&_since=2027"}, {"/Patient/p/$everything", "_type=Procedure&_count=1"},
		{"/Procedure/_search", `code=a\,b\|c\`}, {"/Procedure/1/_history/1", ""}, {"/metadata", "_format=json"}, {"/Procedure", "_cursor=AXMA"}, {"/Provenance", "target=1&_id=a,b"},
		{"/Observation", "value-quantity=1e99"}, {"/Procedure", "date=0001&_lastUpdated=9999-12-31T23:59:59.999999999-14:00"}, {"/Procedure", "status=\x00\xff|\x00"},
	} {
		f.Add(seed[0], seed[1])
	}
	f.Fuzz(func(t *testing.T, path, query string) {
		s.t = t
		for _, method := range []string{http.MethodGet, http.MethodPost} {
			r := httptest.NewRequest(method, facade.Path, nil)
			r.URL = &url.URL{Path: facade.Path + path, RawQuery: query}
			w := httptest.NewRecorder()
			testkit.Open(s.h).ServeHTTP(w, r)
			a := answered{w.Code, w.Header(), w.Body.Bytes()}
			if a.status == http.StatusOK {
				continue
			}
			if outcome(t, a); a.status < 400 || a.status >= 500 {
				t.Fatalf("%s %q?%q: %d %s", method, path, query, a.status, a.body)
			}
		}
	})
}

// FuzzCursor sends whatever string as a cursor.
func FuzzCursor(f *testing.F) {
	s := newService(f)
	for i := range 3 {
		s.put(at(i), resource("Procedure", fmt.Sprint(i), "p", "", fhir.Index{}))
	}
	next, err := url.Parse(s.bundle(s.get("/Procedure?_count=1")).link("next"))
	if err != nil {
		f.Fatal(err)
	}
	good := next.Query().Get("_cursor")
	for _, seed := range []string{good, good[1:], good + "A", "", "=", "AXMAAAAAAAAAAAAAAAA"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, cursor string) {
		s.t = t
		a := s.get("/Procedure?_count=1&_cursor=" + url.QueryEscape(cursor))
		if want := map[bool]int{true: 200, false: 400}[cursor == good]; a.status != want {
			t.Fatalf("%q: %d %s", cursor, a.status, a.body)
		}
	})
}
