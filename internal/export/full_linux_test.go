package export

import (
	"bufio"
	"context"
	"log/slog"
	"os"
	"strings"
	"testing"
	"time"
)

// A full disk refuses what is written, at once or only when the buffer is emptied at the
// end. Linux has a device that is always full.
func TestAFullDisk(t *testing.T) {
	for what, lines := range map[string]int{"in the middle": 2000, "at the end": 1} {
		e, err := Open(Config{Dir: t.TempDir(), Now: time.Now, Slog: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		id, err := e.Begin(&Request{Level: System})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		put := 0
		go e.Run(ctx, func(_ context.Context, _ *Request, w *Writer) (time.Time, error) {
			f, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
			if err != nil {
				return time.Time{}, err
			}
			w.files = append(w.files, &typeFile{File{Type: "Patient"}, f, bufio.NewWriterSize(f, writeBuffer), map[string]bool{}})
			for range lines {
				if err := w.Put("Patient", []byte(strings.Repeat("x", 100))); err != nil {
					return time.Time{}, err
				}
				put++
			}
			return time.Time{}, nil
		})
		var s Status
		for end := time.Now().Add(10 * time.Second); s.Result == nil && time.Now().Before(end); time.Sleep(time.Millisecond) {
			s, _ = e.Status(id)
		}
		cancel()
		if s.Result == nil || !strings.HasPrefix(s.Result.Failed, "the files of the export could not be written. Tell the operator that the export folder has no room") {
			t.Errorf("%s: %+v", what, s.Result)
		}
		if (put == lines) != (lines == 1) {
			t.Errorf("%s: %d lines were taken", what, put)
		}
	}
}
