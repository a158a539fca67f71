package facade_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/facade"
	"cannulary/internal/testkit"
)

// fuzzed is a service with handmade resources of every type; it runs without the network.
func fuzzed(f *testing.F) *service {
	s := newService(f, func(c *facade.Config) { c.Definitions, c.MaxCount = definitions(), 50 })
	(&world{service: s, zones: map[string]*time.Location{}}).handmade()
	return s
}

// issueTypes are the codes of http://hl7.org/fhir/issue-type.
const issueTypes = " invalid structure required value invariant security login unknown expired forbidden suppressed processing not-supported duplicate multiple-matches not-found deleted too-long code-invalid extension too-costly business-rule conflict transient lock-error no-store exception timeout incomplete throttled informational "

// sound checks what holds of every answer: no failure inside, a body that is JSON, and with
// every refusal an OperationOutcome that says what is wrong.
func sound(t *testing.T, what string, a answered) {
	t.Helper()
	if a.status == http.StatusNotModified {
		if len(a.body) > 0 {
			t.Fatalf("%s: 304 with a body %s", what, a.body)
		}
		return
	}
	if !json.Valid(a.body) {
		t.Fatalf("%s: %d, no JSON: %q", what, a.status, a.body)
	}
	if a.status == http.StatusOK {
		return
	}
	if a.status < 400 || a.status >= 500 {
		t.Fatalf("%s: %d %s", what, a.status, a.body)
	}
	code, text, _ := outcome(t, a)
	if !strings.Contains(issueTypes, " "+code+" ") || strings.TrimSpace(text) == "" || strings.Contains(strings.ToLower(text), "sql") {
		t.Fatalf("%s: %d with code %q and text %q", what, a.status, code, text)
	}
}

// send sends a request past net/http's own parser: paths, queries and headers may hold
// whatever there is.
func (s *service) send(method, path, query string, header http.Header) answered {
	r := httptest.NewRequest(method, facade.Path, nil)
	r.URL = &url.URL{Path: facade.Path + path, RawQuery: query}
	for k, v := range header {
		r.Header[k] = v
	}
	w := httptest.NewRecorder()
	testkit.Open(s.h).ServeHTTP(w, r)
	return answered{w.Code, w.Header(), w.Body.Bytes()}
}

// FuzzSearch sends whatever string as the query of a search of every type.
func FuzzSearch(f *testing.F) {
	s := fuzzed(f)
	types := facade.Types()
	for _, seed := range []string{
		`code=a\,b&code:not=x|y,|a`, `_include=Observation:focus&_revinclude=Provenance:target&_count=2`, `_include=*`, `_include:iterate=Observation:has-member`, `_elements=code,,id&_summary=true`, `_summary=text&_include=Observation:patient`,
		`component-code-value-quantity=urn:s|a$gt5.4||mg,b$lt1e2`, `component-code-value-quantity=a$b$c`, `combo-code-value-concept=a\$b$|x`, `code-value-quantity=$`, `patient.identifier=urn:s|a`, `patient.patient.identifier=a`, `patient:Patient.identifier:not=a`,
		`patient:missing=maybe`, `patient.=a`, `.=a`, `:=a`, `patient:=a`, `date=eq`, `date=le0000`, `date=ge9999-12-31T23:59:59.999999999Z`, `date=2025-13`, `date=2025-02-30`, `date=2025-02-03T24:00`, `value-quantity=1e400`, `value-quantity=-0`, `value-quantity=NaN`, `value-quantity=0x10`,
		`value-quantity=5.4|`, `value-quantity=||`, `name=%00`, `name:exact=%ff`, `name:contains=`, `name=%25_%5B*`, `_sort=-_lastUpdated,date`, `_sort=-`, `_total=accurate&_total=none`, `_lastUpdated=gt2025&_lastUpdated=lt2030`, `encounter:identifier=|a`, `encounter=Encounter/1`,
		`track=BodyStructure/x/_history/1`, `patient=https://gateway.example/fhir/Patient/bare`, `patient=urn:uuid:1`, `patient=//`, `url=https://example.org/Measure/1|2`, `_id=` + strings.Repeat("a,", 300), `code=` + strings.Repeat("a", 5000), strings.Repeat("code=a&", 200), `_count=-1`, `a=%`, `a;b`, `=`, `&&&`,
	} {
		f.Add(uint8(7), seed)
	}
	f.Fuzz(func(t *testing.T, n uint8, query string) {
		s.t = t
		for _, typ := range []string{types[int(n)%len(types)].Name, "Observation"} {
			a := s.send(http.MethodGet, "/"+typ, query, nil)
			sound(t, typ+"?"+query, a)
			if a.status != http.StatusOK {
				continue
			}
			// The link to itself asks for the same.
			b := s.bundle(a)
			self, err := url.Parse(b.link("self"))
			if err != nil || self.Path != facade.Path+"/"+typ {
				t.Fatalf("%s?%q: self is %q", typ, query, b.link("self"))
			}
			if again := s.send(http.MethodGet, "/"+typ, self.RawQuery, nil); again.status != http.StatusOK || s.bundle(again).ids() != b.ids() {
				t.Fatalf("%s?%q finds %s, its own link %q: %d %s", typ, query, b.ids(), self.RawQuery, again.status, again.body)
			}
		}
	})
}

// FuzzCount sends whatever string as _count; what is taken bounds the page.
func FuzzCount(f *testing.F) {
	s := fuzzed(f)
	for _, seed := range []string{"1", "0", "-1", "+1", "00", "1e1", "1.0", "9223372036854775808", "99999999999999999999999999", " 1", "1 ", "", "\x00", "١", "0x1", "50", "51"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, count string) {
		s.t = t
		for _, path := range []string{"/Observation", "/Observation/seen-1/_history", "/Patient/bare/$everything", "/Measure", "/_history", "/Device/_history"} {
			a := s.send(http.MethodGet, path, url.Values{"_count": {count}}.Encode(), nil)
			sound(t, path+" "+count, a)
			if a.status == http.StatusOK && len(s.bundle(a).Entry) > 50 {
				t.Fatalf("_count=%q of %s gives %d entries", count, path, len(s.bundle(a).Entry))
			}
		}
	})
}

// FuzzPath sends whatever strings as id and version.
func FuzzPath(f *testing.F) {
	s := fuzzed(f)
	for _, seed := range [][2]string{{"seen-1", "1"}, {"seen-1", "0"}, {"seen-1", "-1"}, {"seen-1", "99999999999999999999"}, {"", ""}, {"..", "1"}, {".", "."}, {"a/b", "1/2"}, {"%2e%2e", "%"}, {"\x00", "\xff"}, {strings.Repeat("a", 65), "1"}, {"$everything", "_history"}, {"_search", "_history"}, {"é", "é"}, {"'; --", "1 OR 1"}} {
		f.Add(seed[0], seed[1])
	}
	types := facade.Types()
	f.Fuzz(func(t *testing.T, id, version string) {
		for _, typ := range []facade.Type{types[(len(id)+len(version))%len(types)], {Name: "Observation"}} {
			for _, path := range []string{"/" + typ.Name + "/" + id, "/" + typ.Name + "/" + id + "/_history", "/" + typ.Name + "/" + id + "/_history/" + version, "/" + id + "/" + version, "/" + typ.Name + "/" + id + "/$everything"} {
				for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodDelete} {
					a := s.send(method, path, "", nil)
					if method == http.MethodHead {
						if a.status >= 500 {
							t.Fatalf("HEAD %q: %d", path, a.status)
						}
						continue
					}
					sound(t, method+" "+path, a)
					if a.status == http.StatusOK && (method == http.MethodPut || method == http.MethodDelete) {
						t.Fatalf("%s %q is answered with 200", method, path)
					}
				}
			}
		}
	})
}

// FuzzHeaders sends whatever strings as the headers that are read.
func FuzzHeaders(f *testing.F) {
	s := fuzzed(f)
	s.put(at(1), fhir.Resource{Type: "Device", ID: "tagged", Body: []byte(`{"id":"tagged","resourceType":"Device"}`)})
	for _, seed := range [][4]string{
		{"application/fhir+json", "handling=lenient", `W/"1"`, "Mon, 01 Mar 2027 07:00:00 GMT"}, {"*/*;q=0", "handling=strict", `*`, "never"}, {"application/fhir+xml, application/json;q=0.1", "return=minimal;handling=lenient", `"1", W/"2"`, ""},
		{"application/fhir+json; fhirVersion=5.0", "handling", `W/"`, "Monday, 01-Mar-27 07:00:00 GMT"}, {",,;;", `handling="lenient`, `W/"1`, "0"}, {"\x00", "\x00", "\xff", "\xff"}, {"text/*", "respond-async", `"`, "Mon, 31 Feb 2027 07:00:00 GMT"},
	} {
		f.Add(seed[0], seed[1], seed[2], seed[3])
	}
	f.Fuzz(func(t *testing.T, accept, prefer, match, since string) {
		s.t = t
		h := http.Header{"Accept": {accept}, "Prefer": {prefer}, "If-None-Match": {match}, "If-Modified-Since": {since}}
		for _, x := range [][2]string{{"/Device/tagged", ""}, {"/Device/tagged/_history/1", ""}, {"/Device", "nonsense=1"}, {"/Measure/def-1", ""}, {"/metadata", ""}, {"/nothing", ""}} {
			a := s.send(http.MethodGet, x[0], x[1], h)
			sound(t, x[0], a)
			if a.status == http.StatusNotModified && match == "" && since == "" {
				t.Fatalf("%s: 304 without a condition", x[0])
			}
		}
	})
}
