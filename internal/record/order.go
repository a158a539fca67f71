package record

import (
	"sort"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// rank orders facts of the same moment as they happen at the chair: examination, preparation,
// peg removal, insertion, removal, peg placement, what ends or closes something, hold, lift. Facts of
// all other kinds come first.
func rank(k Kind) int {
	switch k {
	case KindAccessExamined:
		return 10
	case KindSitePrepared:
		return 20
	case KindPegRemoved, KindPegFoundMissing:
		return 30
	case KindNeedleInserted:
		return 40
	case KindNeedleRemoved:
		return 50
	case KindPegPlaced:
		return 60
	case KindSessionEnded, KindComplicationSeen, KindTrackRested, KindTrackRetired, KindAccessRetired:
		return 65
	case KindHoldPlaced:
		return 70
	case KindHoldLifted:
		return 80
	}
	return 0
}

// attempt returns the attempt ordinal of an insertion, 0 for other facts.
func attempt(f *Fact) uint32 {
	if n, ok := f.Body.(*cannularyv1.NeedleInserted); ok {
		return n.GetAttemptOrdinal()
	}
	return 0
}

// Before reports whether a comes before b in the total order in which facts are folded: by
// clinical time, within one moment in the order of the chair, insertions by attempt, then by
// fact id.
func Before(a, b *Fact) bool {
	if !a.At.Equal(b.At) {
		return a.At.Before(b.At)
	}
	if ra, rb := rank(a.BodyKind()), rank(b.BodyKind()); ra != rb {
		return ra < rb
	}
	if aa, ab := attempt(a), attempt(b); aa != ab {
		return aa < ab
	}
	return a.ID < b.ID
}

// Sort sorts items by Before.
func Sort(items []Item) { sort.Sort(byOrder(items)) }

// byOrder compares items where they lie: they are large, and most lists are nearly in order.
type byOrder []Item

func (l byOrder) Len() int           { return len(l) }
func (l byOrder) Less(i, j int) bool { return Before(&l[i].Fact, &l[j].Fact) }
func (l byOrder) Swap(i, j int)      { l[i], l[j] = l[j], l[i] }
