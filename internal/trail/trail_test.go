package trail_test

import (
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/chain"
	"cannulary/internal/eventlog"
	"cannulary/internal/testkit"
	"cannulary/internal/trail"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// stream opens the stream of a trail on a server.
func stream(t *testing.T, s *eventlog.Server) *eventlog.Log {
	t.Helper()
	cfg := testkit.LogConfig()
	cfg.Trail = true
	return testkit.OpenLog(t, testkit.Connect(t, s), cfg)
}

func open(t *testing.T, l *eventlog.Log, dir string) *trail.Trail {
	t.Helper()
	x, err := trail.Open(testkit.Context(t), trail.Config{Log: l, Dir: dir, Index: true, Now: testkit.Noon, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = x.Close() })
	return x
}

func key(n int) []byte { return []byte(fmt.Sprintf("%016d", n)) }

func entry(n int, patients ...int) *logv1.Access {
	e := &logv1.Access{Principal: fmt.Sprint("p", n), Route: "GET /card", Action: logv1.Action_ACTION_READ, Status: 200}
	for _, p := range patients {
		e.Patients = append(e.Patients, key(p))
	}
	return e
}

func record(t *testing.T, x *trail.Trail, list ...*logv1.Access) {
	t.Helper()
	for _, e := range list {
		if err := x.Record(testkit.Context(t), e, trail.Kept); err != nil {
			t.Fatal(err)
		}
	}
}

func search(t *testing.T, x *trail.Trail, q trail.Query) (who []string) {
	t.Helper()
	if q.Count == 0 {
		q.Count = 1000
	}
	list, _, err := x.Search(testkit.Context(t), q)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range list {
		who = append(who, f.Access.GetPrincipal())
	}
	return who
}

// A patient has been several: who asked about any of them is found, and each entry once.
func TestAPatientIsFoundUnderEveryIdentity(t *testing.T) {
	t.Parallel()
	x := open(t, stream(t, testkit.Server(t, t.TempDir())), t.TempDir())
	record(t, x, entry(1, 1), entry(2, 2), entry(3, 1, 2), entry(4, 3), entry(5))
	both := []string{hex.EncodeToString(key(1)), hex.EncodeToString(key(2))}
	if who := search(t, x, trail.Query{Patients: both}); !slices.Equal(who, []string{"p3", "p2", "p1"}) {
		t.Errorf("under both identities: %v", who)
	}
	if who := search(t, x, trail.Query{Patients: both[:1]}); !slices.Equal(who, []string{"p3", "p1"}) {
		t.Errorf("under one: %v", who)
	}
	if who := search(t, x, trail.Query{By: "p4"}); !slices.Equal(who, []string{"p4"}) {
		t.Errorf("by principal: %v", who)
	}
	if who := search(t, x, trail.Query{}); len(who) != 5 {
		t.Errorf("all: %v", who)
	}
}

// More patients than an entry takes stand in several, under one name.
func TestAListOfVeryManyPatients(t *testing.T) {
	t.Parallel()
	x := open(t, stream(t, testkit.Server(t, t.TempDir())), t.TempDir())
	all := make([]int, 30_010)
	for i := range all {
		all[i] = i
	}
	record(t, x, entry(1, all...))
	list, _, err := x.Search(testkit.Context(t), trail.Query{Count: 10})
	if err != nil || len(list) != 2 {
		t.Fatalf("%d entries, %v", len(list), err)
	}
	n := 0
	for _, f := range list {
		n += len(f.Access.GetPatients())
		if string(f.Access.GetRequest()) != string(list[0].Access.GetRequest()) || len(f.Access.GetRequest()) != 16 {
			t.Error("the entries of one request share no name")
		}
	}
	if n != len(all) {
		t.Errorf("%d patients of %d", n, len(all))
	}
	if who := search(t, x, trail.Query{Patients: []string{hex.EncodeToString(key(30_009))}}); len(who) != 1 {
		t.Errorf("the last patient: %v", who)
	}
}

// copied fills a new stream with the entries of another, each as change gives it; nil leaves one out.
func copied(t *testing.T, from *eventlog.Log, change func(seq uint64, data []byte) []byte) *eventlog.Log {
	t.Helper()
	s := testkit.Server(t, t.TempDir())
	js, err := jetstream.New(testkit.Connect(t, s))
	if err != nil {
		t.Fatal(err)
	}
	ctx := testkit.Context(t)
	if _, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: eventlog.TrailName("test"), Subjects: []string{"cannulary-trail.test.>"},
		Storage: jetstream.FileStorage, MaxBytes: testkit.MaxBytes, Discard: jetstream.DiscardNew, MaxMsgSize: 4 << 20, DenyDelete: true,
		DenyPurge: true, Duplicates: eventlog.DuplicateWindow, AllowAtomicPublish: true}); err != nil {
		t.Fatal(err)
	}
	for seq := uint64(1); seq <= testkit.LastSeq(t, from); seq++ {
		e, err := from.Get(ctx, seq)
		if err != nil {
			t.Fatal(err)
		}
		if data := change(seq, e.Data); data != nil {
			subject := "cannulary-trail.test.entry"
			if seq == 1 {
				subject = "cannulary-trail.test._._"
			}
			if _, err := js.Publish(ctx, subject, data); err != nil {
				t.Fatal(err)
			}
		}
	}
	return stream(t, s)
}

// Whoever changes an entry, takes one out or puts one in leaves a trace in the chain.
func TestAChangedTrailIsFound(t *testing.T) {
	t.Parallel()
	l := stream(t, testkit.Server(t, t.TempDir()))
	x := open(t, l, t.TempDir())
	for n := range 9 {
		record(t, x, entry(n, n))
	}
	search(t, x, trail.Query{}) // the index has come so far
	head, found := x.Head()
	if head.Seq != 10 || len(found) != 0 {
		t.Fatalf("an untouched trail: %v %v", head, found)
	}
	for what, c := range map[string]struct {
		change func(seq uint64, data []byte) []byte
		says   string
	}{
		"copied": {func(_ uint64, data []byte) []byte { return data }, ""},
		"another principal": {func(seq uint64, data []byte) []byte {
			if seq != 5 {
				return data
			}
			var e logv1.Access
			if err := proto.Unmarshal(data, &e); err != nil {
				t.Fatal(err)
			}
			e.Principal = "somebody-else"
			data, err := proto.Marshal(&e)
			if err != nil {
				t.Fatal(err)
			}
			return data
		}, "entry 5 is not the one that entry 6 of the same writer follows"},
		"taken out": {func(seq uint64, data []byte) []byte {
			if seq == 5 {
				return nil
			}
			return data
		}, "is missing"},
		"overwritten": {func(seq uint64, data []byte) []byte {
			if seq == 5 {
				return []byte("nothing")
			}
			return data
		}, "have no link|has no link|is missing"},
	} {
		y := open(t, copied(t, l, c.change), t.TempDir())
		search(t, y, trail.Query{})
		changed, found := y.Head()
		var says []string
		for _, f := range found {
			says = append(says, f.String())
		}
		text := strings.Join(says, "; ")
		fits := c.says == "" && text == ""
		for _, want := range strings.Split(c.says, "|") {
			fits = fits || want != "" && strings.Contains(text, want)
		}
		if !fits || (c.says == "") != (changed == head) || c.says != "" && chain.Broken(found) == 0 {
			t.Errorf("%s: %q, want %q; the head is %v, was %v", what, text, c.says, changed, head)
		}
	}
}

// The index is made of the stream: without it, with one of another stream, or with a damaged one the same is found.
func TestTheIndexIsBuiltAgain(t *testing.T) {
	t.Parallel()
	l, dir := stream(t, testkit.Server(t, t.TempDir())), t.TempDir()
	x := open(t, l, dir)
	record(t, x, entry(1, 1), entry(2, 2))
	want := search(t, x, trail.Query{})
	head, _ := x.Head()
	other := filepath.Join(t.TempDir(), "other")
	y := open(t, stream(t, testkit.Server(t, t.TempDir())), other)
	record(t, y, entry(3, 3))
	search(t, y, trail.Query{})
	if err := y.Close(); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "index.db")
	for what, spoil := range map[string]func() error{
		"as it is": func() error { return nil },
		"removed":  func() error { return os.Remove(file) },
		"of another stream": func() error {
			data, err := os.ReadFile(filepath.Join(other, "index.db"))
			if err == nil {
				err = os.WriteFile(file, data, 0o600)
			}
			return err
		},
		"damaged": func() error { return os.WriteFile(file, []byte("garbage"), 0o600) },
	} {
		if err := x.Close(); err != nil {
			t.Fatal(err)
		}
		if err := spoil(); err != nil {
			t.Fatal(err)
		}
		x = open(t, l, dir)
		if got := search(t, x, trail.Query{}); !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
		// An index of another stream may mean that the stream was put in the place of one that is gone.
		lost := map[bool]int{true: 1}[what == "of another stream"]
		if now, found := x.Head(); now != head || chain.Broken(found) != lost {
			t.Errorf("%s: the head is %v, was %v; %v", what, now, head, found)
		}
	}
}

// A stream that has fewer entries than its index had lost them: that is told, until the process ends.
func TestAStreamThatLostItsEndIsTold(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	server := t.TempDir()
	s := testkit.Server(t, server)
	x := open(t, stream(t, s), dir)
	record(t, x, entry(1, 1))
	search(t, x, trail.Query{})
	if err := x.Close(); err != nil {
		t.Fatal(err)
	}
	s.Stop()
	copied := t.TempDir()
	if err := os.CopyFS(copied, os.DirFS(server)); err != nil {
		t.Fatal(err)
	}
	s = testkit.Server(t, server)
	x = open(t, stream(t, s), dir)
	record(t, x, entry(2, 2), entry(3, 3))
	search(t, x, trail.Query{})
	if err := x.Close(); err != nil {
		t.Fatal(err)
	}
	s.Stop()
	x = open(t, stream(t, testkit.Server(t, copied)), dir)
	if got := search(t, x, trail.Query{}); len(got) != 1 {
		t.Errorf("the shorter stream has %v", got)
	}
	if _, found := x.Head(); chain.Broken(found) != 1 || !strings.Contains(found[0].String(), "2 entries") {
		t.Errorf("findings %v", found)
	}
}

// What was kept on disk comes into the stream in its order, each entry once, also after a write that was torn.
func TestWhatWasKeptComesLater(t *testing.T) {
	t.Parallel()
	logs, dir := t.TempDir(), t.TempDir()
	s := testkit.Server(t, logs)
	x := open(t, stream(t, s), dir)
	record(t, x, entry(0))
	s.Stop()
	testkit.Eventually(t, "it is noticed", func() bool { return x.Takes() != nil })
	if err := x.Record(testkit.Context(t), entry(99, 1), trail.Refused); err == nil ||
		err.Error() != "the audit trail does not answer: nothing is read without an entry in it. Try again in a few seconds; if it lasts, ask the operator" {
		t.Errorf("what must not be answered without its entry: %v", err)
	}
	var work sync.WaitGroup
	for n := 1; n <= 20; n++ {
		work.Go(func() { record(t, x, entry(n, n)) })
	}
	work.Wait()
	if state := x.State(); state.Kept != 20 || state.Entries["spooled"] != 20 || state.Entries["withheld"] != 1 {
		t.Errorf("%+v", state)
	}
	_ = x.Close() // the stream does not answer
	f, err := os.OpenFile(filepath.Join(dir, "kept"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write([]byte{9, 0, 0, 0, 1, 2, 3, 4, 5}); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	x = open(t, stream(t, testkit.Server(t, logs)), dir)
	testkit.Eventually(t, "all are in the stream", func() bool { return x.State().Kept == 0 })
	who := search(t, x, trail.Query{})
	slices.Sort(who)
	if len(who) != 21 || len(slices.Compact(who)) != 21 {
		t.Errorf("in the stream are %v", who)
	}
	if info, err := os.Stat(filepath.Join(dir, "kept")); err != nil || info.Size() != 0 {
		t.Errorf("the file is not empty: %v %v", info.Size(), err)
	}
}
