package logfile_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/eventlog"
	"cannulary/internal/logfile"
	"cannulary/internal/record"
	"cannulary/internal/testkit/tier"
	logv1 "cannulary/proto/cannulary/log/v1"
)

const stream = "CANNULARY_MAIN"

// written is a folder of the log's server with n entries beside genesis.
func written(t *testing.T, n int) (dir string) {
	t.Helper()
	dir = t.TempDir()
	quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
	srv, err := eventlog.StartServer(dir, eventlog.DefaultMaxBytes, quiet)
	if err != nil {
		t.Fatal(err)
	}
	defer srv.Stop()
	nc, err := srv.Connect()
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	at := time.Date(2026, 11, 2, 7, 0, 0, 0, time.UTC)
	log, err := eventlog.Open(context.Background(), nc, eventlog.Config{Shard: "main", Replicas: 1, Fingerprint: "0123456789abcdef",
		Now: func() time.Time { return at }})
	if err != nil {
		t.Fatal(err)
	}
	for i := range n {
		message := fmt.Sprintf("m-%d", i)
		if _, _, err := log.Append(context.Background(), &logv1.Event{Id: record.EventID("invented", message), Source: "invented",
			SourceMessageId: message, OccurredAt: timestamppb.New(at), ContentHash: make([]byte, 10+i%40)}); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// entries reads the folder; by number what each entry's data was.
func entries(t *testing.T, dir string) (map[uint64]string, logfile.Result) {
	t.Helper()
	got := map[uint64]string{}
	res, err := logfile.Read(dir, stream, func(r logfile.Record) error {
		got[r.Seq] = string(r.Data)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return got, res
}

func TestAWholeLogIsReadAsItsServerWroteIt(t *testing.T) {
	const n = 120
	dir := written(t, n)
	got, res := entries(t, dir)
	if !res.Whole() || res.Tail != nil || res.Last != n+1 || res.Entries != n+1 || len(got) != n+1 {
		t.Fatalf("found %+v", res)
	}
	for i := range n {
		var ev logv1.Event
		if err := proto.Unmarshal([]byte(got[uint64(i+2)]), &ev); err != nil || ev.GetSourceMessageId() != fmt.Sprintf("m-%d", i) {
			t.Errorf("entry %d is %v, %v", i+2, &ev, err)
		}
	}
}

// One flipped bit costs one entry at most, wherever it is, and is never silent.
func TestOneFlippedBitCostsOneEntryAtMostAndIsSaid(t *testing.T) {
	dir := written(t, 60)
	whole, _ := entries(t, dir)
	path := filepath.Join(logfile.Folder(dir, stream), "msgs", "1.blk")
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	read, lost, tail := 0, 0, 0
	step := tier.Of(61, 5) // no divisor of 8: every bit of a byte is met
	for bit := 0; bit < 8*len(before); bit += step {
		b := slices.Clone(before)
		b[bit/8] ^= 1 << (bit % 8)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		got, res := entries(t, dir)
		for seq, data := range got {
			if whole[seq] != data {
				t.Fatalf("bit %d: entry %d is read as something else", bit, seq)
			}
		}
		switch gone := len(whole) - len(got); {
		case gone > 1:
			t.Fatalf("bit %d costs %d entries: %+v", bit, gone, res)
		case res.Whole() && res.Tail == nil:
			t.Fatalf("bit %d is not noticed", bit)
		case gone == 0:
			read++
		case res.Tail != nil:
			tail++
		default:
			lost++
		}
	}
	t.Logf("read all the same %d, lost one %d, lost the last %d", read, lost, tail)
	if read == 0 || lost == 0 || tail == 0 {
		t.Error("not every kind of damage was met")
	}
}

// What a crash leaves of the last write is a tail and no damage, however much of it was written.
func TestAnInterruptedWriteIsATail(t *testing.T) {
	dir := written(t, 20)
	whole, _ := entries(t, dir)
	path := filepath.Join(logfile.Folder(dir, stream), "msgs", "1.blk")
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for cut := 1; cut < 150; cut++ {
		for _, zeros := range []int{0, 64} {
			if err := os.WriteFile(path, append(slices.Clone(before[:len(before)-cut]), make([]byte, zeros)...), 0o600); err != nil {
				t.Fatal(err)
			}
			got, res := entries(t, dir)
			if !res.Whole() || res.Tail == nil || len(got) != len(whole)-1 {
				t.Fatalf("%d bytes less and %d zeros: %d of %d entries, %+v", cut, zeros, len(got), len(whole), res)
			}
		}
	}
}

// Bytes of any kind in the place of a block neither crash the reader nor give an entry.
func TestGarbageIsDamage(t *testing.T) {
	dir := written(t, 3)
	path := filepath.Join(logfile.Folder(dir, stream), "msgs", "1.blk")
	rnd := rand.New(rand.NewPCG(7, 11))
	for range 200 {
		b := make([]byte, rnd.IntN(5000)+1)
		for i := range b {
			b[i] = byte(rnd.Uint32())
		}
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if got, res := entries(t, dir); len(got) != 0 || res.Tail == nil {
			t.Fatalf("%d entries, %+v", len(got), res)
		}
	}
}

// A stream whose description is gone or changed would be made anew by the server.
func TestADamagedDescriptionIsDamage(t *testing.T) {
	dir := written(t, 3)
	meta := filepath.Join(logfile.Folder(dir, stream), "meta.inf")
	before, err := os.ReadFile(meta)
	if err != nil {
		t.Fatal(err)
	}
	for what, change := range map[string]func() error{
		"the description of the stream does not agree with its checksum": func() error {
			b := slices.Clone(before)
			b[len(b)/2] ^= 1
			return os.WriteFile(meta, b, 0o600)
		},
		"the description of the stream is gone": func() error { return os.Remove(meta) },
	} {
		if err := change(); err != nil {
			t.Fatal(err)
		}
		if _, res := entries(t, dir); res.Whole() || res.Damages[0].What != what {
			t.Errorf("found %+v, want %q", res, what)
		}
	}
}

// A folder that another version's files stand in is not called whole: these were written by the server
// that the module pins, and are read for ever.
func TestTheGoldenFolderIsRead(t *testing.T) {
	got, res := entries(t, filepath.Join("testdata", "server-2.15"))
	if !res.Whole() || res.Tail != nil || res.Last != 4 || len(got) != 4 {
		t.Fatalf("found %+v", res)
	}
}
