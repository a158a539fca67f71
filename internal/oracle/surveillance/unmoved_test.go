package surveillance_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/surveil"
)

// TestUnmovedIsNeverWrong holds Memo.Unmoved to its word: with a fact of which it says that
// it changes nothing, and with all such facts together, the fold is the same as without.
func TestUnmovedIsNeverWrong(t *testing.T) {
	told := map[record.Kind]int{}
	for seed := range uint64(patients() / 4) {
		h, _, items := ask(t, seed)
		r := rand.New(rand.NewPCG(seed, 1))
		before, memo := surveil.Fold(surveil.Input{Items: items, Zone: h.Zone})
		together := slices.Clone(items)
		for i := range items {
			it := items[i]
			if it.Void || it.CorrectedBy != "" || !it.Plain() {
				continue
			}
			// Another such fact, some time away from the one that there is.
			it.ID = fmt.Sprintf("more.%d", i)
			it.At = it.At.Add(time.Duration(r.IntN(40*24)-20*24) * time.Hour)
			if !memo.Unmoved(&it.Fact) {
				continue
			}
			told[it.Kind]++
			with := append(slices.Clone(items), it)
			record.Sort(with)
			if after, _ := surveil.Fold(surveil.Input{Items: with, Zone: h.Zone}); !reflect.DeepEqual(before, after) {
				t.Errorf("history %d: %s at %s of %s is said to change nothing\nbefore %+v\n after %+v", seed, it.Kind, it.At, it.Facility, before, after)
			}
			together = append(together, it)
		}
		record.Sort(together)
		if after, _ := surveil.Fold(surveil.Input{Items: together, Zone: h.Zone}); !reflect.DeepEqual(before, after) {
			t.Errorf("history %d: facts that change nothing one by one do so together", seed)
		}
	}
	t.Logf("said to change nothing: %v", told)
	for _, kind := range []record.Kind{"session_started", record.KindNeedleInserted, record.KindAccessExamined, record.KindSitePrepared} {
		if told[kind] < patients()/200 {
			t.Errorf("only %d facts of kind %s are said to change nothing", told[kind], kind)
		}
	}
}

// TestUnmovedWithoutTheFact leaves facts out of a history instead of adding more.
func TestUnmovedWithoutTheFact(t *testing.T) {
	told := 0
	for seed := range uint64(patients() / 10) {
		h, _, items := ask(t, seed)
		with, _ := surveil.Fold(surveil.Input{Items: items, Zone: h.Zone})
		for i := range items {
			if it := &items[i]; it.Void || it.CorrectedBy != "" || !it.Plain() {
				continue
			}
			without, memo := surveil.Fold(surveil.Input{Items: slices.Delete(slices.Clone(items), i, i+1), Zone: h.Zone})
			if !memo.Unmoved(&items[i].Fact) {
				continue
			}
			told++
			if !reflect.DeepEqual(with, without) {
				t.Errorf("history %d: %s at %s is said to change nothing\n with %+v\nwithout %+v", seed, items[i].Kind, items[i].At, with, without)
			}
		}
	}
	if t.Logf("%d facts are said to change nothing", told); told < patients()/10 {
		t.Errorf("only %d facts are said to change nothing", told)
	}
}

func TestArrivalDoesNotMatter(t *testing.T) {
	for seed := range uint64(patients() / 10) {
		h, facts, items := ask(t, seed)
		want, _ := surveil.Fold(surveil.Input{Items: items, Zone: h.Zone})
		r := rand.New(rand.NewPCG(seed, 2))
		for range 3 {
			r.Shuffle(len(facts), func(i, j int) { facts[i], facts[j] = facts[j], facts[i] })
			if got, _ := surveil.Fold(surveil.Input{Items: h.Items(facts), Zone: h.Zone}); !reflect.DeepEqual(got, want) {
				t.Fatalf("history %d: arrival matters\n got %+v\nwant %+v", seed, got, want)
			}
		}
	}
}
