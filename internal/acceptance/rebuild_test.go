package acceptance_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"cannulary/internal/testkit"
)

// The log is the only truth: a view thrown away comes back byte for byte, history and
// metas included.
func TestAViewThrownAwayComesBackByteForByte(t *testing.T) {
	t.Parallel()
	u := shared(t)
	if len(u.tables["history"]) == 0 || len(u.tables["track"]) == 0 || len(u.tables["aside"]) != 0 {
		t.Fatalf("the scenario is to have %d earlier versions, %d tracks and nothing aside (%d)", len(u.tables["history"]), len(u.tables["track"]), len(u.tables["aside"]))
	}
	t.Run("by the command rebuild", func(t *testing.T) {
		t.Parallel()
		dir := u.copy(t)
		spoil(t, dir)
		rebuild(t, dir, len(u.tables["event"]))
		same(t, u.tables, dump(t, dir))
	})
	t.Run("by deleting its folder", func(t *testing.T) {
		t.Parallel()
		dir := u.copy(t)
		if err := os.RemoveAll(filepath.Join(dir, "view")); err != nil {
			t.Fatal(err)
		}
		i := start(t, dir)
		i.settle()
		i.stop()
		same(t, u.tables, dump(t, dir))
	})
}

// What comes out does not depend on how many events one transaction takes: here each
// message is awaited in the view before the next is sent, and the rebuild takes hundreds
// at once.
func TestTransactionsOfOneEventAndOfHundredsGiveTheSameView(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "slow")
	i := start(t, dir)
	client := testkit.Dial(t, i.app.GRPCAddr())
	for _, m := range messages(t, scenario(5, 1)) {
		r, err := client.Send(patience(t), m)
		if err != nil {
			t.Fatal(err)
		}
		if err := i.app.Projector().WaitFor(patience(t), sequence(t, r.Token)); err != nil {
			t.Fatal(err)
		}
	}
	i.settle()
	i.stop()
	want := dump(t, dir)
	rebuild(t, dir, len(want["event"]))
	same(t, want, dump(t, dir))
}

// sequence is that of a consistency token.
func sequence(tb testing.TB, token string) uint64 {
	tb.Helper()
	shard, text, _ := strings.Cut(token, ":")
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil || shard != "main" {
		tb.Fatalf("token %q is not shard:sequence", token)
	}
	return n
}

// rebuild runs the command and checks what it says: one event is one entry of the log.
func rebuild(tb testing.TB, dir string, events int) {
	tb.Helper()
	code, stdout, stderr := cliRun(tb, "rebuild", "--data", dir)
	if code != 0 {
		tb.Fatalf("rebuild exits %d: %s", code, stderr)
	}
	var said struct{ Events int }
	if err := json.Unmarshal([]byte(stdout), &said); err != nil || said.Events != events {
		tb.Fatalf("rebuild of %d events says %s (%v)", events, stdout, err)
	}
}

// spoil changes the view's file so that a rebuild which kept it would show.
func spoil(tb testing.TB, dir string) {
	tb.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "view", "view-*"))
	if err != nil || len(files) == 0 {
		tb.Fatalf("no view in %s (%v)", dir, err)
	}
	for _, f := range files {
		if err := os.WriteFile(f, []byte("no view any more"), 0o600); err != nil {
			tb.Fatal(err)
		}
	}
}
