package acceptance_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/cli"
	"cannulary/internal/feed"
	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// program is the built command and scratch the folder of what all tests share. TestMain
// sets both before any test runs.
var program, scratch string

func TestMain(m *testing.M) { os.Exit(build(m)) }

func build(m *testing.M) int {
	dir, err := os.MkdirTemp("", "cannulary-acceptance-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer func() { _ = os.RemoveAll(dir) }()
	scratch, program = dir, filepath.Join(dir, "cannulary")
	if out, err := exec.Command("go", "build", "-o", program, "cannulary/services/cannulary").CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "build the program: %v\n%s", err, out)
		return 1
	}
	return m.Run()
}

// now is the clock of every application in this process: after the scenario's end.
func now() time.Time { return time.Date(2025, 4, 2, 9, 0, 0, 0, time.UTC) }

// scenario has everything switched on; its seed was chosen for having corrections, voids,
// a voided session, a merge, holds and infections in a small unit.
func scenario(patients, months int) simulate.Scenario {
	s := simulate.Default()
	s.Patients, s.Months, s.Seed = patients, months, 7
	s.Until = time.Date(2025, 3, 31, 0, 0, 0, 0, time.UTC)
	return s
}

func messages(tb testing.TB, s simulate.Scenario) []*cannularyv1.FeedRequest {
	tb.Helper()
	var out []*cannularyv1.FeedRequest
	if err := simulate.Generate(s, func(m *cannularyv1.FeedRequest) error { out = append(out, m); return nil }); err != nil {
		tb.Fatal(err)
	}
	return out
}

// buffer collects what a program writes. It is safe for concurrent use.
type buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *buffer) Bytes() []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	return bytes.Clone(b.b.Bytes())
}

func (b *buffer) String() string { return string(b.Bytes()) }

// instance is a running application.
type instance struct {
	tb  testing.TB
	app *app.App
	dir string
	log *buffer // all that it logs, debug messages too
}

// config is that of `serve` on free ports.
func config(dir string, log *buffer) app.Config {
	return app.Config{
		Dir: dir, Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Version: "acceptance", Now: now,
		Slog: slog.New(slog.NewJSONHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug})),
	}
}

// start starts an application on the folder and waits until it is ready.
func start(tb testing.TB, dir string, change ...func(*app.Config)) *instance {
	tb.Helper()
	i := &instance{tb: tb, dir: dir, log: &buffer{}}
	cfg := config(dir, i.log)
	for _, f := range change {
		f(&cfg)
	}
	var err error
	eventually(tb, "the folder is free: a child that another test starts has the lock until it runs its program", func() bool {
		i.app, err = app.New(patience(tb), cfg)
		return !errors.Is(err, app.ErrLocked)
	})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(i.app.Stop)
	i.app.Start()
	eventually(tb, "the application is ready", i.app.Ready)
	return i
}

// patient is how long anything may take on a busy machine before it counts as hanging.
const patient = 8 * time.Minute

func patience(tb testing.TB) context.Context {
	tb.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patient)
	tb.Cleanup(cancel)
	return ctx
}

func eventually(tb testing.TB, what string, ok func() bool) {
	tb.Helper()
	for end := time.Now().Add(patient); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if ok() {
			return
		}
	}
	tb.Fatalf("it did not come to be that %s", what)
}

// refusedStart reports why an application does not start.
func refusedStart(tb testing.TB, dir string, change ...func(*app.Config)) error {
	tb.Helper()
	cfg := config(dir, &buffer{})
	for _, f := range change {
		f(&cfg)
	}
	a, err := app.New(patience(tb), cfg)
	if err == nil {
		a.Stop()
		tb.Fatal("it started, though it must not")
	}
	return err
}

// answers are the accepted and duplicate answers to a feed by source message id, the
// first one of each.
type answers map[string]*cannularyv1.FeedResponse

// post sends the messages and waits until the view has them. No message may be refused.
func (i *instance) post(msgs []*cannularyv1.FeedRequest) (feed.Tally, answers) {
	i.tb.Helper()
	tally, got, err := post(patience(i.tb), i.app.GRPCAddr(), msgs)
	if err != nil {
		i.tb.Fatal(err)
	}
	if tally.Refused > 0 {
		i.tb.Fatalf("%d messages were refused", tally.Refused)
	}
	i.settle()
	return tally, got
}

func post(ctx context.Context, addr string, msgs []*cannularyv1.FeedRequest) (feed.Tally, answers, error) {
	got := answers{}
	c := &feed.Client{Addr: addr, Answered: func(_ *cannularyv1.FeedRequest, a *cannularyv1.FeedResponse) {
		if _, ok := got[a.GetSourceMessageId()]; !ok {
			got[a.GetSourceMessageId()] = a
		}
	}}
	tally, err := c.Send(ctx, func(emit func(*cannularyv1.FeedRequest) error) error {
		for _, m := range msgs {
			if err := emit(m); err != nil {
				return err
			}
		}
		return nil
	})
	return tally, got, err
}

// settle waits until the view has all that the log has, and the present day has started at
// every facility: what is judged is judged as of it.
func (i *instance) settle() {
	i.tb.Helper()
	for ctx := patience(i.tb); i.app.Intake() != nil; time.Sleep(5 * time.Millisecond) {
		// Right after a start the index may be behind the log.
		if err := i.app.Intake().StartDays(ctx); err == nil {
			break
		} else if ctx.Err() != nil {
			i.tb.Fatal(err)
		}
	}
	if err := i.app.Projector().WaitFor(patience(i.tb), i.last()); err != nil {
		i.tb.Fatal(err)
	}
}

// last is the log's last sequence.
func (i *instance) last() uint64 { return testkit.LastSeq(i.tb, i.app.Log()) }

func (i *instance) stop() { i.app.Stop() }

func (i *instance) get(path string) (int, string) {
	i.tb.Helper()
	return get(i.tb, "http://"+i.app.HTTPAddr()+path)
}

// must gets a path that has to answer 200.
func (i *instance) must(path string) string {
	i.tb.Helper()
	code, body := i.get(path)
	if code != http.StatusOK {
		i.tb.Fatalf("GET %s answers %d: %s", path, code, body)
	}
	return body
}

func get(tb testing.TB, url string) (int, string) {
	tb.Helper()
	resp, err := http.Get(url)
	if err != nil {
		tb.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		tb.Fatal(err)
	}
	return resp.StatusCode, string(body)
}

// cards are the cards of all patients at one moment, without the time they were asked at.
func (i *instance) cards(keys []string) map[string]string {
	i.tb.Helper()
	out := map[string]string{}
	for _, key := range keys {
		var c map[string]any
		body := i.must("/card?as_of=2025-04-01T18:00:00Z&patient=" + key)
		if err := json.Unmarshal([]byte(body), &c); err != nil {
			i.tb.Fatalf("card of %s: %v", key, err)
		}
		delete(c, "knownAt")
		b, err := json.Marshal(c)
		if err != nil {
			i.tb.Fatal(err)
		}
		out[key] = string(b)
	}
	return out
}

// cliRun runs a command in this process.
func cliRun(tb testing.TB, args ...string) (code int, stdout, stderr string) {
	tb.Helper()
	var out, errs buffer
	code = cli.Run(patience(tb), cli.Env{Stdout: &out, Stderr: &errs, Now: now, Version: "acceptance"}, args)
	return code, out.String(), errs.String()
}

// copyDir copies a stopped instance, or a part of one. A socket that a killed one left is no file to copy.
func copyDir(tb testing.TB, from, to string) string {
	tb.Helper()
	err := filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.Type() == fs.ModeSocket {
			return err
		}
		target := filepath.Join(to, strings.TrimPrefix(path, from))
		if d.IsDir() {
			return os.MkdirAll(target, 0o700)
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(target, b, 0o600)
	})
	if err != nil {
		tb.Fatal(err)
	}
	return to
}
