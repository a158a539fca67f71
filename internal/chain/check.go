package chain

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"

	logv1 "cannulary/proto/cannulary/log/v1"
)

// Last is the last entry of a writer.
type Last struct {
	Seq     uint64
	Ordinal uint64
	Sum     Sum
}

// Kind says what a finding is about.
type Kind string

// The kinds of findings.
const (
	Lost     Kind = "lost"     // an entry is on record as lost
	Gap      Kind = "gap"      // entries of a writer are missing
	Altered  Kind = "altered"  // an entry is not the one that the writer's next entry names
	Unlinked Kind = "unlinked" // entries without a link behind entries with one
	Repeated Kind = "repeated" // an ordinal came twice
	Foreign  Kind = "foreign"  // a writer began behind another entry than the log has there
)

// Finding is something that an untouched log does not have.
type Finding struct {
	Kind        Kind
	First, Last uint64 // entries of the log between which it is, both included
	Writer      string // hexadecimal; empty where no writer is meant
	From, To    uint64 // ordinals of the writer, for Gap
	Want        Sum    // sum of the missing entry To, for Gap
}

// String is a sentence for an operator.
func (f Finding) String() string {
	switch f.Kind {
	case Lost:
		return fmt.Sprintf("entry %d is on record as lost", f.First)
	case Gap:
		return fmt.Sprintf("between entries %d and %d, %s of writer %s %s missing", f.First, f.Last, count(f.To-f.From+1), f.Writer,
			are(f.To-f.From+1))
	case Altered:
		return fmt.Sprintf("entry %d is not the one that entry %d of the same writer follows: one of them was changed", f.First, f.Last)
	case Unlinked:
		if f.First == f.Last {
			return fmt.Sprintf("entry %d has no link although entries before it have one: an older version or another program wrote it",
				f.First)
		}
		return fmt.Sprintf("entries %d to %d have no link although entries before them have one: an older version or another program "+
			"wrote them", f.First, f.Last)
	case Repeated:
		return fmt.Sprintf("entry %d repeats an ordinal of writer %s: it was put in, or moved", f.First, f.Writer)
	}
	return fmt.Sprintf("writer %s began at entry %d behind another entry %d than the log has there: the log before it was changed",
		f.Writer, f.Last, f.First)
}

// Broken counts the findings that are not losses on record.
func Broken(list []Finding) (n int) {
	for _, f := range list {
		if f.Kind != Lost {
			n++
		}
	}
	return n
}

func count(n uint64) string {
	if n == 1 {
		return "an entry"
	}
	return fmt.Sprintf("%d entries", n)
}

func are(n uint64) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// Checker follows a log from its first entry on, in order. What it knows can be kept and taken up again.
type Checker struct {
	Seq      uint64 // the last entry that was added
	Head     Sum    // of the log up to it
	Writers  map[string]Last
	Findings []Finding

	// SumAt gives the sum of an earlier entry; ok is false where nobody knows it, and then nothing is claimed.
	SumAt func(seq uint64) (sum Sum, ok bool, err error)
	// Touched are the writers that were met since it was last emptied, and Changed says that the findings
	// did: what has to be kept.
	Touched map[string]bool
	Changed bool
}

// New is a checker before a log's first entry.
func New(sumAt func(uint64) (Sum, bool, error)) *Checker {
	return &Checker{Writers: map[string]Last{}, SumAt: sumAt, Touched: map[string]bool{}}
}

// Add takes in the next entry: its bytes, and the event that they are, which is empty where they cannot be
// read. Its errors are SumAt's.
func (c *Checker) Add(data []byte, ev *logv1.Event) error {
	sum := SumOf(data)
	c.Seq++
	c.Head = headAfter(c.Head, sum)
	l := ev.GetLink()
	if l == nil {
		c.unlinked(ev)
		return nil
	}
	writer := hex.EncodeToString(l.GetWriter())
	last, known := c.Writers[writer]
	switch {
	case !known:
		if err := c.begins(writer, l); err != nil {
			return err
		}
	case l.GetOrdinal() <= last.Ordinal:
		c.late(writer, l, sum)
		return nil
	case l.GetOrdinal() == last.Ordinal+1:
		if before(l) != last.Sum {
			c.find(Finding{Kind: Altered, First: last.Seq, Last: c.Seq, Writer: writer})
		}
	default:
		c.gap(writer, last.Seq, last.Ordinal+1, l)
	}
	c.Writers[writer] = Last{Seq: c.Seq, Ordinal: l.GetOrdinal(), Sum: sum}
	c.Touched[writer] = true
	return nil
}

// before is the sum that a link names, zero where it names none.
func before(l *logv1.Link) (s Sum) {
	if len(l.GetBefore()) == len(s) {
		s = Sum(l.GetBefore())
	}
	return s
}

// headAfter is the head of a log with one more entry.
func headAfter(head, entry Sum) Sum {
	return sha256.Sum256(append(head[:], entry[:]...))
}

// unlinked takes in an entry without a link. Before the first link it is one of an earlier version. What a
// repair writes has none either.
func (c *Checker) unlinked(ev *logv1.Event) {
	for _, f := range ev.GetFacts() {
		if f.GetLossRecorded() != nil {
			c.find(Finding{Kind: Lost, First: c.Seq, Last: c.Seq})
			return
		}
		if f.GetLogRepaired() != nil {
			return
		}
	}
	if len(c.Writers) == 0 {
		return
	}
	if n := len(c.Findings) - 1; n >= 0 && c.Findings[n].Kind == Unlinked && c.Findings[n].Last == c.Seq-1 {
		c.Findings[n].Last = c.Seq
		c.Changed = true
		return
	}
	c.find(Finding{Kind: Unlinked, First: c.Seq, Last: c.Seq})
}

// begins takes in the first entry that is met of a writer.
func (c *Checker) begins(writer string, l *logv1.Link) error {
	if l.GetOrdinal() > 1 {
		c.gap(writer, 0, 1, l)
		return nil
	}
	if l.GetAfter() == 0 || l.GetAfter() >= c.Seq {
		c.find(Finding{Kind: Foreign, First: l.GetAfter(), Last: c.Seq, Writer: writer})
		return nil
	}
	sum, ok, err := c.SumAt(l.GetAfter())
	if err == nil && ok && sum != before(l) && !c.lost(l.GetAfter()) {
		c.find(Finding{Kind: Foreign, First: l.GetAfter(), Last: c.Seq, Writer: writer})
	}
	return err
}

// gap takes in that the ordinals from on, before the entry's own, did not come. Losses that are on record
// between the two entries stand for them.
func (c *Checker) gap(writer string, after, from uint64, l *logv1.Link) {
	to := l.GetOrdinal() - 1
	losses := uint64(0)
	for _, f := range c.Findings {
		if f.Kind == Lost && f.First > after {
			losses++
		}
	}
	if losses >= to-from+1 {
		return
	}
	c.find(Finding{Kind: Gap, First: max(after, 1), Last: c.Seq, Writer: writer, From: from, To: to, Want: before(l)})
}

// late takes in an entry that stands behind later ones of its writer: a repair moved it there, or somebody
// put it in.
func (c *Checker) late(writer string, l *logv1.Link, sum Sum) {
	i := slices.IndexFunc(c.Findings, func(f Finding) bool {
		return f.Kind == Gap && f.Writer == writer && f.From <= l.GetOrdinal() && l.GetOrdinal() <= f.To
	})
	if i < 0 || c.Findings[i].To == l.GetOrdinal() && c.Findings[i].Want != sum {
		c.find(Finding{Kind: Repeated, First: c.Seq, Last: c.Seq, Writer: writer})
		return
	}
	f := c.Findings[i]
	c.Findings = slices.Delete(c.Findings, i, i+1)
	if f.From < l.GetOrdinal() {
		earlier := f
		earlier.To, earlier.Want = l.GetOrdinal()-1, before(l)
		c.find(earlier)
	}
	if l.GetOrdinal() < f.To {
		f.From = l.GetOrdinal() + 1
		c.find(f)
	}
	c.Changed = true
}

func (c *Checker) lost(seq uint64) bool {
	return slices.ContainsFunc(c.Findings, func(f Finding) bool { return f.Kind == Lost && f.First == seq })
}

func (c *Checker) find(f Finding) {
	c.Findings = append(c.Findings, f)
	c.Changed = true
}
