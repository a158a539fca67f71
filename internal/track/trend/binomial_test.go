package trend_test

import (
	"fmt"
	"math"
	"testing"

	"cannulary/internal/track/trend"

	"pgregory.net/rapid"
)

// upperTail is P(k or more of n) at p, by summing the terms.
func upperTail(k, n int, p float64) float64 {
	var sum float64
	for i := k; i <= n; i++ {
		a, _ := math.Lgamma(float64(n + 1))
		b, _ := math.Lgamma(float64(i + 1))
		c, _ := math.Lgamma(float64(n - i + 1))
		sum += math.Exp(a-b-c) * math.Pow(p, float64(i)) * math.Pow(1-p, float64(n-i))
	}
	return sum
}

func TestBinomialPublished(t *testing.T) {
	for _, c := range []struct {
		source       string
		k, n         int
		level        float64
		lower, upper float64
		tolerance    float64
	}{
		// R's binom.test on Conover (1971) p. 97, 682 of 925: the limits it prints, from memory.
		{"R, Conover", 682, 925, 0.95, 0.7076683, 0.7654066, 5.1e-8},
		// A public calculator's printed table (codingace.net, Clopper–Pearson interval).
		{"table 3/20", 3, 20, 0.95, 0.0321, 0.3789, 5.1e-5},
		{"table 12/30", 12, 30, 0.90, 0.2495, 0.5661, 5.1e-5},
		{"table 42/100", 42, 100, 0.95, 0.3220, 0.5229, 5.1e-5},
		{"table 85/120", 85, 120, 0.99, 0.5904, 0.8092, 5.1e-5},
		// None of n: 1-(alpha/2)^(1/n), in closed form.
		{"none of 30", 0, 30, 0.95, 0, 1 - math.Pow(0.025, 1.0/30), 1e-12},
		{"all of 30", 30, 30, 0.95, math.Pow(0.025, 1.0/30), 1, 1e-12},
		{"nothing seen, the package's own", 0, 0, 0.95, 0, 1, 0},
	} {
		t.Run(c.source, func(t *testing.T) {
			lower, upper := trend.Binomial(c.k, c.n, c.level)
			near(t, "lower", lower, c.lower, c.tolerance)
			near(t, "upper", upper, c.upper, c.tolerance)
		})
	}
}

func TestBinomialRefuses(t *testing.T) {
	for _, c := range []struct {
		k, n  int
		level float64
	}{{-1, 10, .95}, {11, 10, .95}, {0, -1, .95}, {1, 10, 0}, {1, 10, 1}, {1, 10, math.NaN()}} {
		if lower, upper := trend.Binomial(c.k, c.n, c.level); !math.IsNaN(lower) || !math.IsNaN(upper) {
			t.Errorf("%+v: %v %v", c, lower, upper)
		}
	}
}

// By their definition (Clopper & Pearson 1934): at the lower limit k or more, and at the
// upper k or fewer, have half of the rest. Tails by direct summation.
func TestBinomialTails(t *testing.T) {
	for _, level := range []float64{0.80, 0.95, 0.99} {
		side := (1 - level) / 2
		for _, n := range []int{1, 2, 5, 12, 36, 150, 156} {
			for k := 0; k <= n; k++ {
				lower, upper := trend.Binomial(k, n, level)
				what := fmt.Sprintf("%d of %d at %v", k, n, level)
				if k > 0 {
					near(t, what+", lower tail", upperTail(k, n, lower), side, 1e-10)
				}
				if k < n {
					near(t, what+", upper tail", 1-upperTail(k+1, n, upper), side, 1e-10)
				}
			}
		}
	}
}

func TestBinomialProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 2000).Draw(t, "n")
		k := rapid.IntRange(0, n).Draw(t, "k")
		lower, upper := trend.Binomial(k, n, 0.95)
		seen := float64(k) / float64(n)
		if !(0 <= lower && lower <= seen && seen <= upper && upper <= 1) {
			t.Fatalf("%v, %v about %v", lower, upper, seen)
		}
		otherLower, otherUpper := trend.Binomial(n-k, n, 0.95)
		near(t, "the others' lower", otherLower, 1-upper, 1e-12)
		near(t, "the others' upper", otherUpper, 1-lower, 1e-12)
		if l, u := trend.Binomial(k, n, 0.99); l > lower || u < upper {
			t.Fatalf("99 %% within 95 %%: %v %v, %v %v", l, u, lower, upper)
		}
		if k < n {
			if l, u := trend.Binomial(k+1, n, 0.95); l < lower || u < upper {
				t.Fatal("one more seen lowers a limit")
			}
		}
	})
}

// Coverage never below the level, whatever the proportion (Clopper & Pearson 1934).
func TestBinomialCoverage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "n")
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		var covered float64
		for k := 0; k <= n; k++ {
			if lower, upper := trend.Binomial(k, n, 0.9); lower <= p && p <= upper {
				covered += upperTail(k, n, p) - upperTail(k+1, n, p)
			}
		}
		if covered < 0.9-1e-9 {
			t.Fatalf("%v covered with probability %v", p, covered)
		}
	})
}
