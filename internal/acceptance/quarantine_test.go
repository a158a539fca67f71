package acceptance_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/app"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// external is a NATS server of its own with JetStream, as a hospital would run it.
type external struct {
	url    string
	js     jetstream.JetStream
	master string // the file of the master key
}

func externalNATS(tb testing.TB) *external {
	tb.Helper()
	ns, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, NoSigs: true, NoLog: true, JetStream: true, StoreDir: tb.TempDir(), MaxPayload: 4 << 20})
	if err != nil {
		tb.Fatal(err)
	}
	ns.Start()
	tb.Cleanup(func() { ns.Shutdown(); ns.WaitForShutdown() })
	if !ns.ReadyForConnections(patient) {
		tb.Fatal("the NATS server did not start")
	}
	nc, err := nats.Connect(ns.ClientURL())
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		tb.Fatal(err)
	}
	x := &external{url: ns.ClientURL(), js: js, master: filepath.Join(tb.TempDir(), "master")}
	if err := os.WriteFile(x.master, []byte(strings.Repeat("0a1b2c3d", 8)+"\n"), 0o600); err != nil {
		tb.Fatal(err)
	}
	return x
}

// use points an application to the server; the log is small, so that it fits any disk.
func (x *external) use(cfg *app.Config) {
	cfg.NATS, cfg.MasterKeyFile, cfg.LogMaxBytes = x.url, x.master, 64<<20
}

// publish puts bytes into the log past the ingest service.
func (x *external) publish(tb testing.TB, data []byte) uint64 {
	tb.Helper()
	ack, err := x.js.Publish(patience(tb), "cannulary.main."+north+"._", data)
	if err != nil {
		tb.Fatal(err)
	}
	return ack.Sequence
}

func (x *external) event(tb testing.TB, ev *logv1.Event) uint64 {
	tb.Helper()
	data, err := proto.Marshal(ev)
	if err != nil {
		tb.Fatal(err)
	}
	return x.publish(tb, data)
}

func metric(tb testing.TB, i *instance, line string) {
	tb.Helper()
	if text := i.must("/metrics"); !strings.Contains(text, "\n"+line+"\n") {
		tb.Errorf("/metrics has no line %q", line)
	}
}

// An event that cannot be understood is set aside and told of; the rest goes on. One with
// a kind of fact of a newer version stops the projector instead, and is not skipped.
func TestWhatCannotBeUnderstoodIsSetAsideAndWhatIsNewerStopsTheView(t *testing.T) {
	t.Parallel()
	x, dir := externalNATS(t), t.TempDir()
	i := start(t, dir, x.use)
	feed := mergeable()
	half := len(feed) / 2
	i.post(feed[:half])
	metric(t, i, "cannulary_quarantined_events 0")
	unclear := []uint64{
		x.publish(t, []byte("no protobuf at all")),
		x.event(t, &logv1.Event{Id: record.EventID("engine-x", "empty"), Source: "engine-x", SourceMessageId: "empty", Facility: north}),
		x.event(t, stolen(t, i)),
	}
	i.post(feed[half:])
	metric(t, i, fmt.Sprintf("cannulary_quarantined_events %d", len(unclear)))
	metric(t, i, fmt.Sprintf(`cannulary_projector_sequence{projector="view"} %d`, i.last()))
	aside := query(t, dir, `SELECT seq, reason FROM quarantine`)
	for _, seq := range unclear {
		if aside[fmt.Sprint(seq)] == "" {
			t.Errorf("entry %d is not set aside with its reason: %v", seq, aside)
		}
	}
	if n := query(t, dir, `SELECT 'n', count(*) FROM event WHERE patient <> ''`)["n"]; n != fmt.Sprint(len(feed)-len(registrations())) {
		t.Errorf("%s messages about patients are in the view, %d were posted", n, len(feed)-len(registrations()))
	}
	var c struct {
		Quarantined int
		Lagging     bool
		Notices     []string
		Tracks      []any
	}
	card := func() {
		t.Helper()
		id := testkit.Patient("INV-M2")
		if err := json.Unmarshal([]byte(i.must("/card?identifier="+id.GetSystem()+"%7C"+id.GetValue())), &c); err != nil {
			t.Fatal(err)
		}
	}
	if card(); c.Quarantined != len(unclear) || c.Lagging || len(c.Tracks) != 1 || !strings.Contains(strings.Join(c.Notices, " "), "3 messages could not be understood") {
		t.Errorf("the card says %+v", c)
	}
	// Ready gets the end as found at start.
	if code, text := i.get("/readyz"); code != 200 || !strings.Contains(text, `"ready"`) {
		t.Errorf("/readyz answers %d %s", code, text)
	}

	// The newer event comes right after one that the view has no time to judge alone.
	client := testkit.Dial(t, i.app.GRPCAddr())
	if _, err := client.Send(patience(t), testkit.Request(about("just before", north, "INV-M2", "21T08:00", "T-before"), inserted("B1", 25))); err != nil {
		t.Fatal(err)
	}
	newer := x.publish(t, fromTheFuture(t))
	select {
	case <-failed(i):
	case <-time.After(patient):
		t.Fatal("the projector did not stop")
	}
	stopped := func(i *instance) {
		t.Helper()
		if code, text := i.get("/readyz"); code != 503 || !strings.Contains(text, `"failed"`) {
			t.Errorf("/readyz answers %d %s", code, text)
		}
		if at := i.app.Projector().Sequence(); at != newer-1 {
			t.Errorf("the projector is at %d, the event that it does not know is %d", at, newer)
		}
		if cp := query(t, dir, `SELECT 'seq', seq FROM checkpoint`)["seq"]; cp != fmt.Sprint(newer-1) {
			t.Errorf("the checkpoint is %s, want %d", cp, newer-1)
		}
		for _, path := range []string{"/healthz", "/metrics", "/status", "/fhir/metadata", "/fhir/Procedure?_count=1", "/"} {
			i.must(path)
		}
	}
	stopped(i)
	// Ingest goes on, the view stays where it is and says that it is behind.
	late := testkit.Request(about("late", north, "INV-M2", "22T08:00", "T-late"), inserted("B1", 25))
	if _, err := client.Send(patience(t), late); err != nil {
		t.Errorf("ingest must go on: %v", err)
	}
	stopped(i)
	metric(t, i, `cannulary_projector_lag_events{projector="view"} 2`)
	if card(); !c.Lagging || !strings.Contains(strings.Join(c.Notices, " "), "behind the record") {
		t.Errorf("the card says %+v", c)
	}
	// Names and identifiers are not in what it logged of all this.
	identifiers, personal := identities(feed)
	if where := found(map[string][]byte{"stderr": i.log.Bytes()}, append(identifiers, personal...)); len(where) > 0 || !strings.Contains(i.log.String(), "set aside") || !strings.Contains(i.log.String(), "the projector stopped") {
		t.Errorf("the program's log: %v in %s", where, i.log)
	}
	i.stop()
	want := dump(t, dir)
	// A restart does not get past it, and neither does a new view, which takes many events
	// at once and stops at the very same place.
	for _, dir = range []string{dir, t.TempDir()} {
		cfg := config(dir, &buffer{})
		x.use(&cfg)
		again, err := app.New(patience(t), cfg)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(again.Stop)
		again.Start()
		i = &instance{tb: t, app: again, dir: dir, log: i.log}
		<-failed(i)
		stopped(i)
		i.stop()
		same(t, want, dump(t, dir))
	}
}

// failed is closed once the projector has failed.
func failed(i *instance) <-chan struct{} {
	done := make(chan struct{})
	go func() {
		for i.app.Projector().Failed() == nil {
			time.Sleep(5 * time.Millisecond)
		}
		close(done)
	}()
	return done
}

// stolen is a well-formed event whose sealed identity was sealed for somebody else.
func stolen(tb testing.TB, i *instance) *logv1.Event {
	tb.Helper()
	for seq := uint64(1); seq <= i.last(); seq++ {
		if ev := testkit.Event(tb, i.app.Log(), seq); ev.GetFacts()[0].GetIdentitySealed() != nil {
			ev.Id, ev.SourceMessageId, ev.PatientKey = record.EventID("engine-x", "stolen"), "stolen", patientKey(tb, i, "INV-M1")
			sealed := ev.GetFacts()[0].GetIdentitySealed().GetSealed()
			sealed[len(sealed)-1] ^= 1
			return ev
		}
	}
	tb.Fatal("no identity was stated")
	return nil
}

// fromTheFuture is an event with a fact of a kind that no version knows yet.
func fromTheFuture(tb testing.TB) []byte {
	tb.Helper()
	ev := &logv1.Event{Id: record.EventID("engine-x", "newer"), Source: "engine-x", SourceMessageId: "newer", Facility: north,
		OccurredAt: testkit.At("2025-02-22T07:00:00Z"), Precision: v1.TimePrecision_TIME_PRECISION_MINUTE}
	data, err := proto.Marshal(ev)
	if err != nil {
		tb.Fatal(err)
	}
	fact := protowire.AppendBytes(protowire.AppendTag(nil, 1999, protowire.BytesType), []byte{})
	facts := (&logv1.Event{}).ProtoReflect().Descriptor().Fields().ByName("facts").Number()
	return protowire.AppendBytes(protowire.AppendTag(data, facts, protowire.BytesType), fact)
}

// A view is refused that was built from another log, or from this one before it lost
// acknowledged events.
func TestAViewThatDoesNotBelongToTheLogIsRefused(t *testing.T) {
	t.Parallel()
	feed := mergeable()
	third := len(feed) / 3
	dir := filepath.Join(t.TempDir(), "first")
	i := start(t, dir)
	i.post(feed[:third])
	i.stop()
	short := copyDir(t, dir, filepath.Join(t.TempDir(), "short"))
	i = start(t, dir)
	i.post(feed[third:])
	end := i.last()
	i.stop()
	view := func(from, to string) string {
		if err := os.RemoveAll(filepath.Join(to, "view")); err != nil {
			t.Fatal(err)
		}
		copyDir(t, filepath.Join(from, "view"), filepath.Join(to, "view"))
		return to
	}
	refused := func(dir, text, advice string) {
		t.Helper()
		err := refusedStart(t, dir)
		if !strings.Contains(err.Error(), text) || !strings.Contains(err.Error(), advice) {
			t.Errorf("it says %v, want %q", err, text)
		}
		if code, _, stderr := cliRun(t, "status", "--data", dir); code != 1 || !strings.Contains(stderr, text) || strings.Count(stderr, "\n") != 1 {
			t.Errorf("status exits %d and says %q", code, stderr)
		}
	}

	// The log lost its end.
	lost := view(dir, copyDir(t, short, filepath.Join(t.TempDir(), "lost")))
	repair := "repair it into a new folder with `cannulary repair`"
	refused(lost, fmt.Sprintf(", but the view %s has entry %d", viewName(), end), repair)

	// It lost its end and went on: the same number is another event now.
	on := copyDir(t, short, filepath.Join(t.TempDir(), "on"))
	i = start(t, on)
	for n := 0; i.last() <= end; n++ {
		i.post([]*v1.FeedRequest{testkit.Request(about(fmt.Sprintf("other-%d", n), north, "INV-M1", "15T08:00", ""), inserted("A1", 25))})
	}
	i.stop()
	refused(view(dir, on), fmt.Sprintf("entry %d of the log is not the one that the view %s has: the log lost its end and went on", end,
		viewName()), repair)

	// Another log, made with the same keys.
	other := filepath.Join(t.TempDir(), "other")
	copyDir(t, filepath.Join(dir, "keys"), filepath.Join(other, "keys"))
	i = start(t, other)
	i.post(feed)
	i.stop()
	refused(view(dir, other), "the view does not belong to this log: it was built from log",
		"restore the log that belongs to it; if that is lost, move "+filepath.Join(other, "view"))

	// Another log's keys.
	foreign := copyDir(t, dir, filepath.Join(t.TempDir(), "foreign"))
	if err := os.RemoveAll(filepath.Join(foreign, "keys")); err != nil {
		t.Fatal(err)
	}
	if err := refusedStart(t, foreign); !strings.Contains(err.Error(), "the log was made with another site secret") {
		t.Errorf("with other keys it says %v", err)
	}

	// Deleting the view is the way out that the text names.
	if err := os.RemoveAll(filepath.Join(on, "view")); err != nil {
		t.Fatal(err)
	}
	start(t, on).stop()
}
