package acceptance_test

import (
	"bufio"
	"crypto/sha256"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/eventlog"
	"cannulary/internal/logfile"
	"cannulary/internal/salvage"
	"cannulary/internal/testkit/tier"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// crashSize is how often the program is killed in each phase.
func crashSize() int { return tier.Torture(2, 32) }

// ledger keeps what was acknowledged, outside the process that is killed. Each line is synced before the next answer
// is read.
type ledger struct {
	tb   testing.TB
	file *os.File
}

func openLedger(tb testing.TB) *ledger {
	tb.Helper()
	f, err := os.OpenFile(filepath.Join(tb.TempDir(), "ledger"), os.O_CREATE|os.O_RDWR|os.O_APPEND, 0o600)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = f.Close() })
	return &ledger{tb, f}
}

func (l *ledger) note(a *cannularyv1.FeedResponse) {
	_, err := fmt.Fprintf(l.file, "%s %s %s\n", a.GetSourceMessageId(), a.GetEventId(), a.GetToken())
	if err == nil {
		err = l.file.Sync()
	}
	if err != nil {
		l.tb.Errorf("keep an acknowledgement: %v", err)
	}
}

// acknowledged is one line of the ledger.
type acknowledged struct{ event, token string }

// read reads the file anew: by message id. The same message must always have had the same answer.
func (l *ledger) read() map[string]acknowledged {
	l.tb.Helper()
	b, err := os.ReadFile(l.file.Name())
	if err != nil {
		l.tb.Fatal(err)
	}
	out := map[string]acknowledged{}
	for s := bufio.NewScanner(strings.NewReader(string(b))); s.Scan(); {
		f := strings.Fields(s.Text())
		a := acknowledged{f[1], f[2]}
		if first, ok := out[f[0]]; ok && first != a {
			l.tb.Errorf("message %s was acknowledged as %s, then as %s", f[0], first, a)
		}
		out[f[0]] = a
	}
	return out
}

// crash is the campaign: one instance that is killed again and again.
type crash struct {
	*testing.T
	rnd    *rand.Rand
	dir    string
	msgs   []*cannularyv1.FeedRequest
	ledger *ledger
	kills  map[string]int
}

// Whenever the program is killed, what it acknowledged is in the log once, a look at the folder finds it whole, and it
// goes on. A rebuild that was killed leaves the old view in use, a verify or a repair the folder as it was.
func TestCrashCampaign(t *testing.T) {
	t.Parallel()
	const seed = 20261129
	c := &crash{T: t, rnd: rand.New(rand.NewPCG(seed, 13)), dir: filepath.Join(t.TempDir(), "crashed"), ledger: openLedger(t),
		msgs: messages(t, scenario(tier.Torture(6, 8), tier.Torture(1, 5))), kills: map[string]int{}}
	for _, phase := range []func(){c.ingest, c.projection, c.rest, c.rebuild, c.verify, c.repair} {
		phase()
		t.Logf("killed so far while it was at work: %v", c.kills)
	}
	t.Logf("killed while it was at work: %v; %d messages acknowledged", c.kills, len(c.ledger.read()))
	for _, phase := range []string{"ingest", "projection", "rebuild", "verify", "repair"} {
		if c.kills[phase] < crashSize() {
			t.Errorf("phase %s: killed %d times at work, want %d", phase, c.kills[phase], crashSize())
		}
	}
}

// feed sends messages until the program dies under it, some time after so many answers: mostly from the first one on
// that is not acknowledged, else from a random one on. It reports whether some were unanswered then.
func (c *crash) feed(p *process, msgs []*cannularyv1.FeedRequest, after int, pause time.Duration) (inFlight bool) {
	from := c.rnd.IntN(len(msgs))
	if left := open(msgs, c.answers()); len(left) > 0 && c.rnd.IntN(4) > 0 {
		from = len(msgs) - len(left)
	}
	stop := sync.OnceFunc(func() {
		time.Sleep(pause)
		p.kill()
	})
	done := interruptedBy(c, p.grpc, msgs[from:], after, stop, c.ledger.note)
	stop()
	return !done
}

// answers are those in the ledger.
func (c *crash) answers() answers {
	acked := answers{}
	for message, a := range c.ledger.read() {
		acked[message] = &cannularyv1.FeedResponse{EventId: a.event, Token: a.token}
	}
	return acked
}

func (c *crash) ingest() {
	msgs := c.msgs[:len(c.msgs)/2] // the others are for the next phase
	share := max(2, len(msgs)/crashSize())
	for c.kills["ingest"] < crashSize() {
		if c.kills["ingest"]%5 == 1 { // while it starts, too
			p, _ := spawn(c, c.dir)
			time.Sleep(time.Duration(c.rnd.IntN(200)) * time.Millisecond)
			p.kill()
			c.check("a kill at the start")
		}
		p := serve(c, c.dir)
		if c.feed(p, msgs, 1+c.rnd.IntN(share), time.Duration(c.rnd.IntN(10000))*time.Microsecond) {
			c.kills["ingest"]++
		}
		c.check("a kill while messages come")
	}
}

// projection kills it while the view is behind the log: while messages come, and while it catches up.
func (c *crash) projection() {
	behind := false
	for tries := 0; c.kills["projection"] < crashSize(); tries++ {
		if tries > 60*crashSize() {
			c.Fatalf("of %d kills %d met a view that was behind", tries, c.kills["projection"])
		}
		if tries%2 == 1 {
			if err := os.RemoveAll(filepath.Join(c.dir, "view")); err != nil {
				c.Fatal(err)
			}
			behind = true
		}
		if behind {
			p, _ := spawn(c, c.dir)
			// From a fraction of a start on a fast machine to all of one on a slow machine.
			time.Sleep(20 * time.Millisecond << c.rnd.IntN(8))
			p.kill()
		} else {
			c.feed(serve(c, c.dir), c.msgs, 20+c.rnd.IntN(max(1, len(c.msgs)/crashSize())), 0)
		}
		if behind = c.check("a kill while the view catches up"); behind {
			c.kills["projection"]++
		}
	}
}

// check looks at the killed folder without opening it, and reports whether the view is behind the log.
func (c *crash) check(after string) (behind bool) {
	c.Helper()
	at := map[string][]uint64{}
	res, err := logfile.Read(filepath.Join(c.dir, "log"), eventlog.StreamName("main"), func(r logfile.Record) error {
		ev := &logv1.Event{}
		err := proto.Unmarshal(r.Data, ev)
		at[ev.GetId()] = append(at[ev.GetId()], r.Seq)
		return err
	})
	if err != nil {
		c.Fatalf("after %s: %v", after, err)
	}
	for id, list := range at {
		if len(list) > 1 {
			c.Errorf("after %s: event %s stands at %v", after, id, list)
		}
	}
	for message, a := range c.ledger.read() {
		if list := at[a.event]; len(list) != 1 || fmt.Sprint("main:", list[0]) != a.token {
			c.Errorf("after %s: message %s was acknowledged as %s: its event stands at %v", after, message, a.token, list)
		}
	}
	r, err := salvage.Verify(patience(c), c.dir, "main")
	if err != nil || !r.Whole {
		c.Errorf("after %s: verify says %+v, %v", after, r, err)
	}
	if err != nil || len(r.Copies) == 0 {
		return false
	}
	return r.Copies[0].UpTo < res.Last
}

// rest has all messages taken, stops it in order, and holds log against view.
func (c *crash) rest() {
	p := serve(c, c.dir)
	interruptedBy(c, p.grpc, c.msgs, -1, nil, c.ledger.note)
	if left := open(c.msgs, c.answers()); len(left) > 0 {
		c.Fatalf("%d messages are not taken", len(left))
	}
	if code, took := p.end(syscall.SIGTERM); checkEnd(code, took) != "" {
		c.Fatal(checkEnd(code, took))
	}
	checkOnce(c.T, c.dir, c.answers())
}

// atWork runs a command and kills it after a part of the time that it took before. It reports whether the command was
// still at work.
func (c *crash) atWork(took time.Duration, args ...string) bool {
	p, _ := command(c, args...)
	time.Sleep(time.Duration(float64(took) * c.rnd.Float64()))
	return p.kill()
}

// took is how long a command takes. Its exit code must be this.
func (c *crash) took(code int, args ...string) time.Duration {
	c.Helper()
	began := time.Now()
	p, _ := command(c, args...)
	<-p.exited
	if got := p.cmd.ProcessState.ExitCode(); got != code {
		c.Fatalf("%v exits %d: %s", args, got, p.log)
	}
	return time.Since(began)
}

func (c *crash) rebuild() {
	file := filepath.Join(c.dir, "view", viewName())
	took := c.took(0, "rebuild", "--data", c.dir)
	want := dump(c, c.dir)
	for c.kills["rebuild"] < crashSize() {
		old := sumsOf(c, filepath.Dir(file))[viewName()]
		if !c.atWork(took, "rebuild", "--data", c.dir) {
			continue
		}
		c.kills["rebuild"]++
		if now := sumsOf(c, filepath.Dir(file))[viewName()]; now != old {
			c.Logf("the kill came after the new view was in its place")
			same(c, want, dump(c, c.dir))
		}
		c.check("a kill during a rebuild")
		p := serve(c, c.dir) // in use: nothing is built again
		if strings.Contains(p.log.String(), "rebuil") {
			c.Errorf("after a killed rebuild it says %s", p.log)
		}
		p.end(syscall.SIGTERM)
	}
	c.took(0, "rebuild", "--data", c.dir)
	same(c, want, dump(c, c.dir))
}

// verify looks at a folder that was stopped in order, and at one that was killed, which is copied to be read.
func (c *crash) verify() {
	unclean := copyDir(c, c.dir, filepath.Join(c.TempDir(), "unclean"))
	p := serve(c, unclean)
	c.feed(p, c.msgs, 20, 0)
	for _, dir := range []string{c.dir, unclean} {
		want := sumsOf(c, dir)
		took := c.took(0, "verify", "--data", dir)
		for n := 0; n < (crashSize()+1)/2; {
			if c.atWork(took, "verify", "--data", dir) {
				n++
				c.kills["verify"]++
			}
			if got := sumsOf(c, dir); !maps.Equal(got, want) {
				c.Fatalf("a killed verify changed %s: it was %v, it is %v", dir, want, got)
			}
		}
		c.took(0, "verify", "--data", dir)
	}
}

func (c *crash) repair() {
	damaged := copyDir(c, c.dir, filepath.Join(c.TempDir(), "damaged"))
	for _, path := range blocks(c, damaged) {
		for range 3 {
			flip(c, path, c.rnd.IntN(8*size64(c, path)))
		}
	}
	want := sumsOf(c, damaged)
	into := func() string { return filepath.Join(c.TempDir(), "mended") }
	took := c.took(0, "repair", "--data", damaged, "--into", into())
	for c.kills["repair"] < crashSize() {
		left := into()
		if !c.atWork(took, "repair", "--data", damaged, "--into", left) {
			continue
		}
		c.kills["repair"]++
		if got := sumsOf(c, damaged); !maps.Equal(got, want) {
			c.Fatalf("a killed repair changed the damaged folder: it was %v, it is %v", want, got)
		}
		c.leftover(damaged, left)
	}
	whole := into()
	c.took(0, "repair", "--data", damaged, "--into", whole)
	i := start(c, whole)
	i.settle()
	end := fmt.Sprint(i.last())
	i.stop()
	sameButTheRepair(c, dump(c, c.dir), dump(c, whole), end)
}

// leftover checks that nothing takes what a killed repair left for an instance.
func (c *crash) leftover(damaged, left string) {
	c.Helper()
	if list, err := os.ReadDir(left); err != nil || len(list) == 0 {
		return // it was killed before it made anything
	}
	for _, args := range [][]string{{"serve", "--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0", "--data", left}, {"verify", "--data", left},
		{"status", "--data", left}, {"repair", "--data", damaged, "--into", left}} {
		p, _ := command(c, args...)
		<-p.exited
		if text := p.log.String(); p.cmd.ProcessState.ExitCode() != 1 || strings.Count(text, "\n") != 1 || !strings.Contains(text,
			"holds what an interrupted repair left, and not all entries: delete this folder, then run `cannulary repair` again") {
			c.Errorf("%s on what a killed repair left exits %d: %s", args[0], p.cmd.ProcessState.ExitCode(), text)
		}
	}
}

// sumsOf are the checksums of all files below a folder.
func sumsOf(tb testing.TB, dir string) map[string]string {
	tb.Helper()
	out := map[string]string{}
	err := fs.WalkDir(os.DirFS(dir), ".", func(path string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		b, err := os.ReadFile(filepath.Join(dir, path))
		out[path] = fmt.Sprintf("%x", sha256.Sum256(b))
		return err
	})
	if err != nil {
		tb.Fatal(err)
	}
	return out
}
