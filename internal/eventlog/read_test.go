package eventlog_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"cannulary/internal/eventlog"
	"cannulary/internal/testkit"
)

var errEnough = errors.New("enough")

// readTo reads from a sequence until last has come, and returns the sequences in order of
// arrival and the largest batch.
func readTo(t *testing.T, l *eventlog.Log, from, last uint64, max int) (seqs []uint64, largest int) {
	t.Helper()
	err := l.Read(testkit.Context(t), from, max, func(_ context.Context, batch []eventlog.Entry) error {
		largest = max0(largest, len(batch))
		for _, e := range batch {
			seqs = append(seqs, e.Seq)
			if len(e.Data) == 0 || e.Time.IsZero() {
				t.Errorf("entry %d is empty", e.Seq)
			}
			if e.Seq == last {
				return errEnough
			}
		}
		return nil
	})
	if !errors.Is(err, errEnough) {
		t.Fatalf("read from %d: %v", from, err)
	}
	return seqs, largest
}

func max0(a, b int) int {
	if a > b {
		return a
	}
	return b
}

func inOrder(t *testing.T, seqs []uint64, from uint64) {
	t.Helper()
	for i, s := range seqs {
		if s != from+uint64(i) {
			t.Fatalf("the entry at place %d is %d, want %d", i, s, from+uint64(i))
		}
	}
}

// TestReadWhileWriting reads from several places while entries are written: each reader
// gets everything from its place on, once and in order.
func TestReadWhileWriting(t *testing.T) {
	s := testkit.Server(t, t.TempDir())
	l := testkit.OpenLog(t, testkit.Connect(t, s), testkit.LogConfig())
	const half, whole = 300, 600
	appendN(t, l, 0, half)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := half; i < whole; i++ {
			if _, _, err := l.Append(context.Background(), event(fmt.Sprint("m", i), 0)); err != nil {
				t.Error(err)
				return
			}
		}
	}()
	const last = whole + 1
	for _, from := range []uint64{0, 1, 2, 150, half + 1, last - 1, last} {
		seqs, largest := readTo(t, l, from, last, 64)
		first := from
		if first == 0 {
			first = 1
		}
		inOrder(t, seqs, first)
		if got := uint64(len(seqs)); got != last-first+1 {
			t.Errorf("from %d: %d entries", from, got)
		}
		if largest > 64 {
			t.Errorf("a batch of %d, at most 64 were asked for", largest)
		}
	}
	<-done
}

// TestReadEnds keeps the three ends apart: the context's, the handler's, and a connection
// that was closed under it, which is not a quiet end.
func TestReadEnds(t *testing.T) {
	s := testkit.Server(t, t.TempDir())
	l := testkit.OpenLog(t, testkit.Connect(t, s), testkit.LogConfig())
	appendN(t, l, 0, 10)
	ctx, cancel := context.WithCancel(testkit.Context(t))
	n := 0
	err := l.Read(ctx, 1, 1, func(context.Context, []eventlog.Entry) error {
		if n++; n == 3 {
			cancel()
		}
		return nil
	})
	if err != nil || n < 3 {
		t.Errorf("the context ended after %d entries: %v", n, err)
	}
	if err := l.Read(testkit.Context(t), 1, 10, func(context.Context, []eventlog.Entry) error {
		return errEnough
	}); !errors.Is(err, errEnough) {
		t.Errorf("the handler ended it: %v", err)
	}
	nc := testkit.Connect(t, s)
	cut := testkit.OpenLog(t, nc, testkit.LogConfig())
	seen := make(chan struct{}, 100)
	ended := make(chan error, 1)
	go func() {
		ended <- cut.Read(context.Background(), 1, 100, func(_ context.Context, batch []eventlog.Entry) error {
			for range batch {
				seen <- struct{}{}
			}
			return nil
		})
	}()
	for range 11 {
		<-seen
	}
	nc.Close()
	select {
	case err := <-ended:
		if err == nil {
			t.Error("the connection was closed, and the reader ended as if all were well")
		}
	case <-time.After(20 * time.Second):
		t.Error("the connection was closed, and the reader still waits")
	}
}

// TestReadFindsAGap flips one bit of one entry on disk, in a block that is no longer
// written to, with the server stopped. The server then leaves the entry out and goes on
// with the next; the reader must raise the alarm and hand over nothing beyond.
func TestReadFindsAGap(t *testing.T) {
	dir := t.TempDir()
	cfg := testkit.LogConfig()
	cfg.MaxBytes = 120_000 // so little that the server makes blocks of 32 kB
	s := testkit.Server(t, dir)
	l := testkit.OpenLog(t, testkit.Connect(t, s), cfg)
	const events, lost = 80, 30
	for i := range events {
		if _, _, err := l.Append(testkit.Context(t), event(fmt.Sprintf("m-%04d", i), 1000)); err != nil {
			t.Fatal(err)
		}
	}
	s.Stop()
	flip(t, dir, fmt.Sprintf("m-%04d", lost))
	s = testkit.Server(t, dir)
	l = testkit.OpenLog(t, testkit.Connect(t, s), cfg)
	var seqs []uint64
	err := l.Read(testkit.Context(t), 1, 10, func(_ context.Context, batch []eventlog.Entry) error {
		for _, e := range batch {
			seqs = append(seqs, e.Seq)
		}
		return nil
	})
	if !errors.Is(err, eventlog.ErrGap) {
		t.Fatalf("read ended with %v after %d entries", err, len(seqs))
	}
	inOrder(t, seqs, 1)
	if n := len(seqs); n > lost+1 {
		t.Errorf("%d entries were handed over, entry %d is lost", n, lost+2)
	}
	t.Log(err)
}

// flip changes one bit of the text in the files of the stopped log.
func flip(t *testing.T, dir, text string) {
	t.Helper()
	blocks, err := filepath.Glob(filepath.Join(dir, "jetstream", "*", "streams", stream, "msgs", "*.blk"))
	if err != nil || len(blocks) < 3 {
		t.Fatalf("blocks %v, %v: want some that are full", blocks, err)
	}
	flipped := 0
	for _, name := range blocks {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if at := bytes.Index(data, []byte(text)); at >= 0 {
			data[at+2] ^= 1
			flipped++
			if err := os.WriteFile(name, data, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	if flipped != 1 {
		t.Fatalf("the entry is in %d blocks", flipped)
	}
}

// TestCheckFindsWhatTheServerDoesNotKnow flips bits of two entries. The server's own
// counts do not show it, not even after a reader met the damage; the check does.
func TestCheckFindsWhatTheServerDoesNotKnow(t *testing.T) {
	dir := t.TempDir()
	cfg := testkit.LogConfig()
	cfg.MaxBytes = 120_000
	s := testkit.Server(t, dir)
	l := testkit.OpenLog(t, testkit.Connect(t, s), cfg)
	for i := range 80 {
		if _, _, err := l.Append(testkit.Context(t), event(fmt.Sprintf("m-%04d", i), 1000)); err != nil {
			t.Fatal(err)
		}
	}
	check := func() (asked int, missing []uint64) {
		t.Helper()
		if err := l.Check(testkit.Context(t), func(seq uint64, gone bool) {
			if asked++; uint64(asked) != seq {
				t.Fatalf("asked for %d in place %d", seq, asked)
			}
			if gone {
				missing = append(missing, seq)
			}
		}); err != nil {
			t.Fatal(err)
		}
		return asked, missing
	}
	if asked, missing := check(); asked != 81 || len(missing) != 0 {
		t.Errorf("a whole log: asked for %d, missing %v", asked, missing)
	}
	s.Stop()
	flip(t, dir, "m-0030")
	flip(t, dir, "m-0050")
	s = testkit.Server(t, dir)
	l = testkit.OpenLog(t, testkit.Connect(t, s), cfg)
	if asked, missing := check(); asked != 81 || fmt.Sprint(missing) != "[32 52]" {
		t.Errorf("a damaged log: asked for %d, missing %v", asked, missing)
	}
	st, err := l.State(testkit.Context(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("by the server's own counts %d are missing, and it warned %d times", st.Missing, s.Warnings())
	ctx, cancel := context.WithCancel(testkit.Context(t))
	n := 0
	if err := l.Check(ctx, func(uint64, bool) {
		if n++; n == 5 {
			cancel()
		}
	}); err != nil {
		t.Errorf("an end in the middle: %v", err)
	}
}
