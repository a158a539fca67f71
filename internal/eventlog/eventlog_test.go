package eventlog_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/chain"
	"cannulary/internal/eventlog"
	"cannulary/internal/fault"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
)

const stream = "CANNULARY_TEST"

func event(id string, size int) *logv1.Event {
	return &logv1.Event{
		Id: record.EventID("engine-a", id), Source: "engine-a", SourceMessageId: id, Facility: "invented-north",
		OccurredAt: timestamppb.New(testkit.Noon()), ContentHash: make([]byte, size),
	}
}

func appendN(t *testing.T, l *eventlog.Log, from, to int) {
	t.Helper()
	for i := from; i < to; i++ {
		if _, _, err := l.Append(testkit.Context(t), event(fmt.Sprint("m", i), 0)); err != nil {
			t.Fatal(err)
		}
	}
}

func js(t *testing.T, nc *nats.Conn) jetstream.JetStream {
	t.Helper()
	out, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestGenesisOnce opens one empty log from many processes at once: one first entry, one
// log id, also when it is opened again.
func TestGenesisOnce(t *testing.T) {
	s := testkit.Server(t, t.TempDir())
	const processes = 8
	ids := make([]string, processes)
	var wg sync.WaitGroup
	for i := range processes {
		nc := testkit.Connect(t, s)
		wg.Add(1)
		go func() {
			defer wg.Done()
			l, err := eventlog.Open(context.Background(), nc, testkit.LogConfig())
			if err != nil {
				t.Error(err)
				return
			}
			ids[i] = l.ID()
		}()
	}
	wg.Wait()
	l := testkit.OpenLog(t, testkit.Connect(t, s), testkit.LogConfig())
	for i, id := range ids {
		if id != l.ID() || len(id) != 32 {
			t.Errorf("process %d has log id %q, the log has %q", i, id, l.ID())
		}
	}
	if n := testkit.LastSeq(t, l); n != 1 {
		t.Errorf("%d entries in a new log, want the first alone", n)
	}
	g := testkit.Event(t, l, 1)
	if g.GetFacts()[0].GetGenesis().GetLogId() != l.ID() || g.GetSource() != "cannulary" || !g.GetOccurredAt().AsTime().
		Equal(testkit.Noon()) {
		t.Errorf("genesis %v", g)
	}
}

// TestForeignLogsAreRefused opens a log with another site secret, as another shard's, and
// a stream that another program began.
func TestForeignLogsAreRefused(t *testing.T) {
	s := testkit.Server(t, t.TempDir())
	nc := testkit.Connect(t, s)
	testkit.OpenLog(t, nc, testkit.LogConfig())
	other := testkit.LogConfig()
	other.Fingerprint = "fedcba9876543210"
	if _, err := eventlog.Open(testkit.Context(t), nc, other); err == nil ||
		!strings.Contains(err.Error(), "another site secret (fingerprint 0123456789abcdef, here fedcba9876543210)") {
		t.Errorf("another secret: %v", err)
	}
	cfg := testkit.LogConfig()
	cfg.Shard = "foreign"
	if _, err := js(t, nc).CreateStream(testkit.Context(t), safe(cfg)); err != nil {
		t.Fatal(err)
	}
	if _, err := js(t, nc).Publish(testkit.Context(t), "cannulary.foreign.x", []byte("hello")); err != nil {
		t.Fatal(err)
	}
	if _, err := eventlog.Open(testkit.Context(t), nc, cfg); err == nil ||
		!strings.Contains(err.Error(), "does not begin with this program's first entry") {
		t.Errorf("another program's stream: %v", err)
	}
}

// safe is a stream as the package itself would make it.
func safe(cfg eventlog.Config) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name: "CANNULARY_" + strings.ToUpper(cfg.Shard), Subjects: []string{"cannulary." + cfg.Shard + ".>"},
		Storage: jetstream.FileStorage, MaxBytes: cfg.MaxBytes, Discard: jetstream.DiscardNew, Replicas: 1,
		DenyDelete: true, DenyPurge: true, Duplicates: eventlog.DuplicateWindow,
	}
}

// TestUnsafeStreamsAreRefused makes the stream beforehand with one setting that could lose
// or change events.
func TestUnsafeStreamsAreRefused(t *testing.T) {
	for name, c := range map[string]struct {
		change func(c *jetstream.StreamConfig)
		says   string
	}{
		"in memory": {func(c *jetstream.StreamConfig) { c.Storage = jetstream.MemoryStorage }, "storage must be file"},
		"a work queue": {func(c *jetstream.StreamConfig) { c.Retention = jetstream.WorkQueuePolicy },
			"retention must be limits (is "},
		"by interest": {func(c *jetstream.StreamConfig) { c.Retention = jetstream.InterestPolicy },
			"retention must be limits (is "},
		"drops the oldest":    {func(c *jetstream.StreamConfig) { c.Discard = jetstream.DiscardOld }, "discard must be new"},
		"drops after a year":  {func(c *jetstream.StreamConfig) { c.MaxAge = 365 * 24 * time.Hour }, "max age must be off"},
		"a limit of messages": {func(c *jetstream.StreamConfig) { c.MaxMsgs = 1000 }, "message limits must be off"},
		"a limit per subject": {func(c *jetstream.StreamConfig) { c.MaxMsgsPerSubject = 1 }, "message limits must be off"},
		"deletes":             {func(c *jetstream.StreamConfig) { c.DenyDelete = false }, "deletes and purges must be denied"},
		"purges":              {func(c *jetstream.StreamConfig) { c.DenyPurge = false }, "deletes and purges must be denied"},
		"roll-up": {func(c *jetstream.StreamConfig) { c.AllowRollup, c.DenyPurge = true, false },
			"roll-up and message TTL must be off"},
		"message TTL": {func(c *jetstream.StreamConfig) { c.AllowMsgTTL = true }, "roll-up and message TTL must be off"},
		"other subjects": {func(c *jetstream.StreamConfig) { c.Subjects = []string{"cannulary.test.>", "else"} },
			"subjects must be cannulary.test.>"},
		"writes behind": {func(c *jetstream.StreamConfig) { c.PersistMode = jetstream.AsyncPersistMode },
			"persist mode must be the default"},
		"no acknowledgement": {func(c *jetstream.StreamConfig) { c.NoAck = true }, "acknowledgements must be on"},
		"forgets ids too early": {func(c *jetstream.StreamConfig) { c.Duplicates = time.Second },
			"the duplicate window must be at least 2m0s"},
		"sourced from elsewhere": {func(c *jetstream.StreamConfig) { c.Sources = []*jetstream.StreamSource{{Name: "ELSE"}} },
			"mirror, sources and subject transform must be off"},
		"small messages": {func(c *jetstream.StreamConfig) { c.MaxMsgSize = 1 << 10 },
			"the largest message must be at least 2097152 bytes (is 1024)"},
		"begins later": {func(c *jetstream.StreamConfig) { c.FirstSeq = 7 }, "the first sequence must be 1 (is 7)"},
		"is told elsewhere": {func(c *jetstream.StreamConfig) {
			c.RePublish = &jetstream.RePublish{Source: ">", Destination: "copy.>"}
		}, "republishing must be off"},
		"several things at once": {func(c *jetstream.StreamConfig) { c.MaxAge, c.DenyPurge = time.Hour, false },
			"max age must be off (is 1h0m0s); deletes and purges must be denied (is deletes denied true, purges denied false)"},
		"subjects are translated": {func(c *jetstream.StreamConfig) {
			c.SubjectTransform = &jetstream.SubjectTransformConfig{Source: "cannulary.test.a.>", Destination: "cannulary.test.b.>"}
		}, "mirror, sources and subject transform must be off"},
	} {
		t.Run(name, func(t *testing.T) {
			s := testkit.Server(t, t.TempDir())
			nc := testkit.Connect(t, s)
			cfg := safe(testkit.LogConfig())
			c.change(&cfg)
			if _, err := js(t, nc).CreateStream(testkit.Context(t), cfg); err != nil {
				t.Fatal(err)
			}
			_, err := eventlog.Open(testkit.Context(t), nc, testkit.LogConfig())
			if err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "correct it before starting") {
				t.Errorf("got %v, want a refusal that says %q", err, c.says)
			}
			st, err := js(t, nc).Stream(testkit.Context(t), stream)
			if err != nil {
				t.Fatal(err)
			}
			if n := st.CachedInfo().State.Msgs; n != 0 {
				t.Errorf("%d messages were written into it", n)
			}
		})
	}
	s := testkit.Server(t, t.TempDir())
	nc := testkit.Connect(t, s)
	if _, err := js(t, nc).CreateStream(testkit.Context(t), safe(testkit.LogConfig())); err != nil {
		t.Fatal(err)
	}
	testkit.OpenLog(t, nc, testkit.LogConfig()) // a safe one made beforehand is taken
}

// TestEntriesCannotBeTakenAway tries what the stream must deny.
func TestEntriesCannotBeTakenAway(t *testing.T) {
	s := testkit.Server(t, t.TempDir())
	nc := testkit.Connect(t, s)
	l := testkit.OpenLog(t, nc, testkit.LogConfig())
	appendN(t, l, 0, 3)
	st, err := js(t, nc).Stream(testkit.Context(t), stream)
	if err != nil {
		t.Fatal(err)
	}
	if st.DeleteMsg(testkit.Context(t), 2) == nil {
		t.Error("an entry can be deleted")
	}
	if st.SecureDeleteMsg(testkit.Context(t), 2) == nil {
		t.Error("an entry can be erased")
	}
	if st.Purge(testkit.Context(t)) == nil {
		t.Error("the log can be emptied")
	}
	if n := testkit.LastSeq(t, l); n != 4 || testkit.Event(t, l, 2).GetSourceMessageId() != "m0" {
		t.Errorf("%d entries are left", n)
	}
}

// TestAppendSurvivesAStop stops the server after each answer, without closing anything
// before, and finds every acknowledged event again.
func TestAppendSurvivesAStop(t *testing.T) {
	dir := t.TempDir()
	var id string
	for round := range 3 {
		s := testkit.Server(t, dir)
		nc := testkit.Connect(t, s)
		l := testkit.OpenLog(t, nc, testkit.LogConfig())
		if round > 0 && l.ID() != id {
			t.Fatalf("the log id changed from %s to %s", id, l.ID())
		}
		id = l.ID()
		if n := testkit.LastSeq(t, l); n != uint64(1+round*20) {
			t.Fatalf("round %d: the log ends at %d", round, n)
		}
		for i := range 20 {
			seq, dup, err := l.Append(testkit.Context(t), event(fmt.Sprintf("%d-%d", round, i), 0))
			if err != nil || dup || seq != uint64(2+round*20+i) {
				t.Fatalf("append: %d, %v, %v", seq, dup, err)
			}
		}
		s.Stop()
	}
	s := testkit.Server(t, dir)
	l := testkit.OpenLog(t, testkit.Connect(t, s), testkit.LogConfig())
	for round := range 3 {
		for i := range 20 {
			if got, want := testkit.Event(t, l, uint64(2+round*20+i)).GetSourceMessageId(), fmt.Sprintf("%d-%d", round, i); got != want {
				t.Errorf("entry %d is %s, want %s", 2+round*20+i, got, want)
			}
		}
	}
	if n := s.Warnings(); n != 0 {
		t.Errorf("the server warned %d times", n)
	}
}

// TestAppendKnowsAResendWithinItsWindow sends one event twice.
func TestAppendKnowsAResendWithinItsWindow(t *testing.T) {
	l := testkit.OpenLog(t, testkit.Connect(t, testkit.Server(t, t.TempDir())), testkit.LogConfig())
	seq, dup, err := l.Append(testkit.Context(t), event("m", 0))
	if err != nil || dup {
		t.Fatal(seq, dup, err)
	}
	appendN(t, l, 0, 5)
	again, dup, err := l.Append(testkit.Context(t), event("m", 0))
	if err != nil || !dup || again != seq {
		t.Errorf("resend: %d, %v, %v; first %d", again, dup, err, seq)
	}
	if l.Token(seq) != "test:2" {
		t.Errorf("token %q", l.Token(seq))
	}
}

// TestAppendFaults fills a log, sends what is too large, and loses the server.
func TestAppendFaults(t *testing.T) {
	s := testkit.Server(t, t.TempDir())
	nc := testkit.Connect(t, s)
	cfg := testkit.LogConfig()
	cfg.MaxBytes = 8 << 10
	l := testkit.OpenLog(t, nc, cfg)
	kind := func(err error) fault.Kind {
		var f *fault.Error
		if errors.As(err, &f) {
			return f.Kind
		}
		return -1
	}
	if _, _, err := l.Append(testkit.Context(t), event("large", 3<<20)); kind(err) != fault.TooLarge {
		t.Errorf("3 MiB: %v", err)
	}
	var err error
	n := 0
	for ; err == nil && n < 50; n++ {
		_, _, err = l.Append(testkit.Context(t), event(fmt.Sprint("m", n), 1000))
	}
	if kind(err) != fault.Full || n < 3 {
		t.Errorf("after %d events: %v", n, err)
	}
	if got := testkit.LastSeq(t, l); got != uint64(n) { // genesis and all but the refused one
		t.Errorf("the log ends at %d after %d appends and a refusal", got, n)
	}
	s.Stop()
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if _, _, err := l.Append(ctx, event("late", 0)); kind(err) != fault.Unavailable {
		t.Errorf("without a server: %v", err)
	}
}

// TestServerTakesAnOddFolder starts in folders that are not there yet, or cannot be.
func TestServerTakesAnOddFolder(t *testing.T) {
	testkit.Server(t, t.TempDir()+"/not/there yet")
	if _, err := eventlog.StartServer("/dev/null/log", testkit.MaxBytes, testkit.Discard()); err == nil ||
		!strings.Contains(err.Error(), "log folder") {
		t.Errorf("a file where the folder should be: %v", err)
	}
	if _, err := eventlog.Dial(eventlog.Remote{URL: " "}); err == nil || !strings.Contains(err.Error(), "give one") {
		t.Errorf("no address: %v", err)
	}
	if _, err := eventlog.Dial(eventlog.Remote{URL: "nats://127.0.0.1:1"}); err == nil || !strings.Contains(err.Error(), "is it running") {
		t.Errorf("nobody listens: %v", err)
	}
}

// chainOf follows the chains of a log.
func chainOf(t *testing.T, l *eventlog.Log) *chain.Checker {
	t.Helper()
	sums := map[uint64]chain.Sum{}
	c := chain.New(func(seq uint64) (chain.Sum, bool, error) { sum, ok := sums[seq]; return sum, ok, nil })
	for seq := uint64(1); seq <= testkit.LastSeq(t, l); seq++ {
		e, err := l.Get(testkit.Context(t), seq)
		if err != nil {
			t.Fatal(err)
		}
		ev := &logv1.Event{}
		if err := proto.Unmarshal(e.Data, ev); err != nil {
			t.Fatal(err)
		}
		sums[seq] = chain.SumOf(e.Data)
		if err := c.Add(e.Data, ev); err != nil {
			t.Fatal(err)
		}
	}
	return c
}

// Three processes append at once, each with many senders that wait for each other's write: every event has
// its own number, each process its own chain, and what waits goes in batches.
func TestManySendersOfManyProcesses(t *testing.T) {
	s := testkit.Server(t, t.TempDir())
	const processes, senders, each = 3, 40, 6
	var logs []*eventlog.Log
	for range processes {
		logs = append(logs, testkit.OpenLog(t, testkit.Connect(t, s), testkit.LogConfig()))
	}
	var mu sync.Mutex
	seqs := map[uint64]string{}
	var wg sync.WaitGroup
	for p, l := range logs {
		for n := range senders {
			wg.Go(func() {
				for k := range each {
					id := fmt.Sprintf("p%d-%d-%d", p, n, k)
					seq, duplicate, err := l.Append(context.Background(), event(id, 0))
					if err != nil || duplicate {
						t.Errorf("%s: duplicate %v, %v", id, duplicate, err)
						return
					}
					mu.Lock()
					if other, ok := seqs[seq]; ok {
						t.Errorf("%s and %s have the number %d", id, other, seq)
					}
					seqs[seq] = id
					mu.Unlock()
				}
			})
		}
	}
	wg.Wait()
	batched := 0
	for seq, id := range seqs {
		if ev := testkit.Event(t, logs[0], seq); ev.GetSourceMessageId() != id {
			t.Errorf("entry %d is %s, want %s", seq, ev.GetSourceMessageId(), id)
		}
		m, err := js(t, testkit.Connect(t, s)).Stream(testkit.Context(t), stream)
		if err != nil {
			t.Fatal(err)
		}
		raw, err := m.GetMsg(testkit.Context(t), seq)
		if err != nil {
			t.Fatal(err)
		}
		if raw.Header.Get("Nats-Batch-Id") != "" {
			batched++
		}
	}
	if len(seqs) != processes*senders*each || batched == 0 {
		t.Errorf("%d events, %d of them in batches", len(seqs), batched)
	}
	if c := chainOf(t, logs[0]); len(c.Findings) > 0 || len(c.Writers) != processes {
		t.Errorf("%d writers, findings %v", len(c.Writers), c.Findings)
	}
}

// A batch that holds a known event is not lost: the known one gets its first number, the others are written.
func TestABatchWithAKnownEvent(t *testing.T) {
	s := testkit.Server(t, t.TempDir())
	first := testkit.OpenLog(t, testkit.Connect(t, s), testkit.LogConfig())
	appendN(t, first, 0, 30) // entries 2 to 31
	second := testkit.OpenLog(t, testkit.Connect(t, s), testkit.LogConfig())
	var wg sync.WaitGroup
	var known, fresh atomic.Int32
	for i := range 60 {
		wg.Go(func() {
			seq, duplicate, err := second.Append(context.Background(), event(fmt.Sprint("m", i), 0))
			switch {
			case err != nil:
				t.Error(err)
			case duplicate && seq == uint64(i+2):
				known.Add(1)
			case !duplicate && seq > 31:
				fresh.Add(1)
			default:
				t.Errorf("m%d: entry %d, duplicate %v", i, seq, duplicate)
			}
		})
	}
	wg.Wait()
	if known.Load() != 30 || fresh.Load() != 30 || testkit.LastSeq(t, first) != 61 {
		t.Errorf("%d known, %d new, the log ends at %d", known.Load(), fresh.Load(), testkit.LastSeq(t, first))
	}
	if c := chainOf(t, first); len(c.Findings) > 0 {
		t.Errorf("findings %v", c.Findings)
	}
}

// What waits while the log is closed is answered, and nothing hangs.
func TestClosingAnswersWhoeverWaits(t *testing.T) {
	s := testkit.Server(t, t.TempDir())
	l := testkit.OpenLog(t, testkit.Connect(t, s), testkit.LogConfig())
	var wg sync.WaitGroup
	var stored atomic.Int32
	for n := range 200 {
		wg.Go(func() {
			_, _, err := l.Append(context.Background(), event(fmt.Sprint("m", n), 0))
			switch {
			case err == nil:
				stored.Add(1)
			case !strings.Contains(err.Error(), "the log did not confirm the message"):
				t.Error(err)
			}
		})
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	wg.Wait()
	if _, _, err := l.Append(testkit.Context(t), event("late", 0)); err == nil {
		t.Error("a closed log took an event")
	}
	again := testkit.OpenLog(t, testkit.Connect(t, s), testkit.LogConfig())
	if n := testkit.LastSeq(t, again); n < uint64(stored.Load())+1 {
		t.Errorf("%d were acknowledged, the log ends at %d", stored.Load(), n)
	}
}
