package facade_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/fhir"
	"cannulary/internal/access"
	"cannulary/internal/export"
	"cannulary/internal/facade"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// exporter is a service with an export engine.
type exporter struct {
	*service
	dir    string // of the engine
	engine *export.Engine
	clock  *testkit.Clock
}

// newExporter makes one whose engine runs, unless idle is set.
func newExporter(t testing.TB, idle bool, change ...func(*facade.Config)) *exporter {
	t.Helper()
	x := &exporter{clock: testkit.NewClock(start), dir: filepath.Join(t.TempDir(), "export")}
	engine, err := export.Open(export.Config{Dir: x.dir, Now: x.clock.Now, Slog: slog.New(slog.DiscardHandler), MaxKept: 1000})
	if err != nil {
		t.Fatal(err)
	}
	x.engine = engine
	x.service = newService(t, append(change, func(c *facade.Config) { c.Exports = engine })...)
	if !idle {
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan struct{})
		go func() { defer close(done); engine.Run(ctx, x.h.Export) }()
		t.Cleanup(func() { cancel(); <-done })
	}
	return x
}

// ask sends a request and says nothing about its content type.
func (x *exporter) ask(method, target, body string, headers ...string) answered {
	x.t.Helper()
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Add(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	testkit.Open(x.h).ServeHTTP(w, r)
	return answered{w.Code, w.Header(), w.Body.Bytes()}
}

func (x *exporter) path(link string) string { return facade.Path + follow(x.t, link) }

// begin begins an export and gives the address of its status.
func (x *exporter) begin(path string, headers ...string) string {
	x.t.Helper()
	return x.begun(x.get(path, append(headers, "Prefer", "respond-async")...))
}

func (x *exporter) begun(a answered) string {
	x.t.Helper()
	if a.status != http.StatusAccepted {
		x.t.Fatalf("kick-off: %d %s", a.status, a.body)
	}
	return x.path(a.header.Get("Content-Location"))
}

type exportedList struct {
	TransactionTime, Request string
	RequiresAccessToken      *bool
	Output, Error            []struct {
		Type, URL string
		Count     int
	}
}

// finish waits for an export's list of files.
func (x *exporter) finish(at string) (m exportedList) {
	x.t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
		a := x.ask("GET", at, "", "Accept", "application/json")
		if a.status == http.StatusAccepted {
			if p := a.header.Get("X-Progress"); p == "" || len(p) >= 100 || a.header.Get("Retry-After") != "5" {
				x.t.Fatalf("under way: %v", a.header)
			}
			continue
		}
		if a.status != http.StatusOK || a.header.Get("Content-Type") != "application/json" {
			x.t.Fatalf("status: %d %v %s", a.status, a.header, a.body)
		}
		d := json.NewDecoder(bytes.NewReader(a.body))
		d.DisallowUnknownFields()
		if err := d.Decode(&m); err != nil {
			x.t.Fatalf("%v in %s", err, a.body)
		}
		if m.RequiresAccessToken == nil || *m.RequiresAccessToken || m.Output == nil || m.Error == nil {
			x.t.Fatalf("the list lacks what must be there: %s", a.body)
		}
		// HL7 FHIR Bulk Data Access, "Response - Complete Status" (from memory): true where API and files ask for a bearer token.
		if a = x.ask("GET", at, "", "Accept", "application/json", "Authorization", "Bearer invented"); !bytes.Contains(a.body, []byte(`"requiresAccessToken":true`)) {
			x.t.Fatalf("asked with a token: %s", a.body)
		}
		return m
	}
	x.t.Fatal("the export does not end")
	return m
}

// lines downloads the files of a list: each line by Type/id.
func (x *exporter) lines(m exportedList) map[string]string {
	x.t.Helper()
	out := map[string]string{}
	for _, f := range m.Output {
		a := x.ask("GET", x.path(f.URL), "")
		if a.status != http.StatusOK || a.header.Get("Content-Type") != "application/fhir+ndjson" {
			x.t.Fatalf("file %s: %d %v", f.URL, a.status, a.header)
		}
		list := strings.SplitAfter(string(a.body), "\n")
		if list[len(list)-1] != "" || len(list)-1 != f.Count || f.Count == 0 {
			x.t.Errorf("%s has %d lines, the list says %d", f.URL, len(list)-1, f.Count)
		}
		for _, line := range list[:len(list)-1] {
			var r struct{ ResourceType, ID string }
			if err := json.Unmarshal([]byte(line), &r); err != nil || r.ResourceType != f.Type {
				x.t.Errorf("a line of %s: %v %s", f.URL, err, line)
			}
			if _, twice := out[f.Type+"/"+r.ID]; twice {
				x.t.Errorf("%s/%s stands twice", f.Type, r.ID)
			}
			out[f.Type+"/"+r.ID] = strings.TrimSuffix(line, "\n")
		}
	}
	return out
}

func (x *exporter) export(path string, headers ...string) map[string]string {
	x.t.Helper()
	return x.lines(x.finish(x.begin(path, headers...)))
}

func exportNames(m map[string]string) string {
	return strings.Join(slices.Sorted(maps.Keys(m)), " ")
}

func TestAnExportFromKickOffToRemoval(t *testing.T) {
	x := newExporter(t, false)
	x.put(at(0), resource("Patient", "a", "a", "é <&> ", fhir.Index{}), resource("Procedure", "p", "a", "1", fhir.Index{}))
	x.put(at(7), resource("Procedure", "p", "a", "2", fhir.Index{}), resource("Device", "d", "", "", fhir.Index{}))
	const query = "/$export?_outputFormat=application/fhir%2Bndjson&_type=Procedure,Patient"
	for path, want := range map[string]string{query: "Patient/a Procedure/p", "/$export": "Device/d Patient/a Procedure/p", "/$export?_type=Flag": "", "/$export?_type=Flag,Device": "Device/d", "/$export?_type=Device&_type=Patient": "Device/d Patient/a"} {
		if got := exportNames(x.export(path)); got != want {
			t.Errorf("%s gives %q, want %q", path, got, want)
		}
	}
	a := x.get(query, "Prefer", "respond-async", "Accept", "application/fhir+json")
	status := x.begun(a)
	m := x.finish(status)
	if m.TransactionTime != "2027-03-01T07:00:00.007Z" || m.Request != base+query || len(m.Error) != 0 {
		t.Errorf("the list is %+v", m)
	}
	// The lines are the stored bytes.
	for key, line := range x.lines(m) {
		typ, id, _ := strings.Cut(key, "/")
		row, ok, err := x.store.Get(context.Background(), typ, id)
		if err != nil || !ok || line != string(row.Body) {
			t.Errorf("%s: %q, stored is %q (%v)", key, line, row.Body, err)
		}
	}
	if got := x.ask("GET", status, "").header.Get("Expires"); got != "Tue, 02 Mar 2027 07:00:00 GMT" {
		t.Errorf("it expires %q", got)
	}
	file := x.path(m.Output[0].URL)
	if a := x.ask("DELETE", status, ""); a.status != http.StatusAccepted {
		t.Errorf("DELETE: %d %s", a.status, a.body)
	}
	job := strings.TrimPrefix(status, facade.Path+"/$export/")
	for _, gone := range [][2]string{{"GET", status}, {"DELETE", status}, {"GET", file}} {
		a := x.do(gone[0], gone[1], "")
		code, text, _ := outcome(t, a)
		if a.status != 404 || code != "not-found" || text != "there is no export "+job+" here, or no longer: it was removed or has expired; begin again with $export" {
			t.Errorf("%s %s: %d %s %s", gone[0], gone[1], a.status, code, text)
		}
	}
}

func TestAnEmptyViewIsExportedAsNothing(t *testing.T) {
	x := newExporter(t, false)
	for _, path := range []string{"/$export", "/Patient/$export", "/Patient/$export?_since=2027"} {
		if m := x.finish(x.begin(path)); m.TransactionTime != "1970-01-01T00:00:00.000Z" || len(m.Output) != 0 {
			t.Errorf("%s: %+v", path, m)
		}
	}
}

func TestFilesOfAnExport(t *testing.T) {
	x := newExporter(t, false)
	for i := range 30 {
		x.put(at(i), resource("Procedure", fmt.Sprint(i), "a", "text", fhir.Index{}))
	}
	file := x.path(x.finish(x.begin("/$export")).Output[0].URL)
	whole := x.ask("GET", file, "").body
	for _, accept := range []string{"", "*/*", "application/fhir+ndjson", "text/plain, application/x-ndjson;q=0.5", "application/fhir+json", "application/json"} {
		if a := x.ask("GET", file, "", "Accept", accept); a.status != 200 || !bytes.Equal(a.body, whole) {
			t.Errorf("Accept %q: %d", accept, a.status)
		}
	}
	a := x.ask("GET", file, "", "Accept-Encoding", "br;q=1.0, gzip;q=0.8")
	z, err := gzip.NewReader(bytes.NewReader(a.body))
	if err != nil || a.header.Get("Content-Encoding") != "gzip" || a.header.Get("Vary") != "Accept-Encoding" || a.header.Get("Content-Type") != "application/fhir+ndjson" {
		t.Fatalf("gzip: %v %v", err, a.header)
	}
	if got, err := io.ReadAll(z); err != nil || !bytes.Equal(got, whole) || len(a.body) >= len(whole) {
		t.Errorf("gzip: %d bytes, unpacked %d: %v", len(a.body), len(got), err)
	}
	if a := x.ask("GET", file, "", "Accept-Encoding", "gzip;q=0, deflate"); a.header.Get("Content-Encoding") != "" || !bytes.Equal(a.body, whole) {
		t.Errorf("who refuses gzip gets %v", a.header)
	}
	for encoding, length := range map[string]string{"": fmt.Sprint(len(whole)), "gzip": ""} {
		if a := x.ask("HEAD", file, "", "Accept-Encoding", encoding); a.status != 200 || len(a.body) != 0 || a.header.Get("Content-Length") != length {
			t.Errorf("HEAD with %q: %d %v", encoding, a.status, a.header)
		}
	}
	// A download that broke off goes on where it was.
	tag := x.ask("GET", file, "").header.Get("ETag")
	a = x.ask("GET", file, "", "Range", "bytes=100-", "If-Range", tag, "Accept-Encoding", "gzip")
	if a.status != http.StatusPartialContent || !bytes.Equal(a.body, whole[100:]) {
		t.Errorf("the rest: %d, %d bytes of %d", a.status, len(a.body), len(whole)-100)
	}
}

func TestPatientAndGroupExports(t *testing.T) {
	survivors := map[string]string{"old": "new"}
	x := newExporter(t, false, func(c *facade.Config) {
		c.Survivor = func(id string) string {
			if to, ok := survivors[id]; ok {
				return to
			}
			return id
		}
	})
	ref := func(param, typ, id string) fhir.Index {
		return fhir.Index{References: []fhir.Reference{{Param: param, Type: typ, ID: id}}}
	}
	x.event("here", "old", at(0), resource("Patient", "old", "old", "", fhir.Index{}), resource("Procedure", "1", "new", "", ref("performer", "Practitioner", "nurse")), resource("Practitioner", "nurse", "", "", fhir.Index{}),
		resource("Provenance", "1", "", "", ref("target", "Procedure", "1")), resource("Location", "here", "", "", ref("organization", "Organization", "trust")), resource("Organization", "trust", "", "", fhir.Index{}))
	x.event("there", "new", at(1), resource("Patient", "new", "new", "", fhir.Index{}), resource("Observation", "2", "new", "", fhir.Index{}), resource("Practitioner", "idle", "", "", fhir.Index{}), resource("Provenance", "idle", "", "", ref("target", "Practitioner", "idle")))
	x.event("there", "other", at(2), resource("Patient", "other", "other", "", fhir.Index{}), resource("Procedure", "3", "other", "", ref("location", "Location", "here")))
	group := func(facility string) string {
		return "/Group/" + record.DerivedID("group", record.FacilityID(facility)) + "/$export"
	}
	const ofNew = "Observation/2 Patient/new Patient/old Practitioner/nurse Procedure/1 Provenance/1"
	for path, want := range map[string]string{
		"/Patient/$export": "Location/here Observation/2 Organization/trust Patient/new Patient/old Patient/other Practitioner/nurse Procedure/1 Procedure/3 Provenance/1",
		"/Patient/$export?_type=Procedure,Practitioner":                        "Practitioner/nurse Procedure/1 Procedure/3",
		"/Patient/$export?_typeFilter=Procedure?_id=3,1,7":                     "Location/here Observation/2 Organization/trust Patient/new Patient/old Patient/other Practitioner/nurse Procedure/1 Procedure/3 Provenance/1",
		"/Patient/$export?_type=Procedure&_typeFilter=Procedure?patient=other": "Procedure/3",
		group("here"):                    ofNew,
		group("there"):                   "Location/here Observation/2 Organization/trust Patient/new Patient/old Patient/other Practitioner/nurse Procedure/1 Procedure/3 Provenance/1",
		group("here") + "?_type=Patient": "Patient/new Patient/old",
		group("there") + "?_since=2027-03-01T07:00:00.002Z&_type=Patient,Procedure": "Patient/new Patient/old Patient/other Procedure/1 Procedure/3",
	} {
		if got := exportNames(x.export(strings.ReplaceAll(path, "?_id", "%3F_id"))); got != want {
			t.Errorf("%s gives\n%s, want\n%s", path, got, want)
		}
	}
}

// event puts resources as the work of an event of a patient at a facility.
func (x *exporter) event(facility, patient string, updated time.Time, list ...fhir.Resource) {
	x.t.Helper()
	x.seq++
	tx, err := x.store.Begin(context.Background())
	must := func(err error) {
		x.t.Helper()
		if err != nil {
			x.t.Fatal(err)
		}
	}
	must(err)
	defer tx.Rollback()
	must(tx.InsertEvent(view.StoredEvent{Seq: x.seq, Logged: updated, Event: &logv1.Event{Id: fmt.Sprint(x.seq), PatientKey: patient, Facility: facility, OccurredAt: timestamppb.New(updated)}}, "u", []byte{0}))
	must(tx.HeardFrom(facility, updated, updated))
	for _, r := range list {
		_, _, err := tx.Put(r, x.seq, updated)
		must(err)
	}
	must(tx.SetCheckpoint(view.Checkpoint{LogID: "log", Seq: x.seq, EventID: fmt.Sprint(x.seq), Logged: updated, Updated: updated}))
	must(tx.Commit())
}

func TestTypeFilters(t *testing.T) {
	x := newExporter(t, false)
	with := func(id, status, code string) fhir.Resource {
		return resource("Procedure", id, "p", "", fhir.Index{Tokens: []fhir.Token{{Param: "status", System: "s", Code: status}, {Param: "code", System: "http://codes.example/a,b", Code: code}}})
	}
	x.put(at(0), with("a", "completed", "1"), with("b", "completed", "2"), with("c", "stopped", "1"), with("d", "stopped", "2"), resource("Flag", "f", "p", "", fhir.Index{}), resource("Patient", "p", "p", "", fhir.Index{}))
	for _, c := range []struct{ level, filter, want string }{
		{"/$export", "Procedure?status=completed", "Flag/f Patient/p Procedure/a Procedure/b"},
		{"/Patient/$export", "Procedure?status=completed", "Flag/f Patient/p Procedure/a Procedure/b"},
		{"/$export", "Procedure?status=completed&code=1", "Flag/f Patient/p Procedure/a"},
		{"/$export", "Procedure?status=completed,stopped&code=1", "Flag/f Patient/p Procedure/a Procedure/c"},
		{"/$export", "Procedure?status=completed&code=1,Procedure?status=stopped&code=2", "Flag/f Patient/p Procedure/a Procedure/d"},
		{"/$export", "Procedure?status=completed&code=1,2,Flag?_id=x", "Patient/p Procedure/a Procedure/b"},
		{"/$export", "Procedure?code=" + url.QueryEscape(`http://codes.example/a\,b|1`), "Flag/f Patient/p Procedure/a Procedure/c"},
		{"/$export", "Procedure?_lastUpdated=ge2027-03-01T07:00:00.001Z", "Flag/f Patient/p"},
		{"/$export", "Procedure?patient=https://gateway.example/fhir/Patient/p&status=stopped", "Flag/f Patient/p Procedure/c Procedure/d"},
		{"/$export", "Procedure?", "Flag/f Patient/p Procedure/a Procedure/b Procedure/c Procedure/d"},
	} {
		if got := exportNames(x.export(c.level + "?_typeFilter=" + url.QueryEscape(c.filter))); got != c.want {
			t.Errorf("%s %s gives %s, want %s", c.level, c.filter, got, c.want)
		}
	}
	if got := exportNames(x.export("/$export?_type=Procedure&_typeFilter=Procedure%3F_id%3Da&_typeFilter=Procedure%3F_id%3Dd")); got != "Procedure/a Procedure/d" {
		t.Errorf("a repeated _typeFilter gives %s", got)
	}
}

func TestAKickOffByPOST(t *testing.T) {
	x := newExporter(t, false)
	x.put(at(0), resource("Procedure", "a", "p", "", fhir.Index{}), resource("Flag", "f", "p", "", fhir.Index{}))
	x.put(at(5), resource("Procedure", "b", "p", "", fhir.Index{}), resource("Procedure", "c", "p", "", fhir.Index{}))
	for body, want := range map[string]string{
		"":                              "Flag/f Procedure/a Procedure/b Procedure/c",
		`{"resourceType":"Parameters"}`: "Flag/f Procedure/a Procedure/b Procedure/c",
		`{"resourceType":"Parameters","parameter":[{"name":"_type","valueString":"Procedure"},{"name":"_since","valueInstant":"2027-03-01T07:00:00.005Z"},
			{"name":"_outputFormat","valueString":"ndjson"},{"name":"_typeFilter","valueString":"Procedure?_id=a"},{"name":"_typeFilter","valueString":"Procedure?_id=b"}]}`: "Procedure/b",
	} {
		m := x.finish(x.begun(x.do("POST", facade.Path+"/$export", body, "Prefer", "respond-async", "Content-Type", "application/fhir+json; charset=utf-8")))
		if got := exportNames(x.lines(m)); got != want || m.Request != base+"/$export" {
			t.Errorf("%s gives %s for %s", body, got, m.Request)
		}
	}
}

func TestALenientExportTellsWhatItIgnored(t *testing.T) {
	x := newExporter(t, false, func(c *facade.Config) {
		c.Survivor = func(id string) string { return strings.Replace(id, "old", "p", 1) }
	})
	x.put(at(0), resource("Procedure", "a", "p", "", fhir.Index{}), resource("Device", "d", "", "", fhir.Index{}), resource("Organization", "o", "", "", fhir.Index{}))
	m := x.finish(x.begin("/$export?_elements=id&_type=Procedure,Encounter&_typeFilter="+url.QueryEscape("Procedure?patient=old&colour=red"), "Prefer", "handling=lenient"))
	if got := exportNames(x.lines(m)); got != "Procedure/a" || len(m.Error) != 1 || m.Error[0].Type != "OperationOutcome" || m.Error[0].Count != 4 {
		t.Fatalf("%s %+v", got, m)
	}
	var texts []string
	for line := range strings.Lines(string(x.ask("GET", x.path(m.Error[0].URL), "").body)) {
		var o struct {
			ResourceType string
			Issue        []struct{ Severity, Diagnostics string }
		}
		if err := json.Unmarshal([]byte(line), &o); err != nil || o.ResourceType != "OperationOutcome" {
			t.Fatalf("%v: %s", err, line)
		}
		text, _, _ := strings.Cut(o.Issue[0].Diagnostics, ";")
		texts = append(texts, o.Issue[0].Severity+": "+text)
	}
	want := []string{"warning: _elements is not a parameter of $export", "warning: _type: there is no resource type Encounter here", "information: Patient/old was merged into Patient/p", "warning: colour is not a search parameter of Procedure and was ignored, as Prefer: handling=lenient asks"}
	if !reflect.DeepEqual(texts, want) {
		t.Errorf("it says\n%s", strings.Join(texts, "\n"))
	}
	if got := exportNames(x.export("/Patient/$export?_type=Device", "Prefer", "handling=lenient")); got != "" {
		t.Errorf("a device that no patient's resource refers to is given: %s", got)
	}
}

func TestExportErrors(t *testing.T) {
	x := newExporter(t, true)
	x.put(at(0), resource("Patient", "p", "p", "", fhir.Index{}))
	x.event("here", "p", at(1))
	types := "Patient, Practitioner, Organization, Location, Group, BodyStructure, Procedure, Observation, DetectedIssue, Flag, Device, MeasureReport, Provenance"
	offered := types + ", StructureDefinition, CodeSystem, ValueSet, NamingSystem, SearchParameter, OperationDefinition, Measure"
	f := func(s string) string { return "/$export?_typeFilter=" + url.QueryEscape(s) }
	const parameters = `the body of a $export must be a Parameters resource: {"resourceType":"Parameters","parameter":[{"name":"_type","valueString":"Observation"}]}`
	for _, c := range []struct {
		method, path, body string
		headers            []string // besides Prefer: respond-async and, with a body, the content type
		status             int
		code, text, where  string
	}{
		{"GET", "/Group/none/$export", "", nil, 404, "not-found", "there is no Group of this id here", ""},
		{"GET", "/Group/here/$export", "", nil, 404, "not-found", "there is no Group of this id here", ""},
		{"GET", "/Group/" + record.FacilityID("here") + "/$export", "", nil, 404, "not-found", "there is no Group of this id here", ""},
		{"GET", "/Procedure/$export", "", nil, 404, "not-supported", "there is nothing at /fhir/Procedure/$export; /fhir/metadata lists what there is", ""},
		{"PUT", "/$export", "", nil, 405, "not-supported", "PUT is not possible at /fhir/$export; this service takes no FHIR writes; allowed: GET, POST", ""},
		{"DELETE", "/Patient/$export", "", nil, 405, "not-supported", "DELETE is not possible at /fhir/Patient/$export; this service takes no FHIR writes; allowed: GET, POST", ""},
		{"POST", "/$export/x", "", nil, 405, "not-supported", "POST is not possible at /fhir/$export/x; this service takes no FHIR writes; allowed: GET, DELETE", ""},
		{"GET", "/$export", "", []string{"Accept", "application/fhir+xml"}, 406, "not-supported", "only JSON is answered (application/fhir+json), not application/fhir+xml", "http.Accept"},

		{"GET", "/$export?_outputFormat=text/csv", "", nil, 400, "not-supported", "_outputFormat: text/csv is not offered; use one of application/fhir+ndjson, application/ndjson, ndjson, which are the same", "http._outputFormat"},
		{"GET", "/$export?_outputFormat=", "", nil, 400, "value", "_outputFormat has an empty value; leave it out or give one", "http._outputFormat"},
		{"GET", "/$export?_since=yesterday", "", nil, 400, "value", "_since: yesterday is not an instant; write YYYY-MM-DDThh:mm:ss[.fff] with Z or an offset", "http._since"},
		{"GET", "/$export?_since=2027&_since=2028", "", nil, 400, "value", "_since is given 2 times; give it once", "http._since"},
		{"GET", "/$export?_type=Encounter", "", nil, 400, "value", "_type: there is no resource type Encounter here; use one of " + types, "http._type"},
		{"GET", "/$export?_type=", "", nil, 400, "value", "_type: there is no resource type nothing here; use one of " + types, "http._type"},
		{"GET", "/$export?_type=Encounter", "", []string{"Prefer", "handling=lenient"}, 400, "value", "_type: none of the types is here; use one of " + types, "http._type"},
		{"GET", "/Patient/$export?_type=Device,Location", "", nil, 400, "value", "_type: Location, Device belong to no patient; ask also for a type that does, for the $export of the whole system, or with Prefer: handling=lenient for those that the patients' resources refer to", "http._type"},
		{"GET", "/$export?_elements=id", "", nil, 400, "not-supported", "_elements is not a parameter of $export; use one of _outputFormat, _since, _type, _typeFilter; with Prefer: handling=lenient it would be ignored", "http._elements"},
		{"GET", "/$export?=x", "", nil, 400, "not-supported", "nothing is not a parameter of $export; use one of _outputFormat, _since, _type, _typeFilter; with Prefer: handling=lenient it would be ignored", "http."},
		{"GET", "/Patient/$export?patient=Patient/p", "", []string{"Prefer", "handling=lenient"}, 400, "not-supported", "patient: exports of some patients are not offered; ask for Patient/[id]/$everything, or for the Group of their facility", "http.patient"},

		{"GET", f("Procedure"), "", nil, 400, "value", "_typeFilter: Procedure is not a search; write Type?parameters, for instance Observation?status=final, with one of " + types, "http._typeFilter"},
		{"GET", f(""), "", nil, 400, "value", "_typeFilter: nothing is not a search; write Type?parameters, for instance Observation?status=final, with one of " + types, "http._typeFilter"},
		{"GET", f("Encounter?status=x"), "", nil, 400, "value", "_typeFilter: Encounter?status=x is not a search; write Type?parameters, for instance Observation?status=final, with one of " + types, "http._typeFilter"},
		{"GET", f("Flag?_id=1") + "&_type=Procedure", "", nil, 400, "value", "_typeFilter: Flag is filtered but not among the _type that are exported: Procedure", "http._typeFilter"},
		{"GET", f("Flag?_id=%zz"), "", nil, 400, "value", "_typeFilter: the parameters of Flag cannot be read: percent signs and semicolons inside must be written as %25 and %3B, and the whole then be escaped once more", "http._typeFilter"},
		{"GET", f("Flag?_count=5"), "", nil, 400, "not-supported", "_typeFilter: _count shapes the answer of a search and is not possible in an export; leave it out", "http._typeFilter"},
		{"GET", f("Flag?_sort=date"), "", nil, 400, "not-supported", "_typeFilter: _sort shapes the answer of a search and is not possible in an export; leave it out", "http._typeFilter"},
		{"GET", f("Flag?_include:iterate=Flag:author"), "", nil, 400, "not-supported", "_typeFilter: _include:iterate shapes the answer of a search and is not possible in an export; leave it out", "http._typeFilter"},
		{"GET", f("Flag?_id=1,Flag?date=2027-13"), "", nil, 400, "value", "_typeFilter: Flag: date: 2027-13 is not a date; a date is YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm[:ss[.fff]] with Z or an offset, after an optional prefix; without either it is compared with the date and time as the resource writes them", "http._typeFilter"},
		{"GET", f("Device?type=a|b|c"), "", nil, 400, "value", `_typeFilter: Device: type: a|b|c has more than one |; a token is code, system|code, |code or system|; write \| for a | inside`, "http._typeFilter"},

		{"POST", "/$export", "_type=Flag", []string{"Content-Type", "application/x-www-form-urlencoded"}, 415, "not-supported", "the body of a $export must be a Parameters resource as application/fhir+json, not application/x-www-form-urlencoded", "http.Content-Type"},
		{"POST", "/$export", "{", nil, 400, "structure", parameters, ""},
		{"POST", "/$export", `{"resourceType":"Bundle"}`, nil, 400, "structure", parameters, ""},
		{"POST", "/$export", `{"resourceType":"Parameters","parameter":[{"name":"_type","valueString":"Flag"},{"name":"_since","valueInteger":1}]}`, nil, 400, "structure", `parameter[1] _since needs a name and one value such as {"name":"_type","valueString":"Observation"}`, "Parameters.parameter[1]"},
		{"POST", "/$export", `{"resourceType":"Parameters","parameter":[{"valueString":"Flag"}]}`, nil, 400, "structure", `parameter[0] needs a name and one value such as {"name":"_type","valueString":"Observation"}`, "Parameters.parameter[0]"},
		{"POST", "/Patient/$export", `{"resourceType":"Parameters","parameter":[{"name":"patient","valueReference":{"reference":"Patient/p"}}]}`, nil, 400, "not-supported", "patient: exports of some patients are not offered; ask for Patient/[id]/$everything, or for the Group of their facility", "http.patient"},
		{"POST", "/$export", strings.Repeat(" ", 64<<10+1), nil, 413, "too-long", "the body of a $export may have at most 65536 bytes", ""},

		{"GET", "/$export/x", "", nil, 404, "not-found", "there is no export x here, or no longer: it was removed or has expired; begin again with $export", ""},
		{"DELETE", "/$export/x", "", nil, 404, "not-found", "there is no export x here, or no longer: it was removed or has expired; begin again with $export", ""},
		{"GET", "/$export/x/Flag.ndjson", "", nil, 404, "not-found", "there is no export x here, or no longer: it was removed or has expired; begin again with $export", ""},
		{"GET", "/$export/x/Flag", "", nil, 404, "not-found", "the export x has no file Flag; GET on the export lists them", ""},
		{"GET", "/$export/x/Flag.ndjson", "", []string{"Accept", "text/csv"}, 406, "not-supported", "the files of an export are application/fhir+ndjson, not text/csv", "http.Accept"},
		{"GET", "/$export/x/y/z", "", nil, 404, "not-supported", "there is no resource type $export here; use one of " + offered, ""},
	} {
		headers := append([]string{"Prefer", "respond-async"}, c.headers...)
		if c.body != "" && !slices.Contains(c.headers, "Content-Type") {
			headers = append(headers, "Content-Type", "application/fhir+json")
		}
		a := x.do(c.method, facade.Path+c.path, c.body, headers...)
		code, text, where := outcome(t, a)
		if a.status != c.status || code != c.code || text != c.text || where != c.where {
			t.Errorf("%s %.80s %.80s:\n got %d %s %q at %q\nwant %d %s %q at %q", c.method, c.path, c.body, a.status, code, text, where, c.status, c.code, c.text, c.where)
		}
	}
	for _, prefer := range []string{"", "respond-sync", "handling=lenient", "return=minimal; respond-async"} {
		a := x.get("/$export", "Prefer", prefer)
		if code, text, where := outcome(t, a); a.status != 400 || code != "required" || where != "http.Prefer" || text != "$export is answered later: send it with the header Prefer: respond-async, then ask at the Content-Location of the answer how far it is" {
			t.Errorf("Prefer %q: %d %s %s", prefer, a.status, code, text)
		}
	}
	for _, prefer := range []string{"respond-async", "Respond-Async", "handling=strict, respond-async;wait=10"} {
		if at := x.begin("/$export", "Prefer", prefer); x.ask("DELETE", at, "").status != 202 {
			t.Errorf("Prefer %q: it cannot be cancelled", prefer)
		}
	}
}

func TestTooManyExports(t *testing.T) {
	x := newExporter(t, true)
	var first string
	for i := range export.DefaultMaxOpen {
		at := x.begin("/$export")
		if a := x.ask("GET", at, ""); a.status != 202 || a.header.Get("X-Progress") != fmt.Sprintf("waiting, exports before it: %d", i) {
			t.Errorf("number %d: %d %v", i, a.status, a.header)
		}
		if first == "" {
			first = at
		}
	}
	a := x.get("/$export", "Prefer", "respond-async")
	if code, text, _ := outcome(t, a); a.status != 429 || code != "throttled" || a.header.Get("Retry-After") != "30" || text != "4 exports run or wait, and no more are accepted; wait for one to end, or cancel one with DELETE" {
		t.Errorf("%d %v %s %s", a.status, a.header, code, text)
	}
	x.ask("DELETE", first, "")
	x.begin("/$export")
}

func TestAnExportThatCannotBeWrittenDown(t *testing.T) {
	x := newExporter(t, true)
	// A file where the folder was stops also a user who may write everywhere.
	if err := errors.Join(os.RemoveAll(x.dir), os.WriteFile(x.dir, nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	a := x.get("/$export", "Prefer", "respond-async")
	if code, text, _ := outcome(t, a); a.status != 503 || code != "transient" || text != "the request could not be written to disk. Tell the operator that the export folder has no room or cannot be written, then begin again" {
		t.Errorf("%d %s %s", a.status, code, text)
	}
}

func TestAnExportExpires(t *testing.T) {
	x := newExporter(t, false)
	x.put(at(0), resource("Flag", "f", "p", "", fhir.Index{}))
	status := x.begin("/$export")
	file := x.path(x.finish(status).Output[0].URL)
	x.clock.Advance(24 * time.Hour)
	for _, path := range []string{status, file} {
		if a := x.do("GET", path, ""); a.status != 404 {
			t.Errorf("%s: %d", path, a.status)
		}
	}
}

// The search is of another version of the program than the one that took the request.
func TestAFailedExportTellsWhatToDo(t *testing.T) {
	x := newExporter(t, false)
	for want, r := range map[string]*export.Request{
		"the _typeFilter of the export is not understood by the version of the service that runs now. Begin again with a new $export": {Level: export.System, Types: []string{"Flag"}, Searches: []string{"Flag?gone=1"}},
		"the Group of the export is no longer known. Begin again with a new $export when the view has caught up":                      {Level: export.Group, Group: "gone", Types: []string{"Flag"}},
	} {
		r.Owner = access.Everybody().Name
		id, err := x.engine.Begin(r)
		if err != nil {
			t.Fatal(err)
		}
		var a answered
		for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
			if a = x.ask("GET", facade.Path+"/$export/"+id, ""); a.status != 202 {
				break
			}
		}
		if code, text, _ := outcome(t, a); a.status != 500 || code != "exception" || text != want {
			t.Errorf("%d %s %s", a.status, code, text)
		}
	}
}

func TestWithoutAnEngineThereIsNoExport(t *testing.T) {
	s := newService(t)
	for _, path := range []string{"/$export", "/$export/1", "/Patient/$export", "/Group/1/$export"} {
		if a := s.get(path, "Prefer", "respond-async"); a.status != 404 {
			t.Errorf("%s: %d", path, a.status)
		}
	}
	if a := s.get("/metadata"); bytes.Contains(a.body, []byte(`"name":"export"`)) {
		t.Error("the CapabilityStatement promises it")
	}
}

func TestTheCapabilityStatementTellsOfExports(t *testing.T) {
	x := newExporter(t, true)
	var c struct {
		Instantiates []string
		Rest         []struct {
			Operation []struct{ Name, Definition string }
			Resource  []struct {
				Type      string
				Operation []struct{ Name, Definition string }
			}
		}
	}
	if err := json.Unmarshal(x.get("/metadata").body, &c); err != nil {
		t.Fatal(err)
	}
	// The guide is the Bulk Data Access IG, STU 2; of its operations not all is offered, so
	// the definitions are our own, which name theirs as base.
	const canonical, ours = "http://hl7.org/fhir/uv/bulkdata/", fhir.Base + "/OperationDefinition/"
	if !reflect.DeepEqual(c.Instantiates, []string{canonical + "CapabilityStatement/bulk-data"}) || len(c.Rest[0].Operation) != 1 || c.Rest[0].Operation[0].Definition != ours+"export" {
		t.Errorf("%+v", c)
	}
	for _, r := range c.Rest[0].Resource {
		if r.Type == "Patient" && (len(r.Operation) != 2 || r.Operation[1].Name != "export" || r.Operation[1].Definition != ours+"patient-export") {
			t.Errorf("Patient: %+v", r.Operation)
		}
	}
	// What is named is published.
	published := map[string]string{}
	for _, d := range fhir.Definitions() {
		var head struct{ URL, Code string }
		if err := json.Unmarshal(d.Body, &head); err != nil {
			t.Fatal(err)
		}
		published[head.URL] = head.Code
	}
	n := 0
	check := func(list []struct{ Name, Definition string }) {
		for _, o := range list {
			if n++; published[o.Definition] != o.Name {
				t.Errorf("$%s is defined by %s, which is the definition of %q", o.Name, o.Definition, published[o.Definition])
			}
		}
	}
	check(c.Rest[0].Operation)
	for _, r := range c.Rest[0].Resource {
		check(r.Operation)
	}
	if n != 4 {
		t.Errorf("%d operations", n)
	}
}
