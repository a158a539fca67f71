package facade_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/facade"
	"cannulary/internal/testkit"
)

func TestRead(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Procedure", "a", "p", "1", fhir.Index{}))
	s.put(at(5400), resource("Procedure", "a", "p", "2", fhir.Index{}))
	const newest = `{"id":"a","meta":{"versionId":"2","lastUpdated":"2027-03-01T07:00:05.400Z"},"content":"2","resourceType":"Procedure"}`
	for path, want := range map[string]string{
		"/Procedure/a": newest, "/Procedure/a/": newest, "/Procedure/a/_history/2": newest, "/Procedure/a?_format=json": newest,
		"/Procedure/a/_history/1": strings.NewReplacer(`"2"`, `"1"`, "05.400", "00.000").Replace(newest),
	} {
		a := s.get(path)
		if a.status != 200 || string(a.body) != want {
			t.Errorf("%s: %d %s", path, a.status, a.body)
		}
		if a.header.Get("Cache-Control") != "private, no-cache" {
			t.Errorf("%s: Cache-Control %q", path, a.header.Get("Cache-Control"))
		}
	}
	a := s.get("/Procedure/a")
	if a.header.Get("ETag") != `W/"2"` || a.header.Get("Last-Modified") != "Mon, 01 Mar 2027 07:00:05 GMT" {
		t.Errorf("headers %v", a.header)
	}
	if a := s.get("/Procedure/a/_history/1"); a.header.Get("ETag") != `W/"1"` || a.header.Get("Last-Modified") != "Mon, 01 Mar 2027 07:00:00 GMT" {
		t.Errorf("headers %v", a.header)
	}
	head := s.do(http.MethodHead, "/fhir/Procedure/a", "")
	if head.status != 200 || len(head.body) != 0 || head.header.Get("ETag") != `W/"2"` || head.header.Get("Content-Length") != fmt.Sprint(len(newest)) {
		t.Errorf("HEAD: %d %q %v", head.status, head.body, head.header)
	}
	for _, accept := range []string{"application/fhir+json", "application/json", "*/*", "application/*;q=0.5", "text/html,application/xhtml+xml,*/*;q=0.8", "application/fhir+xml, application/fhir+json;q=0.1", "application/fhir+json; fhirVersion=4.0"} {
		if a := s.get("/Procedure/a", "Accept", accept); a.status != 200 {
			t.Errorf("Accept %s: %d", accept, a.status)
		}
	}
	for _, f := range []string{"json", "application/json", "application/fhir%2Bjson", "application/fhir+json"} {
		if a := s.get("/Procedure/a?_format="+f, "Accept", "text/html"); a.status != 200 {
			t.Errorf("_format %s: %d", f, a.status)
		}
	}
}

func TestConditionalRead(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Procedure", "a", "p", "1", fhir.Index{}), resource("Procedure", "fast", "p", "1", fhir.Index{}))
	s.put(at(5200), resource("Procedure", "a", "p", "2", fhir.Index{}), resource("Procedure", "fast", "p", "2", fhir.Index{}))
	s.put(at(5700), resource("Procedure", "fast", "p", "3", fhir.Index{}))
	const second, before, after = "Mon, 01 Mar 2027 07:00:05 GMT", "Mon, 01 Mar 2027 07:00:04 GMT", "Mon, 01 Mar 2027 07:00:06 GMT"
	for _, c := range []struct {
		id, header, value string
		status            int
	}{
		{"a", "If-None-Match", `W/"2"`, 304}, {"a", "If-None-Match", `"2"`, 304}, {"a", "If-None-Match", `W/"1", W/"2"`, 304}, {"a", "If-None-Match", "*", 304},
		{"a", "If-None-Match", `W/"1"`, 200}, {"a", "If-None-Match", `2`, 200}, {"a", "If-None-Match", `W/"22"`, 200},
		{"a", "If-Modified-Since", second, 304}, {"a", "If-Modified-Since", after, 304}, {"a", "If-Modified-Since", before, 200}, {"a", "If-Modified-Since", "no date", 200},
		// Two versions in that second: the client may have the older one.
		{"fast", "If-Modified-Since", second, 200}, {"fast", "If-Modified-Since", after, 304}, {"fast", "If-None-Match", `W/"3"`, 304},
	} {
		a := s.get("/Procedure/"+c.id, c.header, c.value)
		if a.status != c.status {
			t.Errorf("%s %s %s: %d", c.id, c.header, c.value, a.status)
		}
		if a.status == 304 && (len(a.body) != 0 || a.header.Get("ETag") == "" || a.header.Get("Cache-Control") == "" || a.header.Get("Content-Length") != "") {
			t.Errorf("304 with %q %v", a.body, a.header)
		}
	}
	// The tag goes before the date.
	if a := s.get("/Procedure/a", "If-None-Match", `W/"1"`, "If-Modified-Since", second); a.status != 200 {
		t.Errorf("both: %d", a.status)
	}
}

func TestHistory(t *testing.T) {
	s := newService(t)
	for n := 1; n <= 5; n++ {
		s.put(at(n*1000), resource("Procedure", "a", "p", fmt.Sprint(n), fhir.Index{}))
	}
	var got []string
	path := "/Procedure/a/_history?_count=2"
	for page := 0; path != ""; page++ {
		b := s.bundle(s.get(path))
		if b.Type != "history" || b.Total == nil || *b.Total != 5 || b.Meta.LastUpdated != "2027-03-01T07:00:05.000Z" {
			t.Fatalf("page %+v", b)
		}
		if self := b.link("self"); self != base+path {
			t.Errorf("self is %s, asked was %s", self, path)
		}
		for _, e := range b.Entry {
			got = append(got, fmt.Sprint(e.Resource.Content, e.Request.Method, e.Request.URL, e.Response.Status, e.Response.Etag, e.FullURL == base+"/Procedure/a", e.Response.LastModified == e.Resource.Meta.LastUpdated))
		}
		if path = b.link("next"); path != "" {
			path = follow(t, path)
		}
		if page == 0 {
			// A version that comes while the client pages does not shift the pages, and the
			// watermark stays that of the first page.
			s.put(at(9000), resource("Device", "d", "", "", fhir.Index{}))
		}
	}
	want := []string{}
	for n := 5; n > 0; n-- {
		status := "200"
		if n == 1 {
			status = "201"
		}
		want = append(want, fmt.Sprint(n, `PUTProcedure/a`, status, fmt.Sprintf(`W/"%d"`, n), true, true))
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got %q\nwant %q", got, want)
	}
	if b := s.bundle(s.get("/Procedure/a/_history?_since=2027-03-01T07:00:04Z")); len(b.Entry) != 2 || *b.Total != 2 {
		t.Errorf("since: %d of %d", len(b.Entry), *b.Total)
	}
	if b := s.bundle(s.get("/Procedure/a/_history?_count=0")); len(b.Entry) != 0 || *b.Total != 5 || b.link("next") != "" {
		t.Errorf("count 0: %+v", b)
	}
	if b := s.bundle(s.get("/Procedure/a/_history?_sort=date", "Prefer", "handling=lenient")); len(b.Entry) != 5 || b.link("self") != base+"/Procedure/a/_history" {
		t.Errorf("lenient: %+v", b.Link)
	}
	// R4: _at asks for the versions that were current at some point of the time given.
	for _, c := range []struct{ at, want string }{
		{"2027-03-01T07:00:03.500Z", "3"}, {"2027-03-01T07:00:03Z", "3"}, {"2027-03-01T07:00:02.999Z", "2"}, {"2027-03-01T07:00", "54321"}, {"2027", "54321"},
		{"2026", ""}, {"2028-01-01", "5"}, {"2027-03-01T07:00:04.000Z", "4"},
	} {
		got := ""
		b := s.bundle(s.get("/Procedure/a/_history?_at=" + c.at))
		for _, e := range b.Entry {
			got += e.Resource.Meta.VersionID
		}
		if got != c.want || *b.Total != len(c.want) {
			t.Errorf("at %s the versions %q of %d, want %q", c.at, got, *b.Total, c.want)
		}
	}
}

func TestEverything(t *testing.T) {
	s := newService(t, func(c *facade.Config) {
		c.Survivor = func(id string) string {
			if id == "old" {
				return "p"
			}
			return id
		}
	})
	s.put(at(0), resource("Practitioner", "ann", "", "", fhir.Index{}), resource("Patient", "p", "p", "", fhir.Index{}), resource("Patient", "old", "old", "", fhir.Index{}), resource("Patient", "q", "q", "", fhir.Index{}))
	s.put(at(1), resource("Procedure", "a", "p", "", fhir.Index{References: []fhir.Reference{{Param: "performer", Type: "Practitioner", ID: "ann"}}}),
		resource("Procedure", "b", "q", "", fhir.Index{}))
	for _, c := range []struct{ path, ids, outcomes string }{
		{"/Patient/p/$everything", "Practitioner/ann Patient/p Procedure/a", ""},
		{"/Patient/p/%24everything?_type=Procedure,Patient", "Patient/p Procedure/a", ""},
		{"/Patient/p/$everything?_since=2027-03-01T07:00:00.001Z", "Procedure/a", ""},
		{"/Patient/old/$everything", "Practitioner/ann Patient/p Patient/old Procedure/a", "information: Patient/old was merged into Patient/p; the answer is that of Patient/p"},
	} {
		b := s.bundle(s.get(c.path))
		if b.ids() != c.ids || b.outcomes() != c.outcomes || b.Type != "searchset" {
			t.Errorf("%s: %s, %s", c.path, b.ids(), b.outcomes())
		}
		var paged []string
		path := c.path + map[bool]string{true: "&", false: "?"}[strings.Contains(c.path, "?")] + "_count=1"
		for path != "" {
			b := s.bundle(s.get(path))
			paged = append(paged, b.ids())
			if b.outcomes() != c.outcomes {
				t.Errorf("%s: %q", path, b.outcomes())
			}
			if path = b.link("next"); path != "" {
				path = follow(t, path)
			}
		}
		if strings.Join(paged, " ") != c.ids {
			t.Errorf("%s by one: %v", c.path, paged)
		}
	}
	// FHIR R4, 3.2.0: an operation can always be invoked by POST.
	posted := s.do("POST", facade.Path+"/Patient/p/$everything", `{"resourceType":"Parameters","parameter":[{"name":"_count","valueInteger":1},{"name":"start","valueDate":"2026-01-01"}]}`,
		"Content-Type", "application/fhir+json")
	asked := s.get("/Patient/p/$everything?_count=1&start=2026-01-01")
	if posted.status != http.StatusOK || string(posted.body) != string(asked.body) || s.bundle(posted).ids() == "" {
		t.Errorf("posted: %d %s\nasked: %s", posted.status, posted.body, asked.body)
	}
	b := s.bundle(s.get("/Patient/p/$everything"))
	for i, mode := range []string{"include", "match", "match"} {
		if b.Entry[i].Search.Mode != mode {
			t.Errorf("entry %d is %s", i, b.Entry[i].Search.Mode)
		}
	}
}

// TestBaseOfRequest checks links where no public base is configured.
func TestBaseOfRequest(t *testing.T) {
	s := newService(t, func(c *facade.Config) { c.Base = "" })
	r := httptest.NewRequest(http.MethodGet, "http://10.0.0.7:7451/fhir/Procedure", nil)
	w := httptest.NewRecorder()
	testkit.Open(s.h).ServeHTTP(w, r)
	if want := `{"resourceType":"Bundle","meta":{"lastUpdated":"1970-01-01T00:00:00.000Z"},"type":"searchset","total":0,"link":[{"relation":"self","url":"http://10.0.0.7:7451/fhir/Procedure"}]}`; w.Body.String() != want {
		t.Errorf("got %s\nwant %s", w.Body, want)
	}
}
