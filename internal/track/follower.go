package track

import (
	"cmp"
	"math"
	"slices"
	"time"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Follower judges one patient whose facts keep arriving. It gives the same judgement as Fold,
// but a new fact costs only the facts that come after it. It keeps checkpoints: states of the
// fold at moments of the past, fewer of them the further back they lie. It also keeps the latest
// facts. It is not safe for concurrent use.
type Follower struct {
	e           *env
	checkpoints []checkpoint // oldest first; the first is the empty state
	tail        []record.Item
	first       int // facts before tail
	now         *machine
}

// checkpoint is the state of the fold after all facts before a moment. No session has attempts
// on both sides of it.
type checkpoint struct {
	at    time.Time
	count int // number of facts before it
	state *machine
}

const (
	// near is about how many facts lie between the latest checkpoints: the facts of one session.
	near = 12
	// tailMost bounds the facts that are kept: about two weeks of one patient's sessions. When
	// there are more, Trim drops about half of them.
	tailMost = 160
)

// NewFollower returns a follower that has folded all facts of a patient. It ignores in.AsOf.
func NewFollower(in Input) *Follower {
	in.AsOf = time.Unix(math.MaxInt32*100, 0)
	items := in.Items
	in.Items = nil
	e := newEnv(in)
	w := &Follower{e: e, checkpoints: []checkpoint{{state: e.begin()}}, tail: items}
	w.rebase(len(items))
	w.fold()
	return w
}

// fold folds the facts after the latest checkpoint.
func (w *Follower) fold() {
	b := &w.checkpoints[len(w.checkpoints)-1]
	w.now = w.e.fold(b.state, w.tail[b.count-w.first:])
}

// before returns the index of the latest checkpoint that holds no fact from t on.
func (w *Follower) before(t time.Time) int {
	for i := len(w.checkpoints) - 1; i > 0; i-- {
		if !w.checkpoints[i].at.After(t) {
			return i
		}
	}
	return 0
}

// Add folds new facts that no correction and no void names. touches is the earliest moment that
// any of them can change. It returns false, and changes nothing, if the facts from that moment
// on are no longer kept. The caller then needs a new follower.
func (w *Follower) Add(items []record.Item, touches time.Time) bool {
	for i := range items {
		touches = earlier(touches, w.reaches(&items[i].Fact))
	}
	i := w.before(touches)
	if w.checkpoints[i].count < w.first {
		return false
	}
	w.checkpoints = w.checkpoints[:i+1]
	k := w.checkpoints[i].count - w.first
	newest := func(f *record.Fact) bool { return len(w.tail) == 0 || record.Before(&w.tail[len(w.tail)-1].Fact, f) }
	if slices.ContainsFunc(items, func(it record.Item) bool { return !newest(&it.Fact) }) {
		w.tail = slices.Clone(w.tail) // checkpoints and judgements point into the old array, whose order stays
	}
	w.tail = append(w.tail, items...)
	record.Sort(w.tail[k:])
	w.fold()
	return true
}

// joinsWithin is longer than the time between an attempt and the first attempt of a session that
// it can join. It also covers another attempt that then joins this one. See env.group.
const joinsWithin = 72 * time.Hour

// reaches returns the earliest moment that a new fact can change. For a fact that is known to
// the day, that is the start of the day. For an attempt that may move attempts without a session
// reference, it lies days back.
func (w *Follower) reaches(f *record.Fact) time.Time {
	from := w.e.from(f)
	b, ok := f.Body.(*cannularyv1.NeedleInserted)
	if !ok || b.GetTrack() == "" {
		return from
	}
	window := f.At.Add(-joinsWithin)
	loose := reference(f) == "" || w.first > 0 && w.tail[0].At.After(window)
	for i := len(w.tail) - 1; i >= 0 && !loose && !w.tail[i].At.Before(window); i-- {
		n, ok := w.tail[i].Body.(*cannularyv1.NeedleInserted)
		loose = ok && n.GetTrack() == b.GetTrack() && reference(&w.tail[i].Fact) == ""
	}
	if loose {
		return earlier(from, window)
	}
	return from
}

// Trim makes checkpoints of the facts that were folded last and drops old facts. Later
// judgements leave out the findings that ended before the facts that are kept. It returns whether it dropped any.
func (w *Follower) Trim() bool {
	count := w.first + len(w.tail)
	if count-w.checkpoints[len(w.checkpoints)-1].count > 2*near {
		w.rebase(count)
	}
	if len(w.tail) <= tailMost {
		return false
	}
	// Start at the first checkpoint that leaves few enough facts, else at the latest.
	for i := range w.checkpoints {
		b := &w.checkpoints[i]
		if b.count <= w.first || count-b.count > tailMost/2 && i < len(w.checkpoints)-1 {
			continue
		}
		w.tail = slices.Clone(w.tail[b.count-w.first:])
		w.first = b.count
		ended := len(b.state.over)
		for k := i; k < len(w.checkpoints); k++ {
			w.checkpoints[k].state.over = w.checkpoints[k].state.over[ended:]
		}
		w.now.over = w.now.over[ended:]
		return true
	}
	return false
}

// rebase makes checkpoints about 12, 24, 48 … facts before the end, each at a moment that no
// session spans. It then drops some of the older ones.
func (w *Follower) rebase(count int) {
	b := w.checkpoints[len(w.checkpoints)-1]
	pending := w.tail[b.count-w.first:]
	clean := w.clean(pending)
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
		m = w.e.fold(m, pending[done:i])
		w.checkpoints = append(w.checkpoints, checkpoint{at: pending[i].At, count: b.count + i, state: m})
		done = i
	}
	var kept []checkpoint
	for i := len(w.checkpoints) - 1; i >= 0; i-- {
		d := count - w.checkpoints[i].count
		if i == 0 || len(kept) == 0 || w.checkpoints[i].count == w.first || 2*d >= 3*(count-kept[len(kept)-1].count) {
			kept = append(kept, w.checkpoints[i])
		}
	}
	slices.Reverse(kept)
	w.checkpoints = kept
}

// clean returns the indexes in items before which no session is still going on, in ascending
// order.
func (w *Follower) clean(items []record.Item) []int {
	reach := make([]int, len(items)) // reach[i] is the last index that belongs with what begins at i
	begun := map[string]int{}
	g := w.e.group(items)
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
		together(cmp.Or(reference(f), "day "+w.e.date(f)), i)
		if s := g.of[f.ID]; s != nil {
			together("session "+s.attempts[0].id, i)
		}
		back(i, w.e.from(f))
		for n := range items[i].Superseded {
			// A superseded version is folded at a moment of its own.
			at := items[i].Superseded[n].At
			back(i, w.e.from(&items[i].Superseded[n]))
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

// Newest returns the moment from which the newest fact counts; zero without a fact.
func (w *Follower) Newest() time.Time { return w.now.newest }

// At returns the facility of the stay in force at a moment.
func (w *Follower) At(t time.Time) string { return w.now.stays.At(t).Facility }

// Judge returns the judgement at a moment that is not before the newest fact. Of the findings
// that ended it holds those that ended since the oldest fact that is kept.
func (w *Follower) Judge(asOf time.Time) Judgement {
	e := *w.e
	e.AsOf = asOf
	return w.now.answer(&e)
}
