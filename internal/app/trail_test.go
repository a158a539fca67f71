package app_test

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/door"
	"cannulary/internal/testkit"
	"cannulary/internal/trail"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// trailed is an instance without a policy that has a patient.
type trailed struct {
	*app.App
	t       *testing.T
	cfg     app.Config
	patient string // key
	ids     []string
}

func newTrailed(t *testing.T, change ...func(*app.Config)) *trailed {
	t.Helper()
	x := &trailed{t: t, cfg: app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: time.Now,
		Slog: testkit.Discard(), Version: "test"}}
	for _, f := range change {
		f(&x.cfg)
	}
	x.open()
	c := testkit.Dial(t, x.GRPCAddr())
	_, _ = c.Send(testkit.Context(t), testkit.Registration())
	for _, s := range testkit.Samples() {
		_, _ = c.Send(testkit.Context(t), s.Request) // whatever is accepted of them fills the view
	}
	someone := testkit.Patient("INVENTED-SOMEONE")
	for i, name := range []string{"roster patient_admitted", "cannulation track_taken_over", "assessment access_examined"} {
		m := testkit.SampleOf(name)
		e := testkit.Envelope(m)
		e.SourceMessageId, e.Patient, e.Session = fmt.Sprint("someone-", i), someone, nil
		if _, err := c.Send(testkit.Context(t), m); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	testkit.Eventually(t, "the view has followed", func() bool { return x.Projector().Sequence() >= testkit.LastSeq(t, x.Log()) })
	_, body := x.get("/fhir/Patient?_elements=id", nil)
	for _, m := range regexp.MustCompile(`"fullUrl":"[^"]*/Patient/([0-9a-f]{32})"`).FindAllStringSubmatch(body, -1) {
		x.ids = append(x.ids, m[1])
	}
	_, body = x.get("/card?identifier="+url.QueryEscape(someone.GetSystem()+"|"+someone.GetValue()), nil)
	if err := json.Unmarshal([]byte(body), &struct {
		Patient struct{ ID *string }
	}{struct{ ID *string }{&x.patient}}); err != nil || !slices.Contains(x.ids, x.patient) {
		t.Fatalf("the patient is not in the view: %v %.300s", err, body)
	}
	return x
}

func (x *trailed) open() {
	x.t.Helper()
	var err error
	if x.App, err = app.New(testkit.Context(x.t), x.cfg); err != nil {
		x.t.Fatal(err)
	}
	x.t.Cleanup(x.Stop)
	x.Start()
	testkit.Eventually(x.t, "the application is ready", x.Ready)
}

func (x *trailed) get(path string, head map[string]string) (int, string) {
	x.t.Helper()
	return x.do(http.MethodGet, path, "", head)
}

func (x *trailed) do(method, path, body string, head map[string]string) (int, string) {
	x.t.Helper()
	r, err := http.NewRequestWithContext(testkit.Context(x.t), method, x.URL()+path, strings.NewReader(body))
	if err != nil {
		x.t.Fatal(err)
	}
	for k, v := range head {
		r.Header.Set(k, v)
	}
	resp, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(r)
	if err != nil {
		x.t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	if path == "/live" {
		return resp.StatusCode, ""
	}
	said, err := io.ReadAll(resp.Body)
	if err != nil {
		x.t.Fatal(err)
	}
	return resp.StatusCode, string(said)
}

// entries returns what is in the trail, oldest first.
func (x *trailed) entries(q trail.Query) []*logv1.Access {
	x.t.Helper()
	q.Count = 10_000
	list, _, err := x.Trail().Search(testkit.Context(x.t), q)
	if err != nil {
		x.t.Fatal(err)
	}
	var out []*logv1.Access
	for _, f := range slices.Backward(list) {
		out = append(out, f.Access)
	}
	return out
}

// of returns the entries of a route.
func (x *trailed) of(route string) (out []*logv1.Access) {
	x.t.Helper()
	for _, e := range x.entries(trail.Query{}) {
		if strings.Contains(e.GetRoute(), route) {
			out = append(out, e)
		}
	}
	return out
}

func keysOf(e *logv1.Access) (out []string) {
	for _, p := range e.GetPatients() {
		out = append(out, hex.EncodeToString(p))
	}
	return out
}

// leaves says in words what a route leaves in the trail. A route that nobody has decided about here fails.
type leaves struct {
	ask, body string // how it is asked, where it is not by its path
	method    string
	route     string // "": no entry
	action    logv1.Action
	names     bool // the entry names the patient
}

func (x *trailed) expected(path string) (leaves, bool) {
	p := url.QueryEscape(x.patient)
	read, search := logv1.Action_ACTION_READ, logv1.Action_ACTION_SEARCH
	l, ok := map[string]leaves{
		"/healthz": {}, "/readyz": {}, "/metrics": {}, "/status": {}, "/fhir/metadata": {}, "/fhir/.well-known/smart-configuration": {},
		"/live": {}, "/style.css": {}, "/live.js": {}, "/icon.svg": {},
		"/login": {}, "/logout": {}, "/lock": {},
		"/login/return":         {ask: "/login/return?state=x&code=y", route: "GET /login/return", action: logv1.Action_ACTION_LOGIN},
		"/break-glass":          {route: "GET /break-glass", action: logv1.Action_ACTION_BREAK_GLASS},
		"/operator/codes":       {method: "POST", route: "POST /operator/codes", action: logv1.Action_ACTION_BREAK_GLASS},
		"/operator/backup":      {method: "POST", route: "POST /operator/backup", action: logv1.Action_ACTION_EXPORT},
		"/break-glass/review":   {route: "GET /break-glass/review", action: read},
		"/fhir/auth/token":      {method: "POST", route: "POST /fhir/auth/token", action: logv1.Action_ACTION_LOGIN},
		"/fhir/AuditEvent":      {ask: "/fhir/AuditEvent?patient=" + p, route: "GET /fhir/AuditEvent", action: search, names: true},
		"/fhir/AuditEvent/":     {ask: "/fhir/AuditEvent/x", route: "GET /fhir/AuditEvent/[id]", action: read},
		"/fhir":                 {route: "GET /fhir", action: read},
		"/fhir/":                {ask: "/fhir/Observation?patient=" + p, route: "GET /fhir/Observation", action: search, names: true},
		"/cds-services":         {route: "GET /cds-services", action: read},
		"/cds-services/":        {ask: "/cds-services/needling-advice", method: "POST", body: hook, route: "POST /cds-services/", action: read, names: true},
		"/surveillance/report":  {ask: "/surveillance/report?facility=invented-north&month=2026-01", route: "GET /surveillance/report", action: read},
		"/surveillance/signals": {route: "GET /surveillance/signals", action: read},
		"/surveillance/threshold": {ask: "/surveillance/threshold?facility=invented-north", route: "GET /surveillance/threshold",
			action: read},
		"/what-if":     {method: "POST", body: `{"version":"x"}`, route: "POST /what-if", action: read},
		"/":            {ask: "/?facility=invented-north&list=all", route: "GET /", action: read, names: true},
		"/card":        {ask: "/card?patient=" + p, route: "GET /card", action: read, names: true},
		"/cards":       {route: "GET /cards", action: read, names: true},
		"/confirm":     {ask: "/confirm?patient=" + p + "&scan=0", route: "GET /confirm", action: read, names: true},
		"/track":       {ask: "/track?patient=" + p + "&track=A1", route: "GET /track", action: read, names: true},
		"/past":        {ask: "/past?patient=" + p + "&date=2026-01-01", route: "GET /past", action: read, names: true},
		"/unit":        {ask: "/unit?facility=invented-north", route: "GET /unit", action: read, names: true},
		"/cannulators": {ask: "/cannulators?facility=invented-north", route: "GET /cannulators", action: read, names: true},
	}[path]
	return l, ok
}

// hook is a call of CDS Hooks about the patient.
var hook = `{"hook":"patient-view","hookInstance":"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea","context":{"userId":"Practitioner/1","patientId":"1"},` +
	`"prefetch":{"patient":{"resourceType":"Patient","id":"1","identifier":[{"system":"` + testkit.Patient("").GetSystem() +
	`","value":"INVENTED-SOMEONE"}]}}}`

// Every route of the door's table leaves what is said here, and an answer tells of no patient whom its entry does not
// name.
func TestEveryRouteLeavesItsEntry(t *testing.T) {
	t.Parallel()
	x := newTrailed(t)
	key := regexp.MustCompile(`[0-9a-f]{32}`)
	for _, row := range door.Routes() {
		l, ok := x.expected(row.Path)
		if !ok {
			t.Errorf("%s stands in the table of rights, and nobody has said here what it leaves in the trail", row.Path)
			continue
		}
		if trail.RuleOf(trail.Rules(), row.Path).Class == trail.Unnamed {
			t.Errorf("%s has no row in trail.Rules", row.Path)
		}
		before := len(x.entries(trail.Query{}))
		ask, method := l.ask, l.method
		if ask == "" {
			ask = row.Path
		}
		if method == "" {
			method = http.MethodGet
		}
		status, said := x.do(method, ask, l.body, map[string]string{"Content-Type": "application/json", "Accept": "application/json, */*;q=0.1"})
		list := x.entries(trail.Query{})[before:]
		if l.route == "" {
			if len(list) != 0 {
				t.Errorf("%s leaves %v", ask, list)
			}
			continue
		}
		if len(list) != 1 {
			t.Errorf("%s leaves %d entries", ask, len(list))
			continue
		}
		e := list[0]
		if e.GetRoute() != l.route || e.GetAction() != l.action || int(e.GetStatus()) != status || e.GetPrincipal() != "everybody" ||
			e.GetFrom() != "127.0.0.1" || e.GetAt() == nil || len(e.GetId()) != 16 || e.GetLink() == nil {
			t.Errorf("%s: %d leaves %v", ask, status, e)
		}
		if l.names != slices.Contains(keysOf(e), x.patient) {
			t.Errorf("%s: %d names %v, want the patient: %v\n%.300s", ask, status, keysOf(e), l.names, said)
		}
		if strings.Contains(e.String(), "invented-north") {
			t.Errorf("%s leaves the value of a parameter: %v", ask, e)
		}
		if status < 400 {
			for _, id := range key.FindAllString(said, -1) {
				if slices.Contains(x.ids, id) && !slices.Contains(keysOf(e), id) {
					t.Errorf("%s tells of %s, and its entry does not", ask, id)
				}
			}
		}
	}
	for _, row := range door.Methods() {
		if trail.RuleOf(trail.Rules(), row.Path).Class == trail.Unnamed {
			t.Errorf("%s has no row in trail.Rules", row.Path)
		}
	}
}

// What could name a patient stands in no entry: neither in a route nor as the name of a parameter.
func TestNoValueStandsInTheTrail(t *testing.T) {
	t.Parallel()
	x := newTrailed(t)
	for _, path := range []string{"/fhir/Patient?identifier=urn:x%7CQ77Q", "/fhir/Q77Q", "/fhir/Patient/Q77Q/Observation", "/fhir/Patient?Q77Q=1",
		"/fhir/Patient/Q77Q/$everything", "/fhir/$export/Q77Q/Patient.ndjson", "/?find=Q77Q", "/card?identifier=urn:x%7CQ77Q", "/Q77Q",
		"/fhir/AuditEvent?altid=Q77Q", "/fhir/AuditEvent/Q77Q", "/cds-services/Q77Q", "/fhir/Observation?subject:Patient.identifier=Q77Q"} {
		x.get(path, nil)
	}
	for _, e := range x.entries(trail.Query{}) {
		if strings.Contains(e.String(), "Q77Q") {
			t.Errorf("an entry holds what was asked for: %v", e)
		}
	}
	routes := map[string]string{"GET /fhir/Patient/[id]/Observation": "", "GET /fhir/Patient/[id]/$everything": "",
		"GET /fhir/$export/[id]/Patient.ndjson": "", "GET [unknown]": "", "GET /fhir/Observation": "subject:Patient.identifier"}
	for _, e := range x.entries(trail.Query{}) {
		if want, ok := routes[e.GetRoute()]; ok && want == strings.Join(e.GetParameters(), " ") {
			delete(routes, e.GetRoute())
		}
	}
	if len(routes) > 0 {
		t.Errorf("no entry of %v", routes)
	}
}

// Each interaction of FHIR names all patients of whom it tells.
func TestFHIRNamesWhomItTellsOf(t *testing.T) {
	t.Parallel()
	x := newTrailed(t)
	_, body := x.get("/fhir/Observation?_count=1", nil)
	m := regexp.MustCompile(`/Observation/([^"/]+)"`).FindStringSubmatch(body)
	if m == nil {
		t.Fatalf("no Observation: %.200s", body)
	}
	for _, path := range []string{"/fhir/Patient", "/fhir/Patient/" + x.patient, "/fhir/Patient/" + x.patient + "/_history",
		"/fhir/Patient/" + x.patient + "/_history/1", "/fhir/Patient/_history", "/fhir/_history", "/fhir/Patient/" + x.patient + "/$everything",
		"/fhir/Patient/" + x.patient + "/Flag", "/fhir/Observation/" + m[1], "/fhir/Provenance?_count=100", "/fhir/Observation?_include=Observation:patient",
		"/fhir/Patient?_id=" + x.patient + "&_revinclude=Provenance:patient", "/fhir/Observation?patient=" + x.patient + "&_summary=count"} {
		status, said := x.get(path, nil)
		list := x.entries(trail.Query{})
		e := list[len(list)-1]
		if status != 200 || int(e.GetStatus()) != status {
			t.Fatalf("%s: %d %v %.200s", path, status, e, said)
		}
		for _, ref := range regexp.MustCompile(`Patient/([0-9a-f]{32})`).FindAllStringSubmatch(said, -1) {
			if !slices.Contains(keysOf(e), ref[1]) {
				t.Errorf("%s tells of %s, and its entry names %v", path, ref[1], keysOf(e))
			}
		}
		if strings.Contains(path, x.patient) && !slices.Contains(keysOf(e), x.patient) {
			t.Errorf("%s does not name who was asked about", path)
		}
	}
	x.exported()
}

// exported: the files of an export name all their patients when they are fetched.
func (x *trailed) exported() {
	x.t.Helper()
	_, said := x.do(http.MethodGet, "/fhir/$export?_type=Patient,Observation", "", map[string]string{"Prefer": "respond-async"})
	id := regexp.MustCompile(`\$export/([0-9a-f]{32})`).FindStringSubmatch(said)
	if id == nil {
		x.t.Fatalf("no export: %s", said)
	}
	at := "/fhir/$export/" + id[1]
	testkit.Eventually(x.t, "the export is done", func() bool {
		status, _ := x.get(at, nil)
		return status == 200
	})
	for _, typ := range []string{"Patient", "Observation"} {
		status, lines := x.get(at+"/"+typ+".ndjson", nil)
		list := x.of(typ + ".ndjson")
		if status != 200 || len(list) != 1 || list[0].GetAction() != logv1.Action_ACTION_EXPORT {
			x.t.Fatalf("%d %v", status, list)
		}
		for _, p := range x.ids {
			if strings.Contains(lines, p) && !slices.Contains(keysOf(list[0]), p) {
				x.t.Errorf("%s.ndjson tells of %s, and its entry names %v", typ, p, keysOf(list[0]))
			}
		}
		if len(keysOf(list[0])) == 0 {
			x.t.Errorf("%s.ndjson names nobody", typ)
		}
	}
}

// A page that is kept open leaves one entry, and one for each patient who newly appears.
func TestAPageThatIsKeptOpen(t *testing.T) {
	t.Parallel()
	x := newTrailed(t)
	const path = "/?facility=invented-north&list=all"
	html := map[string]string{"Accept": "text/html"}
	_, page := x.get(path, html)
	name := regexp.MustCompile(`data-page="([0-9a-f]{32})"`).FindStringSubmatch(page)
	if name == nil {
		t.Fatal("the page has no name")
	}
	open := map[string]string{"Accept": "text/html", trail.PageHeader: name[1]}
	for range 5 {
		if status, _ := x.get(path, open); status != 200 {
			t.Fatal(status)
		}
	}
	if list := x.of("GET /"); len(list) == 0 || list[len(list)-1].GetRoute() != "GET /" || len(onlyToday(list)) != 1 {
		t.Fatalf("a page that was asked for six times leaves %d entries", len(onlyToday(list)))
	}
	c := testkit.Dial(t, x.GRPCAddr())
	newcomer := testkit.SampleOf("roster patient_admitted")
	e := testkit.Envelope(newcomer)
	e.SourceMessageId, e.Patient = "newcomer", testkit.Patient("INVENTED-NEWCOMER")
	if _, err := c.Send(testkit.Context(t), newcomer); err != nil {
		t.Fatal(err)
	}
	testkit.Eventually(t, "the page shows who came", func() bool {
		x.get(path, open)
		return len(onlyToday(x.of("GET /"))) == 2
	})
	x.get(path, open)
	list := onlyToday(x.of("GET /"))
	if len(list) != 2 || len(list[1].GetPatients()) != 1 || hex.EncodeToString(list[0].GetRequest()) != hex.EncodeToString(list[1].GetRequest()) {
		t.Errorf("the entries of the page are %v", list)
	}
	// The name counts for that page alone, and a name that nobody gave opens one.
	x.get(path+"&attention=any", open)
	x.get(path, map[string]string{"Accept": "text/html", trail.PageHeader: strings.Repeat("0", 32)})
	if list := onlyToday(x.of("GET /")); len(list) != 4 {
		t.Errorf("another page under the name, and a name of nobody, leave %d entries, want 2", len(list)-2)
	}
}

func onlyToday(list []*logv1.Access) []*logv1.Access {
	return slices.DeleteFunc(slices.Clone(list), func(e *logv1.Access) bool { return e.GetRoute() != "GET /" })
}

// While the trail does not answer, a needle does not wait for it and an EHR does. Nothing is lost by that.
func TestATrailThatDoesNotAnswer(t *testing.T) {
	t.Parallel()
	x := newTrailed(t)
	x.StopTrail()
	testkit.Eventually(t, "it is noticed", func() bool { return x.Trail().Takes() != nil })
	for _, path := range []string{"/fhir/Patient/" + x.patient, "/fhir/Observation?patient=" + x.patient, "/fhir/$export"} {
		status, said := x.get(path, map[string]string{"Prefer": "respond-async"})
		if status != 503 || !strings.Contains(said, `"resourceType":"OperationOutcome"`) ||
			!strings.Contains(said, "the audit trail does not answer: nothing is read without an entry in it") || strings.Contains(said, x.patient) {
			t.Errorf("%s: %d %.300s", path, status, said)
		}
	}
	for _, path := range []string{"/card?patient=" + x.patient, "/?facility=invented-north&list=all", "/cards"} {
		if status, said := x.get(path, nil); status != 200 || !strings.Contains(said, x.patient) {
			t.Errorf("%s: %d %.300s", path, status, said)
		}
	}
	if status, _ := x.get("/fhir/metadata", nil); status != 200 {
		t.Errorf("the CapabilityStatement: %d", status)
	}
	s := x.Trail().State()
	if s.Kept < 3 || s.Entries["withheld"] != 3 || s.Entries["lost"] != 0 {
		t.Errorf("the trail says %+v", s)
	}
	_, figures := x.get("/metrics", nil)
	if want := fmt.Sprintf("cannulary_trail_kept_entries %d", s.Kept); !strings.Contains(figures, want) {
		t.Errorf("no %q in the metrics", want)
	}
	x.Stop()
	x.open()
	testkit.Eventually(t, "the kept entries are in the stream", func() bool { return x.Trail().State().Kept == 0 })
	for _, route := range []string{"GET /card", "GET /", "GET /cards"} {
		found := slices.ContainsFunc(x.entries(trail.Query{}), func(e *logv1.Access) bool {
			return e.GetRoute() == route && e.GetSpooled() && slices.Contains(keysOf(e), x.patient)
		})
		if !found {
			t.Errorf("no entry of %s came later", route)
		}
	}
	if status, _ := x.get("/fhir/Patient/"+x.patient, nil); status != 200 {
		t.Errorf("afterwards: %d", status)
	}
	refused := slices.ContainsFunc(x.entries(trail.Query{}), func(e *logv1.Access) bool { return e.GetStatus() == 503 && e.GetCount() > 0 })
	if !refused {
		t.Error("the refused requests are in no sum")
	}
}

// Near its limit the trail takes what a needle waits for, and an EHR is refused.
func TestATrailThatIsNearlyFull(t *testing.T) {
	t.Parallel()
	x := newTrailed(t, func(c *app.Config) { c.TrailMaxBytes = 4 << 20 })
	nearly := func() bool {
		err := x.Trail().Takes()
		return err != nil && strings.Contains(err.Error(), "the audit trail is nearly full") && x.Trail().State().Kept == 0
	}
	fill := func(patients int) {
		t.Helper()
		e := &logv1.Access{Route: "GET /card", Status: 200}
		for n := range patients {
			e.Patients = append(e.Patients, []byte(fmt.Sprintf("%016d", n)))
		}
		if err := x.Trail().Record(testkit.Context(t), e, trail.Kept); err != nil {
			t.Fatal(err)
		}
	}
	// Such an entry takes some 4,710 bytes: this ends within the reserve.
	for used := x.Trail().State().Bytes; used < 4<<20*31/32; used += 4710 {
		fill(250)
	}
	testkit.Eventually(t, "the reserve is reached", nearly)
	status, said := x.get("/fhir/Patient/"+x.patient, nil)
	if status != 503 || !strings.Contains(said, "the audit trail is nearly full") || !strings.Contains(said, "--trail-max-bytes") {
		t.Errorf("%d %s", status, said)
	}
	before := x.Trail().State()
	if status, _ := x.get("/card?patient="+x.patient, nil); status != 200 {
		t.Errorf("a card: %d", status)
	}
	testkit.Eventually(t, "the reserve is used", func() bool {
		return x.Trail().State().Entries["stored"] > before.Entries["stored"]
	})
	// Beyond the limit the entries are kept on disk.
	testkit.Eventually(t, "the trail is full", func() bool {
		fill(250)
		return x.Trail().State().Kept > 0
	})
	if status, _ := x.get("/card?patient="+x.patient, nil); status != 200 {
		t.Errorf("a card with a full trail: %d", status)
	}
	x.Stop()
	x.cfg.TrailMaxBytes = 8 << 20
	x.open()
	testkit.Eventually(t, "a larger trail takes them", func() bool { return x.Trail().State().Kept == 0 && x.Trail().Takes() == nil })
	if status, _ := x.get("/fhir/Patient/"+x.patient, nil); status != 200 {
		t.Errorf("with a larger trail: %d", status)
	}
}

// Who read this record: under whatever identity, newest first, page by page, and by auditors alone.
func TestWhoReadThisRecord(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	lead := h.grpc(t, h.shows(t, "lead"))
	for _, s := range testkit.Samples() {
		testkit.Envelope(s.Request).Source = "lead"
		_, _ = lead.Send(testkit.Context(t), s.Request)
	}
	testkit.Eventually(t, "the view has followed", func() bool { return h.Projector().Sequence() >= testkit.LastSeq(t, h.Log()) })
	_, all := h.ask(t, "ehr", http.MethodGet, "/fhir/Patient")
	patient := regexp.MustCompile(`/Patient/([0-9a-f]{32})"`).FindStringSubmatch(all)[1]
	for range 3 {
		h.ask(t, "ward", http.MethodGet, "/card?patient="+patient)
	}
	h.ask(t, "procedures", http.MethodGet, "/fhir/Patient/"+patient) // refused
	for range 3 {
		h.ask(t, "nobody", http.MethodGet, "/card?patient="+patient)
	}
	who := func(query string) []auditEvent {
		t.Helper()
		status, said := h.ask(t, "auditor", http.MethodGet, "/fhir/AuditEvent"+query)
		if status != 200 {
			t.Fatalf("%s: %d %s", query, status, said)
		}
		return eventsOf(t, said)
	}
	list := who("?patient=Patient/" + patient)
	wards := slices.DeleteFunc(slices.Clone(list), func(e auditEvent) bool { return e.Agent[0].AltID != "ward" })
	if len(wards) != 3 || wards[0].Recorded < wards[2].Recorded || wards[0].Type.Code != "110110" || wards[0].Outcome != "0" {
		t.Errorf("the ward read: %+v", wards)
	}
	if n := len(who("?patient=" + patient + "&altid=ward")); n != 3 {
		t.Errorf("by principal: %d", n)
	}
	if n := len(who("?patient=" + patient + "&altid=ward&date=lt2020")); n != 0 {
		t.Errorf("before anybody read: %d", n)
	}
	if n := len(who("?patient=" + patient + "&altid=ward&date=ge2020-01-01&date=lt2100")); n != 3 {
		t.Errorf("of a time: %d", n)
	}
	// Reading the trail leaves an entry that names who was asked about.
	if mine := who("?patient=" + patient + "&altid=auditor"); len(mine) == 0 || mine[0].Type.Code != "110101" {
		t.Errorf("the auditor: %+v", mine)
	}
	refused := who("?altid=procedures")
	if len(refused) != 1 || refused[0].Outcome != "4" || !strings.Contains(refused[0].OutcomeDesc, "403") || len(refused[0].Entity) != 1 {
		t.Errorf("a refused read: %+v", refused)
	}
	h.pages(t, patient)
	one := wards[0]
	if status, said := h.ask(t, "auditor", http.MethodGet, "/fhir/AuditEvent/"+one.ID); status != 200 || !strings.Contains(said, one.ID) {
		t.Errorf("one: %d %s", status, said)
	}
	for path, want := range map[string]string{
		"/fhir/AuditEvent?patient=x":               "patient: x names no Patient",
		"/fhir/AuditEvent?date=2026-13":            "is not a date",
		"/fhir/AuditEvent?date=ne2026":             "the prefix of ne2026 is not offered here",
		"/fhir/AuditEvent?agent=Practitioner/1":    "agent is not a parameter of a search for AuditEvents; use one of altid",
		"/fhir/AuditEvent?_count=0":                "AuditEvents are not counted",
		"/fhir/AuditEvent?_cursor=AAAA":            "the cursor in _cursor is damaged",
		"/fhir/AuditEvent/00":                      "there is no AuditEvent of this id here",
		"/fhir/AuditEvent/" + one.ID + "/_history": "there is nothing at /fhir/AuditEvent/" + one.ID + "/_history",
	} {
		if status, said := h.ask(t, "auditor", http.MethodGet, path); status < 400 || status > 404 || !strings.Contains(said, want) {
			t.Errorf("%s: %d %s, want %q", path, status, said, want)
		}
	}
	if _, said := h.ask(t, "nobody", http.MethodGet, "/fhir/metadata"); !strings.Contains(said, `"type":"AuditEvent"`) {
		t.Error("the CapabilityStatement does not tell of AuditEvents")
	}
	// Who was not let in without a name is summed.
	h.Stop()
	if err := reopen(t, h); err != nil {
		t.Fatal(err)
	}
	sums := slices.DeleteFunc(who("?date=ge2020"), func(e auditEvent) bool { return !strings.Contains(e.OutcomeDesc, "401") })
	if len(sums) != 1 || !strings.Contains(sums[0].OutcomeDesc, "3 requests") || sums[0].Agent[0].AltID != "" || sums[0].Agent[0].Network.Address != "127.0.0.1" {
		t.Errorf("who was not let in: %+v", sums)
	}
}

// pages: entries come page by page, each once.
func (h *house) pages(t *testing.T, patient string) {
	t.Helper()
	var ids []string
	path := "/fhir/AuditEvent?_count=2&altid=ward&patient=" + patient
	for n := 0; path != "" && n < 5; n++ {
		status, said := h.ask(t, "auditor", http.MethodGet, path)
		if status != 200 {
			t.Fatalf("%d %s", status, said)
		}
		for _, e := range eventsOf(t, said) {
			ids = append(ids, e.ID)
		}
		path = ""
		var b struct {
			Link []struct{ Relation, URL string }
		}
		if err := json.Unmarshal([]byte(said), &b); err != nil {
			t.Fatal(err)
		}
		for _, l := range b.Link {
			if l.Relation == "next" {
				path = strings.TrimPrefix(l.URL, h.URL())
			}
		}
	}
	slices.Sort(ids)
	if len(ids) != 3 || len(slices.Compact(ids)) != 3 {
		t.Errorf("page by page come %v", ids)
	}
}

type auditEvent struct {
	ID, Recorded, Outcome, OutcomeDesc string
	Type                               struct{ Code string }
	Agent                              []struct {
		AltID   string
		Network struct{ Address string }
	}
	Entity []struct{ What struct{ Reference string } }
}

func eventsOf(t *testing.T, bundle string) (out []auditEvent) {
	t.Helper()
	var b struct {
		Entry []struct{ Resource auditEvent }
	}
	if err := json.Unmarshal([]byte(bundle), &b); err != nil {
		t.Fatal(err)
	}
	for _, e := range b.Entry {
		out = append(out, e.Resource)
	}
	return out
}

func reopen(t *testing.T, h *house) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var err error
	if h.App, err = app.New(ctx, h.cfg); err != nil {
		return err
	}
	t.Cleanup(h.Stop)
	h.Start()
	testkit.Eventually(t, "the application is ready", h.Ready)
	return nil
}

// Writes: a call by itself leaves one entry, a feed a sum while it goes on and one at its end. The log is the proof.
func TestWritesInTheTrail(t *testing.T) {
	t.Parallel()
	x := newTrailed(t)
	c := testkit.Dial(t, x.GRPCAddr())
	m := testkit.SampleOf("roster patient_admitted")
	e := testkit.Envelope(m)
	e.SourceMessageId, e.Patient = "once", testkit.Patient("INVENTED-ONCE")
	before := len(x.of("RecordRoster"))
	for range 2 {
		if _, err := c.Send(testkit.Context(t), m); err != nil {
			t.Fatal(err)
		}
	}
	testkit.Eventually(t, "both calls are in the trail", func() bool { return len(x.of("RecordRoster")) >= before+2 })
	list := x.of("RecordRoster")[before:]
	if len(list) != 2 || list[0].GetOutcomes()["accepted"] != 1 || list[1].GetOutcomes()["duplicate"] != 1 || len(list[1].GetPatients()) != 1 ||
		list[0].GetAction() != logv1.Action_ACTION_WRITE || !list[0].GetGrpc() || list[0].GetPrincipal() != "everybody" || list[0].GetFrom() != "127.0.0.1" {
		t.Errorf("two calls leave %v", list)
	}
	feed := c.Feed(t)
	send := func(id string) {
		t.Helper()
		e.SourceMessageId, e.Patient = id, testkit.Patient("INVENTED-"+id)
		if err := feed.Send(m); err != nil {
			t.Fatal(err)
		}
		if _, err := feed.Recv(); err != nil {
			t.Fatal(err)
		}
	}
	send("FEED-1")
	send("FEED-2")
	testkit.Eventually(t, "a sum comes while the feed goes on", func() bool { return len(x.of("FeedService/Feed")) == 1 })
	send("FEED-3")
	if err := feed.CloseSend(); err != nil {
		t.Fatal(err)
	}
	_, _ = feed.Recv()
	testkit.Eventually(t, "the rest comes at its end", func() bool { return len(x.of("FeedService/Feed")) == 2 })
	list = x.of("FeedService/Feed")
	if list[0].GetCount() != 2 || len(list[0].GetPatients()) != 2 || list[1].GetCount() != 1 || len(list[1].GetPatients()) != 1 {
		t.Errorf("the sums are %v", list)
	}
}
