package acceptance_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/app"
	"cannulary/internal/feed"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// lines are what the program logged of messages that were not taken.
func (i *instance) lines(text string) (out []map[string]any) {
	i.tb.Helper()
	for _, line := range strings.Split(i.log.String(), "\n") {
		var m map[string]any
		if json.Unmarshal([]byte(line), &m) == nil && m["msg"] == text {
			out = append(out, m)
		}
	}
	return out
}

// What is refused is logged so that it can be found, and never with a name or an identifier,
// also where a name stands in the wrong field; it is counted by sender and reason.
func TestARefusalIsLoggedAndCountedWithoutANameInIt(t *testing.T) {
	t.Parallel()
	i := start(t, filepath.Join(t.TempDir(), "refused"))
	client := testkit.Dial(t, i.app.GRPCAddr())
	send := func(m *v1.FeedRequest) error { _, err := client.Send(patience(t), m); return err }
	if err := send(testkit.Registration()); err != nil {
		t.Fatal(err)
	}
	culture := func(id string, change func(*v1.Envelope, *v1.CultureResulted)) *v1.FeedRequest {
		m := proto.Clone(testkit.SampleOf("surveillance culture_resulted")).(*v1.FeedRequest)
		e := testkit.Envelope(m)
		e.SourceMessageId = id
		change(e, m.GetSurveillance().GetFacts()[0].GetCultureResulted())
		return m
	}
	if err := send(culture("first", func(*v1.Envelope, *v1.CultureResulted) {})); err != nil {
		t.Fatal(err)
	}
	const name = "Invented-Name, Nobody"
	for n, m := range []*v1.FeedRequest{
		culture("growth", func(_ *v1.Envelope, c *v1.CultureResulted) { c.Growth = v1.CultureGrowth_CULTURE_GROWTH_UNSPECIFIED }),
		culture("who", func(e *v1.Envelope, _ *v1.CultureResulted) { e.Source, e.Patient.System = name, name }),
		culture("where", func(e *v1.Envelope, _ *v1.CultureResulted) { e.Facility = "elsewhere" }),
		culture("first", func(_ *v1.Envelope, c *v1.CultureResulted) { c.CollectedAt = testkit.At("2025-01-03T08:00:00Z") }),
	} {
		if err := send(m); err == nil {
			t.Errorf("message %d was taken", n)
		}
	}
	got := i.lines("a message was not taken")
	if len(got) != 4 {
		t.Fatalf("%d lines: %v", len(got), got)
	}
	source := testkit.Source
	for n, want := range []map[string]string{
		{"id": "growth", "source": source, "service": "surveillance", "facility": testkit.Facility, "fact": "culture_resulted", "code": "invalid"},
		{"id": "who", "source": "unknown", "service": "surveillance", "facility": testkit.Facility, "code": "invalid"},
		{"id": "where", "source": source, "facility": "unknown", "code": "precondition"},
		{"id": "first", "source": source, "code": "conflict", "reason": "the id was used before with other content: envelope.source_message_id: source_message_id.reused"},
	} {
		for k, v := range want {
			if got[n][k] != v {
				t.Errorf("line %d: %s is %v, want %s", n, k, got[n][k], v)
			}
		}
	}
	if r := fmt.Sprint(got[0]["reason"]); !strings.Contains(r, "facts[0].culture_resulted.growth: ") {
		t.Errorf("the reason is %s", r)
	}
	if c := got[3]; c["firstEvent"] == nil || c["firstSequence"] == nil {
		t.Errorf("the conflict does not tell of the first: %v", c)
	}
	patientID := testkit.Envelope(testkit.SampleOf("surveillance culture_resulted")).GetPatient().GetValue()
	text := i.must("/metrics")
	for _, secret := range []string{name, "Nobody", patientID} {
		if strings.Contains(i.log.String(), secret) || strings.Contains(text, secret) {
			t.Errorf("log or metrics hold %q", secret)
		}
	}
	of := func(fact, facility string) string {
		return fmt.Sprintf(`facility="%s",fact="%s",source="%s"`, facility, fact, source)
	}
	const culturesAt = " 1.7435844e+09" // now, in the exposition's form
	for _, line := range []string{
		`cannulary_ingest_messages_total{outcome="refused",service="surveillance"} 3`,
		`cannulary_ingest_messages_total{outcome="conflict",service="surveillance"} 1`,
		`cannulary_ingest_messages_total{outcome="full",service="surveillance"} 0`,
		`cannulary_ingest_refused_total{code="invalid",` + of("culture_resulted", testkit.Facility) + `} 1`,
		`cannulary_ingest_last_refused_timestamp_seconds{` + of("culture_resulted", testkit.Facility) + `}` + culturesAt,
		`cannulary_ingest_last_refused_timestamp_seconds{` + of("culture_resulted", "unknown") + `}` + culturesAt,
		`cannulary_ingest_last_refused_timestamp_seconds{` + of("facility_registered", testkit.Facility) + `} 0`,
	} {
		if !strings.Contains(text, "\n"+line+"\n") {
			t.Errorf("/metrics has no %s", line)
		}
	}
	// A sender that floods fills no disk.
	for n := range 50 {
		_ = send(culture(fmt.Sprint("flood", n), func(_ *v1.Envelope, c *v1.CultureResulted) { c.Growth = v1.CultureGrowth_CULTURE_GROWTH_UNSPECIFIED }))
	}
	if got := len(i.lines("a message was not taken")); got < 20 || got > 30 {
		t.Errorf("%d lines after a flood of 50", got)
	}
}

// load on a full log gives the service's own reason and what became of the messages.
func TestLoadOnAFullLogSaysWhy(t *testing.T) {
	t.Parallel()
	i := start(t, filepath.Join(t.TempDir(), "full"), func(c *app.Config) { c.LogMaxBytes = 64 << 10 })
	var file bytes.Buffer
	sent := messages(t, scenario(5, 1))
	for _, m := range sent {
		if err := feed.WriteLine(&file, m); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(t.TempDir(), "feed")
	if err := os.WriteFile(path, file.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	code, stdout, stderr := cliRun(t, "load", "--grpc", i.app.GRPCAddr(), path)
	var tally feed.Tally
	if err := json.Unmarshal([]byte(stdout), &tally); err != nil || code != 1 || tally.Accepted == 0 || tally.Sent != tally.Accepted+tally.Duplicates+tally.Refused || tally.Unanswered == 0 {
		t.Errorf("it exits %d and says %q (%v)", code, stdout, err)
	}
	if !strings.Contains(stderr, "none was taken for 30s; the service says of \"") || !strings.Contains(stderr, "the log is full: nothing was stored. Ask the operator to raise the log's limit") {
		t.Errorf("it says %q", stderr)
	}
	if text := i.must("/metrics"); !strings.Contains(text, `outcome="full"`) || strings.Contains(text, "cannulary_ingest_refused_total{") {
		t.Error("a full log counts as a sender's fault")
	}
	if got := i.lines("a message was not taken"); len(got) == 0 || got[0]["code"] != "full" {
		t.Errorf("the log of the process: %v", got)
	}
}
