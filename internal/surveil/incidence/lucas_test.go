package incidence_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"cannulary/internal/surveil/incidence"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// above is added to a threshold that signals only above it: the sums lie further apart.
const above = 1e-6

// Average run lengths of Lucas's chart (1985, from memory) by a Markov chain, computed apart
// from the project, three of them checked by simulation there.
func TestLucasRunLength(t *testing.T) {
	for _, c := range []struct{ k, h, mean, reached, headStart, above float64 }{
		{1.5, 5, 1, 273.65, 255.68, 407.96}, {1.5, 5, 2, 9.44, 6.22, 10.43},
		{3, 10, 2.4, 548.36, 513.67, 854.45}, {3, 10, 4, 10.18, 6.04, 11.18},
		{0.5, 3, 0.25, 263.85, 245.48, 508.72}, {0.5, 3, 0.5, 26.07, 20.01, 33.76}, {0.5, 3, 1, 6.36, 4.08, 7.36},
	} {
		at := incidence.Lucas{K: c.k, H: c.h}
		near(t, "S ≥ h", must(at.RunLength(c.mean, 0))(t), c.reached, 5.1e-3)
		near(t, "head start", must(at.RunLength(c.mean, c.h/2))(t), c.headStart, 5.1e-3)
		at.H += above
		near(t, "S > h", must(at.RunLength(c.mean, 0))(t), c.above, 5.1e-3)
	}
}

// A threshold that any event passes, and one that none event takes down again.
func TestLucasClosedForms(t *testing.T) {
	c := incidence.Lucas{K: 0.5, H: 0.5}
	digits(t, "any event", must(c.RunLength(0.02, 0))(t), 1/-math.Expm1(-0.02), 1e-11)
	// K so great that only many events in one step pass: they are waited for anew each step.
	c = incidence.Lucas{K: 4, H: 1}
	fewer := distuv.Poisson{Lambda: 1}.CDF(4)
	digits(t, "five in a step", must(c.RunLength(1, 0))(t), 1/(1-fewer), 1e-9)
}

// gridRunLength is the average run lengths by Brook & Evans's chain (1972) on a grid of width
// h/parts, each state standing for its middle. Another way than the package's.
func gridRunLength(up, down, h, mean float64, parts int) float64 {
	width := 2 * h / (2*float64(parts) - 1)
	a, ones := mat.NewDense(parts, parts, nil), mat.NewVecDense(parts, nil)
	p := distuv.Poisson{Lambda: mean}
	for i := range parts {
		ones.SetVec(i, 1)
		a.Set(i, i, a.At(i, i)+1)
		for y := 0; float64(y) < mean+200; y++ {
			to := int(math.Round(max(0, float64(i)*width+float64(y)*up-down) / width))
			if to < parts {
				a.Set(i, to, a.At(i, to)-p.Prob(float64(y)))
			}
		}
	}
	var l mat.VecDense
	if err := l.SolveVec(a, ones); err != nil {
		return math.NaN()
	}
	return l.AtVec(0)
}

// What any run length must meet, from any start: one step, and then that from where it leads.
func TestLucasFirstStep(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		c := incidence.Lucas{K: rapid.Float64Range(0.05, 3).Draw(r, "K"), H: rapid.Float64Range(0.5, 6).Draw(r, "H")}
		mean := c.K * rapid.Float64Range(0.5, 1.5).Draw(r, "mean / K")
		start := c.H * rapid.Float64Range(0, 0.99).Draw(r, "start / H")
		from := func(s float64) float64 {
			if c.Signals(s) {
				return 0
			}
			l, err := c.RunLength(mean, s)
			if err != nil {
				r.Fatal(err)
			}
			return l
		}
		want := 1.0
		for y := range 60 {
			s := max(0, start+float64(y)-c.K)
			want += distuv.Poisson{Lambda: mean}.Prob(float64(y)) * from(s)
		}
		digits(r, "run length", from(start), want, 1e-11)
	})
}

// So many events in a step that none is all but impossible; the grid in whole events is exact.
func TestLucasManyEvents(t *testing.T) {
	for _, mean := range []float64{80, 90, 100} {
		exact := must(incidence.Lucas{K: 90, H: 20.5}.RunLength(mean, 0))(t)
		digits(t, "run length", exact, gridRunLength(1, 90, 20.5, mean, 21), 1e-9)
	}
}

// K that is no simple fraction: the grid only comes near, and nearer the finer it is.
func TestLucasAgainstTheGrid(t *testing.T) {
	for _, mean := range []float64{1, 1.5, 2} {
		k := 1 / math.Log(2) // Lucas's K for a mean of 1 against 2
		exact := must(incidence.Lucas{K: k, H: 4.3}.RunLength(mean, 0))(t)
		var worst [2]float64
		for i, around := range []int{100, 400} {
			for parts := around; parts < around+5; parts++ {
				worst[i] = max(worst[i], math.Abs(gridRunLength(1, k, 4.3, mean, parts)/exact-1))
			}
		}
		t.Logf("mean %v: %.4f; the grid of 100 is off by up to %.4f of it, of 400 by %.4f", mean, exact, worst[0], worst[1])
		if worst[1] > 0.01 {
			t.Errorf("mean %v: off by %v", mean, worst[1])
		}
	}
}

// Step by step, seeded, within three standard errors.
func TestLucasSimulated(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1985))
	for _, c := range []struct {
		chart       incidence.Lucas
		mean, start float64
	}{
		{incidence.Lucas{K: 1.4427, H: 5}, 1, 0}, {incidence.Lucas{K: 1.4427, H: 5}, 2, 2.5},
		{incidence.Lucas{K: 0.2731, H: 3}, 0.15, 0}, {incidence.Lucas{K: 0.2731, H: 3}, 0.45, 1.5},
	} {
		const runs = 4000
		var sum, squares float64
		for range runs {
			n, s := 0.0, c.start
			for !c.chart.Signals(s) {
				s = max(0, s+float64(poisson(random, c.mean))-c.chart.K)
				n++
			}
			sum, squares = sum+n, squares+n*n
		}
		mean := sum / runs
		se := math.Sqrt((squares/runs - mean*mean) / runs)
		exact := must(c.chart.RunLength(c.mean, c.start))(t)
		t.Logf("%+v at %v: %.3f, simulated %.3f (standard error %.3f)", c.chart, c.mean, exact, mean, se)
		near(t, "run length", exact, mean, 3*se)
	}
}

// poisson draws a count (Knuth's multiplication).
func poisson(random *rand.Rand, mean float64) (n int) {
	for p, least := random.Float64(), math.Exp(-mean); p > least; p *= random.Float64() {
		n++
	}
	return n
}
