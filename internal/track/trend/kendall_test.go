package trend_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"cannulary/internal/track/trend"

	"pgregory.net/rapid"
)

// withS is 0 to n-1 in an order with the given S: rising, with the values swapped down one
// inversion at a time.
func withS(n, s int) []float64 {
	left := (n*(n-1)/2 - s) / 2
	y := make([]float64, 0, n)
	for v := range n {
		at := len(y) - min(left, len(y))
		left -= len(y) - at
		y = append(y, 0)
		copy(y[at+1:], y[at:])
		y[at] = float64(v)
	}
	return y
}

// Upper tail probabilities of Gilbert (1987) table A18 (after Kendall 1975), as they stand
// in a public package that cites them; but for n 8, S 26, printed .00019: 8 of the 40,320
// orders have at most one inversion, which is .000198.
func TestMannKendallTable(t *testing.T) {
	table := map[int]map[int]float64{
		4: {0: .625, 2: .375, 4: .167, 6: .042},
		5: {0: .592, 2: .408, 4: .242, 6: .117, 8: .042, 10: .0083},
		6: {1: .500, 3: .360, 5: .235, 7: .136, 9: .068, 11: .028, 13: .0083, 15: .0014},
		7: {1: .500, 3: .386, 5: .281, 7: .191, 9: .119, 11: .068, 13: .035, 15: .015, 17: .0054, 19: .0014, 21: .0002},
		8: {0: .548, 2: .452, 4: .360, 6: .274, 8: .199, 10: .138, 12: .089, 14: .054, 16: .031, 18: .016, 20: .0071, 22: .0028,
			24: .00087, 26: .000198, 28: .000025},
		9: {0: .540, 2: .460, 4: .381, 6: .306, 8: .238, 10: .179, 12: .130, 14: .090, 16: .060, 18: .038, 20: .022, 22: .012, 24: .0063,
			26: .0029, 28: .0012, 30: .00043},
		10: {1: .500, 3: .431, 5: .364, 7: .300, 9: .242, 11: .190, 13: .146, 15: .108, 17: .078, 19: .054, 21: .036, 23: .023, 25: .014,
			27: .0083, 29: .0046, 31: .0023, 33: .0011, 35: .00047},
	}
	for n, row := range table {
		for s, want := range row {
			got := trend.MannKendall(withS(n, s))
			if got.S != s || got.N != n || !got.Exact {
				t.Fatalf("n %d S %d: %+v", n, s, got)
			}
			// Half of the last printed digit; the table keeps two significant ones below .01.
			tolerance := 5.01e-4
			if want < .01 {
				tolerance = 0.51 * math.Pow(10, math.Floor(math.Log10(want))-1)
			}
			near(t, fmt.Sprintf("P(n %d, S %d)", n, s), got.P, want, tolerance)
		}
	}
}

func TestMannKendallPublished(t *testing.T) {
	for _, c := range []struct {
		source           string
		y                []float64
		s                int
		variance, tolVar float64
		p, tol           float64
		exact            bool
		normal           bool // p is the normal distribution's, by S and its variance
	}{
		// Gilbert (1987) p. 211: S 4 without ties; P by his table A18; variance by hand.
		{"Gilbert", []float64{10, 15, 14, 20}, 4, 26.0 / 3, 1e-9, .167, 5e-4, true, false},
		// A hand-worked course example (Holy Cross, Montserrat seminar): S 54, one pair tied,
		// Z 2.9058, P about .0018.
		{"course", []float64{12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7},
			54, 14.0*13*33/18 - 1, 1e-9, .0018, 5e-5, true, true},
		// Van Belle & Hughes (1984) p. 129, as in the tests of a public package that cites
		// it: variance 119.3. By hand: never falling, and 5 of the 45 pairs tied, so S 40; P the
		// upper tail of the normal distribution at 39/sqrt(119.3) = 3.571, .00018 by its table.
		{"Van Belle & Hughes", []float64{10, 14, 14, 14, 17, 22, 22, 23, 27, 27}, 40, 119.3, .05, .00018, 1e-5, true, true},
		{"none, the package's own", nil, 0, 0, 0, 1, 0, false, false},
		{"one, the package's own", []float64{3}, 0, 0, 0, 1, 0, false, false},
		{"all tied, the package's own", []float64{3, 3, 3, 3}, 0, 0, 1e-12, 1, 0, false, false},
	} {
		t.Run(c.source, func(t *testing.T) {
			got := trend.MannKendall(c.y)
			if got.N != len(c.y) || got.S != c.s || got.Exact != c.exact {
				t.Errorf("%+v, want S %d", got, c.s)
			}
			near(t, "variance", got.Variance, c.variance, c.tolVar)
			p := got.P
			if c.normal {
				p = math.Erfc((float64(got.S)-1)/math.Sqrt(2*got.Variance)) / 2
			}
			near(t, "P", p, c.p, c.tol)
		})
	}
}

// By brute force over all orders, n up to 7: the exact tail without ties, and the corrected
// variance with ties.
func TestMannKendallAllOrders(t *testing.T) {
	for _, values := range [][]float64{
		{1, 2}, {1, 2, 3}, {1, 2, 3, 4}, {1, 2, 3, 4, 5}, {1, 2, 3, 4, 5, 6}, {1, 2, 3, 4, 5, 6, 7},
		{1, 1, 2}, {1, 1, 2, 2}, {1, 1, 1, 2, 3}, {1, 2, 2, 3, 3, 3}, {1, 1, 2, 2, 2, 3, 4},
	} {
		count, all, squares := map[int]int{}, 0, 0.0
		byS := map[int]trend.MannKendallResult{}
		permutations(values, func(y []float64) {
			got := trend.MannKendall(y)
			s := 0
			for i := range y {
				for j := range i {
					if y[i] > y[j] {
						s++
					} else if y[i] < y[j] {
						s--
					}
				}
			}
			if got.S != s {
				t.Fatalf("S of %v is %d, want %d", y, got.S, s)
			}
			count[s]++
			all++
			squares += float64(s * s)
			byS[s] = got
		})
		for s, got := range byS {
			near(t, "variance", got.Variance, squares/float64(all), 1e-9)
			if !got.Exact {
				continue
			}
			atLeast := 0
			for other, c := range count {
				if other >= s {
					atLeast += c
				}
			}
			near(t, "P", got.P, float64(atLeast)/float64(all), 1e-12)
		}
	}
}

// tiedTail is the exact P(S or more) with ties: the inversions of a random order of groups
// of tied values are sums of independent Mann–Whitney counts, group by group. A different
// way than the package's, for the error of its normal distribution.
func tiedTail(groups []int, s int) float64 {
	p, m, pairs := []float64{1}, 0, 0
	for _, t := range groups {
		u := mannWhitney(m, t)
		next := make([]float64, len(p)+len(u)-1)
		for i := range p {
			for j := range u {
				next[i+j] += p[i] * u[j]
			}
		}
		pairs += m * t
		p, m = next, m+t
	}
	var sum float64
	for k, q := range p {
		if pairs-2*k >= s {
			sum += q
		}
	}
	return sum
}

// mannWhitney is the distribution of the Mann–Whitney count of m against n values: the
// largest of all is one of the n, below none of the m, or one of the m, above all n.
func mannWhitney(m, n int) []float64 {
	p := make([]float64, m*n+1)
	if m == 0 || n == 0 {
		p[0] = 1
		return p
	}
	for k, q := range mannWhitney(m, n-1) {
		p[k] += q * float64(n) / float64(m+n)
	}
	for k, q := range mannWhitney(m-1, n) {
		p[k+n] += q * float64(m) / float64(m+n)
	}
	return p
}

// Twelve pressures read to 5 or 10 mmHg: with ties P is exact as well, by the oracle above.
func TestMannKendallWithTies(t *testing.T) {
	near(t, "the oracle without ties", tiedTail([]int{1, 1, 1, 1, 1, 1, 1, 1}, 16), .031, 5e-4) // Gilbert A18
	random := rand.New(rand.NewPCG(12, 1))
	tied := 0
	for range 3000 {
		y, groups := make([]float64, 12), map[float64]int{}
		step := []float64{5, 10}[random.IntN(2)]
		for i := range y {
			y[i] = math.Round((random.NormFloat64()*10+2*float64(i))/step) * step
			groups[y[i]]++
		}
		var sizes []int
		for _, g := range groups {
			sizes = append(sizes, g)
		}
		if len(sizes) < 12 && len(sizes) > 1 {
			tied++
		}
		got := trend.MannKendall(y)
		if want := tiedTail(sizes, got.S); len(sizes) > 1 && (!got.Exact || math.Abs(got.P-want) > 1e-12) {
			t.Fatalf("%v: P %.15f, want %.15f", y, got.P, want)
		}
	}
	if tied < 2000 {
		t.Errorf("only %d with ties", tied)
	}
	// Twenty values in two groups of ten: the largest counts that occur.
	y := make([]float64, 20)
	for i := range y {
		y[i] = float64(i % 2)
	}
	near(t, "twenty in two groups", trend.MannKendall(y).P, tiedTail([]int{10, 10}, trend.MannKendall(y).S), 1e-12)
}

func TestMannKendallProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := mmHg(80, 110, 0, 25).Draw(t, "y")
		got := trend.MannKendall(y)
		if !(got.P >= 0 && got.P <= 1) {
			t.Fatalf("P %v", got.P)
		}
		// A rising change of scale keeps everything; the reverse order turns S.
		z, back := make([]float64, len(y)), make([]float64, len(y))
		for i, v := range y {
			z[i] = v*v*v + 7
			back[len(y)-1-i] = v
		}
		if other := trend.MannKendall(z); other != got {
			t.Fatalf("%+v, on another scale %+v", got, other)
		}
		turned := trend.MannKendall(back)
		if turned.S != -got.S || turned.Variance != got.Variance {
			t.Fatalf("%+v, reversed %+v", got, turned)
		}
		// P(S or more) and P(-S or more) overlap at S, so they sum to more than one.
		if got.Variance > 0 && turned.P+got.P < 1 {
			t.Fatalf("P %v, reversed %v", got.P, turned.P)
		}
	})
}

// Where the exact distribution ends the normal one must be close.
func TestMannKendallJoin(t *testing.T) {
	for _, n := range []int{trend.ExactMost, trend.ExactMost + 1} {
		for s := n % 4 / 2; s < 120; s += 2 {
			y := withS(n, s+n*(n-1)/2%2-s%2)
			got := trend.MannKendall(y)
			if got.Exact != (n <= trend.ExactMost) {
				t.Fatalf("n %d: %+v", n, got)
			}
			near(t, "P", got.P, 0.5*math.Erfc((float64(got.S)-1)/math.Sqrt(2*got.Variance)), 0.003)
		}
	}
}
