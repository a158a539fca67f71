package trend_test

import (
	"slices"
	"testing"

	"cannulary/internal/track/trend"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func TestMedianAndMAD(t *testing.T) {
	for _, c := range []struct {
		source      string
		in          []float64
		median, mad float64
	}{
		{"none, the package's own", nil, 0, 0},
		{"one", []float64{7}, 7, 0},
		// An encyclopaedia example in common use, from memory: deviations 1 1 0 0 2 4 7.
		{"encyclopaedia", []float64{1, 1, 2, 2, 4, 6, 9}, 2, 1},
		// A textbook exercise (kvasaheim.com, sample statistics), solved by hand: median
		// (37+41)/2 = 39, deviations 2 2 9 53, their median 5.5.
		{"exercise", []float64{30, 41, 37, 92}, 39, 5.5},
		// By hand: sorted 18.1 18.7 21 21 21.4 22.8, median 21, deviations 0 0 .4 1.8 2.3 2.9.
		{"by hand", []float64{21, 21, 22.8, 21.4, 18.7, 18.1}, 21, 1.1},
	} {
		t.Run(c.source, func(t *testing.T) {
			in := slices.Clone(c.in)
			near(t, "median", trend.Median(in), c.median, 1e-12)
			near(t, "MAD", trend.MAD(in), c.mad, 1e-12)
			if !slices.Equal(in, c.in) {
				t.Error("the values given were changed")
			}
		})
	}
}

// 1.4826 is one over the upper quartile of the standard normal distribution (Rousseeuw &
// Croux 1993), to four places.
func TestNormalMAD(t *testing.T) {
	near(t, "NormalMAD", trend.NormalMAD, 1/distuv.UnitNormal.Quantile(0.75), 5e-5)
}

func TestUsual(t *testing.T) {
	for _, c := range []struct {
		name string
		in   []float64
		want trend.Band
		ok   bool
	}{
		{"none", nil, trend.Band{}, false},
		{"five are too few", []float64{8, 8, 8, 8, 8}, trend.Band{}, false},
		{"six the same: the margin", []float64{8, 8, 8, 8, 8, 8}, trend.Band{6, 8, 0, 11}, true},
		{"spread below the margin", []float64{7, 8, 9, 7, 8, 9}, trend.Band{6, 8, 1, 11}, true},
		// 2 * 1.4826 * 2 = 5.9304, by hand.
		{"spread above the margin", []float64{6, 8, 10, 6, 8, 10, 8, 4}, trend.Band{8, 8, 2, 13.9304}, true},
		{"the latest twelve", []float64{90, 90, 90, 8, 8, 8, 8, 8, 8, 8, 8, 8, 8, 8, 8}, trend.Band{12, 8, 0, 11}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, ok := trend.Usual(c.in)
			if ok != c.ok || got.N != c.want.N || got.Median != c.want.Median || got.MAD != c.want.MAD {
				t.Fatalf("got %+v %v, want %+v %v", got, ok, c.want, c.ok)
			}
			near(t, "limit", got.Limit, c.want.Limit, 1e-9)
		})
	}
}

func TestUsualProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := mmHg(0, 40, 6, 20).Draw(t, "minutes")
		u, ok := trend.Usual(in)
		if !ok || u.Limit < u.Median+3 {
			t.Fatalf("%+v %v", u, ok)
		}
		latest := slices.Clone(in[max(0, len(in)-12):])
		slices.Reverse(latest)
		if v, _ := trend.Usual(latest); v != u {
			t.Fatalf("order or older values count: %+v, %+v", u, v)
		}
		for i := range in {
			in[i] += 5
		}
		v, _ := trend.Usual(in)
		near(t, "median of later by 5", v.Median, u.Median+5, 1e-9)
		near(t, "limit of later by 5", v.Limit, u.Limit+5, 1e-9)
		near(t, "MAD of later by 5", v.MAD, u.MAD, 1e-9)
	})
}
