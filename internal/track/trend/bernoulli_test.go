package trend_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"cannulary/internal/track/trend"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// gridRunLength is the average run length from 0 by a Markov chain on a grid (after Brook &
// Evans, Biometrika 59:539, 1972): the sum in whole steps, an event adding up and no event
// taking down steps, signalling at height steps. Another way than the package's.
func gridRunLength(p float64, up, down, height int) float64 {
	a, ones := mat.NewDense(height, height, nil), mat.NewVecDense(height, nil)
	for s := range height {
		ones.SetVec(s, 1)
		a.Set(s, s, a.At(s, s)+1)
		if s+up < height {
			a.Set(s, s+up, a.At(s, s+up)-p)
		}
		to := max(0, s-down)
		a.Set(s, to, a.At(s, to)-(1-p))
	}
	var l mat.VecDense
	if err := l.SolveVec(a, ones); err != nil {
		return math.NaN()
	}
	return l.AtVec(0)
}

// simulate is the mean run length of seeded runs from start, and its standard error.
func simulate(b trend.Bernoulli, p, start float64, runs int, seed uint64) (mean, se float64) {
	random := rand.New(rand.NewPCG(seed, 1999))
	var sum, squares float64
	for range runs {
		n, s := 0.0, start
		for !b.Signals(s) {
			s = b.Step(s, random.Float64() < p)
			n++
		}
		sum += n
		squares += n * n
	}
	mean = sum / float64(runs)
	return mean, math.Sqrt((squares/float64(runs) - mean*mean) / float64(runs))
}

func TestBernoulliStep(t *testing.T) {
	b := trend.Bernoulli{P0: 0.02, P1: 0.08, H: 2}
	event, none := b.Weights()
	// Log-likelihood ratios, Reynolds & Stoumbos (1999), from memory.
	near(t, "event", event, math.Log(4), 1e-15)
	near(t, "none", none, math.Log(0.92/0.98), 1e-15)
	if s := b.Step(0, false); s != 0 {
		t.Errorf("below 0: %v", s)
	}
	s := b.Step(b.Step(0, true), false)
	near(t, "one event, one not", s, math.Log(4)+math.Log(0.92/0.98), 1e-15)
	if b.Signals(s) || !b.Signals(b.Step(s, true)) || !b.Signals(2) {
		t.Error("signals not from the threshold on")
	}
}

// With event weights that are a whole multiple of the others (the way of Reynolds &
// Stoumbos) the grid is exact, and so must be the package.
func TestRunLengthWholeMultiple(t *testing.T) {
	for _, c := range []struct {
		p0            float64
		multiple, top int
	}{{0.01, 40, 150}, {0.02, 22, 60}, {0.05, 11, 33}, {0.10, 5, 24}, {0.30, 2, 9}} {
		// The p1 for that multiple, by bisection.
		lo, hi := c.p0, 1.0
		for range 200 {
			mid := (lo + hi) / 2
			e, n := trend.Bernoulli{P0: c.p0, P1: mid}.Weights()
			if e > -n*float64(c.multiple) {
				lo = mid
			} else {
				hi = mid
			}
		}
		b := trend.Bernoulli{P0: c.p0, P1: lo}
		_, none := b.Weights()
		b.H = -none * (float64(c.top) - 0.5) // between two states, so that rounding is no matter
		for _, p := range []float64{c.p0 / 2, c.p0, (c.p0 + lo) / 2, lo, 0.5, 1} {
			want := gridRunLength(p, c.multiple, 1, c.top)
			near(t, "run length relative to the grid's", b.RunLength(p, 0)/want, 1, 1e-8)
		}
	}
}

// Seeded simulation, at four standard errors: about 4 % in control, 2 % out of it.
func TestRunLengthSimulated(t *testing.T) {
	b := trend.Rescue()
	for i, c := range []struct {
		p, start float64
		runs     int
	}{{b.P0, 0, 8000}, {b.P1, 0, 20000}, {0.04, 0, 10000}, {b.P0, b.H / 2, 2000}, {b.P1, b.H / 2, 20000}} {
		mean, se := simulate(b, c.p, c.start, c.runs, uint64(i))
		exact := b.RunLength(c.p, c.start)
		t.Logf("p %v from %.2f: %.2f, simulated %.2f (standard error %.2f)", c.p, c.start, exact, mean, se)
		near(t, "run length", exact, mean, 4*se)
	}
}

// The chart of Rescue against a plain grid of a sixteenth of the smaller weight, whose
// rounding is the only reason for the tolerance.
func TestRunLengthGrid(t *testing.T) {
	b := trend.Rescue()
	event, none := b.Weights()
	step := -none / 16
	for _, p := range []float64{b.P0, b.P1} {
		grid := gridRunLength(p, int(math.Round(event/step)), 16, int(math.Ceil(b.H/step)))
		t.Logf("p %v: %.3f, on the grid %.3f", p, b.RunLength(p, 0), grid)
		near(t, "run length relative to the grid's", b.RunLength(p, 0)/grid, 1, 1e-4)
	}
}

// The threshold of Rescue is computed anew.
func TestRescue(t *testing.T) {
	b := trend.Rescue()
	want := trend.ForRunLength(0.02, 0.08, trend.RescueRunLength)
	near(t, "H", b.H, want.H, 1e-9)
	if b.P0 != 0.02 || b.P1 != 0.08 {
		t.Errorf("%+v", b)
	}
	if l := b.RunLength(b.P0, 0); l < 1500 {
		t.Errorf("runs %v in control", l)
	}
	// As its comment says.
	near(t, "in control", b.RunLength(0.02, 0), 1504.5, 0.05)
	near(t, "at P1", b.RunLength(0.08, 0), 58.8, 0.05)
	near(t, "at half of P1", b.RunLength(0.04, 0), 229.9, 0.05)
	b.H -= trend.ThresholdStep
	if l := b.RunLength(b.P0, 0); l >= 1500 {
		t.Errorf("a lower threshold runs %v too", l)
	}
	// No sum comes so near to the threshold that rounding could decide.
	b = trend.Rescue()
	event, none := b.Weights()
	for i := range 40 {
		for j := range 1000 {
			if gap := math.Abs(float64(i)*event + float64(j)*none - b.H); gap < 1e-4 {
				t.Errorf("%d events and %d others come within %v of the threshold", i, j, gap)
			}
		}
	}
}

func TestRunLengthClosedForms(t *testing.T) {
	// A threshold that one event reaches: 1/p. At p 1: whole weights to the threshold.
	b := trend.Bernoulli{P0: 0.02, P1: 0.08, H: 1}
	near(t, "one event", b.RunLength(0.02, 0), 50, 1e-9)
	b.H = 4
	near(t, "events only", b.RunLength(1, 0), 3, 1e-9)
	near(t, "events only, from 2", b.RunLength(1, 2), 2, 1e-9)
	if l := b.RunLength(0.02, 4); l != 0 {
		t.Errorf("from the threshold %v", l)
	}
	if l := b.RunLength(0, 0); !math.IsInf(l, 1) {
		t.Errorf("without events %v", l)
	}
	near(t, "from below 0", b.RunLength(0.02, -1), b.RunLength(0.02, 0), 0)
	for _, l := range []float64{
		b.RunLength(-0.1, 0), b.RunLength(1.1, 0), b.RunLength(math.NaN(), 0), b.RunLength(0.1, math.NaN()),
		trend.Bernoulli{}.RunLength(0.1, 0), trend.Bernoulli{P0: 0.1, P1: 0.1, H: 1}.RunLength(0.1, 0),
		trend.Bernoulli{P0: 0.1, P1: 1, H: 1}.RunLength(0.1, 0), trend.Bernoulli{P0: 0.1, P1: 0.2}.RunLength(0.1, 0),
		trend.Bernoulli{P0: 0.1, P1: 0.2, H: math.NaN()}.RunLength(0.1, 0), trend.Bernoulli{P0: 1e-9, P1: 2e-9, H: 5}.RunLength(0.1, 0),
		trend.ForRunLength(0.1, 0.1, 100).H, trend.ForRunLength(0.1, 0.2, math.Inf(1)).H, trend.ForRunLength(0.1, 0.2, math.NaN()).H,
	} {
		if !math.IsNaN(l) {
			t.Errorf("%v of what has none", l)
		}
	}
}

func TestRunLengthProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p0 := rapid.Float64Range(0.005, 0.2).Draw(t, "p0")
		p1 := min(0.9, p0*rapid.Float64Range(1.5, 6).Draw(t, "ratio"))
		b := trend.Bernoulli{P0: p0, P1: p1, H: rapid.Float64Range(0.5, 5).Draw(t, "h")}
		l := b.RunLength(p0, 0)
		// Lorden, Annals of Mathematical Statistics 42:1897 (1971), from memory.
		if l < math.Exp(b.H)*(1-1e-9) {
			t.Fatalf("%+v runs %v, below e to the threshold", b, l)
		}
		if other := b.RunLength(p1, 0); other > l {
			t.Fatalf("%+v runs longer at P1: %v, %v", b, other, l)
		}
		if other := b.RunLength(p0, rapid.Float64Range(0, b.H).Draw(t, "start")); other > l*(1+1e-9) {
			t.Fatalf("%+v runs longer from a head start: %v, %v", b, other, l)
		}
		higher := b
		higher.H += rapid.Float64Range(0, 1).Draw(t, "higher")
		if other := higher.RunLength(p0, 0); other < l*(1-1e-9) {
			t.Fatalf("%+v runs shorter with a higher threshold: %v, %v", b, other, l)
		}
	})
}

func TestForRunLengthLeast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p0 := rapid.Float64Range(0.01, 0.1).Draw(t, "p0")
		wanted := rapid.Float64Range(10, 5000).Draw(t, "wanted")
		b := trend.ForRunLength(p0, 4*p0, wanted)
		if l := b.RunLength(p0, 0); l < wanted {
			t.Fatalf("%+v runs %v, wanted %v", b, l, wanted)
		}
		if b.H -= trend.ThresholdStep; b.H > 1e-9 {
			if l := b.RunLength(p0, 0); l >= wanted {
				t.Fatalf("a lower threshold %+v runs %v, wanted %v", b, l, wanted)
			}
		}
	})
}
