package facade_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/facade"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
)

// start is the invented time at which the tests' log begins.
var start = time.Date(2027, 3, 1, 7, 0, 0, 0, time.UTC)

func at(ms int) time.Time { return start.Add(time.Duration(ms) * time.Millisecond) }

const base = "https://gateway.example/fhir"

// service is a facade over a view that the test writes as the projector does.
type service struct {
	t     testing.TB
	store *view.Store
	h     *facade.Handler
	seq   uint64
}

func newService(t testing.TB, change ...func(*facade.Config)) *service {
	t.Helper()
	store, err := view.Open(context.Background(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	cfg := facade.Config{Store: store, Base: base, Now: func() time.Time { return start }}
	for _, f := range change {
		f(&cfg)
	}
	h, err := facade.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return &service{t: t, store: store, h: h}
}

func resource(typ, id, patient, content string, ix fhir.Index) fhir.Resource {
	return fhir.Resource{Type: typ, ID: id, Patient: patient, Index: ix,
		Body: fmt.Appendf(nil, `{"id":"%s","content":%q,"resourceType":"%s"}`, id, content, typ)}
}

func (s *service) put(updated time.Time, list ...fhir.Resource) {
	s.t.Helper()
	s.seq++
	tx, err := s.store.Begin(context.Background())
	if err != nil {
		s.t.Fatal(err)
	}
	defer tx.Rollback()
	for _, r := range list {
		if _, _, err := tx.Put(r, s.seq, updated); err != nil {
			s.t.Fatal(err)
		}
	}
	if err := tx.SetCheckpoint(view.Checkpoint{LogID: "log", Seq: s.seq, EventID: fmt.Sprint(s.seq), Logged: updated, Updated: updated}); err != nil {
		s.t.Fatal(err)
	}
	if err := tx.Commit(); err != nil {
		s.t.Fatal(err)
	}
}

// answered is what came back.
type answered struct {
	status int
	header http.Header
	body   []byte
}

// do sends a request; headers are pairs of name and value.
func (s *service) do(method, target, body string, headers ...string) answered {
	s.t.Helper()
	var in io.Reader
	if body != "" {
		in = strings.NewReader(body)
	}
	r := httptest.NewRequest(method, target, in)
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Add(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	testkit.Open(s.h).ServeHTTP(w, r)
	a := answered{w.Code, w.Header(), w.Body.Bytes()}
	if method != http.MethodHead && a.status != http.StatusNotModified {
		if got := a.header.Get("Content-Type"); got != "application/fhir+json; charset=utf-8" {
			s.t.Errorf("%s %s: content type %q", method, target, got)
		}
		if !json.Valid(a.body) {
			s.t.Errorf("%s %s: the body is no JSON: %s", method, target, a.body)
		}
	}
	return a
}

// doAny sends a request without a look at what comes back.
func (s *service) doAny(method, target string, headers ...string) answered {
	s.t.Helper()
	r := httptest.NewRequest(method, target, nil)
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Add(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	testkit.Open(s.h).ServeHTTP(w, r)
	return answered{w.Code, w.Header(), w.Body.Bytes()}
}

func (s *service) get(path string, headers ...string) answered {
	s.t.Helper()
	return s.do(http.MethodGet, facade.Path+path, "", headers...)
}

// bundle is a Bundle as a client reads it.
type bundle struct {
	ResourceType string
	Meta         struct{ LastUpdated string }
	Type         string
	Total        *int
	Link         []struct{ Relation, URL string }
	Entry        []struct {
		FullURL  string
		Resource struct {
			ResourceType, ID, Content string
			Meta                      struct{ VersionID, LastUpdated string }
			Issue                     []struct{ Severity, Code, Diagnostics string }
		}
		Search   struct{ Mode string }
		Request  struct{ Method, URL string }
		Response struct{ Status, Etag, LastModified string }
	}
}

func (b *bundle) link(relation string) string {
	for _, l := range b.Link {
		if l.Relation == relation {
			return l.URL
		}
	}
	return ""
}

// ids lists the resources that are no outcomes, with their types.
func (b *bundle) ids() string {
	var out []string
	for _, e := range b.Entry {
		if e.Search.Mode != "outcome" {
			out = append(out, e.Resource.ResourceType+"/"+e.Resource.ID)
		}
	}
	return strings.Join(out, " ")
}

func (b *bundle) outcomes() string {
	var out []string
	for _, e := range b.Entry {
		if e.Search.Mode == "outcome" {
			out = append(out, e.Resource.Issue[0].Severity+": "+e.Resource.Issue[0].Diagnostics)
		}
	}
	return strings.Join(out, "\n")
}

func (s *service) bundle(a answered) *bundle {
	s.t.Helper()
	if a.status != http.StatusOK {
		s.t.Fatalf("status %d: %s", a.status, a.body)
	}
	var b bundle
	if err := json.Unmarshal(a.body, &b); err != nil {
		s.t.Fatal(err)
	}
	if b.ResourceType != "Bundle" {
		s.t.Fatalf("it is a %s", b.ResourceType)
	}
	return &b
}

// follow turns a link into the path that get takes.
func follow(t testing.TB, link string) string {
	t.Helper()
	path, ok := strings.CutPrefix(link, base)
	if !ok {
		t.Fatalf("the link %q does not begin with the public base", link)
	}
	return path
}

// outcome reads an OperationOutcome of one issue.
func outcome(t testing.TB, a answered) (code, text, where string) {
	t.Helper()
	var o struct {
		ResourceType string
		Issue        []struct {
			Severity, Code, Diagnostics string
			Expression                  []string
		}
	}
	if err := json.Unmarshal(a.body, &o); err != nil {
		t.Fatalf("status %d with no outcome: %s", a.status, a.body)
	}
	if o.ResourceType != "OperationOutcome" || len(o.Issue) != 1 || o.Issue[0].Severity != "error" || o.Issue[0].Diagnostics == "" {
		t.Fatalf("status %d with no proper outcome: %s", a.status, a.body)
	}
	return o.Issue[0].Code, o.Issue[0].Diagnostics, strings.Join(o.Issue[0].Expression, " ")
}

func urlEscape(s string) string { return url.QueryEscape(s) }
