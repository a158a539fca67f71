package acceptance_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
)

// traces gathers what a day of a unit leaves outside the answers that are meant to name a patient.
type traces struct {
	tb   testing.TB
	base string
	left map[string][]byte // by what it is
	// refused counts answers that are errors; their whole text is a trace.
	refused, links int
}

// ask asks and keeps what must name nobody: of every answer the headers, of a refusal the text, of a Bundle the links,
// of a manifest its addresses. named says that the address asked for holds an identifier: the links of a Bundle repeat the
// search then, as FHIR wants.
func (x *traces) ask(method, path, body string, named bool, header ...string) (*http.Response, string) {
	x.tb.Helper()
	r, err := http.NewRequestWithContext(x.tb.Context(), method, x.base+path, strings.NewReader(body))
	if err != nil {
		x.tb.Fatal(err)
	}
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		x.tb.Fatal(err)
	}
	text, err := io.ReadAll(resp.Body)
	if err := errors.Join(err, resp.Body.Close()); err != nil {
		x.tb.Fatal(err)
	}
	n := len(x.left)
	x.left[fmt.Sprintf("headers %d", n)] = fmt.Append(nil, resp.Header)
	if resp.StatusCode >= http.StatusBadRequest {
		x.refused++
		x.left[fmt.Sprintf("refusal %d (%d)", n, resp.StatusCode)] = text
		return resp, string(text)
	}
	var b struct {
		Link   []struct{ Relation, URL string }
		Output []struct{ URL string }
	}
	if json.Unmarshal(text, &b) == nil {
		for _, l := range b.Link {
			if !named {
				x.links++
				x.left[fmt.Sprintf("link %d %s", n, l.Relation)] = append(x.left[fmt.Sprintf("link %d %s", n, l.Relation)], l.URL...)
			}
		}
		for i, o := range b.Output {
			x.links++
			x.left[fmt.Sprintf("export %d, file %d", n, i)] = []byte(o.URL)
		}
	}
	return resp, string(text)
}

// TestADayLeavesNothingPersonalBehind runs a whole unit: its feed, good and bad messages, cards, pages, FHIR, an export,
// hooks, a pack, the report, and bad questions about patients who are there, also with a number or a name where a key
// belongs. (A refusal repeats what stands in a field that is never a person's, as a date or a count.) No identifier, name or birth date that was
// sent stands in the process's log, the metrics, an error, an address that the service makes, a header, what a command
// says, a file's name or a subject of the log.
func TestADayLeavesNothingPersonalBehind(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.copy(t)
	i := start(t, dir)
	x := &traces{tb: t, base: "http://" + i.app.HTTPAddr(), left: map[string][]byte{}}
	// Messages that are refused, of patients who are there.
	client, refusals := testkit.Dial(t, i.app.GRPCAddr()), 0
	for n, m := range u.messages[:min(200, len(u.messages))] {
		m = proto.CloneOf(m)
		e := testkit.Envelope(m)
		e.SourceMessageId = fmt.Sprintf("spoilt-%d", n)
		if n%2 == 1 {
			e.Facility = "elsewhere"
		} else {
			e.OccurredAt = timestamppb.New(now().Add(999 * time.Hour))
		}
		if _, err := client.Send(patience(t), m); err != nil {
			refusals++
			x.left[fmt.Sprintf("refusal of message %d", n)] = fmt.Append(nil, status.Convert(err).Proto())
		}
	}
	if refusals < 150 {
		t.Errorf("only %d messages were refused", refusals)
	}

	who := someone(t, u)
	var name, birth string
	for _, m := range u.messages {
		for _, f := range m.GetRoster().GetFacts() {
			if s := f.GetIdentityStated(); s != nil && testkit.Envelope(m).GetPatient().GetValue() == who.GetValue() {
				name, birth = s.GetFamilyName(), s.GetBirthDate()
			}
		}
	}
	if name == "" || birth == "" {
		t.Fatalf("nobody's name and birth date are known: %q, %q", name, birth)
	}
	id := url.QueryEscape(who.GetSystem() + "|" + who.GetValue())
	find, born := url.QueryEscape(name), url.QueryEscape(birth)
	_, text := x.ask(http.MethodGet, "/card?identifier="+id, "", true)
	var card struct{ Patient struct{ ID string } }
	if err := json.Unmarshal([]byte(text), &card); err != nil || card.Patient.ID == "" {
		t.Fatalf("the card is %.200s (%v)", text, err)
	}
	key := card.Patient.ID
	for _, good := range []string{"/", "/?list=all&facility=" + i.groups()[0], "/?find=" + find, "/card?patient=" + key, "/past?patient=" + key, "/unit", "/cannulators",
		"/fhir/Patient?identifier=" + id, "/fhir/Procedure?patient.identifier=" + id + "&_count=2",
		"/fhir/Patient/" + key + "/$everything", "/fhir/Patient?_count=1", "/fhir/_history?_count=3", "/surveillance/signals", "/status", "/healthz"} {
		x.ask(http.MethodGet, good, "", strings.Contains(good, id), "Accept", "application/json, text/html;q=0.5")
	}
	// Followed page by page, a search by a key names nobody in the addresses of its pages.
	next := "/fhir/Procedure?patient=" + key + "&_count=1"
	for range 3 {
		var b struct {
			Link []struct{ Relation, URL string }
		}
		_, text := x.ask(http.MethodGet, next, "", false)
		if err := json.Unmarshal([]byte(text), &b); err != nil {
			t.Fatal(err)
		}
		for _, l := range b.Link {
			if l.Relation == "next" {
				next = strings.TrimPrefix(l.URL, x.base)
			}
		}
	}
	before := x.refused
	bad := []string{"/card?identifier=" + id + "&as_of=" + born, "/card?identifier=" + id + "&nonsense=" + find, "/card?patient=" + find,
		"/card?identifier=nowhere%7C" + url.QueryEscape(who.GetValue()), "/card?identifier=" + url.QueryEscape(who.GetValue()),
		"/fhir/Patient?identifier=" + id + "&nonsense=" + find, "/fhir/Patient?birthdate=" + born + "x", "/fhir/Patient/" + find,
		"/fhir/Patient/" + url.PathEscape(who.GetValue()), "/fhir/Procedure?patient.identifier=" + id + "&date=yesterday",
		"/track?patient=" + find, "/past?patient=" + find + "&as_of=" + born, "/confirm?patient=" + key + "&scan=" + id + "&x=" + find,
		"/fhir/$export?_type=nobody", "/nowhere/" + find, "/fhir/Patient?identifier=" + id + "&_count=many"}
	for _, path := range bad {
		for _, accept := range []string{"application/json", "text/html", "application/fhir+json"} {
			x.ask(http.MethodGet, path, "", true, "Accept", accept)
		}
	}
	call := func(patient string) string {
		return `{"hook":"patient-view","hookInstance":"5f1c2f7e-8a54-4c0b-9f3e-2d6b1f0c7a11","context":{"userId":"Practitioner/1","patientId":"1"},"prefetch":{"patient":` + patient + `}}`
	}
	hooks := "/cds-services/needling-advice"
	identifier := fmt.Sprintf(`"identifier":[{"system":%q,"value":%q}]`, who.GetSystem(), who.GetValue())
	for _, patient := range []string{`{"resourceType":"Patient","id":"1",` + identifier + `}`,
		fmt.Sprintf(`{"resourceType":"Patient","id":"1",%s,"birthDate":%q}`, identifier, birth)} {
		if resp, text := x.ask(http.MethodPost, hooks, call(patient), false, "Content-Type", "application/json"); resp.StatusCode != http.StatusOK {
			t.Errorf("a good call of CDS Hooks answers %d: %s", resp.StatusCode, text)
		}
	}
	for _, patient := range []string{fmt.Sprintf(`{"resourceType":"Patient",%s,"birthDate":%q}}`, identifier, birth), `{"resourceType":"Procedure","id":"1",` + identifier + `}`,
		fmt.Sprintf(`{"resourceType":"Patient","id":"1","identifier":%q,"birthDate":%q}`, who.GetValue(), name)} {
		x.ask(http.MethodPost, hooks, call(patient), false, "Content-Type", "application/json")
	}
	x.ask(http.MethodPost, "/what-if", fmt.Sprintf(`{"version":%q,"protocol":{"none":1}}`, name), false, "Content-Type", "application/json")
	if n := x.refused - before; n < 3*len(bad)-12 {
		t.Errorf("only %d of the bad questions were refused", n)
	}
	job := i.kickOff("/fhir/$export?_type=Patient,Procedure")
	x.left["the address of an export"] = []byte(job)
	i.exported(job)
	x.ask(http.MethodGet, strings.TrimPrefix(job, x.base), "", false)

	pack := filepath.Join(t.TempDir(), "pack")
	for _, args := range [][]string{{"card", "--all", "--http", x.base, "--out", pack}, {"card", "--data", dir, "--identifier", who.GetSystem() + "|" + who.GetValue() + "x"},
		{"card", "--data", dir, "--identifier", who.GetValue()}, {"status", "--http", x.base}, {"report", "--http", x.base, "--month", "2025-01", "--json"}} {
		_, stdout, stderr := cliRun(t, args...)
		x.left["what "+args[0]+" says with "+args[1]] = []byte(stdout + stderr)
	}
	x.left["the names in the pack"] = names(t, pack)
	x.left["the metrics"] = []byte(i.must("/metrics"))
	i.stop()
	x.left["the process's log"] = i.log.Bytes()
	x.left["the names in the data folder"] = names(t, dir)
	for path, b := range contents(t, filepath.Join(dir, "log")) { // subjects and message ids stand in its files
		x.left["the log's file "+strings.TrimPrefix(path, dir)] = b
	}

	for what, text := range map[string]string{"the process's log": "a message was not taken", "the metrics": "cannulary_ingest_refused_total",
		"the names in the data folder": "export", "the names in the pack": "print.html"} {
		if !strings.Contains(string(x.left[what]), text) {
			t.Errorf("%s: %q is not in it", what, text)
		}
	}
	if x.links < 10 {
		t.Errorf("only %d addresses that the service made were seen", x.links)
	}
	identifying := slices.DeleteFunc(simulate.Identifying(u.scenario), func(s string) bool { return len(s) < 3 })
	if where := found(x.left, identifying); len(where) > 0 {
		for _, at := range where {
			_, what, _ := strings.Cut(at, " in ")
			t.Errorf("%s: %.300s", at, x.left[what])
		}
	}
	t.Logf("%d texts looked through for %d words, %d refusals, %d addresses", len(x.left), len(identifying), x.refused, x.links)
}

// names lists the names below a folder.
func names(tb testing.TB, dir string) (out []byte) {
	tb.Helper()
	if err := filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
		out = append(out, strings.TrimPrefix(path, dir)+"\n"...)
		return err
	}); err != nil {
		tb.Fatal(err)
	}
	return out
}
