package acceptance_test

import (
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cannulary/internal/salvage"
	"cannulary/internal/sqlitefile"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// flip changes one bit of a file.
func flip(tb testing.TB, path string, bit int) {
	tb.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		tb.Fatal(err)
	}
	var b [1]byte
	if _, err := f.ReadAt(b[:], int64(bit/8)); err != nil {
		tb.Fatal(err)
	}
	b[0] ^= 1 << (bit % 8)
	if _, err := f.WriteAt(b[:], int64(bit/8)); err != nil {
		tb.Fatal(err)
	}
	if err := f.Close(); err != nil {
		tb.Fatal(err)
	}
}

func size64(tb testing.TB, path string) int {
	tb.Helper()
	i, err := os.Stat(path)
	if err != nil {
		tb.Fatal(err)
	}
	return int(i.Size())
}

// blocks lists the files of an instance's log.
func blocks(tb testing.TB, dir string) []string {
	tb.Helper()
	list, err := filepath.Glob(filepath.Join(dir, "log", "jetstream", "*", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(list) == 0 {
		tb.Fatalf("blocks %v, %v", list, err)
	}
	return list
}

// repaired runs the command and returns the new folder.
func repaired(tb testing.TB, dir string, more ...string) (into string, r salvage.Repaired) {
	tb.Helper()
	into = filepath.Join(tb.TempDir(), "mended")
	code, stdout, stderr := cliRun(tb, append([]string{"repair", "--data", dir, "--into", into}, more...)...)
	if code != 0 {
		tb.Fatalf("repair exits %d and says %q", code, stderr)
	}
	if err := json.Unmarshal([]byte(stdout), &r); err != nil {
		tb.Fatalf("%v in %q", err, stdout)
	}
	return into, r
}

// A repair takes what the log lost from the view. What is built from the mended log is, byte for byte, what was
// there before, times included.
func TestARepairedLogGivesTheSameView(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.copy(t)
	rnd := rand.New(rand.NewPCG(5, 5))
	for _, path := range blocks(t, dir) {
		for range 12 {
			flip(t, path, rnd.IntN(8*size64(t, path)))
		}
	}
	code, stdout, _ := cliRun(t, "verify", "--data", dir)
	if code != 1 || !strings.Contains(stdout, "a view has a copy of entries ") || !strings.Contains(stdout, "`cannulary repair` repairs it without loss") {
		t.Errorf("verify exits %d and says %s", code, stdout)
	}
	into, r := repaired(t, dir)
	if len(r.Lost) > 0 || len(r.Copied) == 0 || r.Moved != 0 {
		t.Errorf("the repair says %+v", r)
	}
	if code, stdout, _ := cliRun(t, "verify", "--data", into); code != 0 {
		t.Errorf("verify of the mended folder exits %d and says %s", code, stdout)
	}
	i := start(t, into)
	i.settle()
	tally, again := i.post(u.messages)
	if tally.Duplicates != len(u.messages) {
		t.Errorf("all sent again gave %+v, want %d duplicates", tally, len(u.messages))
	}
	for id, a := range again {
		if a.GetToken() != u.answers[id].GetToken() {
			t.Errorf("message %s was acknowledged as %s, now as %s", id, u.answers[id].GetToken(), a.GetToken())
		}
	}
	i.stop()
	got := dump(t, into)
	end := fmt.Sprint(r.Entries)
	if ev := got["event"][end]; !strings.Contains(ev, hexOf("repair/"+r.Repair)) {
		t.Errorf("the log ends with %q, want the event of the repair", ev)
	}
	sameButTheRepair(t, u.tables, got, end)
}

// sameButTheRepair is same, but for the event of a repair at the end.
func sameButTheRepair(tb testing.TB, want, got tables, end string) {
	tb.Helper()
	want = maps.Clone(want)
	delete(got["event"], end)
	for _, name := range []string{"checkpoint", "head"} {
		delete(want, name)
		delete(got, name)
	}
	same(tb, want, got)
}

func hexOf(s string) string { return strings.ToUpper(hex.EncodeToString([]byte(s))) }

// Of an entry that nobody has any more the number stays, and no other entry moves.
func TestWhatNobodyHasAnyMoreIsNamed(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.copy(t)
	seq := damage(t, dir)
	if err := os.RemoveAll(filepath.Join(dir, "view")); err != nil {
		t.Fatal(err)
	}
	code, stdout, _ := cliRun(t, "verify", "--data", dir)
	if code != 1 || !strings.Contains(stdout, fmt.Sprintf("nothing here has entries %d any more", seq)) {
		t.Errorf("verify exits %d and says %s", code, stdout)
	}
	into, r := repaired(t, dir)
	if len(r.Lost) != 1 || r.Lost[0] != fmt.Sprint(seq) {
		t.Errorf("the repair says %+v", r)
	}
	i := start(t, into)
	i.settle()
	if ev := testkit.Event(t, i.app.Log(), seq); ev.GetFacts()[0].GetLossRecorded().GetFirstSequence() != seq {
		t.Errorf("entry %d is %v", seq, ev)
	}
	// The index does not know the lost message: it can be sent again, and comes at the end.
	tally, again := i.post(u.messages)
	if tally.Accepted != 1 || tally.Duplicates != len(u.messages)-1 {
		t.Errorf("all sent again gave %+v", tally)
	}
	moved := 0
	for id, a := range again {
		if a.GetToken() != u.answers[id].GetToken() {
			moved++
		}
	}
	if moved != 1 {
		t.Errorf("%d messages have another number", moved)
	}
	i.stop()
	// With the view as a further copy nothing is lost.
	_, r = repaired(t, dir, "--copy", filepath.Join(u.dir, "view", viewName()))
	if len(r.Lost) > 0 || len(r.Copied) != 1 {
		t.Errorf("with the view the repair says %+v", r)
	}
}

// The view and the index may be older than the log's end. The mark of the newest acknowledged entry is not.
func TestALostEndIsNoticedThoughNothingElseIsAsNew(t *testing.T) {
	t.Parallel()
	dir := shared(t).copy(t)
	for _, part := range []string{"view", "ingest"} {
		if err := os.RemoveAll(filepath.Join(dir, part)); err != nil {
			t.Fatal(err)
		}
	}
	list := blocks(t, dir)
	path := list[len(list)-1]
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var last, at int // where the last record begins
	for at < len(b) {
		last, at = at, at+int(binary.LittleEndian.Uint32(b[at:])&^(1<<31))
	}
	if err := os.WriteFile(path, b[:last], 0o600); err != nil {
		t.Fatal(err)
	}
	if err := refusedStart(t, dir); !strings.Contains(err.Error(), ", but the mark of the newest acknowledged entry has entry ") {
		t.Errorf("it says %v", err)
	}
	_, r := repaired(t, dir)
	if len(r.Lost) != 1 {
		t.Errorf("the repair says %+v", r)
	}
}

// The log lost its end and gave the numbers to other events: the first acknowledged keeps it, the other one
// comes at the end, and none is lost.
func TestOfTwoEventsWithOneNumberNoneIsLost(t *testing.T) {
	t.Parallel()
	feed := mergeable()
	dir := filepath.Join(t.TempDir(), "first")
	i := start(t, dir)
	i.post(feed[:len(feed)/3])
	i.stop()
	on := copyDir(t, dir, filepath.Join(t.TempDir(), "on"))
	i = start(t, dir)
	i.post(feed[len(feed)/3:])
	end := i.last()
	events := testkit.Events(t, i.app.Log())
	i.stop()
	i = start(t, on)
	others := 0
	for n := 0; i.last() < end; n++ {
		i.post([]*v1.FeedRequest{testkit.Request(about(fmt.Sprintf("other-%d", n), north, "INV-M1", "15T08:00", ""), inserted("A1", 25))})
		others++
	}
	i.stop()
	if err := os.RemoveAll(filepath.Join(on, "view")); err != nil {
		t.Fatal(err)
	}
	copyDir(t, filepath.Join(dir, "view"), filepath.Join(on, "view"))
	into, r := repaired(t, on)
	if r.Moved != uint64(others) || len(r.Lost) > 0 {
		t.Errorf("the repair says %+v, want %d moved", r, others)
	}
	i = start(t, into)
	i.settle()
	after := testkit.Events(t, i.app.Log())
	for n, ev := range events {
		if after[n].GetId() != ev.GetId() {
			t.Errorf("entry %d is another event", n+1)
		}
	}
	seen := map[string]bool{}
	for _, ev := range after {
		seen[ev.GetSourceMessageId()] = true
	}
	for n := range others {
		if !seen[fmt.Sprintf("other-%d", n)] {
			t.Errorf("other-%d is lost", n)
		}
	}
}

// A view that cannot be opened at all is named, and what is whole is still found.
func TestAViewThatCannotBeOpenedIsNamed(t *testing.T) {
	t.Parallel()
	dir := shared(t).copy(t)
	path := filepath.Join(dir, "view", viewName())
	for name, content := range map[string]string{"garbage": "no view at all", "nothing": "", "a changed beginning": strings.Repeat("x", 8192)} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		code, stdout, stderr := cliRun(t, "verify", "--data", dir)
		if code != 1 || !strings.Contains(stdout, "DAMAGED") || !strings.Contains(stdout, viewName()+" cannot be read") {
			t.Errorf("%s: verify exits %d and says %s %s", name, code, stdout, stderr)
		}
		if _, r := repaired(t, dir); len(r.Lost) > 0 {
			t.Errorf("%s: the repair says %+v", name, r)
		}
	}
	if code, _, stderr := cliRun(t, "repair", "--data", dir, "--into", filepath.Join(t.TempDir(), "new"), "--copy", path); code != 1 || stderr == "" {
		t.Errorf("a further view that cannot be read: repair exits %d and says %q", code, stderr)
	}
}

// An index that lacks an event would take it a second time, one with another number would give another token, and one
// that says that the log went further would have entries declared lost. verify names it, a start builds it again.
func TestAnIndexThatIsNotTheLogsIsBuiltAgain(t *testing.T) {
	t.Parallel()
	u := shared(t)
	const one = "1 of its entries are not the log's, and 1 of the log's are not in it"
	for change, says := range map[string]string{
		`UPDATE event SET id = zeroblob(16) WHERE seq = 7`: one,
		`UPDATE event SET seq = 8 WHERE seq = 7`:           one,
		`DELETE FROM event WHERE seq = 7`:                  "0 of its entries are not the log's, and 1 of the log's are not in it",
		`UPDATE checkpoint SET seq = seq + 1`:              "the checkpoint of the ingest index does not agree with its entries",
		`UPDATE checkpoint SET seq = seq + 65536`:          "the checkpoint of the ingest index does not agree with its entries",
		`DROP TABLE event`:                                 "no such table",
		"one bit":                                          "index.db: it does not agree with its checksums: page ",
	} {
		dir := u.copy(t)
		path := filepath.Join(dir, "ingest", "index.db")
		if change == "one bit" {
			flip(t, path, 8*size64(t, path)-30000)
		} else {
			// By the checksums all is well.
			db, err := sqlitefile.OpenChecked(path, "", "", func(err error) { t.Error(err) })
			if err != nil {
				t.Fatal(err)
			}
			if _, err := db.Exec(change); err != nil {
				t.Fatal(err)
			}
			if err := db.Close(); err != nil {
				t.Fatal(err)
			}
		}
		code, stdout, stderr := cliRun(t, "verify", "--data", dir)
		if code != 1 || !strings.Contains(stdout, says) || !strings.Contains(stdout, "; the next start builds it again from the log") {
			t.Errorf("%s: verify exits %d and says %s %s", change, code, stdout, stderr)
		}
		i := start(t, dir)
		if text := i.log.String(); !strings.Contains(text, "the ingest index is damaged: it is deleted and rebuilt from the log") {
			t.Errorf("%s: a start says %s", change, text)
		}
		tally, again := i.post(u.messages)
		if tally.Duplicates != len(u.messages) {
			t.Errorf("%s: all sent again gave %+v", change, tally)
		}
		for id, a := range again {
			if a.GetToken() != u.answers[id].GetToken() {
				t.Errorf("%s: message %s was acknowledged as %s, now as %s", change, id, u.answers[id].GetToken(), a.GetToken())
			}
		}
		i.stop()
		if code, stdout, _ := cliRun(t, "verify", "--data", dir); code != 0 {
			t.Errorf("%s: afterwards verify exits %d and says %s", change, code, stdout)
		}
	}
}

// A repair refuses a folder with anything in it, and changes neither folder.
func TestARepairFillsAnEmptyFolderOnly(t *testing.T) {
	t.Parallel()
	dir := shared(t).copy(t)
	into := t.TempDir()
	if err := os.WriteFile(filepath.Join(into, "notes.txt"), []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, stdout, stderr := cliRun(t, "repair", "--data", dir, "--into", into)
	if code != 1 || stdout != "" || !strings.Contains(stderr, "is not empty (it holds notes.txt): name a folder that is empty or not there yet with --into") {
		t.Errorf("repair exits %d and says %q", code, stderr)
	}
	inside := filepath.Join(dir, "repaired")
	if code, _, stderr := cliRun(t, "repair", "--data", dir, "--into", inside); code != 1 || !strings.Contains(stderr, inside+" lies in the folder that is repaired: name a folder beside it with --into") {
		t.Errorf("repair exits %d and says %q", code, stderr)
	}
	if code, _, stderr := cliRun(t, "rebuild", "--data", filepath.Join(into, "notes.txt")); code != 1 || !strings.Contains(stderr, "notes.txt/log: not a directory; check --data") {
		t.Errorf("a file in place of a folder: rebuild exits %d and says %q", code, stderr)
	}
	if code, _, stderr := cliRun(t, "repair", "--data", dir); code != 2 || !strings.Contains(stderr, "--data or --into is missing") {
		t.Errorf("repair exits %d and says %q", code, stderr)
	}
	if code, _, stderr := cliRun(t, "verify", "--data", filepath.Join(into, "none")); code != 1 || !strings.Contains(stderr, "check --data") {
		t.Errorf("verify exits %d and says %q", code, stderr)
	}
}

// One bit of any file of the folder: what is not whole any more is noticed, by a look that changes
// nothing, and no entry is ever taken for another.
func TestAFlippedBitInAnyFileIsNoticed(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.copy(t)
	var files []string
	for _, pattern := range []string{"log/jetstream/*/streams/*/msgs/*.blk", "log/jetstream/*/streams/*/meta.*", "view/*.db", "keys/keys.db", "acknowledged"} {
		list, err := filepath.Glob(filepath.Join(dir, pattern))
		if err != nil || len(list) == 0 {
			t.Fatalf("%s: %v, %v", pattern, list, err)
		}
		files = append(files, list...)
	}
	rnd := rand.New(rand.NewPCG(20261129, 3))
	unseen := map[string]int{}
	for n := range 120 {
		path := files[n%len(files)]
		bit := rnd.IntN(8 * size64(t, path))
		flip(t, path, bit)
		r, err := salvage.Verify(patience(t), dir, "main")
		if err != nil {
			t.Fatalf("%s, bit %d: %v", path, bit, err)
		}
		if r.Whole {
			unseen[filepath.Base(path)]++
		}
		if len(r.Lost) > 0 {
			t.Errorf("%s, bit %d: entries %v are lost, though the view has them", path, bit, r.Lost)
		}
		for _, c := range r.Copies {
			if c.Different > 0 {
				t.Errorf("%s, bit %d: %d entries are taken for others", path, bit, c.Different)
			}
		}
		flip(t, path, bit)
	}
	t.Logf("not noticed, by file: %v", unseen)
	for name, n := range unseen {
		if strings.HasSuffix(name, ".blk") || strings.HasPrefix(name, "meta") || name == viewName() {
			t.Errorf("%d flips in %s were not noticed", n, name)
		}
	}
	if r, err := salvage.Verify(patience(t), dir, "main"); err != nil || !r.Whole {
		t.Errorf("afterwards it is %+v, %v", r, err)
	}
	same(t, u.tables, dump(t, dir))
}
