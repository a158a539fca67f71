package chain_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/chain"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// written is a log that some processes wrote, in any order among each other.
type written struct {
	entries [][]byte
	writers []*chain.Writer
	rnd     *rand.Rand
}

func (w *written) sum(seq uint64) chain.Sum { return chain.SumOf(w.entries[seq-1]) }

// plain appends an entry without a link, as earlier versions and repairs do.
func (w *written) plain(tb testing.TB, ev *logv1.Event) {
	tb.Helper()
	data, err := proto.Marshal(ev)
	if err != nil {
		tb.Fatal(err)
	}
	w.entries = append(w.entries, data)
}

// process begins a chain behind the newest entry.
func (w *written) process() {
	var name [chain.WriterSize]byte
	for i := range name {
		name[i] = byte(w.rnd.Uint32())
	}
	seq := uint64(len(w.entries))
	n := chain.NewWriter(name, seq, w.sum(seq))
	w.writers = append(w.writers, &n)
}

func (w *written) append(tb testing.TB, by *chain.Writer) {
	tb.Helper()
	body, err := proto.Marshal(&logv1.Event{Id: fmt.Sprint(len(w.entries)), Source: "invented"})
	if err != nil {
		tb.Fatal(err)
	}
	data, next, err := by.Link(body)
	if err != nil {
		tb.Fatal(err)
	}
	w.entries = append(w.entries, data)
	*by = next
}

// logOf is a log of n entries or so: some of an earlier version, then some processes that come one by one.
func logOf(tb testing.TB, rnd *rand.Rand, n int) *written {
	w := &written{rnd: rnd}
	for i := range 1 + rnd.IntN(3) {
		w.plain(tb, &logv1.Event{Id: fmt.Sprint("early", i)})
	}
	w.process()
	for range n {
		if rnd.IntN(12) == 0 {
			w.process()
		}
		w.append(tb, w.writers[rnd.IntN(len(w.writers))])
	}
	return w
}

func check(tb testing.TB, entries [][]byte) *chain.Checker {
	tb.Helper()
	var c *chain.Checker
	c = chain.New(func(seq uint64) (chain.Sum, bool, error) { return chain.SumOf(entries[seq-1]), seq < c.Seq, nil })
	for _, data := range entries {
		ev := &logv1.Event{}
		if proto.Unmarshal(data, ev) != nil {
			ev.Reset()
		}
		if err := c.Add(data, ev); err != nil {
			tb.Fatal(err)
		}
	}
	return c
}

func TestALogThatNobodyTouchedHasNoFinding(t *testing.T) {
	for seed := range uint64(200) {
		w := logOf(t, rand.New(rand.NewPCG(seed, 1)), 60)
		if c := check(t, w.entries); len(c.Findings) > 0 {
			t.Fatalf("seed %d: %v", seed, c.Findings)
		}
	}
}

// newest reports whether nothing links to the entry: neither a later one of its writer nor a writer that began
// behind it.
func newest(entries [][]byte, i int) bool {
	sum := chain.SumOf(entries[i])
	return !slices.ContainsFunc(entries[i+1:], func(data []byte) bool {
		ev := &logv1.Event{}
		return proto.Unmarshal(data, ev) == nil && chain.Sum(ev.GetLink().GetBefore()) == sum
	})
}

// Whatever is done to one entry, the head is another one. The chains say so as well, if an entry stands behind
// it that links to it.
func TestWhatIsDoneToAnEntryIsFound(t *testing.T) {
	first := func(data []byte) *logv1.Event {
		ev := &logv1.Event{}
		if err := proto.Unmarshal(data, ev); err != nil {
			t.Fatal(err)
		}
		return ev
	}
	found := map[string]int{}
	for seed := range uint64(400) {
		rnd := rand.New(rand.NewPCG(seed, 2))
		w := logOf(t, rnd, 40)
		linked := slices.IndexFunc(w.entries, func(d []byte) bool { return first(d).GetLink() != nil })
		i := linked + rnd.IntN(len(w.entries)-linked)
		last := newest(w.entries, i)
		touched := slices.Clone(w.entries)
		what := []string{"changed", "removed", "put in", "put in without a link", "moved"}[seed%5]
		switch what {
		case "changed":
			ev := first(touched[i])
			ev.Source = "changed"
			data, err := proto.Marshal(ev)
			if err != nil {
				t.Fatal(err)
			}
			touched[i] = data
		case "removed":
			touched = slices.Delete(touched, i, i+1)
		case "put in":
			touched = slices.Insert(touched, i, touched[i])
			last = false
		case "put in without a link":
			data, err := proto.Marshal(&logv1.Event{Id: "foreign"})
			if err != nil {
				t.Fatal(err)
			}
			touched = slices.Insert(touched, i+1, data)
			last = false
		case "moved":
			e := touched[i]
			touched = append(slices.Delete(touched, i, i+1), e)
			if i == len(w.entries)-1 {
				continue // it stands where it stood
			}
		}
		c := check(t, touched)
		if c.Head == check(t, w.entries).Head {
			t.Errorf("seed %d: entry %d of %d %s: the head is the same", seed, i+1, len(w.entries), what)
		}
		if n := chain.Broken(c.Findings); n > 0 {
			found[what]++
		} else if !last && what != "moved" {
			t.Errorf("seed %d: entry %d of %d %s: nothing was found", seed, i+1, len(w.entries), what)
		}
	}
	for _, what := range []string{"changed", "removed", "put in", "put in without a link"} {
		if found[what] < 20 {
			t.Errorf("%s was found %d times only", what, found[what])
		}
	}
}

func lost(seq uint64) *logv1.Event {
	return &logv1.Event{Facts: []*logv1.Fact{{Fact: &logv1.Fact_LossRecorded{LossRecorded: &logv1.LossRecorded{FirstSequence: seq,
		LastSequence: seq}}}}}
}

// A loss that a repair put on record stands for the entry that its writer misses.
func TestALossOnRecordIsNoGap(t *testing.T) {
	w := logOf(t, rand.New(rand.NewPCG(3, 3)), 30)
	data, err := proto.Marshal(lost(20))
	if err != nil {
		t.Fatal(err)
	}
	w.entries[19] = data
	c := check(t, w.entries)
	if chain.Broken(c.Findings) != 0 || len(c.Findings) != 1 || c.Findings[0].String() != "entry 20 is on record as lost" {
		t.Errorf("found %v", c.Findings)
	}
}

// An entry that a repair moved to the end fills the gap that it left.
func TestAMovedEntryFillsItsGap(t *testing.T) {
	w := &written{rnd: rand.New(rand.NewPCG(4, 4))}
	w.plain(t, &logv1.Event{Id: "genesis"})
	w.process()
	for range 9 {
		w.append(t, w.writers[0])
	}
	moved := slices.Concat(w.entries[:3], w.entries[5:], w.entries[3:5])
	c := check(t, moved)
	if len(c.Findings) != 0 {
		t.Errorf("found %v", c.Findings)
	}
	c = check(t, moved[:len(moved)-2])
	if len(c.Findings) != 1 || !strings.HasPrefix(c.Findings[0].String(), "between entries 3 and 4, 2 entries of writer ") {
		t.Errorf("found %v", c.Findings)
	}
}

// The links behind a gap are followed on as before, so that one finding is not many.
func TestOneGapIsOneFinding(t *testing.T) {
	w := logOf(t, rand.New(rand.NewPCG(5, 5)), 50)
	var kinds []chain.Kind
	for _, f := range check(t, slices.Delete(w.entries, 20, 21)).Findings {
		kinds = append(kinds, f.Kind)
	}
	// Writers that began later name sequences that have moved by one.
	if slices.Index(kinds, chain.Gap) != 0 || slices.ContainsFunc(kinds[1:], func(k chain.Kind) bool { return k != chain.Foreign }) {
		t.Errorf("found %v", kinds)
	}
}

func TestMarks(t *testing.T) {
	head := chain.SumOf([]byte("head"))
	m := chain.MarkOf("main", 4711, head)
	for _, text := range []string{m.Text(), m.Short(), strings.ToUpper(m.Short()[5:]), " " + m.Text() + ":00ff "} {
		if !strings.HasPrefix(strings.TrimSpace(text), "main:") {
			text = "main:" + text
		}
		got, err := chain.ParseMark(text)
		if err != nil || got.Seq != 4711 || got.Shard != "main" || !got.Is(head) {
			t.Errorf("%q is %+v, %v", text, got, err)
		}
	}
	if m.Is(chain.SumOf([]byte("another"))) {
		t.Error("the mark is of another head, too")
	}
	for text, says := range map[string]string{
		"":                                     "has not three parts",
		"main:4711":                            "has not three parts",
		"main:none:0123456789abcdef":           "has no sequence",
		"main:0:0123456789abcdef":              "has no sequence",
		"main:4711:0123":                       "too few or too many",
		"main:4711:0123456789abcdefg":          "no hexadecimal digits",
		"main:4711:" + strings.Repeat("0", 65): "too few or too many",
	} {
		_, err := chain.ParseMark(text)
		if err == nil || !strings.Contains(err.Error(), says) || !strings.Contains(err.Error(), "give it as it was printed") {
			t.Errorf("%q gives %v, want %q", text, err, says)
		}
	}
}
