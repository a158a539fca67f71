package answer_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"cannulary/internal/answer"
	"cannulary/internal/chairside"
	"cannulary/internal/door"
	"cannulary/internal/facade"
	"cannulary/internal/fault"
	"cannulary/internal/grpcapi"
	"cannulary/internal/infectioncontrol"
	"cannulary/internal/intake"
	"cannulary/internal/surveil"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	"cannulary/internal/web"
	"cannulary/internal/web/cdshooks"
	"cannulary/internal/whatif"
	v1 "cannulary/proto/cannulary/v1"
)

// wanted is how an error must be told, whichever server tells it.
type wanted struct {
	err    error
	grpc   codes.Code
	status int
	code   string // in JSON
	issue  string // in an OperationOutcome
	text   string
}

// kinds has a row for every kind of fault, and one for what is no fault.
func kinds() map[string]wanted {
	of := func(k fault.Kind) error { return fmt.Errorf("inside: %w", fault.New(k, "it is <so>", "do this")) }
	const text = "it is <so>. Do this"
	return map[string]wanted{
		"internal":        {of(fault.Internal), codes.Internal, 500, "internal", "exception", text},
		"invalid":         {of(fault.Invalid), codes.InvalidArgument, 400, "invalid", "invalid", text},
		"precondition":    {of(fault.Precondition), codes.FailedPrecondition, 422, "precondition", "business-rule", text},
		"conflict":        {of(fault.Conflict), codes.AlreadyExists, 409, "conflict", "conflict", text},
		"not-found":       {of(fault.NotFound), codes.NotFound, 404, "not-found", "not-found", text},
		"gone":            {of(fault.Gone), codes.NotFound, 410, "gone", "deleted", text},
		"full":            {of(fault.Full), codes.ResourceExhausted, 507, "full", "no-store", text},
		"unavailable":     {of(fault.Unavailable), codes.Unavailable, 503, "unavailable", "transient", text},
		"unsupported":     {of(fault.Unsupported), codes.Unimplemented, 501, "unsupported", "not-supported", text},
		"too-large":       {of(fault.TooLarge), codes.InvalidArgument, 413, "too-large", "too-long", text},
		"early":           {of(fault.Early), codes.OutOfRange, 425, "early", "value", text},
		"denied":          {of(fault.Denied), codes.PermissionDenied, 403, "denied", "forbidden", text},
		"limited":         {of(fault.Limited), codes.ResourceExhausted, 429, "limited", "throttled", text},
		"unauthenticated": {of(fault.Unauthenticated), codes.Unauthenticated, 401, "unauthenticated", "login", text},
		"no fault":        {errors.New("password=secret"), codes.Internal, 500, "internal", "exception", broken},
	}
}

func TestEveryKindHasARow(t *testing.T) {
	seen := map[int]fault.Kind{}
	for k := range fault.Kinds {
		c, ok := kinds()[k.String()]
		if !ok {
			t.Errorf("%s has no row", k)
		}
		if other, twice := seen[c.status]; twice {
			t.Errorf("%s and %s share the status %d, so a client cannot tell them apart", k, other, c.status)
		}
		seen[c.status] = k
	}
}

// failing is a request whose end has a cause that the database hands on: so that a page that
// reads the view meets the error.
type failing struct {
	context.Context
	err error
}

func (f failing) Err() error { return f.err }

func (f failing) Done() <-chan struct{} {
	c := make(chan struct{})
	close(c)
	return c
}

// server is one handler, with a request that meets the error.
type server struct {
	handler http.Handler
	request *http.Request
	form    string // json, outcome, html or text
}

func servers(t *testing.T, store *view.Store, err error) map[string]server {
	t.Helper()
	log := testkit.Discard()
	get := func(path string, header ...string) *http.Request {
		r := httptest.NewRequest(http.MethodGet, path, nil)
		for i := 0; i < len(header); i += 2 {
			r.Header.Set(header[i], header[i+1])
		}
		return r
	}
	post := httptest.NewRequest(http.MethodPost, "/what-if", strings.NewReader("{}"))
	post.Header.Set("Content-Type", "application/json")
	cards := &chairside.Service{Store: store, Now: time.Now, Lagging: func() bool { return false }}
	refuses := func() error { return err }
	fhir, e := facade.New(facade.Config{Store: store, Now: time.Now, Log: log})
	if e != nil {
		t.Fatal(e)
	}
	hooks, e := cdshooks.New(cdshooks.Config{Cards: cards, Log: log})
	if e != nil {
		t.Fatal(e)
	}
	pages := web.Pages(web.Config{Cards: cards, Store: store, Now: time.Now, Log: log,
		Status: func(context.Context) (web.Status, error) { return web.Status{}, nil }})
	control := &infectioncontrol.Service{
		Watch:     func(context.Context) ([]*surveil.Watch, error) { return nil, err },
		Knowledge: func(context.Context) infectioncontrol.Knowledge { return infectioncontrol.Knowledge{} },
	}
	compare := func(context.Context, whatif.Proposal, string) (whatif.Report, error) { return whatif.Report{}, err }
	confirm := get("/confirm?patient=a&scan=b", "Accept", "text/html")
	at := func(path, accept string) *http.Request {
		r := get(path, "Accept", accept)
		return r.WithContext(failing{t.Context(), err})
	}
	return map[string]server{
		"/fhir":                   {answer.Withhold(testkit.Open(fhir), refuses), get("/fhir/Patient"), "outcome"},
		"/cds-services":           {answer.Withhold(hooks, refuses), get("/cds-services"), "outcome"},
		"/what-if":                {web.WhatIf(compare, log), post, "json"},
		"/surveillance/signals":   {web.Signals(control, log), get("/surveillance/signals"), "json"},
		"/surveillance/threshold": {web.Threshold(control, log), get("/surveillance/threshold"), "json"},
		"/surveillance/report":    {web.Report(control, log), get("/surveillance/report"), "json"},
		"/ as a page":             {pages, at("/", "text/html"), "html"},
		"/ as JSON":               {pages, at("/", "application/json"), "json"},
		"/ as text":               {pages, at("/", "text/plain"), "text"},
		"/unit as a page":         {pages, at("/unit", "text/html"), "html"},
		"/unit as JSON":           {pages, at("/unit", "application/json"), "json"},
		"/cannulators":            {pages, at("/cannulators", "text/html"), "html"},
		"/track as a page":        {pages, at("/track?patient=a&track=b", "text/html"), "html"},
		"/track as JSON":          {pages, at("/track?patient=a&track=b", "application/json"), "json"},
		"/past":                   {pages, at("/past?patient=a&date=2026-01-01", "text/html"), "html"},
		"/ as confirm":            {pages, confirm.WithContext(failing{t.Context(), err}), "html"},
	}
}

// told holds an answer against what is wanted of it.
func told(t *testing.T, name, form string, w *httptest.ResponseRecorder, want wanted) {
	t.Helper()
	body := w.Body.String()
	media := map[string]string{"json": "application/json", "outcome": "application/fhir+json; charset=utf-8",
		"html": "text/html; charset=utf-8", "text": "text/plain; charset=utf-8"}[form]
	if w.Code != want.status || w.Header().Get("Content-Type") != media || w.Header().Get("Cache-Control") != "no-store" ||
		w.Header().Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("%s: %d %v %s, want %d", name, w.Code, w.Header(), body, want.status)
	}
	if strings.Contains(body, "secret") {
		t.Errorf("%s tells the cause: %s", name, body)
	}
	var found string
	switch form {
	case "json":
		var e struct{ Error struct{ Code, Text string } }
		if err := json.Unmarshal([]byte(body), &e); err != nil || e.Error.Code != want.code {
			t.Errorf("%s: %s, want the code %s", name, body, want.code)
		}
		found = e.Error.Text
	case "outcome":
		var o struct {
			Issue []struct{ Code, Diagnostics string }
		}
		if err := json.Unmarshal([]byte(body), &o); err != nil || len(o.Issue) != 1 || o.Issue[0].Code != want.issue {
			t.Fatalf("%s: %s, want the issue %s", name, body, want.issue)
		}
		found = o.Issue[0].Diagnostics
	case "html":
		if strings.Contains(body, html.EscapeString(strings.ToUpper(want.text[:1])+want.text[1:])) {
			found = want.text
		}
	case "text":
		found = strings.TrimSuffix(body, "\n")
	}
	if found != want.text {
		t.Errorf("%s: %s, want the text %q", name, body, want.text)
	}
}

func TestEveryServerTellsEveryKindAlike(t *testing.T) {
	store, err := view.Open(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	for kind, want := range kinds() {
		for name, s := range servers(t, store, want.err) {
			want, passing, hidden := want, want, want
			passing.status, passing.code, passing.text = 503, "unavailable", "the request ended before it was answered. Try again"
			hidden.status, hidden.issue, hidden.text = 500, "exception", broken
			switch {
			case s.request.Method == http.MethodGet && s.request.Context().Err() != nil && want.status == 500:
				want = passing // of a request that ended no failure is told
			case kind != "unavailable" && name == "/cds-services":
				want = hidden // a fault may speak of the patient
			}
			w := httptest.NewRecorder()
			s.handler.ServeHTTP(w, s.request)
			told(t, name+" "+kind, s.form, w, want)
		}
	}
	// What fails inside, and is no matter of who asks.
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	want := kinds()["no fault"]
	for name, s := range servers(t, store, nil) {
		if strings.HasPrefix(name, "/ as") || name == "/fhir" {
			w := httptest.NewRecorder()
			s.handler.ServeHTTP(w, s.request.WithContext(t.Context()))
			told(t, name+" with a broken view", s.form, w, want)
		}
	}
}

func TestEveryServerTellsAlikeWhatOnlyHTTPKnows(t *testing.T) {
	store, err := view.Open(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	for name, s := range servers(t, store, nil) {
		r := s.request.WithContext(t.Context())
		r.Method = http.MethodPatch
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, r)
		if w.Code != http.StatusMethodNotAllowed || w.Header().Get("Allow") == "" {
			t.Errorf("PATCH %s: %d %v", name, w.Code, w.Header())
		}
		told(t, "PATCH "+name, s.form, w, wanted{status: 405, code: "method-not-allowed", issue: "not-supported", text: saidBy(s.form, w)})

		// The same damaged question, in the same words.
		r = s.request.WithContext(t.Context())
		r.URL.RawQuery = "facility=nowhere%zz"
		w = httptest.NewRecorder()
		s.handler.ServeHTTP(w, r)
		told(t, "a damaged query of "+name, s.form, w, wanted{status: 400, code: "invalid", issue: "structure",
			text: "the query of the URL cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C"})
	}
	for _, path := range []string{"/fhir", "/cds-services"} {
		s := servers(t, store, nil)[path]
		s.request.Header.Set("Accept", "application/xml")
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, s.request)
		told(t, path, s.form, w, wanted{status: 406, issue: "not-supported", text: saidBy(s.form, w)})
	}
	s := servers(t, store, nil)["/what-if"]
	s.request.Header.Set("Content-Type", "text/plain")
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, s.request)
	told(t, "/what-if", s.form, w, wanted{status: 415, code: "unsupported-media-type",
		text: "the body must be sent as Content-Type application/json"})
}

// saidBy is the text of an answer whose words are each server's own, and tested there.
func saidBy(form string, w *httptest.ResponseRecorder) string {
	var e struct {
		Error struct{ Text string }
		Issue []struct{ Diagnostics string }
	}
	switch err := json.Unmarshal(w.Body.Bytes(), &e); {
	case form == "text" || form == "html":
		return "this address can only be read, with GET or HEAD; facts are posted over gRPC"
	case err == nil && len(e.Issue) == 1:
		return e.Issue[0].Diagnostics
	}
	return e.Error.Text
}

// recorder records nothing: it answers with an error.
type recorder struct{ err error }

func (r recorder) Record(context.Context, intake.Message, ...func()) (intake.Answer, error) {
	return intake.Answer{}, r.err
}

func TestGRPCTellsEveryKind(t *testing.T) {
	for kind, want := range kinds() {
		lis, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		d, err := door.New(door.Config{Now: time.Now, Slog: testkit.Discard()})
		if err != nil {
			t.Fatal(err)
		}
		s := grpcapi.New(recorder{want.err}, d, testkit.Discard(), nil)
		served := make(chan error, 1)
		go func() { served <- s.Serve(lis) }()
		_, err = testkit.Dial(t, lis.Addr().String()).Send(testkit.Context(t), testkit.Registration())
		if st := status.Convert(err); st.Code() != want.grpc || st.Message() != want.text {
			t.Errorf("%s: %v, want %s %q", kind, err, want.grpc, want.text)
		}
		r := fed(t, testkit.Dial(t, lis.Addr().String()))
		if r.GetCode() != uint32(want.grpc) || r.GetOutcome() != v1.FeedOutcome_FEED_OUTCOME_REFUSED ||
			len(r.GetReasons()) != 1 || r.GetReasons()[0].GetDescription() != want.text {
			t.Errorf("%s in a feed: %v", kind, r)
		}
		s.Stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
	}
}

// fed is the answer to a message of a feed.
func fed(t *testing.T, c *testkit.Client) *v1.FeedResponse {
	t.Helper()
	f := c.Feed(t)
	if err := f.Send(testkit.Registration()); err != nil {
		t.Fatal(err)
	}
	r, err := f.Recv()
	if err != nil {
		t.Fatal(err)
	}
	if err := f.CloseSend(); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("after the only answer: %v", err)
	}
	return r
}
