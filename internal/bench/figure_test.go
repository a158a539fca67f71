package main

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
)

func TestGoals(t *testing.T) {
	for _, c := range []struct {
		value, reference float64
		goal             goal
		ratio            float64
		text             string
		met              bool
	}{
		{40, 100, ratioAtLeast(0.4), 0.4, "ratio >= 0.4", true},
		{39, 100, ratioAtLeast(0.4), 0.39, "ratio >= 0.4", false},
		{4, 1, ratioAtMost(4), 4, "ratio <= 4", true},
		{4.1, 1, ratioAtMost(4), 4.1, "ratio <= 4", false},
		{99.9, 50, valueBelow(100), 1.998, "value < 100", true},
		{100, 50, valueBelow(100), 2, "value < 100", false},
		// What was not measured meets no goal.
		{0, 50, valueBelow(100), 0, "value < 100", false},
		{5, 0, ratioAtMost(4), 0, "ratio <= 4", false},
		{math.NaN(), 50, ratioAtMost(4), 0, "ratio <= 4", false},
		{math.Inf(1), 50, ratioAtLeast(1), 0, "ratio >= 1", false},
	} {
		f := figure{Value: c.value, Reference: c.reference, goal: c.goal}.judged()
		if f.Ratio != c.ratio || f.Goal != c.text || f.Met != c.met {
			t.Errorf("%v against %v: %+v", c.value, c.reference, f)
		}
		if _, err := json.Marshal(f); err != nil {
			t.Error(err)
		}
		if strings.Contains(f.line(), "NOT MET") == c.met {
			t.Errorf("the line is %q", f.line())
		}
	}
}

func TestQuantile(t *testing.T) {
	if got := quantile([]float64{5, 1, 4, 2, 3}, 0.5); got != 3 {
		t.Errorf("median %v", got)
	}
	if got := quantile([]float64{1, 2}, 1); got != 2 {
		t.Errorf("maximum %v", got)
	}
	if got := quantile(nil, 0.5); got != 0 {
		t.Errorf("of none %v", got)
	}
}

func TestRSSAnon(t *testing.T) {
	got, err := rssAnon("Name:\tx\nRssAnon:\t   1000 kB\nRssFile:\t 7 kB\n")
	if err != nil || got != 1.024 {
		t.Errorf("%v %v", got, err)
	}
	if _, err := rssAnon("Name:\tx\n"); err == nil {
		t.Error("nothing is taken for a measure")
	}
}
