package acceptance_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"cannulary/internal/app"
	"cannulary/internal/testkit"
)

// A disk that fills up stops the view first, then the senders, in words, and never the log in the middle of a
// write. When room returns all goes on by itself.
func TestADiskThatFillsUpStopsTheViewBeforeTheLog(t *testing.T) {
	t.Parallel()
	feed := mergeable()
	var free atomic.Uint64
	free.Store(1 << 40)
	room := func(c *app.Config) { c.Free = func(string) (uint64, bool) { return free.Load(), true } }
	i := start(t, filepath.Join(t.TempDir(), "filling"), room)
	client := testkit.Dial(t, i.app.GRPCAddr())
	half := len(feed) / 2
	for _, m := range feed[:half] {
		if _, err := client.Send(patience(t), m); err != nil {
			t.Fatal(err)
		}
	}
	i.settle()
	free.Store(64 << 20)
	eventually(t, "it says that the view waits", func() bool { return strings.Contains(i.log.String(), "the view waits for room") })
	before := i.app.Projector().Sequence()
	if _, err := client.Send(patience(t), feed[half]); err != nil {
		t.Fatalf("with room for the log alone: %v", err)
	}
	free.Store(16 << 20)
	n := 0
	another := func() error {
		n++
		_, err := client.Send(patience(t), testkit.Request(about(fmt.Sprintf("room-%d", n), north, "INV-M1", "15T08:00", ""), inserted("A1", 25)))
		return err
	}
	eventually(t, "messages are refused", func() bool {
		err := another()
		if err != nil && !strings.Contains(err.Error(), "the disk of the log is nearly full: nothing was stored") {
			t.Fatal(err)
		}
		return err != nil
	})
	if at := i.app.Projector().Sequence(); at != before || i.app.Projector().Failed() != nil {
		t.Errorf("the view went from %d to %d, %v", before, at, i.app.Projector().Failed())
	}
	if code, text := i.get("/readyz"); code != 503 || !strings.Contains(text, "the disk of the log is nearly full") {
		t.Errorf("/readyz answers %d %s", code, text)
	}
	free.Store(1 << 40)
	eventually(t, "messages are taken again", func() bool { return another() == nil })
	if code, text := i.get("/readyz"); code != 200 {
		t.Errorf("with room again /readyz answers %d %s", code, text)
	}
	if tally, _ := i.post(feed); tally.Refused > 0 {
		t.Errorf("afterwards %+v", tally)
	}
	i.settle()
}

// After a disk without any room the log's server writes no more: the process ends as soon as there is room, for its
// supervisor to start it again.
func TestAProcessEndsWhenAFullDiskHasRoomAgain(t *testing.T) {
	t.Parallel()
	var free atomic.Uint64
	free.Store(1 << 40)
	i := start(t, filepath.Join(t.TempDir(), "full"), func(c *app.Config) { c.Free = func(string) (uint64, bool) { return free.Load(), true } })
	free.Store(0)
	eventually(t, "it is noticed", func() bool { return strings.Contains(i.log.String(), "the disk is nearly full") })
	select {
	case err := <-i.app.Failed():
		t.Fatalf("it ends without room: %v", err)
	default:
	}
	free.Store(1 << 40)
	select {
	case err := <-i.app.Failed():
		if !strings.Contains(err.Error(), "the disk was full and has room again") {
			t.Errorf("it says %v", err)
		}
	case <-patience(t).Done():
		t.Error("it does not end")
	}
}
