package trend_test

import (
	"testing"

	"cannulary/internal/track/trend"

	"pgregory.net/rapid"
)

func TestTheilSenXY(t *testing.T) {
	for _, c := range []struct {
		source string
		x, y   []float64
		slope  float64
		ok     bool
	}{
		// Gilbert (1987), section 16.5 on the data of example 16.3 (several values at one
		// time): data as in the tests of a public package that cites p. 211, slope 5.5 from
		// memory; by hand the 12th and 13th of the 24 slopes are 5 and 6.
		{"Gilbert", []float64{1, 1, 1, 2, 3, 3, 4, 5}, []float64{10, 22, 21, 30, 22, 30, 40, 40}, 5.5, true},
		// A worked example by a public calculator (instantools.site, Theil–Sen slope), data
		// only; by hand the 15 slopes are 1 2 -1 2 2 / 1.5 .5 .5 1.5 1.25 / .6667 1 1 1 1.2,
		// whose 8th is 1.
		{"calculator", []float64{1, 2, 3, 4, 5, 6}, []float64{2, 3, 5, 4, 6, 8}, 1, true},
		// Wolfram Function Repository, TheilSenLine, data of its first example; by hand the
		// slopes are 0, 0.8 and 1.3333.
		{"Wolfram", []float64{0, 1, 2.5}, []float64{1, 1, 3}, 0.8, true},
		{"none", nil, nil, 0, false},
		{"one", []float64{1}, []float64{1}, 0, false},
		{"one moment", []float64{1, 1}, []float64{1, 2}, 0, false},
		{"lengths differ", []float64{1, 2}, []float64{1}, 0, false},
	} {
		t.Run(c.source, func(t *testing.T) {
			got, ok := trend.TheilSenXY(c.x, c.y)
			if ok != c.ok {
				t.Fatalf("ok %v", ok)
			}
			near(t, "slope", got, c.slope, 1e-12)
		})
	}
}

// Sen (1968): the slope follows shift, tilt and scale, and does not heed the order of points.
func TestTheilSenEquivariance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := mmHg(80, 240, 2, 15).Draw(t, "y")
		scale := rapid.Float64Range(-10, 10).Draw(t, "scale")
		shift := rapid.Float64Range(-100, 100).Draw(t, "shift")
		tilt := rapid.Float64Range(-10, 10).Draw(t, "tilt")
		slope, ok := trend.TheilSen(y)
		if !ok {
			t.Fatal("not ok")
		}
		z, x := make([]float64, len(y)), make([]float64, len(y))
		for i := range y {
			z[i] = scale*y[i] + shift + tilt*float64(i)
			x[i] = float64(i)
		}
		got, _ := trend.TheilSen(z)
		near(t, "slope", got, scale*slope+tilt, 1e-9)

		order := rapid.Permutation(x).Draw(t, "order")
		mixed := make([]float64, len(y))
		for i, at := range order {
			mixed[i] = y[int(at)]
		}
		got, _ = trend.TheilSenXY(order, mixed)
		near(t, "slope of points in any order", got, slope, 1e-12)
	})
}

// Fewer than 29 % of wild values cannot carry the slope of a straight line away (Sen 1968):
// with 3 of 12, 36 of the 66 slopes are the line's.
func TestTheilSenOutliers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := make([]float64, 12)
		for i := range y {
			y[i] = 100 + 2*float64(i)
		}
		for _, i := range rapid.SliceOfNDistinct(rapid.IntRange(0, 11), 0, 3, rapid.ID[int]).Draw(t, "wild") {
			y[i] = rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		}
		got, _ := trend.TheilSen(y)
		near(t, "slope", got, 2, 1e-9)
	})
}

func TestPressureTrend(t *testing.T) {
	line := func(slope float64, n int) []float64 {
		y := make([]float64, n)
		for i := range y {
			y[i] = 120 + slope*float64(i)
		}
		return y
	}
	for _, c := range []struct {
		name   string
		y      []float64
		min    float64
		slope  float64
		rising bool
	}{
		{"steady rise of 24", line(2, 12), 20, 24, true},
		{"rise of just the least", line(2, 12), 24, 24, true},
		{"rise too small to matter", line(1, 12), 20, 12, false},
		{"fall", line(-2, 12), 20, -24, false},
		{"flat", line(0, 12), 0, 0, false},
		{"a few high ones are no trend", []float64{120, 160, 118, 121, 119, 170, 120, 122, 118, 165, 121, 119}, 0, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, ok := trend.PressureTrend(c.y, c.min, 0.01)
			if !ok || got.N != 12 || got.Rising != c.rising {
				t.Fatalf("%+v %v", got, ok)
			}
			near(t, "slope per twelve", got.SlopePerTwelve, c.slope, 1e-9)
			if p := trend.MannKendall(c.y).P; got.P != p {
				t.Errorf("P %v, Mann–Kendall's %v", got.P, p)
			}
		})
	}
	for _, n := range []int{0, 1, 11, 13, 24} {
		if got, ok := trend.PressureTrend(line(2, n), 0, 0.01); ok || got != (trend.Trend{}) {
			t.Errorf("of %d: %+v %v", n, got, ok)
		}
	}
}
