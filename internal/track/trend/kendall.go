package trend

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// ExactMost is the largest number of observations whose null distribution is exact.
const ExactMost = 20

// MannKendallResult is the test of observations in order against an upward trend.
type MannKendallResult struct {
	N        int
	S        int     // rising pairs less falling pairs
	Variance float64 // of S if there is no trend, corrected for ties
	P        float64 // probability of S or more if there is no trend, 0 to 1
	Exact    bool    // P is by the exact distribution, not the normal one
}

// MannKendall tests y, oldest first, for an upward trend. Up to ExactMost observations P is
// exact, also with ties. For more it is normal, with the variance corrected for ties and S less
// one for continuity. Fewer than two observations, or all tied, have P 1.
func MannKendall(y []float64) MannKendallResult {
	n := len(y)
	r := MannKendallResult{N: n, P: 1}
	for i := range y {
		for _, later := range y[i+1:] {
			switch {
			case later > y[i]:
				r.S++
			case later < y[i]:
				r.S--
			}
		}
	}
	groups := ties(y)
	r.Variance = kendallVariance(n, groups)
	switch {
	case r.Variance == 0:
	case n <= ExactMost:
		r.Exact = true
		pairs := n * (n - 1) / 2 // that differ
		for _, t := range groups {
			pairs -= t * (t - 1) / 2
		}
		// S = pairs - 2*inversions, so S or more is as few inversions or fewer.
		r.P = inversionsAtMost(n, groups, (pairs-r.S)/2)
	default:
		z := (float64(r.S) - 1) / math.Sqrt(r.Variance)
		r.P = distuv.UnitNormal.Survival(z)
	}
	return r
}

// ties are the sizes of the groups of equal values, those of one value among them.
func ties(y []float64) []int {
	sorted := slices.Clone(y)
	slices.Sort(sorted)
	var out []int
	for i := 0; i < len(sorted); {
		j := i + 1
		for j < len(sorted) && sorted[j] == sorted[i] {
			j++
		}
		out = append(out, j-i)
		i = j
	}
	return out
}

// kendallVariance is [n(n-1)(2n+5) - sum t(t-1)(2t+5)] / 18 over the groups of t tied values
// (Kendall 1975).
func kendallVariance(n int, groups []int) float64 {
	term := func(t int) float64 { return float64(t) * float64(t-1) * float64(2*t+5) }
	v := term(n)
	for _, t := range groups {
		v -= term(t)
	}
	return v / 18
}

// inversionsAtMost returns the probability that a random order of n values, tied in groups, has
// at most k inversions. Of n different values the m-th adds 0 to m-1 inversions. Orders that
// differ only within a group are the same, so the inversions within a group are divided out. All
// counts are whole and below 20!, which an int64 holds.
func inversionsAtMost(n int, groups []int, k int) float64 {
	counts := []int64{1}
	for m := 2; m <= n; m++ {
		next := make([]int64, len(counts)+m-1)
		for i, q := range counts {
			for j := range m {
				next[i+j] += q
			}
		}
		counts = next
	}
	for _, t := range groups {
		for m := 2; m <= t; m++ {
			// Division by 1+q+…+q^(m-1): what is left after the lower terms' shares.
			for i := range counts {
				for j := 1; j < m && j <= i; j++ {
					counts[i] -= counts[i-j]
				}
			}
			counts = counts[:len(counts)-m+1]
		}
	}
	var few, all int64
	for i, q := range counts {
		all += q
		if i <= k {
			few += q
		}
	}
	return float64(few) / float64(all)
}
