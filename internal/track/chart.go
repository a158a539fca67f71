package track

import (
	"math"
	"slices"
	"time"

	"cannulary/internal/record"
)

// Chart keeps one patient's fold ready for the next fact, so that a new fact costs what
// comes after it and not what lies before. It holds the state of the fold at a few moments of
// the past, the further back the fewer, and the latest facts. It judges exactly as Fold
// does. It is not safe for concurrent use.
type Chart struct {
	e     *env
	bases []base // oldest first; the first is the empty beginning
	tail  []record.Item
	first int // facts before tail
	now   *machine
}

// base is the state of the fold before every fact from a moment on. No session lies on both
// sides of it.
type base struct {
	at    time.Time
	count int // facts before it
	state *machine
}

const (
	// near is about how many facts lie between the latest bases: those of one session.
	near = 12
	// tailMost bounds the facts that are kept: about two weeks of one patient's sessions. When
	// there are more, half of them go.
	tailMost = 160
)

// NewChart folds all facts of a patient. Of in, AsOf and Facility are not looked at.
func NewChart(in Input) *Chart {
	in.AsOf = time.Unix(math.MaxInt32*100, 0)
	items := in.Items
	in.Items = nil
	c := &Chart{e: newEnv(in), bases: []base{{state: &machine{}}}, tail: items}
	c.fold()
	return c
}

// fold folds what follows the latest base.
func (c *Chart) fold() {
	b := &c.bases[len(c.bases)-1]
	m := b.state.clone()
	for _, st := range c.e.steps(c.tail[b.count-c.first:]) {
		m.apply(c.e, st)
	}
	c.now = m
}

// From is the moment from which facts are needed to take in one that touches moment t (its
// own clinical time, its session's first, or an earlier one of a corrected fact), and
// whether they are all at hand.
func (c *Chart) From(t time.Time) (from time.Time, held bool) {
	i := c.before(t)
	return c.bases[i].at, c.bases[i].count >= c.first
}

// before is the latest base with nothing from t on in it.
func (c *Chart) before(t time.Time) int {
	for i := len(c.bases) - 1; i > 0; i-- {
		if !c.bases[i].at.After(t) {
			return i
		}
	}
	return 0
}

// Add takes in new facts that stand as they are: no correction or void names them. touches
// is the earliest moment that any of them touches. It answers false, and does nothing, where
// the facts from that moment on are not at hand: see From and Refold.
func (c *Chart) Add(items []record.Item, touches time.Time) bool {
	i := c.before(touches)
	if c.bases[i].count < c.first {
		return false
	}
	c.bases = c.bases[:i+1]
	k := c.bases[i].count - c.first
	c.tail = slices.Concat(c.tail, items) // states and answers point into the old one
	record.Sort(c.tail[k:])
	c.fold()
	return true
}

// Refold takes the fold back to the moment from, which From gave, and folds all facts from
// then on: items, in the order of record.Before.
func (c *Chart) Refold(from time.Time, items []record.Item) {
	i := c.before(from)
	c.bases = c.bases[:i+1]
	c.tail, c.first = items, c.bases[i].count
	c.bases[i].state.over = nil
	c.fold()
}

// Trim makes bases of what was folded last, and lets old facts go. What ended before the
// facts that are kept is no longer in the answer.
func (c *Chart) Trim() {
	count := c.first + len(c.tail)
	if count-c.bases[len(c.bases)-1].count > 2*near {
		c.rebase(count)
	}
	if len(c.tail) <= tailMost {
		return
	}
	// The first base that leaves few enough, or else the latest.
	for i := range c.bases {
		b := &c.bases[i]
		if b.count <= c.first || count-b.count > tailMost/2 && i < len(c.bases)-1 {
			continue
		}
		c.tail = slices.Clone(c.tail[b.count-c.first:])
		c.first = b.count
		ended := len(b.state.over)
		for k := i; k < len(c.bases); k++ {
			c.bases[k].state.over = c.bases[k].state.over[ended:]
		}
		c.now.over = c.now.over[ended:]
		return
	}
}

// rebase makes bases at about near facts from the end, at twice as many and so on, each at
// a moment that no session spans, and thins out the older ones.
func (c *Chart) rebase(count int) {
	b := c.bases[len(c.bases)-1]
	pending := c.tail[b.count-c.first:]
	clean := c.clean(pending)
	var cuts []int
	for want := near; want < len(pending); want *= 2 {
		i := len(clean) - 1
		for i >= 0 && clean[i] > len(pending)-want {
			i--
		}
		if i >= 0 && (len(cuts) == 0 || clean[i] < cuts[len(cuts)-1]) {
			cuts = append(cuts, clean[i])
		}
	}
	slices.Reverse(cuts)
	m, done := b.state.clone(), 0
	for _, i := range cuts {
		for _, st := range c.e.steps(pending[done:i]) {
			m.apply(c.e, st)
		}
		c.bases = append(c.bases, base{at: pending[i].At, count: b.count + i, state: m.clone()})
		done = i
	}
	var kept []base
	for i := len(c.bases) - 1; i >= 0; i-- {
		d := count - c.bases[i].count
		if i == 0 || len(kept) == 0 || c.bases[i].count == c.first || 2*d >= 3*(count-kept[len(kept)-1].count) {
			kept = append(kept, c.bases[i])
		}
	}
	slices.Reverse(kept)
	c.bases = kept
}

// clean lists the places in items before which nothing belongs to a session that goes on,
// in ascending order.
func (c *Chart) clean(items []record.Item) []int {
	reach := make([]int, len(items)) // how far what begins here goes
	begun := map[string]int{}
	for i := range items {
		f := &items[i].Fact
		for _, k := range [...]string{treatment(f), c.e.occasion(f)} {
			first, ok := begun[k]
			if !ok {
				first, begun[k] = i, i
			}
			reach[first] = max(reach[first], i)
		}
		for n := range items[i].Superseded {
			// A version that does not stand has a moment of its own.
			at := items[i].Superseded[n].At
			lo, hi := i, i
			for lo > 0 && !items[lo].At.Before(at) {
				lo--
			}
			for hi < len(items)-1 && !items[hi].At.After(at) {
				hi++
			}
			reach[lo] = max(reach[lo], hi)
		}
	}
	var out []int
	far := 0
	for i := range items {
		if i > 0 && far < i && items[i].At.After(items[i-1].At) {
			out = append(out, i)
		}
		far = max(far, reach[i])
	}
	return out
}

// Newest is when and where the newest fact of a patient happened; zero for none.
type Newest struct {
	At       time.Time
	Facility string
}

// Newest tells of the newest fact that was folded.
func (c *Chart) Newest() Newest { return c.now.newest }

// Judge is the judgement at a moment not before the newest fact. Of findings that are over
// it holds those that ended since the facts that are kept.
func (c *Chart) Judge(asOf time.Time, facility string) Judgement {
	e := *c.e
	e.AsOf, e.Facility = asOf, facility
	return c.now.answer(&e)
}
