package trend

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Binomial returns the Clopper–Pearson limits of a proportion of which k of n were seen. level
// is the confidence level between 0 and 1 (0.95 for 95 %); half of the rest lies on each side.
// The limits are proportions. For n 0 nothing is known: 0 and 1. For a k outside 0 to n, a
// negative n or a level outside they are NaN and NaN.
func Binomial(k, n int, level float64) (lower, upper float64) {
	if k < 0 || k > n || !(level > 0 && level < 1) {
		return math.NaN(), math.NaN()
	}
	side := (1 - level) / 2
	lower, upper = 0, 1
	if k > 0 {
		lower = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(side)
	}
	if k < n {
		// The upper limit of k is one less the lower limit of n-k, which keeps the two
		// exactly symmetric.
		upper = 1 - distuv.Beta{Alpha: float64(n - k), Beta: float64(k + 1)}.Quantile(side)
	}
	return lower, upper
}
