package worklist

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// CompareChairs orders chairs: numbers as numbers, then names, then none.
func CompareChairs(a, b string) int {
	rank := func(s string) (int, int) {
		n, err := strconv.Atoi(s)
		switch {
		case s == "":
			return 2, 0
		case err != nil:
			return 1, 0
		}
		return 0, n
	}
	ra, na := rank(a)
	rb, nb := rank(b)
	return cmp.Or(cmp.Compare(ra, rb), cmp.Compare(na, nb), cmp.Compare(a, b))
}

// Shifts orders the names of shifts by when they begin, as the facility registered them. Names
// that it did not register follow, and the one that is empty comes last.
func Shifts(names []string, registered []*cannularyv1.Shift) []string {
	begins := map[string]string{}
	for _, s := range registered {
		begins[s.GetName()] = s.GetStartsAt()
	}
	out := slices.Clone(names)
	slices.SortFunc(out, func(a, b string) int {
		x, known := begins[a]
		y, alsoKnown := begins[b]
		switch {
		case (a == "") != (b == ""):
			return strings.Compare(b, a)
		case known != alsoKnown:
			if known {
				return -1
			}
			return 1
		}
		return cmp.Or(strings.Compare(x, y), strings.Compare(a, b))
	})
	return slices.Compact(out)
}
