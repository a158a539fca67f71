package app_test

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/access"
	"cannulary/internal/app"
	"cannulary/internal/door"
	"cannulary/internal/facade"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// mayAsk says in words who may ask what. A right or a path without a row here fails.
func mayAsk(path string) (who []string, open bool) {
	switch {
	case path == "/healthz", path == "/readyz", path == "/fhir/metadata", path == "/fhir/.well-known/smart-configuration":
		return nil, true
	case path == "/style.css", path == "/icon.svg": // nothing of the record stands in them
		return nil, true
	case path == "/login", path == "/login/return", path == "/logout", path == "/lock", path == "/break-glass":
		return nil, true // they know people by themselves; TestAttacksOnTheLogin and TestAttacksOnASession are about it
	case path == app.CodesPath, path == app.BackupPath:
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
		} else if name == "roster identity_stated" {
			i[0].GetIdentityStated().Identifiers = []*v1.PatientIdentifier{testkit.Patient("only-north")}
		}
		if i := m.GetCannulation().GetFacts(); name == "cannulation fact_voided" {
			i[0].GetFactVoided().Fact = &v1.FactReference{Source: "engine-a", SourceMessageId: "own"}
		}
		if i := m.GetCannulation().GetFacts(); name == "cannulation hold_placed" {
			i[0].GetHoldPlaced().Track = "B1"
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
	send(lead, "roster patient_admitted", "lead", "invented-north", "admitted in the north", "only-north")
	send(lead, "roster identity_stated", "lead", "invented-north", "identity", "at-invented-north")
	send(lead, "cannulation track_planned", "lead", "invented-north", "plan", "at-invented-north")
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
		"a number of another patient, to its facility": {send(lead, "roster identity_stated", "lead", "invented-north", "number", "at-invented-south"),
			"is an identifier under which another patient is on record"},
		"a number of a patient of another facility": {send(south, "roster identity_stated", "engine-s", "invented-south", "other number", "at-invented-south"), ""},
		"a void by who writes everywhere":           {send(lead, "cannulation fact_voided", "lead", "invented-south", "void", "at-invented-north"), ""},
		"a void of what is void by another facility": {send(engine, "cannulation fact_voided", "engine-a", "invented-north", "void again",
			"at-invented-north"), ""},
		"a void of what is void, to who writes everywhere": {send(lead, "cannulation fact_voided", "lead", "invented-south", "void once more", "at-invented-north"),
			"which is void already"},
		"a track that is not known, to who writes everywhere": {send(lead, "cannulation hold_placed", "lead", "invented-south", "hold", "at-invented-north"),
			"who has A1, V1: is it one of them?"},
		"a track that is not known, to its facility": {send(engine, "cannulation hold_placed", "engine-a", "invented-north", "own hold", "at-invented-north"),
			"who has A1, V1: is it one of them?"},
		"a track that is not known, to another facility": {send(south, "cannulation hold_placed", "engine-s", "invented-south", "other hold", "at-invented-north"), ""},
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
