//go:build !race

package view_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/view"
)

// A stream holds some rows, not a type: 120 MB go by in a process that grows by far less.
func TestAStreamHoldsFewRows(t *testing.T) {
	w := open(t)
	const count, size = 8000, 15000
	fill := strings.Repeat("x", size)
	for from := 0; from < count; from += 2000 {
		var list []fhir.Resource
		for i := range 2000 {
			list = append(list, resource("Observation", fmt.Sprint(from+i), "x", fill, fhir.Index{}))
		}
		w.put(at(0), list...) // all in one millisecond: the worst order to sort
	}
	if err := w.store.Shrink(context.Background()); err != nil {
		t.Fatal(err)
	}
	defer debug.SetGCPercent(debug.SetGCPercent(20))
	debug.FreeOSMemory()
	before, most, rows, bytes := anonymous(t), int64(0), 0, 0
	w.snapshot(func(n *view.Snapshot) {
		if err := n.Stream(view.StreamQuery{Type: "Observation"}, func(r *view.Row) error {
			if rows++; rows%100 == 0 {
				most = max(most, anonymous(t))
			}
			bytes += len(r.Body)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	})
	t.Logf("%d rows of %d MB; memory grew from %d to %d MB", rows, bytes>>20, before>>20, most>>20)
	if rows != count || most-before > int64(bytes)/3 {
		t.Errorf("%d rows of %d MB; memory grew from %d to %d MB", rows, bytes>>20, before>>20, most>>20)
	}
}

// anonymous is the memory of the process that is no file: SQLite's and Go's own.
func anonymous(t *testing.T) int64 {
	t.Helper()
	f, err := os.Open("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	for s := bufio.NewScanner(f); s.Scan(); {
		if rest, ok := strings.CutPrefix(s.Text(), "RssAnon:"); ok {
			kb, err := strconv.ParseInt(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return kb << 10
		}
	}
	t.Fatal("this kernel does not tell RssAnon")
	return 0
}
