package trend_test

import (
	"math"
	"testing"

	"cannulary/internal/track/trend"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

func TestCircularPublished(t *testing.T) {
	degrees := func(radians ...float64) []float64 {
		for i := range radians {
			radians[i] *= 180 / math.Pi
		}
		return radians
	}
	for _, c := range []struct {
		source             string
		in                 []float64
		mean, r, dev       float64
		tolMean, tol, tol2 float64
	}{
		// Zar, Biostatistical Analysis (2010), examples 26.2 and 26.4: mean 99 degrees, r
		// 0.82522. Data and the deviation of 36 degrees from memory.
		{"Zar", []float64{45, 55, 81, 96, 110, 117, 132, 154}, 99, 0.82522, 36, 0.5, 5e-6, 0.5},
		// scipy.stats.circstd, its documentation's example (1.0 to 1.4): 0.063564063306
		// radians. The mean close to the plain one of 0, 9, 0.18 and 2.7; R by its definition.
		{"scipy", degrees(0, 0.1*math.Pi/2, 0.001*math.Pi, 0.03*math.Pi/2), 2.97, math.Exp(-0.063564063306 * 0.063564063306 / 2),
			0.063564063306 * 180 / math.Pi, 0.01, 1e-12, 1e-9},
		// Three directions about north, whose mean is 5 degrees (an example in common use for
		// directional statistics: 355, 5 and 15). R = (1+2cos 10°)/3, computed apart.
		{"about north", []float64{355, 5, 15}, 5, (1 + 2*math.Cos(math.Pi/18)) / 3,
			math.Sqrt(-2*math.Log((1+2*math.Cos(math.Pi/18))/3)) * 180 / math.Pi, 1e-9, 1e-12, 1e-9},
		{"one, computed", []float64{25}, 25, 1, 0, 1e-12, 0, 1e-12},
		{"the same, computed", []float64{25, 25, 25}, 25, 1, 0, 1e-12, 1e-15, 1e-12},
		{"a negative angle, computed", []float64{-20, -20}, 340, 1, 0, 1e-12, 1e-15, 1e-12},
	} {
		t.Run(c.source, func(t *testing.T) {
			got := trend.Circular(c.in)
			if got.N != len(c.in) {
				t.Errorf("N = %d", got.N)
			}
			near(t, "mean", got.Mean, c.mean, c.tolMean)
			near(t, "resultant", got.Resultant, c.r, c.tol)
			near(t, "deviation", got.Deviation, c.dev, c.tol2)
		})
	}
}

func TestCircularEdges(t *testing.T) {
	if got := trend.Circular(nil); got != (trend.CircularSummary{}) {
		t.Errorf("of none: %+v", got)
	}
	got := trend.Circular([]float64{0, 90, 180, 270})
	if got.N != 4 || got.Resultant != 0 || !math.IsNaN(got.Mean) || !math.IsInf(got.Deviation, 1) {
		t.Errorf("angles that cancel out: %+v", got)
	}
}

// Against the plain definition: sums of cosines and sines, gonum's CircularMean.
func TestCircularDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := rapid.SliceOfN(rapid.Float64Range(0, 90), 1, 30).Draw(t, "degrees")
		got := trend.Circular(in)
		var c, s float64
		radians := make([]float64, len(in))
		for i, d := range in {
			radians[i] = d * math.Pi / 180
			c += math.Cos(radians[i])
			s += math.Sin(radians[i])
		}
		near(t, "mean", got.Mean, stat.CircularMean(radians, nil)*180/math.Pi, 1e-9)
		near(t, "resultant", got.Resultant, math.Hypot(c, s)/float64(len(in)), 1e-12)
		if got.Resultant < math.Sqrt2/2-1e-12 || got.Resultant > 1 || !(got.Deviation >= 0) {
			t.Errorf("impossible within a quarter: %+v", got)
		}

		// Turning all angles turns the mean and leaves the rest.
		turn := rapid.Float64Range(-1000, 1000).Draw(t, "turn")
		turned := make([]float64, len(in))
		for i := range in {
			turned[i] = in[i] + turn
		}
		after := trend.Circular(turned)
		near(t, "turned resultant", after.Resultant, got.Resultant, 1e-12)
		near(t, "turned mean", math.Remainder(after.Mean-got.Mean-turn, 360), 0, 1e-9)
		if after.Mean < 0 || after.Mean >= 360 {
			t.Errorf("mean %v outside 0 to 360", after.Mean)
		}
	})
}

// A narrow spread is the ordinary standard deviation (with n), and must not be lost.
func TestCircularNarrow(t *testing.T) {
	got := trend.Circular([]float64{25 - 1e-6, 25, 25 + 1e-6})
	near(t, "deviation", got.Deviation, 1e-6*math.Sqrt(2.0/3), 1e-12)
}
