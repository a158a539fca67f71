package needling_test

import (
	"fmt"
	"reflect"
	"sort"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"cannulary/internal/oracle/needling"
	"cannulary/internal/oracle/needling/histories"
	"cannulary/internal/testkit/tier"
	"cannulary/internal/track/rule"
)

// ask makes the reference's input of a history.
func ask(t interface{ Fatalf(string, ...any) }, h histories.History) needling.Input {
	q, err := h.Ask()
	if err != nil {
		t.Fatalf("the history cannot be read: %v", err)
	}
	return needling.Input{Items: q.Items, Ratings: q.Ratings, Book: q.Book, Zone: h.Zone, AsOf: h.AsOf}
}

// each draws n histories, the same in every run, until one is enough.
func each(n int, enough func(i int, h histories.History) bool) {
	gen := rapid.Custom(histories.Draw)
	for i := range n {
		if enough(i, gen.Example(i)) {
			return
		}
	}
}

func TestHistoriesAreRich(t *testing.T) {
	n := tier.Of(400, 3000)
	fired, standing := map[string]int{}, map[string]int{}
	stages, needles := map[string]int{}, map[string]int{}
	var facts []int
	merges, corrections, tracks := 0, 0, 0
	var folding time.Duration
	each(n, func(_ int, h histories.History) bool {
		facts = append(facts, h.Facts)
		if h.HasMerge {
			merges++
		}
		if h.HasCorrection {
			corrections++
		}
		in := ask(t, h)
		begun := time.Now()
		a := needling.Fold(in, needling.None)
		folding += time.Since(begun)
		seen := map[string]bool{}
		for _, f := range a.Findings {
			seen[f.Rule] = true
			if f.Cleared.IsZero() {
				standing[f.Rule]++
			}
		}
		for _, held := range a.Holds {
			if held.Rule == rule.Person {
				seen[rule.Person] = true
			}
		}
		for code := range seen {
			fired[code]++
		}
		for _, tr := range a.Tracks {
			tracks++
			stages[tr.Stage]++
			needles[tr.Needle]++
		}
		return false
	})
	sort.Ints(facts)
	median := facts[n/2]
	t.Logf("median %d facts (%d to %d), merges %.1f %%, corrections %.1f %%, %d tracks, stages %v, needles %v; folding %v",
		median, facts[0], facts[n-1], 100*float64(merges)/float64(n), 100*float64(corrections)/float64(n), tracks, stages, needles, folding)
	if median < 40 {
		t.Errorf("the median history has %d facts, want 40", median)
	}
	if merges < n/10 || corrections < n/5 {
		t.Errorf("%d of %d have a merge and %d a correction, want a tenth and a fifth", merges, n, corrections)
	}
	var lines []string
	for _, r := range rule.All() {
		lines = append(lines, fmt.Sprintf("%-20s %5d histories, %5d findings stand", r.Code, fired[r.Code], standing[r.Code]))
		if r.Code == rule.FloorSix || r.Code == rule.MergeWithoutEffect {
			continue // no fact of the patient's raises these
		}
		if fired[r.Code] < n/100 {
			t.Errorf("%s fired in %d of %d histories, want %d", r.Code, fired[r.Code], n, n/100)
		}
	}
	t.Log("\n" + strings.Join(lines, "\n"))
}

// TestMutantsAreTold checks that the histories tell each wrong reading from the right one.
func TestMutantsAreTold(t *testing.T) {
	const n = 1000
	untold := map[needling.Mutant]bool{}
	for _, m := range needling.Mutants() {
		if untold[m] || m == needling.None {
			t.Errorf("%q is listed twice or empty", m)
		}
		untold[m] = true
	}
	each(n, func(i int, h histories.History) bool {
		in := ask(t, h)
		right := needling.Fold(in, needling.None)
		for m := range untold {
			if !reflect.DeepEqual(needling.Fold(in, m), right) {
				t.Logf("history %3d tells %q", i, m)
				delete(untold, m)
			}
		}
		return len(untold) == 0
	})
	for m := range untold {
		t.Errorf("%d histories do not tell %q from the right reading", n, m)
	}
}

// TestArrivalDoesNotMatter checks the order of arrival, which no judgement may depend on.
func TestArrivalDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := histories.Draw(t)
		before := needling.Fold(ask(t, h), needling.None)
		h.Events = rapid.Permutation(h.Events).Draw(t, "events")
		if after := needling.Fold(ask(t, h), needling.None); !reflect.DeepEqual(before, after) {
			t.Fatalf("before %+v\nafter %+v", before, after)
		}
	})
}
