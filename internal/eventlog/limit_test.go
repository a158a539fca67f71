package eventlog_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/eventlog"
	"cannulary/internal/testkit"
)

// TestAFullLogIsMadeLarger fills a log, opens it again with a larger limit, in the ways of
// the one process that has it to itself and of many, and appends. Nothing else of the
// stream changes.
func TestAFullLogIsMadeLarger(t *testing.T) {
	for name, how := range map[string]eventlog.Resize{"alone": eventlog.Set, "one of many": eventlog.Raise} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			cfg := testkit.LogConfig()
			cfg.MaxBytes, cfg.Resize = 8<<10, how
			s := testkit.Server(t, dir)
			l := testkit.OpenLog(t, testkit.Connect(t, s), cfg)
			if got := l.Limit(); got != (eventlog.Limit{Asked: 8 << 10, Was: 8 << 10, Is: 8 << 10}) {
				t.Errorf("a new log: %+v", got)
			}
			n := fill(t, l)
			s.Stop()
			s = testkit.Server(t, dir)
			nc := testkit.Connect(t, s)
			before := info(t, nc).Config
			cfg.MaxBytes = 32 << 20
			l = testkit.OpenLog(t, nc, cfg)
			if got := l.Limit(); got != (eventlog.Limit{Asked: 32 << 20, Was: 8 << 10, Is: 32 << 20}) ||
				got.String() != "33554432 bytes, was 8192" {
				t.Errorf("opened with more: %+v, %s", got, got)
			}
			if _, _, err := l.Append(testkit.Context(t), event("after", 1000)); err != nil {
				t.Errorf("after %d events and a larger limit: %v", n, err)
			}
			after := info(t, nc).Config
			before.MaxBytes = after.MaxBytes
			if fmt.Sprintf("%+v", before) != fmt.Sprintf("%+v", after) {
				t.Errorf("more than the limit changed:\n%+v\n%+v", before, after)
			}
			s.Stop()
			// It stays so for whoever asks for nothing.
			l = testkit.OpenLog(t, testkit.Connect(t, testkit.Server(t, dir)),
				func() eventlog.Config { c := cfg; c.MaxBytes = 0; return c }())
			if got := l.Limit(); got != (eventlog.Limit{Was: 32 << 20, Is: 32 << 20}) {
				t.Errorf("opened without a limit: %+v", got)
			}
		})
	}
}

// TestALogIsMadeSmallerByItsOnlyProcessAlone lowers the limit, and refuses one that is
// below what is stored.
func TestALogIsMadeSmallerByItsOnlyProcessAlone(t *testing.T) {
	nc := testkit.Connect(t, testkit.Server(t, t.TempDir()))
	open := func(bytes int64, how eventlog.Resize) (*eventlog.Log, error) {
		cfg := testkit.LogConfig()
		cfg.MaxBytes, cfg.Resize = bytes, how
		return eventlog.Open(testkit.Context(t), nc, cfg)
	}
	l, err := open(1<<20, eventlog.Set)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 20 {
		if _, _, err := l.Append(testkit.Context(t), event(fmt.Sprint("m", i), 1000)); err != nil {
			t.Fatal(err)
		}
	}
	if l, err = open(64<<10, eventlog.Raise); err != nil || l.Limit().Is != 1<<20 || !strings.Contains(l.Limit().String(),
		"1048576 bytes as before; the 65536 asked for are less, and on an external server it is only raised") {
		t.Errorf("one of many lowered it: %v, %v", l.Limit(), err)
	}
	if l, err = open(64<<10, eventlog.Set); err != nil || l.Limit() != (eventlog.Limit{Asked: 64 << 10, Was: 1 << 20, Is: 64 << 10}) ||
		info(t, nc).Config.MaxBytes != 64<<10 {
		t.Errorf("the only process: %v, %v", l.Limit(), err)
	}
	stored := info(t, nc).State.Bytes
	for _, how := range []eventlog.Resize{eventlog.Set, eventlog.Raise} {
		_, err = open(8<<10, how)
		if err == nil || !strings.Contains(err.Error(),
			fmt.Sprintf("holds %d bytes, and its limit is to be 8192: nothing is ever dropped from it", stored)) ||
			!strings.Contains(err.Error(),
				fmt.Sprintf("give --log-max-bytes more than %d, or leave it out to keep the limit of 65536", stored)) {
			t.Errorf("a limit below what is stored: %v", err)
		}
	}
	if in := info(t, nc); in.Config.MaxBytes != 64<<10 || in.State.Msgs != 21 {
		t.Errorf("the refusals left a limit of %d and %d entries", in.Config.MaxBytes, in.State.Msgs)
	}
}

func fill(t *testing.T, l *eventlog.Log) (n int) {
	t.Helper()
	for ; n < 100; n++ {
		if _, _, err := l.Append(testkit.Context(t), event(fmt.Sprint("m", n), 1000)); err != nil {
			return n
		}
	}
	t.Fatal("it is not full")
	return n
}

func info(t *testing.T, nc *nats.Conn) *jetstream.StreamInfo {
	t.Helper()
	st, err := js(t, nc).Stream(testkit.Context(t), stream)
	if err != nil {
		t.Fatal(err)
	}
	return st.CachedInfo()
}
