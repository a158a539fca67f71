package app_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/access"
	"cannulary/internal/app"
	"cannulary/internal/door"
	"cannulary/internal/facade"
	"cannulary/internal/fault"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// house is an instance behind TLS and a policy.
type house struct {
	*app.App
	ca  *testkit.Authority
	cfg app.Config
	dir string // of policy and certificates
	// data is the instance's folder.
	data string
}

// housePolicy has one principal of each sort. Each is known by the certificate of its name, and by the
// token that tokenOf gives.
func housePolicy() string {
	var b strings.Builder
	b.WriteString("principals:\n")
	for _, p := range []struct{ name, may string }{
		{"engine", "facilities: [invented-north]\n  sources: [engine-a]\n  facts: [cannulation/*, assessment/*, surveillance/*]"},
		{"adt", "facilities: [invented-north]\n  sources: [adt]\n  facts: [roster/patient_admitted, roster/patient_left, " +
			"roster/identity_stated, roster/patients_merged, roster/merge_reversed, roster/fact_corrected, roster/fact_voided]"},
		{"lead", "facilities: ['*']\n  sources: [lead]\n  facts: ['*']\n  amends: ['*']"},
		{"south", "facilities: [invented-south]\n  sources: [engine-s]\n  facts: ['*']\n  amends: ['*']"},
		{"ehr", "facilities: ['*']\n  fhir: ['*']\n  may: [hooks]"},
		{"procedures", "facilities: ['*']\n  fhir: [Procedure]"},
		{"ward", "facilities: ['*']\n  may: [pages]"},
		{"control", "facilities: ['*']\n  may: [reports]"},
		{"auditor", "facilities: ['*']\n  may: [audit]"},
		{"prometheus", "may: [metrics]"},
	} {
		fmt.Fprintf(&b, "- name: %s\n  certificates: [%s.example]\n  tokens: [%s]\n  %s\n", p.name, p.name, access.Digest(tokenOf(p.name)), p.may)
	}
	return b.String()
}

func names() []string {
	return []string{"engine", "adt", "lead", "south", "ehr", "procedures", "ward", "control", "auditor", "prometheus"}
}

func tokenOf(name string) string { return name + strings.Repeat("-", 50) }

func newHouse(t *testing.T, change ...func(*app.Config)) *house {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	h := &house{ca: testkit.NewAuthority(t), dir: t.TempDir()}
	own := h.ca.Issue(t, "127.0.0.1")
	cfg := app.Config{Dir: t.TempDir(), Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: time.Now, Slog: testkit.Discard(),
		// With a client by token the paths of SMART are there; TestAnEHRReadsByToken is about it.
		Policy: testkit.Write(t, h.dir, "policy.yaml", []byte(strings.Replace(housePolicy(), "principals:\n", "principals:\n"+
			"- {name: backend, facilities: ['*'], fhir: [Procedure], client: {keys_url: 'https://ehr.example/jwks.json'}}\n", 1))),
		TLSCertificate: testkit.Write(t, h.dir, "cert.pem", own.Cert), TLSKey: testkit.Write(t, h.dir, "key.pem", own.Key),
		TLSClients: testkit.Write(t, h.dir, "clients.pem", h.ca.PEM)}
	for _, f := range change {
		f(&cfg)
	}
	h.data = cfg.Dir
	h.cfg = cfg
	var err error
	if h.App, err = app.New(ctx, cfg); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(h.Stop)
	h.Start()
	testkit.Eventually(t, "the application is ready", h.Ready)
	return h
}

// shows is what a client of a name shows: nothing for nobody.
func (h *house) shows(t *testing.T, name string) *tls.Config {
	t.Helper()
	c := &tls.Config{RootCAs: h.ca.Pool()}
	if name != "nobody" {
		c.Certificates = []tls.Certificate{h.ca.Issue(t, name+".example").Pair(t)}
	}
	return c
}

// grpc is a client over mutual TLS.
func (h *house) grpc(t *testing.T, c *tls.Config) *testkit.Client {
	t.Helper()
	return testkit.DialTLS(t, h.GRPCAddr(), credentials.NewTLS(c))
}

// ask asks over HTTPS with a token, and as the operator by the socket in the folder.
func (h *house) ask(t *testing.T, name, method, path string) (int, string) {
	t.Helper()
	transport := &http.Transport{TLSClientConfig: h.shows(t, "nobody"), ForceAttemptHTTP2: true}
	defer transport.CloseIdleConnections()
	url := h.URL()
	if name == "operator" {
		url, transport = "http://localhost", &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return app.DialOperator(ctx, h.data)
		}}
		defer transport.CloseIdleConnections()
	}
	req, err := http.NewRequestWithContext(t.Context(), method, url+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if name != "nobody" && name != "operator" {
		req.Header.Set("Authorization", "Bearer "+tokenOf(name))
	}
	req.Header.Set("Prefer", "respond-async")
	resp, err := (&http.Client{Transport: transport}).Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	if path == "/live" && resp.StatusCode == http.StatusOK {
		return resp.StatusCode, ""
	}
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(body)
}

// mayAsk says in words who may ask what. A right or a path without a row here fails.
func mayAsk(path string) (who []string, open bool) {
	switch {
	case path == "/healthz", path == "/readyz", path == "/fhir/metadata", path == "/fhir/.well-known/smart-configuration":
		return nil, true
	case path == "/style.css", path == "/icon.svg": // nothing of the record stands in them
		return nil, true
	case path == "/login", path == "/login/return", path == "/logout", path == "/lock", path == "/break-glass":
		return nil, true // they know people by themselves; TestAttacksOnTheLogin and TestAttacksOnASession are about it
	case path == app.CodesPath:
		return []string{"the operator alone"}, false
	case path == "/break-glass/review":
		return []string{"a lead by login alone"}, false
	case path == "/fhir/auth/token": // it asks for a signed assertion itself
		return nil, true
	case path == "/metrics", path == "/status":
		return []string{"prometheus"}, false
	case strings.HasPrefix(path, facade.AuditPath):
		return []string{"auditor"}, false
	case strings.HasPrefix(path, "/fhir"):
		return []string{"ehr", "procedures"}, false
	case strings.HasPrefix(path, "/cds-services"):
		return []string{"ehr"}, false
	case strings.HasPrefix(path, "/surveillance/"), path == "/what-if":
		return []string{"control"}, false
	case slices.Contains([]string{"/", "/card", "/cards", "/confirm", "/live", "/track", "/past", "/unit", "/cannulators",
		"/live.js"}, path):
		return []string{"ward"}, false
	}
	return nil, false
}

func TestEveryPrincipalAtEveryRoute(t *testing.T) {
	h := newHouse(t)
	n := 0
	for _, row := range append(door.Routes(), door.Row{Path: "/nowhere"}, door.Row{Path: "/fhir/.."}) {
		who, open := mayAsk(row.Path)
		if !open && len(who) == 0 && row.Right != "" {
			t.Errorf("%s stands in the table of rights, and nobody has said here who may ask it", row.Path)
		}
		for _, name := range append(names(), "operator", "nobody") {
			for _, method := range []string{http.MethodGet, http.MethodPost, http.MethodDelete} {
				status, said := h.ask(t, name, method, row.Path)
				n++
				// Who may open the folder's socket reads all that anybody may read.
				allowed := open || slices.Contains(who, name) || name == "operator" && len(who) > 0 && row.Right != access.Reviews // which is a lead's, by login
				refusal := map[bool]int{true: 401, false: 403}[name == "nobody"]
				if allowed && (status == 401 || status == 403) || !allowed && (status != refusal || !strings.Contains(said, "principal")) {
					t.Errorf("%s %s by %s: %d %.200s", method, row.Path, name, status, said)
				}
				if allowed && method == http.MethodGet && row.Path != "/fhir" && row.Path != "/fhir/" && status >= 500 {
					t.Errorf("GET %s by %s: %d %.200s", row.Path, name, status, said)
				}
			}
		}
	}
	t.Logf("%d requests", n)
	// Who is not known learns that it lives, and no more.
	if _, said := h.ask(t, "nobody", http.MethodGet, "/readyz"); said != "{\"status\":\"ready\"}\n" {
		t.Errorf("/readyz tells nobody %s", said)
	}
	if _, said := h.ask(t, "prometheus", http.MethodGet, "/readyz"); !strings.Contains(said, "projected") {
		t.Errorf("/readyz tells Prometheus %s", said)
	}
}

// Types of resources: a reader of one type gets no other, by no way.
func TestAReaderOfOneTypeGetsNoOther(t *testing.T) {
	h := newHouse(t)
	lead := h.grpc(t, h.shows(t, "lead"))
	for _, s := range testkit.Samples() {
		// Whatever is accepted of them fills the view.
		testkit.Envelope(s.Request).Source = "lead"
		_, _ = lead.Send(testkit.Context(t), s.Request)
	}
	testkit.Eventually(t, "the view has followed", func() bool { return h.Projector().Sequence() >= testkit.LastSeq(t, h.Log()) })
	_, all := h.ask(t, "ehr", http.MethodGet, "/fhir/Patient")
	_, id, ok := strings.Cut(all, `"fullUrl":"`)
	id, _, _ = strings.Cut(id[strings.Index(id, "/Patient/")+len("/Patient/"):], `"`)
	if !ok || id == "" {
		t.Fatalf("no patient is in the view: %.300s", all)
	}
	if status, said := h.ask(t, "procedures", http.MethodGet, "/fhir/Procedure"); status != 200 || !strings.Contains(said, `"resourceType":"Procedure"`) {
		t.Fatalf("the type that may be read: %d %.200s", status, said)
	}
	for _, typ := range facade.Types() {
		want := 403
		if typ.Published || typ.Name == "Procedure" {
			want = 200
		}
		for _, path := range []string{"/fhir/" + typ.Name, "/fhir/" + typ.Name + "/_history", "/fhir/" + typ.Name + "?_summary=count"} {
			if status, said := h.ask(t, "procedures", http.MethodGet, path); status != want && !(want == 200 && status == 404) {
				t.Errorf("%s: %d %.200s, want %d", path, status, said, want)
			}
			if status, _ := h.ask(t, "ehr", http.MethodGet, path); status == 403 {
				t.Errorf("%s is refused to who may read all types", path)
			}
		}
		for _, path := range []string{"/fhir/" + typ.Name + "/x", "/fhir/" + typ.Name + "/x/_history", "/fhir/" + typ.Name + "/x/_history/1"} {
			if status, said := h.ask(t, "procedures", http.MethodGet, path); want == 403 && status != 403 {
				t.Errorf("%s: %d %.200s", path, status, said)
			}
		}
		for i := range typ.Params {
			p := &typ.Params[i]
			if p.Chains() && typ.Name == "Procedure" && p.Targets[0] != "Procedure" {
				if status, said := h.ask(t, "procedures", http.MethodGet, "/fhir/Procedure?"+p.Name+"._id=x"); status != 403 {
					t.Errorf("a chain by %s: %d %.200s", p.Name, status, said)
				}
			}
		}
	}
	types := facade.Types()
	var includes []string
	for i := range types {
		if types[i].Name == "Procedure" {
			for _, p := range types[i].Includes() {
				if target := types[i].Param(p).Targets; !slices.Equal(target, []string{"Procedure"}) {
					includes = append(includes, "_include=Procedure:"+p)
				}
			}
		}
	}
	for _, r := range facade.RevIncludes(types, "Procedure") {
		if !strings.HasPrefix(r, "Procedure:") {
			includes = append(includes, "_revinclude="+r)
		}
	}
	if len(includes) < 3 {
		t.Fatalf("only %v can be included", includes)
	}
	for _, inc := range includes {
		if status, said := h.ask(t, "procedures", http.MethodGet, "/fhir/Procedure?"+inc); status != 403 {
			t.Errorf("%s: %d %.200s", inc, status, said)
		}
	}
	for _, path := range []string{"/fhir/Patient/" + id + "/$everything", "/fhir/Patient/" + id + "/Procedure", "/fhir/$export?_type=Patient",
		"/fhir/$export?_type=Procedure,Patient", "/fhir/Patient/$export?_type=Patient"} {
		if status, said := h.ask(t, "procedures", http.MethodGet, path); status != 403 {
			t.Errorf("%s: %d %.200s", path, status, said)
		}
	}
	_, said := h.ask(t, "procedures", http.MethodGet, "/fhir/_history")
	if !strings.Contains(said, `"resourceType":"Procedure"`) || strings.Contains(said, `"resourceType":"Patient"`) || strings.Contains(said, `"resourceType":"Provenance"`) {
		t.Errorf("the history of all types: %.300s", said)
	}
	h.exports(t)
}

// exports: a job is its principal's alone, and holds only what that may read.
func (h *house) exports(t *testing.T) {
	t.Helper()
	if status, said := h.ask(t, "procedures", http.MethodGet, "/fhir/$export"); status != 202 {
		t.Fatalf("%d %s", status, said)
	} else {
		_, id, _ := strings.Cut(said, "/fhir/$export/")
		id, _, _ = strings.Cut(id, " ")
		at := "/fhir/$export/" + id
		testkit.Eventually(t, "the export is done", func() bool {
			status, said = h.ask(t, "procedures", http.MethodGet, at)
			return status != 202
		})
		if status != 200 || strings.Count(said, ".ndjson") != 1 || !strings.Contains(said, "Procedure.ndjson") {
			t.Errorf("%d %s", status, said)
		}
		for path, method := range map[string]string{at: http.MethodGet, at + "/Procedure.ndjson": http.MethodGet, at + " ": http.MethodDelete} {
			if status, said := h.ask(t, "ehr", method, strings.TrimSpace(path)); status != 404 {
				t.Errorf("another principal: %s %s: %d %s", method, path, status, said)
			}
		}
		if status, said := h.ask(t, "procedures", http.MethodGet, at+"/Procedure.ndjson"); status != 200 || !strings.Contains(said, `"resourceType":"Procedure"`) {
			t.Errorf("its own file: %d %.200s", status, said)
		}
	}
}

// maySend says in words who may send a kind of fact about the north.
func maySend(service, kind string) []string {
	switch service {
	case "cannulation", "assessment", "surveillance":
		return []string{"engine", "lead"}
	case "roster":
		switch kind {
		case "patient_admitted", "patient_left", "identity_stated":
			return []string{"adt", "lead"}
		case "patients_merged", "merge_reversed":
			return []string{"lead"} // to the admission system nobody of them was admitted yet
		case "fact_corrected", "fact_voided": // the samples name facts of engine-a
			return []string{"lead"}
		case "facility_registered", "protocol_adopted", "schedule_set", "access_created", "access_retired", "cannulator_rated", "deputy_named",
			"hospital_admission", "hospital_discharge", "census_counted", "surveillance_threshold_set",
			"surveillance_signal_acknowledged", "session_voided":
			return []string{"lead"}
		}
	}
	return nil
}

func TestEveryPrincipalWithEveryKindOfFact(t *testing.T) {
	h := newHouse(t)
	clients := map[string]*testkit.Client{"nobody": h.grpc(t, h.shows(t, "nobody"))}
	for _, name := range names() {
		clients[name] = h.grpc(t, h.shows(t, name))
	}
	registration := testkit.Registration()
	testkit.Envelope(registration).Source = "lead"
	if _, err := clients["lead"].Send(testkit.Context(t), registration); err != nil {
		t.Fatal(err)
	}
	source := map[string]string{"engine": "engine-a", "adt": "adt", "lead": "lead", "south": "engine-s"}
	seen := map[string]bool{}
	for _, s := range testkit.Samples() {
		seen[s.Service+"/"+s.Kind] = true
		who := maySend(s.Service, s.Kind)
		if len(who) == 0 {
			t.Errorf("nobody has said here who may send %s/%s", s.Service, s.Kind)
		}
		for name, c := range clients {
			m := testkit.ValidateOnly(s.Request)
			if src := source[name]; src != "" {
				testkit.Envelope(m).Source = src
			}
			_, err := c.Send(testkit.Context(t), m)
			want := codes.PermissionDenied
			switch {
			case name == "nobody":
				want = codes.Unauthenticated
			case slices.Contains(who, name):
				want = codes.OK
			}
			if got := status.Code(err); got != want {
				t.Errorf("%s by %s: %v, want %s", s.Name, name, err, want)
			}
		}
	}
	for _, k := range access.Kinds() {
		if !seen[k] {
			t.Errorf("%s has no sample", k)
		}
	}
}

// The server does not start with a method that has no row; each answers by its row.
func TestEveryPrincipalAtEveryMethod(t *testing.T) {
	h := newHouse(t)
	for _, row := range door.Methods() {
		for _, name := range append(names(), "nobody") {
			sends := slices.Contains([]string{"engine", "adt", "lead", "south"}, name)
			allowed := row.Right == access.Open || name != "nobody" && (row.Right == access.Known || sends)
			if row.Right == access.Open && row.Path != "/grpc.health.v1.Health/Check" {
				t.Errorf("%s is open to everybody", row.Path)
			}
			c := h.grpc(t, h.shows(t, name)).Conn()
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			s, err := c.NewStream(ctx, &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, row.Path)
			if err != nil {
				t.Fatal(err)
			}
			_ = s.SendMsg(&healthpb.HealthCheckRequest{})
			_ = s.CloseSend()
			err = s.RecvMsg(&healthpb.HealthCheckResponse{})
			cancel()
			refused := status.Code(err) == codes.Unauthenticated || status.Code(err) == codes.PermissionDenied &&
				strings.HasPrefix(status.Convert(err).Message(), "this principal may not do that")
			if refused == allowed || status.Code(err) == codes.Unimplemented {
				t.Errorf("%s by %s: %v, allowed is %v", row.Path, name, err, allowed)
			}
		}
	}
}

// What a message may not do is refused with one text, whether or not what it names is there.
func TestAMessageReachesOnlyWhatItsSenderMay(t *testing.T) {
	h := newHouse(t)
	clients := map[string]*testkit.Client{}
	for _, name := range names() {
		clients[name] = h.grpc(t, h.shows(t, name))
	}
	// send sends as a principal; change may change the envelope.
	send := func(name string, m *v1.FeedRequest, change func(*v1.Envelope)) error {
		t.Helper()
		m = proto.CloneOf(m)
		e := testkit.Envelope(m)
		e.Source = map[string]string{"engine": "engine-a", "adt": "adt", "lead": "lead", "south": "engine-s"}[name]
		if change != nil {
			change(e)
		}
		_, err := clients[name].Send(testkit.Context(t), m)
		return err
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, facility := range []string{"invented-north", "invented-south"} {
		must(send("lead", testkit.Registration(), func(e *v1.Envelope) { e.Facility, e.SourceMessageId = facility, facility }))
	}
	admitted, insertion := testkit.SampleOf("roster patient_admitted"), testkit.SampleOf("cannulation needle_inserted")
	must(send("adt", admitted, nil))
	must(send("engine", insertion, func(e *v1.Envelope) { e.SourceMessageId = "own" }))
	must(send("lead", testkit.SampleOf("cannulation hold_placed"), func(e *v1.Envelope) { e.SourceMessageId = "hold" }))
	must(send("lead", insertion, func(e *v1.Envelope) {
		e.SourceMessageId = "elsewhere"
		e.Facility = "invented-south"
		e.Patient.Value = "INV-0002"
	}))
	must(send("lead", admitted, func(e *v1.Envelope) {
		e.SourceMessageId = "a2"
		e.Facility = "invented-south"
		e.Patient.Value = "INV-0002"
	}))

	void := func(source, message string) *v1.FeedRequest {
		m := proto.CloneOf(testkit.SampleOf("cannulation fact_voided"))
		m.GetCannulation().GetFacts()[0].GetFactVoided().Fact = &v1.FactReference{Source: source, SourceMessageId: message}
		testkit.Envelope(m).SourceMessageId = "void " + source + message
		return m
	}
	merge := func(retired string) *v1.FeedRequest {
		m := proto.CloneOf(testkit.SampleOf("roster patients_merged"))
		m.GetRoster().GetFacts()[0].GetPatientsMerged().Retired = testkit.Patient(retired)
		testkit.Envelope(m).SourceMessageId = "merge " + retired
		return m
	}
	session := func(number string) *v1.FeedRequest {
		m := proto.CloneOf(testkit.SampleOf("cannulation session_voided"))
		m.GetCannulation().GetFacts()[0].GetSessionVoided().Session = testkit.Session(number)
		testkit.Envelope(m).SourceMessageId = "session " + number
		return m
	}
	must(send("engine", insertion, func(e *v1.Envelope) { e.SourceMessageId = "alone"; e.Session = testkit.Session("T-6000") }))
	const text = "this principal may not send that: %s. Ask the operator what the policy allows; nothing was stored"
	const fact, about = "facts[0].fact_voided.fact: must be a fact that this principal may change", "must be about what this principal may change"
	for what, c := range map[string]struct {
		err  error
		want string // empty: accepted
	}{
		"another source":   {send("engine", insertion, func(e *v1.Envelope) { e.Source = "adt" }), "envelope.source: must be a source of this principal's own"},
		"another facility": {send("engine", insertion, func(e *v1.Envelope) { e.Facility = "invented-south" }), "envelope.facility: must be a facility of this principal's"},
		"a facility that does not exist": {send("engine", insertion, func(e *v1.Envelope) { e.Facility = "none" }),
			"envelope.facility: must be a facility of this principal's"},
		"another kind":                                           {send("adt", insertion, nil), "facts[0].needle_inserted: must be a kind of fact that this principal may send"},
		"a void of its own":                                      {send("engine", void("", "own"), nil), ""},
		"a void of its own before it comes":                      {send("engine", void("", "later"), nil), ""},
		"a void of another source's":                             {send("engine", void("lead", "hold"), nil), fact},
		"a void of another source's that does not exist":         {send("engine", void("lead", "none"), nil), fact},
		"a void by who may change all sources, elsewhere":        {send("south", void("engine-a", "own"), func(e *v1.Envelope) { e.Facility = "invented-south" }), fact},
		"a void by who may change all sources, of nothing known": {send("south", void("engine-a", "none"), func(e *v1.Envelope) { e.Facility = "invented-south" }), fact},
		"a void by who may change all sources, at home":          {send("south", void("lead", "elsewhere"), func(e *v1.Envelope) { e.Facility = "invented-south"; e.Patient.Value = "INV-0002" }), ""},
		"a merge of a patient of another facility":               {send("adt", merge("INV-0002"), nil), "facts[0].patients_merged: " + about},
		"a merge of a patient that does not exist":               {send("adt", merge("INV-0003"), nil), "facts[0].patients_merged: " + about},
		"a session void over another source's facts":             {send("engine", session("T-5001"), nil), "facts[0].session_voided: " + about},
		"a session void over its own facts":                      {send("engine", session("T-6000"), nil), ""},
		"a session void of nothing known":                        {send("engine", session("T-7000"), nil), ""},
		"a correction into another kind": {send("adt", proto.CloneOf(testkit.SampleOf("roster fact_corrected schedule_set")), nil),
			"facts[0].fact_corrected: must be a kind of fact that this principal may send"},
	} {
		st := status.Convert(c.err)
		if c.want == "" && c.err != nil || c.want != "" && (st.Code() != codes.PermissionDenied || st.Message() != fmt.Sprintf(text, c.want)) {
			t.Errorf("%s: %v, want %q", what, c.err, c.want)
		}
	}
	must(send("adt", admitted, func(e *v1.Envelope) { e.SourceMessageId = "a4"; e.Patient.Value = "INV-0004" }))
	if err := send("adt", merge("INV-0004"), func(e *v1.Envelope) { e.SourceMessageId = "merge at home" }); err != nil {
		t.Errorf("a merge of two patients of its own: %v", err)
	}
}

// Notices rest on the record, so a sender hears only of its own facilities.
func TestNoticesTellNothingOfOtherFacilities(t *testing.T) {
	h := newHouse(t)
	lead, engine, south := h.grpc(t, h.shows(t, "lead")), h.grpc(t, h.shows(t, "engine")), h.grpc(t, h.shows(t, "south"))
	send := func(c *testkit.Client, name, source, facility, id, patient string) []string {
		t.Helper()
		m := proto.CloneOf(testkit.SampleOf(name))
		e := testkit.Envelope(m)
		e.Source, e.Facility, e.SourceMessageId = source, facility, id
		if e.Patient != nil {
			e.Patient.Value = patient
		}
		if i := m.GetRoster().GetFacts(); id == "born" {
			i[0].GetIdentityStated().BirthDate = "1950-02-02"
		}
		r, err := c.Send(testkit.Context(t), m)
		if err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		return r.Notices
	}
	for _, facility := range []string{"invented-north", "invented-south"} {
		send(lead, "roster facility_registered", "lead", facility, facility, "")
		send(lead, "roster patient_admitted", "lead", facility, "admitted at "+facility, "at-"+facility)
	}
	send(lead, "roster identity_stated", "lead", "invented-north", "identity", "at-invented-north")
	for what, c := range map[string]struct {
		notices []string
		want    string // empty for none
	}{
		"another birth date, to who writes everywhere": {send(lead, "roster identity_stated", "lead", "invented-north", "born", "at-invented-north"),
			"another birth date than was stated before"},
		"another birth date, to another facility": {send(south, "roster identity_stated", "engine-s", "invented-south", "born", "at-invented-north"), ""},
		"a patient of its own":                    {send(engine, "cannulation needle_inserted", "engine-a", "invented-north", "own", "at-invented-north"), ""},
		"a patient of another facility": {send(engine, "cannulation needle_inserted", "engine-a", "invented-north", "other", "at-invented-south"),
			"nobody under this patient identifier was ever admitted"},
		"a patient of no facility": {send(engine, "cannulation needle_inserted", "engine-a", "invented-north", "none", "nowhere"),
			"nobody under this patient identifier was ever admitted"},
	} {
		if said := strings.Join(c.notices, "\n"); (said == "") != (c.want == "") || !strings.Contains(said, c.want) {
			t.Errorf("%s: %q, want %q", what, said, c.want)
		}
	}
}

// A message of a feed is refused alone, and the feed goes on.
func TestAFeedGoesOnAfterARefusal(t *testing.T) {
	h := newHouse(t)
	f := h.grpc(t, h.shows(t, "engine")).Feed(t)
	for _, c := range []struct {
		message *v1.FeedRequest
		code    codes.Code
	}{{testkit.Registration(), codes.PermissionDenied}, {testkit.SampleOf("cannulation needle_inserted"), codes.FailedPrecondition}} {
		if err := f.Send(c.message); err != nil {
			t.Fatal(err)
		}
		r, err := f.Recv()
		if err != nil || codes.Code(r.GetCode()) != c.code || r.GetRetry() {
			t.Errorf("%v, %v, want %s", r, err, c.code)
		}
	}
}

// A token over gRPC, as grpcurl sends it, and one beside the certificate of another principal.
func TestTokensOverGRPC(t *testing.T) {
	h := newHouse(t)
	for what, c := range map[string]struct {
		certificate, token string
		want               codes.Code
	}{
		"a token":                                {"nobody", tokenOf("lead"), codes.OK},
		"a token of nobody":                      {"nobody", strings.Repeat("x", 60), codes.Unauthenticated},
		"a token of another principal":           {"engine", tokenOf("lead"), codes.Unauthenticated},
		"the token of the certificate's own":     {"lead", tokenOf("lead"), codes.OK},
		"a token of nobody beside a certificate": {"lead", strings.Repeat("x", 60), codes.Unauthenticated},
	} {
		ctx := metadata.AppendToOutgoingContext(testkit.Context(t), "authorization", "Bearer "+c.token)
		m := testkit.ValidateOnly(testkit.Registration())
		testkit.Envelope(m).Source = "lead"
		_, err := h.grpc(t, h.shows(t, c.certificate)).Send(ctx, m)
		if status.Code(err) != c.want {
			t.Errorf("%s: %v, want %s", what, err, c.want)
		}
		if c.want != codes.OK && status.Convert(err).Message() != access.Unknown().Error() {
			t.Errorf("%s is told %q", what, status.Convert(err).Message())
		}
	}
}

func TestLimitsOfAPrincipal(t *testing.T) {
	h := newHouse(t, func(c *app.Config) {
		c.Policy = testkit.Write(t, t.TempDir(), "limited.yaml", []byte(housePolicy()+"  limits: {per_second: 0.001, burst: 2}\n"))
	})
	for range 2 {
		if status, said := h.ask(t, "prometheus", http.MethodGet, "/metrics"); status != 200 {
			t.Fatalf("%d %s", status, said)
		}
	}
	if status, said := h.ask(t, "prometheus", http.MethodGet, "/metrics"); status != 429 || !strings.Contains(said, "asks too often") {
		t.Errorf("the third of two: %d %s", status, said)
	}
	if status, _ := h.ask(t, "ward", http.MethodGet, "/style.css"); status != 200 {
		t.Errorf("another principal pays: %d", status)
	}
}

func TestAnAddressThatOthersReachIsGuarded(t *testing.T) {
	dir, ca := t.TempDir(), testkit.NewAuthority(t)
	own := ca.Issue(t, "localhost")
	policy := testkit.Write(t, dir, "policy.yaml", []byte(housePolicy()))
	cert, key := testkit.Write(t, dir, "cert.pem", own.Cert), testkit.Write(t, dir, "key.pem", own.Key)
	for what, c := range map[string]struct {
		cfg  app.Config
		want string // empty: it starts
	}{
		"nothing":               {app.Config{HTTP: "0.0.0.0:0", GRPC: "127.0.0.1:0"}, "address 0.0.0.0:0 can be reached from other machines, so it needs --policy, --tls-certificate and --tls-key"},
		"gRPC alone":            {app.Config{HTTP: "127.0.0.1:0", GRPC: ":0"}, "address :0 can be reached from other machines"},
		"TLS alone":             {app.Config{HTTP: "0.0.0.0:0", GRPC: "127.0.0.1:0", TLSCertificate: cert, TLSKey: key}, "so it needs --policy"},
		"a policy alone":        {app.Config{HTTP: "[::]:0", GRPC: "127.0.0.1:0", Policy: policy}, "so it needs --policy"},
		"a name":                {app.Config{HTTP: "cards.example:0", GRPC: "127.0.0.1:0"}, "so it needs --policy"},
		"no port":               {app.Config{HTTP: "127.0.0.1", GRPC: "127.0.0.1:0"}, `address "127.0.0.1" is not HOST:PORT`},
		"the flag and a policy": {app.Config{HTTP: "0.0.0.0:0", GRPC: "127.0.0.1:0", Policy: policy, ServeEverybody: true}, "leave one of them out"},
		"both":                  {app.Config{HTTP: "0.0.0.0:0", GRPC: "0.0.0.0:0", Policy: policy, TLSCertificate: cert, TLSKey: key}, ""},
		"the flag":              {app.Config{HTTP: "0.0.0.0:0", GRPC: "0.0.0.0:0", ServeEverybody: true}, ""},
	} {
		c.cfg.Dir, c.cfg.Ingest, c.cfg.View, c.cfg.Now, c.cfg.Slog = t.TempDir(), true, true, time.Now, testkit.Discard()
		a, err := app.New(testkit.Context(t), c.cfg)
		if err == nil {
			a.Stop()
		}
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", what, err, c.want)
		}
	}
}

// Certificates change while an engine sends: no message is lost, and new connections get the new one.
func TestCertificatesChangeUnderLoad(t *testing.T) {
	h := newHouse(t)
	lead := h.shows(t, "lead")
	register := testkit.Registration()
	testkit.Envelope(register).Source = "lead"
	if _, err := h.grpc(t, lead).Send(testkit.Context(t), register); err != nil {
		t.Fatal(err)
	}
	const messages, rounds = 40, 5
	engine := h.shows(t, "engine")
	for round := range rounds {
		feed := h.grpc(t, engine).Feed(t) // begun before the change
		answered := make(chan error, 1)
		go func() {
			for range messages {
				r, err := feed.Recv()
				if err == nil && r.GetOutcome() != v1.FeedOutcome_FEED_OUTCOME_ACCEPTED {
					err = fault.New(fault.Invalid, fmt.Sprint(r), "")
				}
				if err != nil {
					answered <- err
					return
				}
			}
			answered <- nil
		}()
		for i := range messages {
			m := proto.CloneOf(testkit.SampleOf("cannulation needle_inserted"))
			testkit.Envelope(m).SourceMessageId = fmt.Sprintf("m-%d-%d", round, i)
			if err := feed.Send(m); err != nil {
				t.Fatal(err)
			}
			if i == messages/2 {
				own := h.ca.Issue(t, "127.0.0.1", func(c *x509.Certificate) { c.Subject.CommonName = fmt.Sprint("round ", round) })
				testkit.Write(t, h.dir, "cert.pem", own.Cert)
				testkit.Write(t, h.dir, "key.pem", own.Key)
				h.Reload()
			}
		}
		if err := <-answered; err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		conn, err := (&tls.Dialer{Config: h.shows(t, "nobody")}).DialContext(t.Context(), "tcp", h.HTTPAddr())
		if err != nil {
			t.Fatal(err)
		}
		if c, ok := conn.(*tls.Conn); !ok || c.ConnectionState().PeerCertificates[0].Subject.CommonName != fmt.Sprint("round ", round) {
			t.Errorf("round %d: a new connection gets another certificate", round)
		}
		_ = conn.Close()
	}
	if last := testkit.LastSeq(t, h.Log()); last < rounds*messages {
		t.Errorf("the log ends at %d after %d messages", last, rounds*messages)
	}
}

// A browser shows a page of an allowed origin why its call was refused, and the page of another nothing.
func TestARefusedCallOfHooksCanBeReadByAnAllowedPage(t *testing.T) {
	h := newHouse(t, func(c *app.Config) { c.CDSOrigins = []string{"https://ehr.example"} })
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: h.shows(t, "nobody")}}
	defer client.CloseIdleConnections()
	for _, c := range []struct {
		method, path, host, token string
		status                    int
	}{
		{http.MethodGet, "/cds-services", "", "", 401},
		{http.MethodPost, "/cds-services/needling-advice", "", "wrong", 401},
		{http.MethodPost, "/cds-services/needling-advice", "", tokenOf("ward"), 403},
		{http.MethodPost, "/cds-services/needling-advice", "other.example", tokenOf("ehr"), 421},
		{http.MethodOptions, "/cds-services/needling-advice", "", "", 204},
		{http.MethodGet, "/cds-services", "", tokenOf("ehr"), 200},
		{http.MethodGet, "/cds-services/none", "", tokenOf("ehr"), 404},
	} {
		for origin, want := range map[string]string{"https://ehr.example": "https://ehr.example", "https://attacker.example": "", "": ""} {
			req, err := http.NewRequestWithContext(t.Context(), c.method, h.URL()+c.path, nil)
			if err != nil {
				t.Fatal(err)
			}
			for name, value := range map[string]string{"Origin": origin, "Authorization": map[bool]string{true: "Bearer " + c.token}[c.token != ""]} {
				if value != "" {
					req.Header.Set(name, value)
				}
			}
			if c.method == http.MethodOptions {
				req.Header.Set("Access-Control-Request-Method", "POST")
			}
			req.Host = c.host
			resp, err := client.Do(req)
			if err != nil {
				t.Fatal(err)
			}
			_ = resp.Body.Close()
			status := c.status
			if c.method == http.MethodOptions && want == "" {
				status = 405 // no preflight of a page that may not call
			}
			if got := resp.Header.Values("Access-Control-Allow-Origin"); resp.StatusCode != status || strings.Join(got, "|") != want {
				t.Errorf("%s %s by %q from %q: %d, read by %q", c.method, c.path, c.token, origin, resp.StatusCode, got)
			}
			if vary := resp.Header.Get("Vary"); !strings.Contains(vary, "Origin") {
				t.Errorf("%s %s from %q: Vary %q", c.method, c.path, origin, vary)
			}
		}
	}
	// Nothing else is for pages of other origins.
	for _, path := range []string{"/card", "/fhir/Patient", "/cds-servicesx"} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, h.URL()+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Origin", "https://ehr.example")
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if got := resp.Header.Get("Access-Control-Allow-Origin"); got != "" {
			t.Errorf("%s may be read by %q", path, got)
		}
	}
}
