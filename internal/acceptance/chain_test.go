package acceptance_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/app"
	"cannulary/internal/chain"
	"cannulary/internal/eventlog"
	"cannulary/internal/salvage"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// rewritten writes the log of a folder anew, as somebody would who can write to the disk: with good checksums
// and as edit has it. Everything else stays.
func rewritten(tb testing.TB, dir string, edit func([]eventlog.Entry) []eventlog.Entry) {
	tb.Helper()
	var entries []eventlog.Entry
	i := start(tb, dir)
	for seq := uint64(1); seq <= i.last(); seq++ {
		e, err := i.app.Log().Get(patience(tb), seq)
		if err != nil {
			tb.Fatal(err)
		}
		entries = append(entries, e)
	}
	i.stop()
	if err := os.RemoveAll(filepath.Join(dir, "log")); err != nil {
		tb.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, salvage.HeadFile)); err != nil {
		tb.Fatal(err)
	}
	s := testkit.Server(tb, filepath.Join(dir, "log"))
	cfg := testkit.LogConfig()
	cfg.Shard, cfg.Head = "main", filepath.Join(dir, salvage.HeadFile)
	to, err := eventlog.Restore(patience(tb), testkit.Connect(tb, s), cfg, "none")
	if err != nil {
		tb.Fatal(err)
	}
	entries = edit(entries)
	for n, e := range entries {
		e.Seq = uint64(n + 1)
		if err := to.Append(patience(tb), e); err != nil {
			tb.Fatal(err)
		}
	}
	if err := to.Close(patience(tb), eventlog.Entry{Seq: uint64(len(entries)), Data: entries[len(entries)-1].Data}); err != nil {
		tb.Fatal(err)
	}
	s.Stop()
}

// noted is the head that an instance prints and its status says.
func noted(tb testing.TB, i *instance) chain.Mark {
	tb.Helper()
	var st app.Status
	if err := json.Unmarshal([]byte(i.must("/status")), &st); err != nil {
		tb.Fatal(err)
	}
	m, err := chain.ParseMark(st.Head)
	if err != nil || !m.SignedWith(st.VerificationKey) {
		tb.Fatalf("the status has the head %q, signed %v, %v", st.Head, m.SignedWith(st.VerificationKey), err)
	}
	if n := st.Findings; n != 0 {
		tb.Fatalf("%d findings: %v", n, st.FindingTexts)
	}
	return m
}

// A head that was noted stays right while the log grows, also over restarts.
func TestANotedHeadStaysRight(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "data")
	msgs := mergeable()
	var marks []string
	for part := range 3 {
		i := start(t, dir)
		i.post(msgs[part*len(msgs)/3 : (part+1)*len(msgs)/3])
		m := noted(t, i)
		marks = append(marks, "--head", m.Short(), "--head", m.String())
		i.stop()
	}
	code, stdout, stderr := cliRun(t, append([]string{"verify", "--data", dir}, marks...)...)
	if code != 0 || strings.Count(stdout, " agrees: no entry up to ") != len(marks)/2 {
		t.Errorf("verify exits %d and says %s %s", code, stdout, stderr)
	}
	// The view that is built anew has the same head.
	i := start(t, dir)
	before := noted(t, i)
	i.stop()
	rebuild(t, dir, int(before.Seq))
	i = start(t, dir)
	if after := noted(t, i); after != before {
		t.Errorf("the head was %s and is %s", before, after)
	}
}

// Somebody who can write to the disk changes the record. The log's own checksums are right. The chain and the
// head that stands on paper are not.
func TestAChangedRecordIsFound(t *testing.T) {
	t.Parallel()
	msgs := mergeable()
	needles := func(entries []eventlog.Entry) (at []int) {
		for n, e := range entries {
			ev := &logv1.Event{}
			if err := proto.Unmarshal(e.Data, ev); err != nil {
				t.Fatal(err)
			}
			if ev.GetFacts()[0].GetCannulation().GetNeedleInserted() != nil {
				at = append(at, n)
			}
		}
		if len(at) < 3 {
			t.Fatalf("%d needles", len(at))
		}
		return at
	}
	for name, c := range map[string]struct {
		edit func([]eventlog.Entry) []eventlog.Entry
		says string
	}{
		"another needle": {func(e []eventlog.Entry) []eventlog.Entry {
			at := needles(e)[0]
			ev := &logv1.Event{}
			if err := proto.Unmarshal(e[at].Data, ev); err != nil {
				t.Fatal(err)
			}
			ev.GetFacts()[0].GetCannulation().GetNeedleInserted().Tip = v1.NeedleTip_NEEDLE_TIP_BLUNT
			data, err := proto.Marshal(ev)
			if err != nil {
				t.Fatal(err)
			}
			e[at].Data = data
			return e
		}, "one of them was changed"},
		"a needle that is gone": {func(e []eventlog.Entry) []eventlog.Entry {
			at := needles(e)[1]
			return append(e[:at], e[at+1:]...)
		}, " is missing"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(t.TempDir(), "data")
			i := start(t, dir)
			i.post(msgs)
			m := noted(t, i)
			i.stop()
			rewritten(t, dir, c.edit)
			// View, index and mark would show it as well. Whoever changes the log removes them.
			for _, part := range []string{"view", "ingest", salvage.HeadFile} {
				if err := os.RemoveAll(filepath.Join(dir, part)); err != nil {
					t.Fatal(err)
				}
			}
			code, stdout, _ := cliRun(t, "verify", "--data", dir, "--head", m.Short())
			if code != 1 || !strings.Contains(stdout, c.says) || !strings.Contains(stdout, "DAMAGED   the head "+m.Text()[:20]) &&
				!strings.Contains(stdout, "cannot be looked at") {
				t.Errorf("verify exits %d and says %s", code, stdout)
			}
			// A service that runs on it says so, too.
			i = start(t, dir)
			i.settle()
			if text := i.must("/metrics"); !regexp.MustCompile(`\ncannulary_log_chain_findings [1-9]`).MatchString(text) {
				t.Errorf("the metrics have no finding")
			}
			if text := i.must("/status"); !strings.Contains(text, c.says) {
				t.Errorf("the status says %s", text)
			}
			i.stop()
		})
	}
}

// The pack on paper has the log's head.
func TestThePackHasTheHead(t *testing.T) {
	t.Parallel()
	i := start(t, filepath.Join(t.TempDir(), "data"))
	i.post(mergeable())
	m := noted(t, i)
	out := filepath.Join(t.TempDir(), "pack")
	if code, _, stderr := cliRun(t, "card", "--all", "--http", "http://"+i.app.HTTPAddr(), "--out", out); code != 0 {
		t.Fatalf("the pack: %d, %s", code, stderr)
	}
	for _, name := range []string{"index.html", "print.html"} {
		b, err := os.ReadFile(filepath.Join(out, name))
		if err != nil || !bytes.Contains(b, []byte("The log when this was printed: <b>"+m.Short()+"</b>")) {
			t.Errorf("%s does not have %s: %v", name, m.Short(), err)
		}
	}
	if code, _, stderr := cliRun(t, "verify", "--data", i.dir, "--head", "main:1:12"); code != 2 ||
		!strings.Contains(stderr, "give it as it was printed, SHARD:SEQUENCE:HEAD with at least 16 digits") {
		t.Errorf("a head that is none: %d, %s", code, stderr)
	}
}
