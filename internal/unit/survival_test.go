package unit_test

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"cannulary/internal/unit"
)

// Freireich and others (Blood 1963;21:699), weeks in remission under 6-mercaptopurine and under
// placebo. Data and estimates are those of the textbooks of survival analysis that use them
// (Kleinbaum and Klein; Collett), from memory.
func TestKaplanMeierOnTheTextbookExample(t *testing.T) {
	var treated, placebo []unit.Observation
	for _, d := range []int{6, 6, 6, 7, 10, 13, 16, 22, 23} {
		treated = append(treated, unit.Observation{Days: d, Reached: true})
	}
	for _, d := range []int{6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35} {
		treated = append(treated, unit.Observation{Days: d})
	}
	for _, d := range []int{1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23} {
		placebo = append(placebo, unit.Observation{Days: d, Reached: true})
	}
	c := unit.KaplanMeier(treated)
	want := []unit.Step{{6, 0.8571}, {7, 0.8067}, {10, 0.7529}, {13, 0.6902}, {16, 0.6275}, {22, 0.5378}, {23, 0.4482}}
	if c.N != 21 || c.Reached != 9 || len(c.Steps) != len(want) {
		t.Fatalf("the curve is %+v", c)
	}
	for i, s := range c.Steps {
		if s.Days != want[i].Days || math.Abs(s.Left-want[i].Left) > 5e-5 {
			t.Errorf("after %d weeks %.4f are left, want %.4f after %d", s.Days, s.Left, want[i].Left, want[i].Days)
		}
	}
	if m, ok := c.By(0.5); !ok || m != 23 {
		t.Errorf("the median is %d, %v; want 23 weeks", m, ok)
	}
	if _, ok := c.By(0.75); ok {
		t.Error("three quarters were reached, though 44.8 % are left at the end")
	}
	if m, ok := unit.KaplanMeier(placebo).By(0.5); !ok || m != 8 {
		t.Errorf("the median under placebo is %d, %v; want 8 weeks", m, ok)
	}
}

// Without anybody on the way the curve is the share itself, and a day on which half reach it is
// the median although fractions are multiplied.
func TestKaplanMeierWithNobodyOnTheWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		days := rapid.SliceOfN(rapid.IntRange(0, 60), 1, 40).Draw(t, "days")
		var list []unit.Observation
		for _, d := range days {
			list = append(list, unit.Observation{Days: d, Reached: true})
		}
		c := unit.KaplanMeier(list)
		slices.Sort(days)
		for _, p := range []float64{0.25, 0.5, 0.75} {
			want := days[int(math.Ceil(p*float64(len(days))-1e-9))-1]
			if got, ok := c.By(p); !ok || got != want {
				t.Fatalf("%.2f of %v by day %d, %v; want %d", p, days, got, ok, want)
			}
		}
	})
}

func TestKaplanMeierOfNobody(t *testing.T) {
	if _, ok := unit.KaplanMeier(nil).By(0.5); ok {
		t.Error("half of nobody was reached")
	}
}
