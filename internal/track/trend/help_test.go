package trend_test

import (
	"math"

	"pgregory.net/rapid"
)

// failer is a test of this package's kind or rapid's.
type failer interface {
	Helper()
	Errorf(format string, args ...any)
}

func near(t failer, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.10g, want %.10g within %g", what, got, want, tolerance)
	}
}

// mmHg are whole values from a range, so that ties are drawn.
func mmHg(lo, hi, least, most int) *rapid.Generator[[]float64] {
	return rapid.Map(rapid.SliceOfN(rapid.IntRange(lo, hi), least, most), func(v []int) []float64 {
		y := make([]float64, len(v))
		for i := range v {
			y[i] = float64(v[i])
		}
		return y
	})
}

// permutations calls visit with every order of y (Heap's algorithm).
func permutations(y []float64, visit func([]float64)) {
	var heap func(k int)
	heap = func(k int) {
		if k <= 1 {
			visit(y)
			return
		}
		for i := range k {
			heap(k - 1)
			if k%2 == 0 {
				y[i], y[k-1] = y[k-1], y[i]
			} else {
				y[0], y[k-1] = y[k-1], y[0]
			}
		}
	}
	heap(len(y))
}
