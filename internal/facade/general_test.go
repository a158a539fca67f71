package facade_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"

	"cannulary/fhir"
)

// TestPretty: _pretty is taken by every interaction; true indents and changes nothing else.
func TestPretty(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Patient", "p", "p", "<&>", fhir.Index{}), resource("Procedure", "a", "p", "", fhir.Index{}), resource("Procedure", "b", "p", "", fhir.Index{}))
	for _, path := range []string{"/Patient/p", "/Patient/p/_history/1", "/Patient/p/_history", "/Patient/_history", "/_history", "/Procedure", "/Patient/p/$everything", "/Patient/p/Procedure", "/metadata", "/Patient/p?_summary=true"} {
		sep := "?"
		if strings.Contains(path, "?") {
			sep = "&"
		}
		plain, not, pretty := s.get(path), s.get(path+sep+"_pretty=false"), s.get(path+sep+"_pretty=true")
		if not.status != 200 || pretty.status != 200 || bytes.Contains(not.body, []byte("\n")) || !bytes.Contains(pretty.body, []byte("\n  \"")) {
			t.Errorf("%s: %d %d, %.60s", path, not.status, pretty.status, pretty.body)
		}
		var compact bytes.Buffer
		if err := json.Compact(&compact, pretty.body); err != nil {
			t.Fatal(err)
		}
		// The links say what was asked.
		if got := strings.NewReplacer("?_pretty=true&", "?", "?_pretty=true", "", "&_pretty=true", "").Replace(compact.String()); got != string(plain.body) {
			t.Errorf("%s: %s\nwant %s", path, got, plain.body)
		}
		if fmt.Sprint(len(pretty.body)) != pretty.header.Get("Content-Length") || pretty.header.Get("ETag") != plain.header.Get("ETag") {
			t.Errorf("%s: %v", path, pretty.header)
		}
	}
	// It goes on with the pages, and a page may be asked for either way.
	b := s.bundle(s.get("/Procedure?_count=1&_pretty=true"))
	if next := follow(t, b.link("next")); !strings.Contains(next, "_pretty=true") || s.bundle(s.get(strings.Replace(next, "_pretty=true", "_pretty=false", 1))).ids() != "Procedure/b" {
		t.Error(next)
	}
	// The kick-off of an export takes it, too: TestExportErrors has no complaint of it.
	if a := s.get("/Patient/p?_pretty=true", "If-None-Match", `W/"1"`); a.status != http.StatusNotModified || len(a.body) != 0 {
		t.Errorf("not modified: %d %s", a.status, a.body)
	}
}

// TestReadsRefuse: what a read does not know is refused as in a search, or ignored where the
// client asks for that.
func TestReadsRefuse(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Patient", "p", "p", "", fhir.Index{}))
	for _, path := range []string{"/Patient/p?_elements=active&_format=json&_summary=false", "/Patient/p/_history/1?_summary=data", "/metadata?mode=full&_summary=true"} {
		if a := s.get(path); a.status != 200 {
			t.Errorf("%s: %d %s", path, a.status, a.body)
		}
	}
	if a := s.get("/Patient/p?nonsense=1", "Prefer", "handling=lenient"); a.status != 200 {
		t.Errorf("lenient: %d", a.status)
	}
	whole, part := s.get("/Patient/p/_history/1"), s.get("/Patient/p/_history/1?_elements=active")
	if whole.header.Get("ETag") == "" || part.header.Get("ETag") != "" || bytes.Contains(part.body, []byte("content")) || !bytes.Contains(part.body, []byte("SUBSETTED")) {
		t.Errorf("a part of a version: %v %s", part.header, part.body)
	}
}

func TestGzip(t *testing.T) {
	s := newService(t)
	for i := range 40 {
		s.put(at(i), resource("Procedure", fmt.Sprint("p", i), "p", "every resource says much the same", fhir.Index{}))
	}
	s.put(at(50), resource("Device", "long", "", strings.Repeat("long ", 1000), fhir.Index{}), resource("Device", "short", "", "", fhir.Index{}))
	plain := s.get("/Procedure?_count=40")
	unpack := func(a answered) []byte {
		t.Helper()
		z, err := gzip.NewReader(bytes.NewReader(a.body))
		if err != nil {
			t.Fatal(err)
		}
		out, err := io.ReadAll(z)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	ask := func(method, path string, headers ...string) answered {
		return s.doAny(method, "/fhir"+path, headers...)
	}
	for range 3 { // the pool gives the same writer again
		a := ask("GET", "/Procedure?_count=40", "Accept-Encoding", "br, gzip;q=0.5")
		if a.header.Get("Content-Encoding") != "gzip" || !bytes.Equal(unpack(a), plain.body) || len(a.body)*5 > len(plain.body) {
			t.Fatalf("%v, %d of %d bytes", a.header, len(a.body), len(plain.body))
		}
		if a.header.Get("Content-Length") != fmt.Sprint(len(a.body)) || !strings.Contains(a.header.Get("Vary"), "Accept-Encoding") {
			t.Errorf("%v", a.header)
		}
		head := ask("HEAD", "/Procedure?_count=40", "Accept-Encoding", "gzip")
		if head.header.Get("Content-Length") != a.header.Get("Content-Length") || head.header.Get("Content-Encoding") != "gzip" || len(head.body) != 0 {
			t.Errorf("HEAD: %v", head.header)
		}
	}
	for _, c := range []struct{ path, accepts string }{{"/Procedure?_count=40", ""}, {"/Procedure?_count=40", "gzip;q=0"}, {"/Procedure?_count=40", "br"}, {"/Device/short", "gzip"}, {"/Nothing", "gzip"}} {
		a := ask("GET", c.path, "Accept-Encoding", c.accepts)
		if a.header.Get("Content-Encoding") != "" || !json.Valid(a.body) || !strings.Contains(a.header.Get("Vary"), "Accept-Encoding") {
			t.Errorf("%+v: %v", c, a.header)
		}
	}
	// The tag is weak: it is that of both forms.
	a, b := ask("GET", "/Device/long", "Accept-Encoding", "gzip"), ask("GET", "/Device/long")
	if a.header.Get("ETag") != `W/"1"` || b.header.Get("ETag") != `W/"1"` || !bytes.Equal(unpack(a), b.body) {
		t.Errorf("%v %v", a.header, b.header)
	}
	if a := ask("GET", "/Device/long", "Accept-Encoding", "gzip", "If-None-Match", `W/"1"`); a.status != 304 || a.header.Get("Content-Encoding") != "" || len(a.body) != 0 {
		t.Errorf("304: %d %v", a.status, a.header)
	}
}

// TestSlashes: a base that ends with a slash gives paths with two.
func TestSlashes(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Patient", "p", "p", "", fhir.Index{}))
	for _, path := range []string{"//Patient", "/Patient//", "//Patient//p", "///metadata", "/Patient/p/"} {
		if a := s.get(path); a.status != 200 {
			t.Errorf("%s: %d %s", path, a.status, a.body)
		}
	}
	if b := s.bundle(s.get("//Patient")); b.ids() != "Patient/p" || b.link("self") != base+"/Patient" {
		t.Errorf("%s %v", b.ids(), b.Link)
	}
}

// TestCompartments: Patient/[id]/[type] is the search of the type with patient=[id].
func TestCompartments(t *testing.T) {
	s := newService(t)
	status := fhir.Index{Tokens: []fhir.Token{{Param: "status", System: "http://hl7.org/fhir/observation-status", Code: "final"}}}
	s.put(at(0), resource("Patient", "p", "p", "", fhir.Index{}), resource("Patient", "q", "q", "", fhir.Index{}),
		resource("Observation", "a", "p", "", status), resource("Observation", "b", "p", "", fhir.Index{}), resource("Observation", "c", "q", "", status), resource("Flag", "f", "p", "", fhir.Index{}),
		resource("Provenance", "of-p", "", "", fhir.Index{References: []fhir.Reference{{Param: "patient", Type: "Patient", ID: "p"}}}))
	for path, ids := range map[string]string{
		"/Patient/p/Observation": "Observation/a Observation/b", "/Patient/q/Observation": "Observation/c", "/Patient/p/Observation?status=final": "Observation/a",
		"/Patient/p/Flag": "Flag/f", "/Patient/q/Flag": "", "/Patient/p/Observation?patient=q": "", "/Patient/p/Provenance": "Provenance/of-p",
	} {
		if got := s.bundle(s.get(path)).ids(); got != ids {
			t.Errorf("%s: %q, want %q", path, got, ids)
		}
	}
	b := s.bundle(s.get("/Patient/p/Observation?_count=1&status=final,registered"))
	if b.link("self") != base+"/Observation?_count=1&patient=Patient%2Fp&status=final%2Cregistered" {
		t.Errorf("self is %s", b.link("self"))
	}
	b = s.bundle(s.get("/Patient/p/Observation?_count=1"))
	if got := s.bundle(s.get(follow(t, b.link("next")))).ids(); b.ids() != "Observation/a" || got != "Observation/b" {
		t.Errorf("pages: %s, %s", b.ids(), got)
	}
	post := s.do(http.MethodPost, "/fhir/Patient/p/Observation/_search", "status=final", "Content-Type", "application/x-www-form-urlencoded")
	if got := s.bundle(post).ids(); got != "Observation/a" {
		t.Errorf("POST: %s", got)
	}
}
