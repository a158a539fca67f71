package track

import (
	"math"
	"slices"
	"time"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
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

// NewChart folds all facts of a patient. Of in, AsOf is not looked at.
func NewChart(in Input) *Chart {
	in.AsOf = time.Unix(math.MaxInt32*100, 0)
	items := in.Items
	in.Items = nil
	e := newEnv(in)
	c := &Chart{e: e, bases: []base{{state: e.begin()}}, tail: items}
	c.fold()
	return c
}

// fold folds what follows the latest base.
func (c *Chart) fold() {
	b := &c.bases[len(c.bases)-1]
	c.now = c.e.fold(b.state, c.tail[b.count-c.first:])
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
	for i := range items {
		touches = earlier(touches, c.reaches(&items[i].Fact))
	}
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

// joinsWithin is more than lies between an attempt and the first attempt of a session that it
// may join, or make another one join: see env.group.
const joinsWithin = 72 * time.Hour

// reaches is the earliest moment that a new fact may change: the start of its day where no more
// is known, and days ago where attempts without a session's reference may belong elsewhere now.
func (c *Chart) reaches(f *record.Fact) time.Time {
	from := c.e.from(f)
	b, ok := f.Body.(*cannularyv1.NeedleInserted)
	if !ok || b.GetTrack() == "" {
		return from
	}
	window := f.At.Add(-joinsWithin)
	loose := reference(f) == "" || c.first > 0 && c.tail[0].At.After(window)
	for i := len(c.tail) - 1; i >= 0 && !loose && !c.tail[i].At.Before(window); i-- {
		n, ok := c.tail[i].Body.(*cannularyv1.NeedleInserted)
		loose = ok && n.GetTrack() == b.GetTrack() && reference(&c.tail[i].Fact) == ""
	}
	if loose {
		return earlier(from, window)
	}
	return from
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
	m, done := b.state, 0
	for _, i := range cuts {
		m = c.e.fold(m, pending[done:i])
		c.bases = append(c.bases, base{at: pending[i].At, count: b.count + i, state: m})
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
	g := c.e.group(items)
	together := func(key string, i int) {
		first, ok := begun[key]
		if !ok {
			first, begun[key] = i, i
		}
		reach[first] = max(reach[first], i)
	}
	back := func(i int, at time.Time) {
		lo := i
		for lo > 0 && !items[lo-1].At.Before(at) {
			lo--
		}
		reach[lo] = max(reach[lo], i)
	}
	for i := range items {
		f := &items[i].Fact
		together(or(reference(f), "day "+c.e.date(f)), i)
		if s := g.of[f.ID]; s != nil {
			together("session "+s.attempts[0].id, i)
		}
		back(i, c.e.from(f))
		for n := range items[i].Superseded {
			// A version that does not stand has a moment of its own.
			at := items[i].Superseded[n].At
			back(i, c.e.from(&items[i].Superseded[n]))
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

// Newest is when the newest fact that was folded is looked at from; zero for none.
func (c *Chart) Newest() time.Time { return c.now.newest }

// At is the facility of the stay in force at a moment.
func (c *Chart) At(t time.Time) string { return c.now.stays.At(t).Facility }

// Judge is the judgement at a moment not before the newest fact. Of findings that are over
// it holds those that ended since the facts that are kept.
func (c *Chart) Judge(asOf time.Time) Judgement {
	e := *c.e
	e.AsOf = asOf
	return c.now.answer(&e)
}
