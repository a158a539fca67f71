// Package examples keeps the examples for senders and the tables of ../README.md true to
// the schema. The scenario is invented.
package examples

import (
	"bufio"
	"bytes"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

const (
	dataFile   = "invented-unit.ndjson"
	readmeFile = "../README.md"
	maxBytes   = 1 << 20 // the largest message that README.md allows
)

// example is one FeedRequest taken apart.
type example struct {
	request  *cannularyv1.FeedRequest
	envelope *cannularyv1.Envelope
	service  string
	kinds    []string
	facts    []protoreflect.Message // the concrete facts, in order
}

// decode reads one FeedRequest strictly and validates it.
func decode(data []byte) (*cannularyv1.FeedRequest, error) {
	req := &cannularyv1.FeedRequest{}
	if err := (protojson.UnmarshalOptions{DiscardUnknown: false}).Unmarshal(data, req); err != nil {
		return nil, err
	}
	return req, protovalidate.Validate(req)
}

// chosen returns the field that is set in the message's only real oneof.
func chosen(t *testing.T, m protoreflect.Message) protoreflect.FieldDescriptor {
	t.Helper()
	fd := m.WhichOneof(m.Descriptor().Oneofs().Get(0))
	if fd == nil {
		t.Fatalf("%s: nothing is set", m.Descriptor().FullName())
	}
	return fd
}

func takeApart(t *testing.T, req *cannularyv1.FeedRequest) example {
	t.Helper()
	r := req.ProtoReflect()
	service := chosen(t, r)
	inner := r.Get(service).Message()
	fields := inner.Descriptor().Fields()
	envelope, ok := inner.Get(fields.ByName("envelope")).Message().Interface().(*cannularyv1.Envelope)
	if !ok {
		t.Fatal("the request has no envelope")
	}
	ex := example{request: req, envelope: envelope, service: string(service.Name())}
	list := inner.Get(fields.ByName("facts")).List()
	for i := range list.Len() {
		fact := list.Get(i).Message()
		fd := chosen(t, fact)
		ex.kinds = append(ex.kinds, string(fd.Name()))
		ex.facts = append(ex.facts, fact.Get(fd).Message())
	}
	return ex
}

// load reads the data file; every line must decode and validate.
func load(t *testing.T) []example {
	t.Helper()
	data, err := os.ReadFile(dataFile)
	if err != nil {
		t.Fatal(err)
	}
	var out []example
	lines := bufio.NewScanner(bytes.NewReader(data))
	lines.Buffer(nil, maxBytes)
	for n := 1; lines.Scan(); n++ {
		req, err := decode(lines.Bytes())
		if err != nil {
			t.Fatalf("%s:%d: %v", dataFile, n, err)
		}
		out = append(out, takeApart(t, req))
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	if len(out) == 0 {
		t.Fatalf("%s is empty", dataFile)
	}
	return out
}

func readme(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile(readmeFile)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// schema lists every kind of fact as "service kind".
func schema() map[string]bool {
	kinds := map[string]bool{}
	services := (&cannularyv1.FeedRequest{}).ProtoReflect().Descriptor().Oneofs().Get(0).Fields()
	for i := range services.Len() {
		service := services.Get(i)
		facts := service.Message().Fields().ByName("facts").Message().Oneofs().Get(0).Fields()
		for j := range facts.Len() {
			kinds[string(service.Name())+" "+string(facts.Get(j).Name())] = true
		}
	}
	return kinds
}

// table returns the body rows of the table between the comments <!-- name:begin --> and
// <!-- name:end -->, each cut into its trimmed cells.
func table(t *testing.T, page, name string) [][]string {
	t.Helper()
	_, rest, found := strings.Cut(page, "<!-- "+name+":begin -->")
	body, _, ended := strings.Cut(rest, "<!-- "+name+":end -->")
	if !found || !ended {
		t.Fatalf("%s has no table %q", readmeFile, name)
	}
	var rows [][]string
	for _, line := range strings.Split(strings.TrimSpace(body), "\n") {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		rows = append(rows, cells)
	}
	if len(rows) < 3 {
		t.Fatalf("table %q of %s has no rows", name, readmeFile)
	}
	for _, row := range rows {
		if len(row) != len(rows[0]) {
			t.Fatalf("table %q: row %q has %d cells, the head has %d", name, row, len(row), len(rows[0]))
		}
	}
	return rows[2:]
}

var code = regexp.MustCompile("`([^`]+)`")

func quoted(cell string) []string {
	var out []string
	for _, m := range code.FindAllStringSubmatch(cell, -1) {
		out = append(out, m[1])
	}
	return out
}

// TestEnvelopes checks what the schema's constraints cannot say and the page promises.
func TestEnvelopes(t *testing.T) {
	registered, ids := map[string]bool{}, map[string]bool{}
	services := map[string]bool{}
	for _, ex := range load(t) {
		env := ex.envelope
		name := env.GetSource() + " " + env.GetSourceMessageId()
		services[ex.service] = true
		if ids[name] {
			t.Errorf("%s: the id is used twice", name)
		}
		ids[name] = true
		if size := proto.Size(ex.request); size > maxBytes {
			t.Errorf("%s: %d bytes, more than %d", name, size, maxBytes)
		}
		for i, kind := range ex.kinds {
			if kind == string(record.KindFacilityRegistered) {
				registered[env.GetFacility()] = true
			}
			about := kind
			if kind == string(record.KindFactCorrected) {
				about = replacementKind(t, ex.facts[i])
			}
			if kind == string(record.KindFactVoided) {
				continue // either; TestReferences compares it with its target
			}
			if facility := record.FacilityLevel(record.Kind(about)); facility == (env.GetPatient() != nil) {
				t.Errorf("%s: %s about the facility: %v, but patient given: %v", name, kind, facility, env.GetPatient() != nil)
			}
		}
		if !registered[env.GetFacility()] {
			t.Errorf("%s: facility %q is not registered by an earlier line", name, env.GetFacility())
		}
	}
	for _, want := range []string{"roster", "cannulation", "assessment", "surveillance"} {
		if !services[want] {
			t.Errorf("no example for the %s service", want)
		}
	}
}

func replacementKind(t *testing.T, correction protoreflect.Message) string {
	t.Helper()
	fd := correction.Descriptor().Fields().ByName("replacement")
	return string(chosen(t, correction.Get(fd).Message()).Name())
}

// TestReferences checks that corrections, voids and assessments name a fact of the file,
// of the right kind and about the same patient.
func TestReferences(t *testing.T) {
	type target struct {
		kind string
		ex   example
	}
	examples := load(t)
	facts := map[string]target{}
	for _, ex := range examples {
		event := record.EventID(ex.envelope.GetSource(), ex.envelope.GetSourceMessageId())
		for i, kind := range ex.kinds {
			facts[record.FactID(event, i)] = target{kind, ex}
		}
	}
	found := 0
	for _, ex := range examples {
		for i, kind := range ex.kinds {
			body := ex.facts[i]
			var ref *cannularyv1.FactReference
			var want string // kind of the target, empty for any
			switch m := body.Interface().(type) {
			case *cannularyv1.FactVoided:
				ref = m.GetFact()
			case *cannularyv1.SuspectedSourceAssessed:
				ref, want = m.GetCulture(), "culture_resulted"
			case interface {
				GetCorrection() *cannularyv1.Correction
			}:
				ref, want = m.GetCorrection().GetFact(), replacementKind(t, body)
			default:
				continue
			}
			found++
			name := ex.envelope.GetSourceMessageId() + " " + kind
			to, ok := facts[record.ReferencedFactID(ex.envelope.GetSource(), ref)]
			switch {
			case !ok:
				t.Errorf("%s names %v, which is not in the file", name, ref)
			case want != "" && to.kind != want:
				t.Errorf("%s names a %s, want a %s", name, to.kind, want)
			case !proto.Equal(to.ex.envelope.GetPatient(), ex.envelope.GetPatient()):
				t.Errorf("%s is about another patient than the fact that it names", name)
			case to.ex.envelope.GetFacility() != ex.envelope.GetFacility():
				t.Errorf("%s is of another facility than the fact that it names", name)
			}
		}
	}
	if found < 3 {
		t.Errorf("only %d references in the examples: want a correction, a void and a source at least", found)
	}
}

// TestTheLiftNamesTheHold checks that a lift of the file names a hold that a fact of the file
// places, of the same patient and before it.
func TestTheLiftNamesTheHold(t *testing.T) {
	holds := map[string]example{}
	lifted := 0
	for _, ex := range load(t) {
		event := record.EventID(ex.envelope.GetSource(), ex.envelope.GetSourceMessageId())
		for i, body := range ex.facts {
			switch m := body.Interface().(type) {
			case *cannularyv1.HoldPlaced:
				holds[record.HoldID(rule.Person, record.FactID(event, i))] = ex
			case *cannularyv1.HoldLifted:
				lifted++
				of, ok := holds[m.GetHold()]
				if !ok || !proto.Equal(of.envelope.GetPatient(), ex.envelope.GetPatient()) || !of.envelope.GetOccurredAt().AsTime().Before(ex.envelope.GetOccurredAt().AsTime()) {
					t.Errorf("%s lifts %s; holds placed before it: %v", ex.envelope.GetSourceMessageId(), m.GetHold(), holds)
				}
			}
		}
	}
	if lifted == 0 {
		t.Error("no lift in the examples")
	}
}

// TestTheAcknowledgementAnswersTheChart checks that the acknowledged chart is one whose
// threshold the file sets.
func TestTheAcknowledgementAnswersTheChart(t *testing.T) {
	type chart struct {
		pattern cannularyv1.NeedlingPattern
		class   cannularyv1.InfectionClass
	}
	set, answered := map[chart]bool{}, 0
	for _, ex := range load(t) {
		for _, body := range ex.facts {
			switch m := body.Interface().(type) {
			case *cannularyv1.SurveillanceThresholdSet:
				set[chart{m.GetPattern(), m.GetInfectionClass()}] = true
			case *cannularyv1.SurveillanceSignalAcknowledged:
				answered++
				if !set[chart{m.GetPattern(), m.GetInfectionClass()}] {
					t.Errorf("%s acknowledges a chart that is not set", ex.envelope.GetSourceMessageId())
				}
			}
		}
	}
	if answered == 0 {
		t.Error("no acknowledgement in the examples")
	}
}

// TestRefused breaks an example in ways that the page says are refused.
func TestRefused(t *testing.T) {
	data, err := os.ReadFile(dataFile)
	if err != nil {
		t.Fatal(err)
	}
	line := ""
	for _, l := range strings.Split(string(data), "\n") {
		if strings.Contains(l, `"needle_inserted"`) && strings.Contains(l, `"gauge":16`) {
			line = l
		}
	}
	for name, change := range map[string][2]string{
		"unknown field":          {`"gauge":16`, `"gauge":16,"gauge_colour":"x"`},
		"gauge out of range":     {`"gauge":16`, `"gauge":3`},
		"precision missing":      {`"precision":"TIME_PRECISION_MINUTE"`, `"precision":"TIME_PRECISION_UNSPECIFIED"`},
		"message id missing":     {`"source_message_id":"0009"`, `"source_message_id":""`},
		"before 1970":            {`"2025-02-03T07:24:00Z"`, `"1969-12-31T23:59:59Z"`},
		"outcome not recorded":   {`"INSERTION_OUTCOME_SUCCESSFUL"`, `"INSERTION_OUTCOME_UNSPECIFIED"`},
		"unknown word in enum":   {`"NEEDLE_TIP_BLUNT"`, `"NEEDLE_TIP_BENT"`},
		"unknown enum number":    {`"NEEDLE_TIP_BLUNT"`, `9`},
		"no fact in the oneof":   {`"facts":[`, `"facts":[{},`},
		"facility in upper case": {`"invented-north"`, `"Invented-North"`},
	} {
		if strings.Count(line, change[0]) == 0 {
			t.Fatalf("%s: the example no longer holds %s", name, change[0])
		}
		if _, err := decode([]byte(strings.Replace(line, change[0], change[1], 1))); err == nil {
			t.Errorf("%s is accepted", name)
		}
	}
}

// TestReadmeBlocks checks that every JSON block of the page is a valid FeedRequest and
// says the same as the line of the file with its id.
func TestReadmeBlocks(t *testing.T) {
	byID := map[string]example{}
	for _, ex := range load(t) {
		byID[ex.envelope.GetSourceMessageId()] = ex
	}
	parts := strings.Split(readme(t), "```json\n")
	if len(parts) < 2 {
		t.Fatalf("%s has no JSON block", readmeFile)
	}
	for i, part := range parts[1:] {
		block, _, closed := strings.Cut(part, "\n```")
		if !closed {
			t.Fatalf("block %d is not closed", i+1)
		}
		req, err := decode([]byte(block))
		if err != nil {
			t.Errorf("block %d: %v\n%s", i+1, err, block)
			continue
		}
		id := takeApart(t, req).envelope.GetSourceMessageId()
		if line, ok := byID[id]; !ok || !proto.Equal(req, line.request) {
			t.Errorf("block %d (message %s) is not the line of %s with that id", i+1, id, dataFile)
		}
	}
	for _, id := range regexp.MustCompile("`([0-9]{4})`").FindAllStringSubmatch(readme(t), -1) {
		if _, ok := byID[id[1]]; !ok {
			t.Errorf("the page speaks of message %s, which is not in %s", id[1], dataFile)
		}
	}
}

// TestReadmeFactTable checks that the page lists every kind of fact and no other, and
// says rightly whom each is about.
func TestReadmeFactTable(t *testing.T) {
	want, got := schema(), map[string]bool{}
	for _, row := range table(t, readme(t), "facts") {
		names := quoted(row[0])
		if len(names) != 1 {
			t.Fatalf("row %q does not name one fact", row)
		}
		kind, about := names[0], row[3]
		for _, service := range strings.Split(row[1], ", ") {
			key := service + " " + kind
			if got[key] {
				t.Errorf("%s is listed twice", key)
			}
			got[key] = true
			if !want[key] {
				t.Errorf("%s is listed, but the schema does not have it", key)
			}
		}
		right := "patient"
		switch k := record.Kind(kind); {
		case k == record.KindFactCorrected, k == record.KindFactVoided:
			right = "as the fact named"
		case record.FacilityLevel(k):
			right = "facility"
		}
		if about != right {
			t.Errorf("%s is listed as about %q, want %q", kind, about, right)
		}
		if !slices.Contains([]string{"send", "if any", "–"}, row[4]) || row[2] == "" {
			t.Errorf("%s: row %q is incomplete", kind, row)
		}
	}
	for key := range want {
		if !got[key] {
			t.Errorf("%s is in the schema, but not listed", key)
		}
	}
}

// TestReadmeTriggers checks that the page maps triggers to facts that exist and says for
// every row how the trigger's name is known.
func TestReadmeTriggers(t *testing.T) {
	known := map[string]bool{}
	for key := range schema() {
		_, kind, _ := strings.Cut(key, " ")
		known[kind] = true
	}
	for _, row := range table(t, readme(t), "triggers") {
		names := quoted(row[2])
		if len(names) == 0 && row[2] != "–" {
			t.Errorf("%s: no fact named and no dash", row[0])
		}
		for _, name := range names {
			if !known[name] {
				t.Errorf("%s: %s is not a fact", row[0], name)
			}
		}
		if !strings.Contains(row[4], "read") && !strings.Contains(row[4], "from memory") {
			t.Errorf("%s: basis %q says neither read nor from memory", row[0], row[4])
		}
	}
}

// TestReadmeErrors checks that the page's statuses are gRPC's.
func TestReadmeErrors(t *testing.T) {
	seen := map[codes.Code]bool{}
	for _, row := range table(t, readme(t), "errors") {
		for _, name := range quoted(row[0]) {
			var c codes.Code
			if err := c.UnmarshalJSON([]byte(`"` + name + `"`)); err != nil {
				t.Errorf("%s is not a gRPC status", name)
			}
			seen[c] = true
		}
	}
	// The errors that the schema's comment on RecordRoster promises.
	for _, c := range []codes.Code{codes.InvalidArgument, codes.OutOfRange, codes.FailedPrecondition, codes.AlreadyExists, codes.ResourceExhausted, codes.Unavailable} {
		if !seen[c] {
			t.Errorf("%s is not explained", c)
		}
	}
}

// TestLeftOutMeasurementsAreRefused keeps a measurement without its value from being read
// as 0: a flow of 0 would be an emergency.
func TestLeftOutMeasurementsAreRefused(t *testing.T) {
	for field, m := range map[string]proto.Message{
		"pressure_mmhg":               &cannularyv1.VenousPressureRead{Access: "F1"},
		"flow_millilitres_per_minute": &cannularyv1.AccessFlowMeasured{Access: "F1"},
	} {
		if protovalidate.Validate(m) == nil {
			t.Errorf("%s left out is accepted", field)
		}
	}
}

// TestTheFrontPagesExample checks that the message in the project's README is one that
// the service takes.
func TestTheFrontPagesExample(t *testing.T) {
	page, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(page), "<<'END'\n")
	text, _, end := strings.Cut(rest, "\nEND\n")
	if !ok || !end {
		t.Fatal("the README shows no message between <<'END' and END")
	}
	m := &cannularyv1.RecordCannulationRequest{}
	if err := protojson.Unmarshal([]byte(text), m); err != nil {
		t.Fatal(err)
	}
	if err := protovalidate.Validate(m); err != nil {
		t.Error(err)
	}
}
