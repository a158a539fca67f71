package acceptance_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"cannulary/internal/feed"
	"cannulary/internal/testkit"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// process is the program as a child.
type process struct {
	tb         testing.TB
	cmd        *exec.Cmd
	grpc, http string
	log        *buffer
	exited     chan struct{} // closed once the child has ended
}

// spawn starts `serve` on free ports without waiting until it is ready.
func spawn(tb testing.TB, dir string) (p *process, ready <-chan string) {
	tb.Helper()
	return command(tb, "serve", "--data", dir, "--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0")
}

// command starts a command of the program. Its lines on stdout come through the channel.
func command(tb testing.TB, args ...string) (p *process, lines <-chan string) {
	tb.Helper()
	p = &process{tb: tb, cmd: exec.Command(program, args...), log: &buffer{}, exited: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), "TMPDIR="+scratch) // a killed verify leaves the copy there that it read
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		tb.Fatal(err)
	}
	p.cmd.Stderr = p.log
	if err := p.cmd.Start(); err != nil {
		tb.Fatal(err)
	}
	said := make(chan string, 100)
	go func() {
		defer close(p.exited)
		s := bufio.NewScanner(out)
		for s.Scan() {
			said <- s.Text()
		}
		_ = p.cmd.Wait() // the code is looked at where it matters
	}()
	tb.Cleanup(func() {
		_ = p.cmd.Process.Kill() // an error says that it has ended
		<-p.exited
	})
	return p, said
}

// kill ends it at once, and reports whether it was still at work.
func (p *process) kill() bool {
	p.tb.Helper()
	_ = p.cmd.Process.Kill() // an error says that it has ended
	<-p.exited
	return p.cmd.ProcessState.ExitCode() == -1
}

// serve starts the program and waits for the line that says where it listens.
func serve(tb testing.TB, dir string) *process {
	tb.Helper()
	p, ready := spawn(tb, dir)
	select {
	case line := <-ready:
		var at struct{ GRPC, HTTP string }
		if err := json.Unmarshal([]byte(line), &at); err != nil || at.GRPC == "" || !strings.HasPrefix(at.HTTP, "http://127.0.0.1:") {
			tb.Fatalf("the ready line is %q (%v)", line, err)
		}
		p.grpc, p.http = at.GRPC, at.HTTP
	case <-p.exited:
		tb.Fatalf("serve ended before it was ready: %s", p.log)
	case <-time.After(patient):
		tb.Fatalf("serve was not ready: %s", p.log)
	}
	return p
}

// end sends a signal and waits for the exit code; -1 is death by a signal.
func (p *process) end(sig syscall.Signal) (code int, took time.Duration) {
	p.tb.Helper()
	began := time.Now()
	if err := p.cmd.Process.Signal(sig); err != nil {
		p.tb.Fatal(err)
	}
	select {
	case <-p.exited:
	case <-time.After(patient):
		p.tb.Fatalf("it did not end after %s", sig)
	}
	return p.cmd.ProcessState.ExitCode(), time.Since(began)
}

// interrupted sends messages until the program dies under the sender. stop is called in
// the background once `after` answers have come. Answers are added to acked.
func interrupted(tb testing.TB, addr string, msgs []*cannularyv1.FeedRequest, acked answers, after int, stop func()) (done bool) {
	tb.Helper()
	return interruptedBy(tb, addr, msgs, after, stop, func(a *cannularyv1.FeedResponse) {
		if first, ok := acked[a.GetSourceMessageId()]; ok && (first.GetEventId() != a.GetEventId() || first.GetToken() != a.GetToken()) {
			tb.Errorf("message %s was acknowledged as %s, now as %s", a.GetSourceMessageId(), first.GetToken(), a.GetToken())
		}
		acked[a.GetSourceMessageId()] = a
	})
}

// interruptedBy is interrupted with whatever keeps the answers.
func interruptedBy(tb testing.TB, addr string, msgs []*cannularyv1.FeedRequest, after int, stop func(), keep func(*cannularyv1.FeedResponse)) (done bool) {
	tb.Helper()
	n := 0
	c := &feed.Client{Addr: addr, Patience: time.Millisecond, Answered: func(_ *cannularyv1.FeedRequest, a *cannularyv1.FeedResponse) {
		if a.GetOutcome() == cannularyv1.FeedOutcome_FEED_OUTCOME_REFUSED {
			tb.Errorf("message %s is refused: %v", a.GetSourceMessageId(), a.GetReasons())
			return
		}
		keep(a)
		if n++; n == after {
			go stop()
		}
	}}
	_, err := c.Send(patience(tb), func(emit func(*cannularyv1.FeedRequest) error) error {
		for _, m := range msgs {
			if err := emit(m); err != nil {
				return err
			}
		}
		return nil
	})
	if errors.Is(err, context.DeadlineExceeded) {
		tb.Fatal(err)
	}
	return err == nil
}

// open are the messages that have no acknowledgement.
func open(msgs []*cannularyv1.FeedRequest, acked answers) (out []*cannularyv1.FeedRequest) {
	for _, m := range msgs {
		if _, ok := acked[testkit.Envelope(m).GetSourceMessageId()]; !ok {
			out = append(out, m)
		}
	}
	return out
}

// Acknowledged means safe: whenever the program is killed, what it acknowledged is in the
// log once and in the view once, and what it did not may be sent again.
func TestWhatWasAcknowledgedSurvivesAKill(t *testing.T) {
	t.Parallel()
	const seed = 20250331
	r := rand.New(rand.NewPCG(seed, 1))
	msgs, dir, acked := messages(t, scenario(size())), filepath.Join(t.TempDir(), "killed"), answers{}
	for n := range 6 {
		if n%3 == 2 {
			// It is killed while it starts, too: in recovery, before or after it is ready.
			pause := time.Duration(r.IntN(250)) * time.Millisecond
			t.Logf("kill %s after the start", pause)
			p, _ := spawn(t, dir)
			time.Sleep(pause)
			p.end(syscall.SIGKILL)
		}
		left := open(msgs, acked)
		after, pause := 1+r.IntN(max(1, len(left)/4)), time.Duration(r.IntN(20000))*time.Microsecond
		t.Logf("kill %s after %d acknowledgements, %d messages to go", pause, after, len(left))
		p := serve(t, dir)
		kill := sync.OnceFunc(func() {
			time.Sleep(pause)
			p.end(syscall.SIGKILL)
		})
		if interrupted(t, p.grpc, left, acked, after, kill) {
			t.Logf("all were acknowledged before")
		}
		kill() // on a busy machine all may be acknowledged sooner than the kill is; else it waits for it
	}
	// The same with a request to end: in order, and nothing that was acknowledged is lost.
	p := serve(t, dir)
	ended := make(chan string, 1)
	end := sync.OnceFunc(func() {
		code, took := p.end(syscall.SIGTERM)
		t.Logf("SIGTERM in the middle of a feed: exit %d after %s", code, took)
		ended <- checkEnd(code, took)
	})
	interrupted(t, p.grpc, open(msgs, acked), acked, 50, end)
	end()
	if bad := <-ended; bad != "" {
		t.Errorf("%s; its log: %s", bad, p.log)
	}
	p = serve(t, dir)
	if !interrupted(t, p.grpc, open(msgs, acked), acked, -1, nil) {
		t.Fatal("the rest of the feed was not taken")
	}
	// Everything once more, as an engine does that lost its own place.
	tally, again, err := post(patience(t), p.grpc, msgs)
	if err != nil || tally.Duplicates != len(msgs) {
		t.Errorf("all sent again gave %+v (%v), want %d duplicates", tally, err, len(msgs))
	}
	for id, a := range again {
		if a.GetToken() != acked[id].GetToken() {
			t.Errorf("message %s was acknowledged as %s, now as %s", id, acked[id].GetToken(), a.GetToken())
		}
	}
	if code, took := p.end(syscall.SIGTERM); checkEnd(code, took) != "" {
		t.Error(checkEnd(code, took))
	}
	checkOnce(t, dir, acked)
}

func checkEnd(code int, took time.Duration) string {
	if code != 0 || took > 15*time.Second {
		return fmt.Sprintf("after SIGTERM it exits %d in %s, want 0 within seconds", code, took)
	}
	return ""
}

// checkOnce looks for every acknowledged event in log and view, and for anything twice.
func checkOnce(t *testing.T, dir string, acked answers) {
	t.Helper()
	if there(damagedView(dir)) {
		t.Error("a kill was taken for damage of the view")
	}
	i := start(t, dir)
	i.settle()
	inLog := map[string]int{}
	for _, ev := range testkit.Events(t, i.app.Log()) {
		inLog[ev.GetId()]++
	}
	i.stop()
	inView := query(t, dir, `SELECT id, count(*) FROM event GROUP BY id`)
	for message, a := range acked {
		if inLog[a.GetEventId()] != 1 || inView[a.GetEventId()] != "1" {
			t.Errorf("message %s was acknowledged as %s: it is %d times in the log, %q times in the view", message, a.GetToken(), inLog[a.GetEventId()], inView[a.GetEventId()])
		}
	}
	for id, n := range inLog {
		if n != 1 {
			t.Errorf("event %s is %d times in the log", id, n)
		}
	}
	if len(inLog) != len(inView) {
		t.Errorf("%d events in the log, %d in the view", len(inLog), len(inView))
	}
	// What the kills left behind is what the log gives.
	want := dump(t, dir)
	rebuild(t, dir, len(want["event"]))
	same(t, want, dump(t, dir))
}

// One folder belongs to one process.
func TestASecondProcessOnTheSameFolderIsRefused(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	first := serve(t, dir)
	second, _ := spawn(t, dir)
	<-second.exited
	text := second.log.String()
	if code := second.cmd.ProcessState.ExitCode(); code != 1 || !strings.Contains(text, dir+fmt.Sprintf(" is locked by a running cannulary, process %d of user ", first.cmd.Process.Pid)) ||
		!strings.Contains(text, "; stop it first, or ask it with --http") || strings.Count(text, "\n") != 1 {
		t.Errorf("the second process exits %d and says %q", code, text)
	}
	// The commands that work on a stopped instance are refused alike.
	for _, args := range [][]string{{"verify", "--data", dir}, {"erase", "--data", dir, "--identifier", "a|b"}, {"rebuild", "--data", dir}} {
		code, stdout, stderr := cliRun(t, args...)
		if code != 1 || stdout != "" || !strings.Contains(stderr, "is locked by a running cannulary") {
			t.Errorf("%v exits %d and says %q, %q", args, code, stdout, stderr)
		}
	}
	// Those that only ask are answered by its socket.
	if code, stdout, stderr := cliRun(t, "status", "--data", dir); code != 0 || !strings.Contains(stdout, "ready") {
		t.Errorf("status exits %d and says %q, %q", code, stdout, stderr)
	}
	// A demo would begin by deleting what is there.
	code, stdout, stderr := cliRun(t, "demo", "--data", dir, "--exit")
	if code != 1 || stdout != "" || !strings.Contains(stderr, dir+" is not empty and no demo has marked it; nothing in it was changed") {
		t.Errorf("a demo exits %d and says %q, %q", code, stdout, stderr)
	}
	if code, _ := get(t, first.http+"/healthz"); code != 200 {
		t.Errorf("the first process answers %d", code)
	}
	if code, took := first.end(syscall.SIGTERM); checkEnd(code, took) != "" {
		t.Error(checkEnd(code, took))
	}
	third := serve(t, dir)
	if code, took := third.end(syscall.SIGINT); checkEnd(code, took) != "" {
		t.Error(checkEnd(code, took))
	}
}
