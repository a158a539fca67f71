package eventlog

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// Server is an embedded NATS server with JetStream that listens on no port.
type Server struct {
	ns  *server.Server
	log *serverLog
}

// startTimeout is how long a start may take. The server checks a log of some years when it
// starts.
const startTimeout = 60 * time.Second

// StartServer starts a server on the folder, which it makes if need be. maxBytes is the largest
// size of the folder. The server syncs every write to disk before it answers.
func StartServer(dir string, maxBytes int64, log *slog.Logger) (*Server, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("log folder: %w", err)
	}
	ns, err := server.NewServer(&server.Options{
		ServerName: "cannulary-embedded", DontListen: true, NoSigs: true,
		JetStream: true, StoreDir: filepath.Clean(dir), SyncAlways: true,
		JetStreamMaxMemory: 64 << 20, JetStreamMaxStore: maxBytes + headroom,
		MaxPayload: maxEventBytes + 64<<10,
	})
	if err != nil {
		return nil, fmt.Errorf("embedded log server: %w", err)
	}
	s := &Server{ns: ns, log: &serverLog{log: log}}
	ns.SetLoggerV2(s.log, false, false, false)
	ns.Start()
	if !ns.ReadyForConnections(startTimeout) {
		ns.Shutdown()
		return nil, fmt.Errorf("the embedded log server was not ready after %s; its own messages are above", startTimeout)
	}
	return s, nil
}

// headroom is what the server may store beside the log itself.
const headroom = 1 << 30

// Connect opens an in-process connection.
func (s *Server) Connect() (*nats.Conn, error) {
	nc, err := nats.Connect("", nats.InProcessServer(s.ns), nats.Name("cannulary"))
	if err != nil {
		return nil, fmt.Errorf("connect to the embedded log server: %w", err)
	}
	return nc, nil
}

// Warnings counts the server's own warnings and errors, without Recoveries.
func (s *Server) Warnings() int64 { return s.log.warnings.Load() }

// Recoveries counts the messages of a server that was not stopped in order and therefore reads
// its newest block again. They mean no damage: every acknowledged event is there.
func (s *Server) Recoveries() int64 { return s.log.recoveries.Load() }

// Stop shuts the server down and waits until its files are closed.
func (s *Server) Stop() {
	s.ns.Shutdown()
	s.ns.WaitForShutdown()
}

// serverLog sends the embedded server's messages to the program's log.
type serverLog struct {
	log                  *slog.Logger
	warnings, recoveries atomic.Int64
}

// recoveries are the messages of the server (2.15) after it was killed. It writes its index now
// and then, so the index is older than the blocks, and it reads them again. Any other fault of
// the index has another text and counts as a warning. So would these if a newer server changed
// their text; a test that kills the program would fail then.
var recoveries = [...]string{
	"Stream state outdated, last block has additional entries, will rebuild",
	"Stream state outdated, found extra blocks, will rebuild",
	"Recovering stream state from index errored: prior state file",
}

func recovers(text string) bool {
	return slices.ContainsFunc(recoveries[:], func(r string) bool { return strings.Contains(text, r) })
}

func (l *serverLog) Noticef(string, ...any) {}
func (l *serverLog) Debugf(string, ...any)  {}
func (l *serverLog) Tracef(string, ...any)  {}

func (l *serverLog) Warnf(format string, v ...any) {
	text := fmt.Sprintf(format, v...)
	if recovers(text) {
		l.recoveries.Add(1)
		l.log.Info("embedded log server, recovering after it was not stopped in order", "says", text)
		return
	}
	l.warnings.Add(1)
	l.log.Warn("embedded log server", "says", text)
}

func (l *serverLog) Errorf(format string, v ...any) {
	l.warnings.Add(1)
	l.log.Error("embedded log server", "says", fmt.Sprintf(format, v...))
}

func (l *serverLog) Fatalf(format string, v ...any) {
	l.warnings.Add(1)
	l.log.Error("embedded log server, fatal", "says", fmt.Sprintf(format, v...))
}
