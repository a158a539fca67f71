package acceptance_test

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"text/tabwriter"
	"time"

	"cannulary/internal/record/zone"
	"cannulary/internal/salvage"
	"cannulary/internal/testkit"
	"cannulary/internal/testkit/tier"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// bitSize is how many bits are flipped in a folder that was stopped in order, in one that was killed, and in one whose
// view is older than the log's end.
func bitSize() [3]int { return tier.Torture([3]int{6, 6, 2}, [3]int{156, 156, 36}) }

// remains are a folder as a process left it, with what an undamaged copy of it holds and answers.
type remains struct {
	name    string
	dir     string
	acked   answers
	records []string
	upTo    uint64 // the last entry of which a view has a copy

	mu   sync.Mutex
	says map[string]string
}

// bits is the campaign.
type bits struct {
	*testing.T
	rnd  *rand.Rand
	msgs []*cannularyv1.FeedRequest

	mu    sync.Mutex
	table map[string]map[string]int // kind of file → outcome → count
}

// trial is one bit of one file.
type trial struct {
	*testing.T
	*remains
	bits *bits
	file kept
	bit  int
	from int // of the messages that are sent again
}

// One bit of any file of a stopped or killed instance's folder: what is served is right, or the damage is named, and a
// repair loses no entry that any file of the folder still holds.
func TestBitCampaign(t *testing.T) {
	t.Parallel()
	const seed = 20261129
	b := &bits{T: t, rnd: rand.New(rand.NewPCG(seed, 14)), table: map[string]map[string]int{},
		msgs: messages(t, scenario(tier.Torture(6, 26), tier.Torture(3, 13)))}
	flips := 0
	all := b.prepare()
	t.Run("flips", func(t *testing.T) {
		b.T = t
		for i, l := range all {
			l.settle(t)
			t.Logf("%s: %d entries, %d acknowledged, the view has %d; %d answers", l.name, len(l.records), len(l.acked), l.upTo, len(l.says))
			if least := tier.Torture(1000, 20000); len(l.records) < least {
				t.Fatalf("the folder has %d entries, want %d", len(l.records), least)
			}
			files := b.files(l.dir)
			for n := range bitSize()[i] {
				f := files[(n+6*i)%len(files)] // other kinds of files in each folder
				x := &trial{remains: l, bits: b, file: f, bit: b.bit(filepath.Join(l.dir, f.path)), from: b.rnd.IntN(len(b.msgs) - 50)}
				flips++
				t.Run(fmt.Sprintf("%s, %s, bit %d", l.name, f.path, x.bit), func(t *testing.T) {
					t.Parallel()
					x.T = t
					x.run()
				})
			}
		}
	})
	t.Logf("%d flips\n%s", flips, b.text())
}

// prepare makes the three folders.
func (b *bits) prepare() []*remains {
	dir := filepath.Join(b.TempDir(), "stopped")
	third := len(b.msgs) / 3
	acked := answers{}
	b.fill(dir, b.msgs[:third], acked)
	older := copyDir(b, filepath.Join(dir, "view"), filepath.Join(b.TempDir(), "older"))
	b.fill(dir, b.msgs[third:len(b.msgs)-third/4], acked)
	stopped := &remains{name: "stopped in order", dir: dir, acked: maps.Clone(acked)}

	dir = copyDir(b, dir, filepath.Join(b.TempDir(), "killed"))
	p := serve(b, dir)
	interrupted(b, p.grpc, b.msgs[len(b.msgs)-third/4:], acked, third/8, func() { p.kill() })
	p.kill()
	killed := &remains{name: "killed", dir: dir, acked: acked}

	dir = copyDir(b, dir, filepath.Join(b.TempDir(), "behind"))
	if err := os.RemoveAll(filepath.Join(dir, "view")); err != nil {
		b.Fatal(err)
	}
	copyDir(b, older, filepath.Join(dir, "view"))
	behind := &remains{name: "killed, with an older view", dir: dir, acked: acked}

	for _, l := range []*remains{stopped, killed, behind} {
		l.records = records(b, l.dir)
		r, err := salvage.Verify(patience(b), l.dir, "main")
		if err != nil || !r.Whole || len(r.Copies) != 1 {
			b.Fatalf("%s: verify says %+v, %v", l.name, r, err)
		}
		l.upTo = r.Copies[0].UpTo
	}
	return []*remains{stopped, killed, behind}
}

// fill has an instance take messages, waits until its view has them, and stops it in order.
func (b *bits) fill(dir string, msgs []*cannularyv1.FeedRequest, acked answers) {
	p := serve(b, dir)
	if !interrupted(b, p.grpc, msgs, acked, -1, nil) {
		b.Fatal("not all messages were taken")
	}
	eventually(b, "the view has all", func() bool {
		_, text := get(b, p.http+"/metrics")
		return strings.Contains(text, `cannulary_projector_lag_events{projector="view"} 0`+"\n")
	})
	if code, took := p.end(syscall.SIGTERM); checkEnd(code, took) != "" {
		b.Fatal(checkEnd(code, took))
	}
}

// kept is a file of a folder.
type kept struct{ kind, path string }

// files lists the files that hold anything, those with events more often, in a random order.
func (b *bits) files(dir string) (out []kept) {
	kinds := []struct {
		pattern, kind string
		weight        int
	}{
		{"log/jetstream/*/streams/*/msgs/*.blk", "log: block", 5}, {"log/jetstream/*/streams/*/msgs/index.db", "log: index", 1},
		{"log/jetstream/*/streams/*/meta.*", "log: meta", 1}, {"acknowledged", "mark", 1},
		// A batch that was under way when the process was killed: the server drops it.
		{"log/jetstream/*/streams/*/batches/*/*.*", "log: batch", 1}, {"log/jetstream/*/streams/*/batches/*/msgs/*", "log: batch", 1},
		{"view/*.db", "view", 5}, {"view/*-wal", "view: wal", 3}, {"view/*-shm", "view: shm", 1},
		{"ingest/index.db", "index", 3}, {"ingest/*-wal", "index: wal", 1}, {"ingest/*-shm", "index: shm", 1},
		{"keys/*.db", "keys", 2}, {"keys/*-wal", "keys: wal", 1}, {"keys/*-shm", "keys: shm", 1},
		// Of the audit trail: whatever happens to it, the record is answered.
		{"trail/stream/jetstream/*/streams/*/msgs/*.blk", "trail: block", 1}, {"trail/stream/jetstream/*/streams/*/msgs/index.db", "trail: state", 1},
		{"trail/stream/jetstream/*/streams/*/meta.*", "trail: meta", 1}, {"trail/kept", "trail: kept", 1}, {"trail/index.db", "trail: index", 1},
		{"trail/*-wal", "trail: wal", 1}, {"trail/*-shm", "trail: shm", 1},
	}
	seen := map[string]bool{}
	for _, k := range kinds {
		list, err := filepath.Glob(filepath.Join(dir, k.pattern))
		if err != nil {
			b.Fatal(err)
		}
		for _, path := range list {
			rel, err := filepath.Rel(dir, path)
			if err != nil {
				b.Fatal(err)
			}
			if seen[rel] = true; size64(b, path) > 0 {
				out = append(out, slices.Repeat([]kept{{k.kind, rel}}, max(1, k.weight/len(list)))...)
			}
		}
	}
	for path := range sumsOf(b, dir) {
		if path != "lock" && !seen[path] {
			b.Errorf("%s is of no kind of file that is known here", path)
		}
	}
	b.rnd.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

// bit picks one: in turn anywhere, and in a byte that is not zero, because much of some files is empty.
func (b *bits) bit(path string) int {
	data, err := os.ReadFile(path)
	if err != nil {
		b.Fatal(err)
	}
	at := b.rnd.IntN(len(data))
	if b.rnd.IntN(2) == 0 {
		for n := 0; data[at] == 0 && n < len(data); n++ {
			at = (at + 1) % len(data)
		}
	}
	return 8*at + b.rnd.IntN(8)
}

// run flips the bit and sees what comes of it.
func (x *trial) run() {
	dir := copyDir(x, x.dir, filepath.Join(x.TempDir(), "data"))
	flip(x, filepath.Join(dir, x.file.path), x.bit)
	damages := x.verify(dir)
	if len(damages) > 0 {
		x.mend(dir)
	}
	p, ready := tried(x, dir)
	if !ready {
		if code, said := p.cmd.ProcessState.ExitCode(), warnings(p.log.String()); code != 1 || len(said) != 1 {
			x.Errorf("serve exits %d: %q", code, said)
		}
		if strings.HasPrefix(x.file.kind, "trail") {
			x.Errorf("a damaged trail keeps the service from starting: %q", warnings(p.log.String()))
		}
		x.note("start refused")
		x.Logf("start refused; verify says %.300q", damages)
		return
	}
	wrong, none := x.wrong(p, dir)
	warns := warnings(p.log.String())
	x.Logf("wrong: %s; no answer: %s; it says %q; verify says %.300q", wrong, none, warns, damages)
	switch {
	case wrong != "" && len(damages)+len(warns) == 0, none != "" && len(damages)+len(warns) == 0:
		x.note("SILENTLY WRONG")
		x.Errorf("silently wrong: %s%s", wrong, none)
	case wrong != "" && len(warns) == 0:
		x.note("wrong, verify says so")
	case wrong != "":
		x.note("wrong, and said")
	case none != "":
		x.note("no answer, and said")
	case len(warns) > 0:
		x.note("right, and said")
	case len(damages) > 0:
		x.note("right, verify says so")
	default:
		x.note("no effect")
	}
}

// note counts an outcome.
func (x *trial) note(outcome string) {
	x.bits.mu.Lock()
	defer x.bits.mu.Unlock()
	if x.bits.table[x.file.kind] == nil {
		x.bits.table[x.file.kind] = map[string]int{}
	}
	x.bits.table[x.file.kind][outcome]++
}

// verify runs the command, and returns what it finds damaged.
func (x *trial) verify(dir string) []string {
	p, lines := command(x, "verify", "--json", "--data", dir)
	<-p.exited
	var r salvage.Report
	select {
	case line := <-lines:
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			x.Fatalf("verify says %q", line)
		}
	default:
	}
	found := r.Damages
	if r.Trail != nil {
		found = slices.Concat(found, r.Trail.Damages, r.Trail.Changes)
	}
	if code := p.cmd.ProcessState.ExitCode(); code > 1 || code == 1 && len(found) == 0 || r.Dir == "" || (code == 0) != r.Whole {
		x.Errorf("verify exits %d and says %+v %s", code, r, p.log)
		return []string{p.log.String()}
	}
	return found
}

// mend repairs the folder: no entry may be lost that a file of it holds.
func (x *trial) mend(dir string) {
	into := filepath.Join(x.TempDir(), "mended")
	p, lines := command(x, "repair", "--data", dir, "--into", into)
	<-p.exited
	if code := p.cmd.ProcessState.ExitCode(); code != 0 {
		x.Errorf("repair exits %d: %s", code, p.log)
		return
	}
	var r salvage.Repaired
	if line := <-lines; json.Unmarshal([]byte(line), &r) != nil {
		x.Errorf("repair says %q", line)
	}
	got := records(x, into)
	for n, want := range x.records {
		seq := fmt.Sprint(n + 1)
		switch {
		case slices.Contains(r.Lost, seq) && uint64(n+1) > x.upTo: // it stood in the log alone
		case n >= len(got) || dataOf(got[n]) != dataOf(want):
			x.Errorf("after a repair entry %s is another one; it says %+v", seq, r)
			return
		}
	}
	if len(r.Lost) > 0 {
		x.Logf("nothing had entries %v any more; the view had %d", r.Lost, x.upTo)
	}
}

// dataOf leaves the server's own time out of a record.
func dataOf(record string) string {
	_, rest, _ := strings.Cut(record, " ")
	return rest
}

// tried runs the program on the folder until it is ready or has ended.
func tried(tb testing.TB, dir string) (p *process, ready bool) {
	tb.Helper()
	p, lines := spawn(tb, dir)
	select {
	case line := <-lines:
		var at struct{ GRPC, HTTP string }
		if err := json.Unmarshal([]byte(line), &at); err != nil {
			tb.Fatalf("the ready line is %q (%v)", line, err)
		}
		p.grpc, p.http = at.GRPC, at.HTTP
		return p, true
	case <-p.exited:
		return p, false
	case <-patience(tb).Done():
		tb.Fatalf("serve neither started nor ended: %s", p.log)
	}
	return nil, false
}

const everybody = 1 << 20 // patients

// wrong compares what the program answers, and the log after it, with the undamaged folder. It ends the program. none
// is what it answers nothing to.
func (x *trial) wrong(p *process, dir string) (wrong, none string) {
	most := 3
	if strings.HasPrefix(x.file.kind, "view") || strings.HasPrefix(x.file.kind, "keys") {
		most = everybody
	}
	wrong, none = x.answered(p, most)
	if wrong == "" && strings.Contains(p.log.String(), viewDamaged) {
		eventually(x, "the damaged view is built again", func() bool {
			code, _ := fetched(p.http + "/readyz")
			return code == http.StatusOK && strings.Contains(p.log.String(), viewBuilt)
		})
		wrong, none = x.answered(p, most)
	}
	again := x.bits.msgs
	if !strings.HasPrefix(x.file.kind, "index") {
		again = again[x.from : x.from+50]
	}
	var acked []*cannularyv1.FeedRequest
	for _, m := range again {
		if _, ok := x.acked[testkit.Envelope(m).GetSourceMessageId()]; ok {
			acked = append(acked, m)
		}
	}
	if tally, got, err := post(patience(x), p.grpc, acked); err != nil || tally.Duplicates != len(acked) {
		wrong += fmt.Sprintf("; what was acknowledged, sent again, gave %+v (%v)", tally, err)
	} else {
		for id, a := range got {
			if first := x.acked[id]; a.GetToken() != first.GetToken() || a.GetEventId() != first.GetEventId() {
				wrong += fmt.Sprintf("; message %s was acknowledged as %s, now as %s", id, first.GetToken(), a.GetToken())
			}
		}
	}
	if code, took := p.end(syscall.SIGTERM); checkEnd(code, took) != "" {
		wrong += "; " + checkEnd(code, took)
	}
	got := records(x, dir)
	for n, want := range x.records {
		if n >= len(got) || got[n] != want {
			return wrong + fmt.Sprintf("; the log has %d entries, and %d is another one", len(got), n+1), none
		}
	}
	return wrong, none
}

// What a program says that finds its view damaged, and once it has built it again.
const (
	viewDamaged = "the view is damaged: it is not read any more"
	viewBuilt   = "the view is built again; it is put in its place"
)

// answered asks the program, and compares its answers with those of the undamaged folder.
func (x *trial) answered(p *process, most int) (wrong, none string) {
	says := questioned(x, p.http, most)
	x.mu.Lock()
	defer x.mu.Unlock()
	if wrong, none = differs(x.says, says); wrong != "" {
		x.says = x.answers(x) // at midnight a new day begins at the unit
		wrong, none = differs(x.says, says)
	}
	return wrong, none
}

// answers are those of an undamaged copy of the folder.
func (l *remains) answers(tb testing.TB) map[string]string {
	tb.Helper()
	p := serve(tb, copyDir(tb, l.dir, filepath.Join(tb.TempDir(), "data")))
	says := questioned(tb, p.http, everybody)
	p.end(syscall.SIGTERM)
	if w := warnings(p.log.String()); len(w) > 0 {
		tb.Fatalf("%s: the undamaged folder says %q", l.name, w)
	}
	for what, text := range says {
		if !strings.HasPrefix(text, "200 ") {
			tb.Errorf("%s: %s answers %.300s", l.name, what, text)
		}
	}
	return says
}

// settle asks an undamaged copy of the folder, twice: the answers must be the same, unless a day began at the unit meanwhile.
func (l *remains) settle(tb testing.TB) {
	tb.Helper()
	lisbon, err := zone.Load("Europe/Lisbon")
	if err != nil {
		tb.Fatal(err)
	}
	today := func() string { return zone.Date(time.Now(), lisbon) }
	for {
		day := today()
		l.says = l.answers(tb)
		d, none := differs(l.says, l.answers(tb))
		switch {
		case d+none == "":
			return
		case day == today():
			tb.Fatalf("%s: asked twice, an undamaged folder answers otherwise: %s%s", l.name, d, none)
		}
	}
}

// warnings are what a program logged beside its usual lines.
func warnings(log string) (out []string) {
	for line := range strings.Lines(log) {
		if !strings.Contains(line, `"level":"INFO"`) {
			out = append(out, strings.TrimSpace(line))
		}
	}
	return out
}

// differs names the first answer that is another one, and the first question that gets none. Without an export nobody
// knows whose cards to ask for.
func differs(want, got map[string]string) (wrong, none string) {
	export := got["$export"]
	for _, k := range slices.Sorted(maps.Keys(want)) {
		g, ok := got[k]
		switch {
		case g == want[k]:
		case !ok && export == "" && strings.HasPrefix(k, "patient "): // not asked
		case !ok && export != "":
			none = cmp.Or(none, "$export: "+export)
		case ok && !strings.HasPrefix(g, "200 "):
			none = cmp.Or(none, k+": "+g)
		default:
			w, g := around(want[k], g)
			wrong = cmp.Or(wrong, fmt.Sprintf("%s: want …%s, got …%s", k, w, g))
		}
	}
	for k, g := range got {
		if _, ok := want[k]; !ok && k != "$export" {
			wrong = cmp.Or(wrong, k+" is too much: "+g)
		}
	}
	return wrong, none
}

// text is the table.
func (b *bits) text() string {
	outcomes := []string{"no effect", "right, and said", "right, verify says so", "start refused", "no answer, and said", "wrong, and said", "wrong, verify says so",
		"SILENTLY WRONG"}
	var s strings.Builder
	w := tabwriter.NewWriter(&s, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(w, "file\t%s\t\n", strings.Join(outcomes, "\t"))
	for _, kind := range slices.Sorted(maps.Keys(b.table)) {
		fmt.Fprintf(w, "%s\t", kind)
		for _, o := range outcomes {
			fmt.Fprintf(w, "%d\t", b.table[kind][o])
		}
		fmt.Fprintln(w)
	}
	_ = w.Flush()
	return s.String()
}
