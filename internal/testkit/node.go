package testkit

import (
	"context"
	"net"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/door"
	"cannulary/internal/eventlog"
	"cannulary/internal/grpcapi"
	"cannulary/internal/intake"
	"cannulary/internal/keyring"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// Node is one ingest process on an embedded log, with a client connected to it.
type Node struct {
	Dir      string
	Clock    *Clock
	Server   *eventlog.Server
	NATS     *nats.Conn
	Log      *eventlog.Log
	Ring     *keyring.Ring
	Intake   *intake.Intake
	Outcomes *Outcomes
	API      *grpcapi.Server
	Addr     string
	Client   *Client

	close func()
}

// Options change what Start starts.
type Options struct {
	Dir      string // a new temporary folder when empty
	Clock    *Clock // stands at Noon when nil
	MaxBytes int64  // of the log; MaxBytes when 0
	// Unregistered leaves the samples' facility unregistered.
	Unregistered bool
}

// Start starts a node, waits until it is ready, and registers the samples' facility. The
// node stops with the test, or before.
func Start(tb testing.TB, o Options) *Node {
	tb.Helper()
	if o.Dir == "" {
		o.Dir = tb.TempDir()
	}
	if o.Clock == nil {
		o.Clock = NewClock(Noon())
	}
	n := &Node{Dir: o.Dir, Clock: o.Clock, Outcomes: &Outcomes{}}
	n.Server = Server(tb, filepath.Join(o.Dir, "log"))
	n.NATS = Connect(tb, n.Server)
	n.Ring = Ring(tb, filepath.Join(o.Dir, "keys"))
	cfg := LogConfig()
	cfg.Fingerprint = n.Ring.Fingerprint()
	if o.MaxBytes != 0 {
		cfg.MaxBytes = o.MaxBytes
	}
	n.Log = OpenLog(tb, n.NATS, cfg)
	n.Intake = n.OpenIntake(tb, filepath.Join(o.Dir, "ingest"))
	n.serve(tb)
	n.close = sync.OnceFunc(func() {
		_ = n.Client.conn.Close()
		n.API.Stop()
		if err := n.Intake.Close(); err != nil {
			tb.Errorf("close intake: %v", err)
		}
		n.NATS.Close()
		n.Server.Stop()
		_ = n.Ring.Close()
	})
	tb.Cleanup(n.Stop)
	if err := n.Intake.Ready(Context(tb)); err != nil {
		tb.Fatal(err)
	}
	if !o.Unregistered {
		n.Register(tb)
	}
	return n
}

// OpenIntake opens a further intake on the node's log, with an index of its own in dir.
// The caller closes it. It is not waited for.
func (n *Node) OpenIntake(tb testing.TB, dir string) *intake.Intake {
	tb.Helper()
	in, err := intake.New(Context(tb), intake.Config{Log: n.Log, Ring: n.Ring, Dir: dir, Now: n.Clock.Now, Slog: Discard(),
		Outcome: n.Outcomes.add})
	if err != nil {
		tb.Fatal(err)
	}
	return in
}

func (n *Node) serve(tb testing.TB) {
	tb.Helper()
	lis, err := (&net.ListenConfig{}).Listen(tb.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	n.Addr = lis.Addr().String()
	d, err := door.New(door.Config{Now: time.Now, Slog: Discard()})
	if err != nil {
		tb.Fatal(err)
	}
	n.API = grpcapi.New(n.Intake, d, Discard(), nil)
	go func() { _ = n.API.Serve(lis) }()
	n.API.Serving(true)
	n.Client = Dial(tb, n.Addr)
}

// Dial connects a client with the options.
func Dial(tb testing.TB, addr string, opts ...grpc.DialOption) *Client {
	tb.Helper()
	conn, err := grpc.NewClient(addr, append(opts, grpc.WithTransportCredentials(insecure.NewCredentials()))...)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = conn.Close() })
	return &Client{conn: conn}
}

// DialTLS connects a client over TLS.
func DialTLS(tb testing.TB, addr string, creds credentials.TransportCredentials) *Client {
	tb.Helper()
	conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(creds))
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = conn.Close() })
	return &Client{conn: conn}
}

// Register registers the samples' facility and starts its day, so that nothing is
// appended afterwards that the test did not send.
func (n *Node) Register(tb testing.TB) {
	tb.Helper()
	if _, err := n.Client.Send(Context(tb), Registration()); err != nil {
		tb.Fatal(err)
	}
	if err := n.Intake.StartDays(Context(tb)); err != nil {
		tb.Fatal(err)
	}
}

// Stop stops the node in order and leaves its folder. It may be called again.
func (n *Node) Stop() { n.close() }

// LastSeq is the log's last sequence.
func (n *Node) LastSeq(tb testing.TB) uint64 {
	tb.Helper()
	return LastSeq(tb, n.Log)
}

// Event reads one event.
func Event(tb testing.TB, l *eventlog.Log, seq uint64) *logv1.Event {
	tb.Helper()
	e, err := l.Get(context.Background(), seq)
	if err != nil {
		tb.Fatalf("entry %d: %v", seq, err)
	}
	ev := &logv1.Event{}
	if err := proto.Unmarshal(e.Data, ev); err != nil {
		tb.Fatalf("entry %d: %v", seq, err)
	}
	return ev
}

// Outcomes counts what intake says became of messages.
type Outcomes struct {
	mu sync.Mutex
	n  map[string]int
}

func (o *Outcomes) add(service, outcome string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.n == nil {
		o.n = map[string]int{}
	}
	o.n[service+" "+outcome]++
}

// Of is how many messages of a service had the outcome.
func (o *Outcomes) Of(service, outcome string) int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.n[service+" "+outcome]
}
