package eventlog_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"cannulary/internal/eventlog"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// TestAnInventedLogDatesItsEntries: in a log of invented facts an entry says itself when it
// arrived, for every reader; in a log of real facts nothing but the server's time counts, not
// even where an entry says otherwise, and no process makes an invented log of it.
func TestAnInventedLogDatesItsEntries(t *testing.T) {
	at := time.Date(2024, 5, 6, 7, 8, 9, 0, time.UTC)
	arrived := func(ev *logv1.Event) time.Time {
		if ev.GetSourceMessageId() == "now" {
			return time.Time{}
		}
		return at
	}
	nc := testkit.Connect(t, testkit.Server(t, t.TempDir()))
	cfg := testkit.LogConfig()
	cfg.Arrived = arrived
	l := testkit.OpenLog(t, nc, cfg)
	appendN(t, l, 0, 1)
	began := time.Now()
	if _, _, err := l.Append(testkit.Context(t), event("now", 0)); err != nil {
		t.Fatal(err)
	}
	// Whoever opens it later reads the same, and dates nothing.
	later := testkit.OpenLog(t, nc, testkit.LogConfig())
	if _, _, err := later.Append(testkit.Context(t), event("after", 0)); err != nil {
		t.Fatal(err)
	}
	for name, log := range map[string]*eventlog.Log{"as it was made": l, "opened again": later} {
		times := readTimes(t, log, 4)
		if !times[0].Equal(at) || !times[1].Equal(at) || times[2].Before(began.Add(-time.Minute)) ||
			times[3].Before(began.Add(-time.Minute)) {
			t.Errorf("%s: %v", name, times)
		}
	}

	nc = testkit.Connect(t, testkit.Server(t, t.TempDir()))
	trueLog := testkit.OpenLog(t, nc, testkit.LogConfig())
	msg := nats.NewMsg("cannulary.test.a.b")
	msg.Header.Set("Cannulary-Arrived", at.Format(time.RFC3339Nano))
	if _, err := js(t, nc).PublishMsg(testkit.Context(t), msg); err != nil {
		t.Fatal(err)
	}
	if times := readTimes(t, trueLog, 2); times[1].Before(began.Add(-time.Minute)) {
		t.Errorf("an entry of a log of real facts is dated %s", times[1])
	}
	const says = "the log (stream CANNULARY_TEST) holds no invented facts: its entries are dated by the server alone; give the demo a " +
		"folder of its own"
	if _, err := eventlog.Open(testkit.Context(t), nc, cfg); err == nil || !strings.Contains(err.Error(), says) {
		t.Errorf("a log of real facts was opened as an invented one: %v", err)
	}
}

// readTimes reads n entries in both ways and fails where they differ.
func readTimes(t *testing.T, l *eventlog.Log, n int) (times []time.Time) {
	t.Helper()
	done := errors.New("done")
	if err := l.Read(testkit.Context(t), 1, n, func(ctx context.Context, batch []eventlog.Entry) error {
		for _, e := range batch {
			one, err := l.Get(ctx, e.Seq)
			if err != nil || !one.Time.Equal(e.Time) {
				t.Errorf("entry %d is of %s when read alone, %s when followed: %v", e.Seq, one.Time, e.Time, err)
			}
			if times = append(times, e.Time); len(times) == n {
				return done
			}
		}
		return nil
	}); !errors.Is(err, done) {
		t.Fatal(err)
	}
	return times
}
