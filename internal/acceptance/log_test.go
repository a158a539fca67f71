package acceptance_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"cannulary/internal/app"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
)

// A full log refuses; started again with a larger limit it takes what was refused.
func TestAFullLogIsMadeLargerAtTheNextStart(t *testing.T) {
	t.Parallel()
	dir, msgs := filepath.Join(t.TempDir(), "full"), messages(t, scenario(5, 1))
	limit := func(n int64) func(*app.Config) { return func(c *app.Config) { c.LogMaxBytes = n } }
	i := start(t, dir, limit(64<<10))
	client, taken := testkit.Dial(t, i.app.GRPCAddr()), 0
	for _, m := range msgs {
		if _, err := client.Send(patience(t), m); err != nil {
			if !strings.Contains(err.Error(), "the log is full") {
				t.Fatal(err)
			}
			break
		}
		taken++
	}
	i.settle0()
	i.stop()
	if taken == 0 || taken == len(msgs) {
		t.Fatalf("%d of %d messages were taken", taken, len(msgs))
	}
	if err := refusedStart(t, dir, limit(16<<10)); !strings.Contains(err.Error(), "and its limit is to be 16384: nothing is ever dropped from it") {
		t.Errorf("a limit below what is stored: %v", err)
	}
	// What only looks changes nothing, and neither does a start without the flag.
	for range 2 {
		code, stdout, stderr := cliRun(t, "status", "--data", dir, "--json")
		if code != 0 || !strings.Contains(stdout, `"logMaxBytes":65536`) {
			t.Fatalf("status exits %d: %s %s", code, stdout, stderr)
		}
		start(t, dir).stop()
	}
	i = start(t, dir, limit(1<<30))
	if text := i.log.String(); !strings.Contains(text, `"msg":"the log's limit was changed","from":65536,"to":1073741824`) {
		t.Errorf("the log does not tell of the change: %s", text)
	}
	i.post(msgs)
	if text := i.must("/metrics"); !strings.Contains(text, "\ncannulary_log_max_bytes 1.073741824e+09\n") {
		t.Error("/metrics has no new limit")
	}
}

// settle0 waits until the view has all that a log has to which no day can be appended.
func (i *instance) settle0() {
	i.tb.Helper()
	if err := i.app.Projector().WaitFor(patience(i.tb), i.last()); err != nil {
		i.tb.Fatal(err)
	}
}

// A kill leaves the log's index behind its blocks. The server tells so at the next start;
// that is no damage and counts as none.
func TestTheServersLinesAfterAKillAreNoDamage(t *testing.T) {
	t.Parallel()
	dir, msgs := filepath.Join(t.TempDir(), "killed"), messages(t, scenario(5, 1))
	p := serve(t, dir)
	if _, _, err := post(patience(t), p.grpc, msgs[:len(msgs)/2]); err != nil {
		t.Fatal(err)
	}
	p.end(syscall.SIGTERM)
	p = serve(t, dir)
	if _, _, err := post(patience(t), p.grpc, msgs); err != nil {
		t.Fatal(err)
	}
	p.end(syscall.SIGKILL)
	p = serve(t, dir)
	_, text := get(t, p.http+"/metrics")
	n := regexp.MustCompile(`(?m)^cannulary_log_server_recoveries_total ([1-9]\d*)$`).FindStringSubmatch(text)
	if n == nil || !strings.Contains(text, "\ncannulary_log_server_warnings_total 0\n") || !strings.Contains(text, "\ncannulary_log_missing_events 0\n") {
		t.Errorf("after a kill the server says %s", p.log)
	}
	if said := p.log.String(); !strings.Contains(said, "Stream state outdated, last block has additional entries, will rebuild") || strings.Contains(said, `"level":"WARN"`) {
		t.Errorf("the program's log after a kill: %s", said)
	}
	p.end(syscall.SIGTERM)
}

// damage changes one bit of an event in the stopped log's files, and tells its sequence.
func damage(tb testing.TB, dir string) (seq uint64) {
	tb.Helper()
	i := start(tb, dir)
	i.settle()
	seq = i.last() / 2
	id := testkit.Event(tb, i.app.Log(), seq).GetId()
	i.stop()
	blocks, err := filepath.Glob(filepath.Join(dir, "log", "jetstream", "*", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(blocks) == 0 {
		tb.Fatalf("blocks %v, %v", blocks, err)
	}
	for _, name := range blocks {
		data, err := os.ReadFile(name)
		if err != nil {
			tb.Fatal(err)
		}
		if at := bytes.LastIndex(data, []byte(id)); at >= 0 {
			data[at+2] ^= 1
			if err := os.WriteFile(name, data, 0o600); err != nil {
				tb.Fatal(err)
			}
			return seq
		}
	}
	tb.Fatalf("event %s is in no block", id)
	return 0
}

// A damaged log is not opened, by nothing that would open it: its server would cut it off at the damage.
// The view, which may be the only place where the lost event still is, stays as it is.
func TestADamagedLogIsNotOpenedAndCostsNoView(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.copy(t)
	seq := damage(t, dir)
	want, files := dump(t, dir), contents(t, dir)
	says := fmt.Sprintf("after entry %d: ", seq-1)
	for _, args := range [][]string{{"rebuild"}, {"status"}, {"card", "--identifier", "a|b"}} {
		code, stdout, stderr := cliRun(t, append(args, "--data", dir)...)
		if code != 1 || stdout != "" || !strings.Contains(stderr, "is damaged: 1.blk, byte ") || !strings.Contains(stderr, says) ||
			!strings.Contains(stderr, "it was not opened and nothing was changed") || !strings.Contains(stderr, "cannulary verify --data "+dir) {
			t.Errorf("%v exits %d and says %q, %q", args, code, stdout, stderr)
		}
	}
	if err := refusedStart(t, dir); !strings.Contains(err.Error(), says) {
		t.Errorf("a start says %v", err)
	}
	same(t, want, dump(t, dir))
	if left, _ := filepath.Glob(filepath.Join(dir, "view", "building-*")); len(left) > 0 {
		t.Errorf("it left %v", left)
	}
	for name, content := range contents(t, dir) {
		if strings.Contains(name, "/log/") && !bytes.Equal(files[name], content) {
			t.Errorf("%s was changed", name)
		}
	}
}

// A view of an older version goes once the new one has come as far, one that cannot be read
// stays, and what an interrupted rebuild left goes.
func TestAnOlderViewIsKeptUntilTheNewOneHasComeAsFar(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.copy(t)
	at := func(name string) string { return filepath.Join(dir, "view", name) }
	older, unread, left := at(fmt.Sprintf("view-%d.db", view.SchemaVersion-1)), at("view-1.db"), at(fmt.Sprintf("building-%d.db", view.SchemaVersion))
	if err := os.Rename(at(view.FileName()), older); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{unread, left, left + "-wal"} {
		if err := os.WriteFile(name, []byte("no view"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	i := start(t, dir)
	eventually(t, "the older view is gone", func() bool { _, err := os.Stat(older); return os.IsNotExist(err) })
	eventually(t, "all older views were looked at", func() bool { return strings.Contains(i.log.String(), "view-1.db") })
	i.settle()
	i.stop()
	same(t, u.tables, dump(t, dir))
	if _, err := os.Stat(unread); err != nil {
		t.Errorf("the view that cannot be read: %v", err)
	}
	if files, _ := filepath.Glob(at("building-*")); len(files) > 0 {
		t.Errorf("left are %v", files)
	}
}

// A log that lost its end is shorter than the view: neither is rebuilt from the other.
func TestARebuildFromALogThatIsShorterThanTheViewIsRefused(t *testing.T) {
	t.Parallel()
	dir, msgs := filepath.Join(t.TempDir(), "longer"), messages(t, scenario(5, 1))
	i := start(t, dir)
	i.post(msgs[:len(msgs)/2])
	i.stop()
	backup := copyDir(t, filepath.Join(dir, "log"), filepath.Join(t.TempDir(), "log"))
	i = start(t, dir)
	i.post(msgs)
	i.stop()
	want := dump(t, dir)
	if err := os.RemoveAll(filepath.Join(dir, "log")); err != nil {
		t.Fatal(err)
	}
	copyDir(t, backup, filepath.Join(dir, "log"))
	code, _, stderr := cliRun(t, "rebuild", "--data", dir)
	if code != 1 || !strings.Contains(stderr, "is damaged: the log ends at entry ") || !strings.Contains(stderr, ", but the view "+view.FileName()+" has entry ") {
		t.Errorf("rebuild exits %d and says %q", code, stderr)
	}
	same(t, want, dump(t, dir))
	// What it says helps.
	into, r := repaired(t, dir)
	if len(r.Lost) > 0 {
		t.Errorf("the repair says %+v", r)
	}
	if code, _, stderr := cliRun(t, "rebuild", "--data", into); code != 0 {
		t.Errorf("rebuild exits %d and says %q", code, stderr)
	}
	sameButTheRepair(t, want, dump(t, into), fmt.Sprint(r.Entries))
}

// viewName is the file of the view.
func viewName() string { return view.FileName() }
