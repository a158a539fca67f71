package eventlog

import (
	"io"
	"log/slog"
	"testing"
)

// TestTheServerSyncsEveryWrite looks at the running server's own configuration: the
// default syncs every two minutes, and no test without a power cut would notice.
func TestTheServerSyncsEveryWrite(t *testing.T) {
	dir := t.TempDir()
	s, err := StartServer(dir, 1<<20, slog.New(slog.NewTextHandler(io.Discard, nil)))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Stop()
	cfg := s.ns.JetStreamConfig()
	if cfg == nil || !cfg.SyncAlways {
		t.Errorf("the server's configuration: %+v", cfg)
	}
	if s.ns.Addr() != nil {
		t.Errorf("the embedded server listens on %v", s.ns.Addr())
	}
}
