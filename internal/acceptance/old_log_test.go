package acceptance_test

import (
	"archive/tar"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/app"
	"cannulary/internal/eventlog"
	"cannulary/internal/feed"
	"cannulary/internal/logfile"
	"cannulary/internal/testkit"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// oldInstance unpacks the instance that commit 3d23c67 made, and the messages that it took, in their order. That version
// had neither chain, nor mark of the newest acknowledged entry, nor copy of the keys, nor sealed texts, and its view
// has another schema. The folder was made so, with the program of that commit:
//
//	cannulary simulate --patients 4 --months 1 --seed 7 --until 2025-03-31 --out all.ndjson
//	# messages.ndjson: the first 109 lines, and all later ones with a surveillance fact, a correction, a void, a
//	# missed session, a complication, a flow, a discharge, or a track that was rested or resumed
//	cannulary serve --data data
//	cannulary load --grpc 127.0.0.1:7450 messages.ndjson
//	# once the view has all: end `serve` by SIGTERM, delete data/lock
//	tar -cf - data messages.ndjson | gzip -9
func oldInstance(tb testing.TB) (dir string, msgs []*cannularyv1.FeedRequest) {
	tb.Helper()
	f, err := os.Open(filepath.Join("testdata", "log-3d23c67.tar.gz"))
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		tb.Fatal(err)
	}
	root := tb.TempDir()
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			tb.Fatal(err)
		}
		to := filepath.Join(root, filepath.FromSlash(h.Name))
		if h.Typeflag == tar.TypeDir {
			continue
		}
		b, err := io.ReadAll(r)
		if err == nil {
			err = os.MkdirAll(filepath.Dir(to), 0o700)
		}
		if err == nil {
			err = os.WriteFile(to, b, 0o600)
		}
		if err != nil {
			tb.Fatal(err)
		}
	}
	lines, err := os.Open(filepath.Join(root, "messages.ndjson"))
	if err != nil {
		tb.Fatal(err)
	}
	defer lines.Close()
	take := func(_ int, m *cannularyv1.FeedRequest) error { msgs = append(msgs, m); return nil }
	if err := feed.ReadLines(lines, take, func(n int, err error) { tb.Fatalf("line %d: %v", n, err) }); err != nil {
		tb.Fatal(err)
	}
	return filepath.Join(root, "data"), msgs
}

// standing is a machine's clock that stands still.
type standing struct{ at time.Time }

func (c standing) Wall() time.Time { return c.at }

func (standing) Passed() time.Duration { return 0 }

// records are the entries of a stopped instance's log: number, time and bytes.
func records(tb testing.TB, dir string) (out []string) {
	tb.Helper()
	_, err := logfile.Read(filepath.Join(dir, "log"), eventlog.StreamName("main"), func(r logfile.Record) error {
		out = append(out, r.Time.Format(time.RFC3339Nano)+" "+r.Subject+" "+string(r.Data))
		return nil
	})
	if err != nil {
		tb.Fatal(err)
	}
	return out
}

// A log of an earlier version opens, is found whole, and goes on: what it has is recognised, what is new comes behind
// it, and a view is built from all of it. A repair of it keeps all, too.
func TestALogOfAnEarlierVersionGoesOn(t *testing.T) {
	t.Parallel()
	dir, msgs := oldInstance(t)
	before := records(t, dir)
	if len(msgs) != 124 || len(before) != 126 {
		t.Fatalf("the folder has %d messages and %d entries", len(msgs), len(before))
	}
	code, stdout, stderr := cliRun(t, "verify", "--data", dir)
	if code != 0 || !strings.Contains(stdout, "126 whole entries") || !strings.Contains(stdout, "126 good copies of entries up to 126") ||
		!strings.Contains(stdout, "nobody can tell whether the log lost its last entries") {
		t.Errorf("verify exits %d and says %s %s", code, stdout, stderr)
	}
	damaged := copyDir(t, dir, filepath.Join(t.TempDir(), "damaged"))
	flip(t, blocks(t, damaged)[0], 8*size64(t, blocks(t, damaged)[0])/2)
	if _, r := repaired(t, damaged); len(r.Lost) > 0 || len(r.Copied) != 1 {
		t.Errorf("a repair by its view says %+v", r)
	}

	evening := time.Date(2026, 11, 29, 20, 0, 0, 0, time.UTC) // of the day on which the folder was made
	clock := func(c *app.Config) {
		c.Clock, c.Now = standing{evening}, func() time.Time { return evening }
	}
	i := start(t, dir, clock)
	tally, again := i.post(msgs)
	if tally.Duplicates != len(msgs) {
		t.Errorf("all sent again gave %+v, want duplicates", tally)
	}
	for _, a := range again {
		if seq := sequence(t, a.GetToken()); seq > 126 || testkit.Event(t, i.app.Log(), seq).GetId() != a.GetEventId() {
			t.Errorf("message %s was acknowledged as %s, which is another event", a.GetSourceMessageId(), a.GetToken())
		}
	}
	more, ok := proto.Clone(msgs[len(msgs)-1]).(*cannularyv1.FeedRequest)
	if !ok {
		t.Fatal("a copy of a message is none")
	}
	testkit.Envelope(more).SourceMessageId = "after-the-update"
	if tally, _ := i.post([]*cannularyv1.FeedRequest{more}); tally.Accepted != 1 {
		t.Errorf("a new message gave %+v", tally)
	}
	i.stop()
	want := dump(t, dir)
	if len(want["resource"]) < 500 || len(want["event"]) != 127 || len(want["quarantine"])+len(want["aside"]) > 0 {
		t.Errorf("the view has %d resources of %d events; set aside: %v %v", len(want["resource"]), len(want["event"]), want["quarantine"], want["aside"])
	}
	rebuild(t, dir, 127)
	same(t, want, dump(t, dir))
	after := records(t, dir)
	if len(after) != 127 {
		t.Fatalf("the log has %d entries", len(after))
	}
	for n, r := range before {
		if after[n] != r {
			t.Errorf("entry %d is another one now", n+1)
		}
	}
	if code, stdout, stderr := cliRun(t, "verify", "--data", dir); code != 0 {
		t.Errorf("verify exits %d and says %s %s", code, stdout, stderr)
	}
}
