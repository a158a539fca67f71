package testkit

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"cannulary/internal/access"
	"cannulary/internal/eventlog"
	"cannulary/internal/keyring"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// MaxBytes is the size of a test's log.
const MaxBytes = 64 << 20

// Discard is a program log that nobody reads.
func Discard() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// Server starts an embedded log server on dir. It stops with the test, or before.
func Server(tb testing.TB, dir string) *eventlog.Server {
	tb.Helper()
	s, err := eventlog.StartServer(dir, MaxBytes, Discard())
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(s.Stop)
	return s
}

// Connect opens a connection to s that closes with the test.
func Connect(tb testing.TB, s *eventlog.Server) *nats.Conn {
	tb.Helper()
	nc, err := s.Connect()
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(nc.Close)
	return nc
}

// LogConfig is a small log of the shard "test"; its genesis is at Noon.
func LogConfig() eventlog.Config {
	return eventlog.Config{Shard: "test", MaxBytes: MaxBytes, Replicas: 1, Fingerprint: "0123456789abcdef", Now: Noon}
}

// OpenLog opens a log on the connection; it closes with the test.
func OpenLog(tb testing.TB, nc *nats.Conn, cfg eventlog.Config) *eventlog.Log {
	tb.Helper()
	l, err := eventlog.Open(Context(tb), nc, cfg)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = l.Close() })
	return l
}

// Ring opens the key ring in a folder; it closes with the test.
func Ring(tb testing.TB, dir string) *keyring.Ring {
	tb.Helper()
	store, err := keyring.OpenFolder(Context(tb), dir)
	if err != nil {
		tb.Fatal(err)
	}
	r, err := keyring.Open(Context(tb), store)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = r.Close() })
	return r
}

// Context is one of a principal who may do everything. It ends a minute from now, so that what hangs fails.
func Context(tb testing.TB) context.Context {
	tb.Helper()
	ctx, cancel := context.WithTimeout(ByEverybody(), time.Minute)
	tb.Cleanup(cancel)
	return ctx
}

// ByEverybody is the context of a principal who may do everything.
func ByEverybody() context.Context { return access.With(context.Background(), access.Everybody()) }

// Open lets everybody do everything that a handler can.
func Open(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.ServeHTTP(w, r.WithContext(access.With(r.Context(), access.Everybody())))
	})
}

// LastSeq is the log's last sequence.
func LastSeq(tb testing.TB, l *eventlog.Log) uint64 {
	tb.Helper()
	st, err := l.State(Context(tb))
	if err != nil {
		tb.Fatal(err)
	}
	return st.LastSeq
}

// Events reads the whole log as it is now, genesis first.
func Events(tb testing.TB, l *eventlog.Log) []*logv1.Event {
	tb.Helper()
	var out []*logv1.Event
	for seq := uint64(1); seq <= LastSeq(tb, l); seq++ {
		out = append(out, Event(tb, l, seq))
	}
	return out
}

// Eventually waits up to ten seconds for ok to hold.
func Eventually(tb testing.TB, what string, ok func() bool) {
	tb.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if ok() {
			return
		}
	}
	tb.Fatalf("not within ten seconds: %s", what)
}
