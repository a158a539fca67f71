package view_test

import (
	"context"
	"fmt"
	"reflect"
	"sort"
	"testing"
	"time"

	"pgregory.net/rapid"

	"cannulary/fhir"
	"cannulary/internal/view"
)

// span is a set of whole milliseconds, low included, high not.
type span struct{ low, high int }

// matches is the wording of FHIR R4 (http://hl7.org/fhir/R4/search.html#prefix, quoted
// from memory) on sets of points: which milliseconds belong to the resource's range, to the
// parameter's, to the range below it and to the range above it.
func matches(p view.Prefix, resource, param span) bool {
	const from, to = -50, 90 // all spans of the tests lie well inside
	contained, overlaps, above, below, allAbove, allBelow := true, false, false, false, true, true
	for ms := from; ms < to; ms++ {
		if ms < resource.low || ms >= resource.high {
			continue
		}
		in, over, under := ms >= param.low && ms < param.high, ms >= param.high, ms < param.low
		contained = contained && in
		overlaps = overlaps || in
		above, below = above || over, below || under
		allAbove, allBelow = allAbove && over, allBelow && under
	}
	switch p {
	case view.Equal:
		return contained
	case view.NotEqual:
		return !contained
	case view.Greater:
		return above
	case view.Less:
		return below
	case view.GreaterEqual:
		return above || contained
	case view.LessEqual:
		return below || contained
	case view.StartsAfter:
		return !overlaps && allAbove
	}
	return !overlaps && allBelow
}

func spans() *rapid.Generator[span] {
	return rapid.Custom(func(t *rapid.T) span {
		low := rapid.IntRange(0, 30).Draw(t, "low")
		return span{low, low + rapid.IntRange(1, 8).Draw(t, "width")}
	})
}

func TestDatePrefixes(t *testing.T) {
	w := open(t)
	// Every span of the generator once; one resource has no date and never matches.
	var have []span
	var list []fhir.Resource
	for low := 0; low <= 30; low++ {
		for width := 1; width <= 8; width++ {
			s := span{low, low + width}
			have = append(have, s)
			list = append(list, resource("Observation", fmt.Sprint("r", len(have)-1), "", "", fhir.Index{Dates: []fhir.Period{
				{Param: "date", Low: at(s.low), High: at(s.high)}, {Param: "other", Low: at(0), High: at(40)}}}))
		}
	}
	list = append(list, resource("Observation", "undated", "", "", fhir.Index{}))
	w.put(at(0), list...)
	rapid.Check(t, func(t *rapid.T) {
		w.t = t
		p, param := rapid.SampledFrom(view.Prefixes()).Draw(t, "prefix"), spans().Draw(t, "parameter")
		var want []string
		for i, s := range have {
			if matches(p, s, param) {
				want = append(want, fmt.Sprint("r", i))
			}
		}
		got := ids(w.search(view.Query{Type: "Observation", Count: 1000, Filters: []view.Filter{{view.DateIs{Param: "date", Prefix: p, Low: at(param.low), High: at(param.high)}}}}).Rows)
		sort.Strings(want)
		sort.Strings(got)
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Fatalf("%s %v: got %v, want %v", p, param, got, want)
		}
	})
}

func TestLastUpdatedPrefixes(t *testing.T) {
	w := open(t)
	for ms := 0; ms < 30; ms++ {
		w.put(at(ms), resource("Device", fmt.Sprint(ms), "", "", fhir.Index{}))
	}
	rapid.Check(t, func(t *rapid.T) {
		w.t = t
		p, param := rapid.SampledFrom(view.Prefixes()).Draw(t, "prefix"), spans().Draw(t, "parameter")
		want := []string{}
		for ms := 0; ms < 30; ms++ {
			if matches(p, span{ms, ms + 1}, param) {
				want = append(want, fmt.Sprint(ms))
			}
		}
		got := ids(w.search(view.Query{Type: "Device", Count: 100, Filters: []view.Filter{{view.UpdatedIs{Prefix: p, Low: at(param.low), High: at(param.high)}}}}).Rows)
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("%s %v: got %v, want %v", p, param, got, want)
		}
	})
}

// item is a resource as the brute-force filter knows it.
type item struct {
	id, patient string
	tokens      []fhir.Token
	refs        []fhir.Reference
	quantity    float64
}

func TestFiltersAgreeWithBruteForce(t *testing.T) {
	w := open(t)
	rapid.Check(t, func(t *rapid.T) {
		w.t = t
		// Every run has a type of its own, so that one view serves all of them.
		typ := fmt.Sprint("Type", w.seq)
		var items []item
		for i := rapid.IntRange(1, 12).Draw(t, "items"); i > 0; i-- {
			it := item{id: fmt.Sprint("i", i), patient: rapid.SampledFrom([]string{"", "p", "q"}).Draw(t, "patient"), quantity: float64(rapid.IntRange(0, 4).Draw(t, "quantity"))}
			for n := rapid.IntRange(0, 3).Draw(t, "tokens"); n > 0; n-- {
				it.tokens = append(it.tokens, fhir.Token{Param: rapid.SampledFrom([]string{"code", "status"}).Draw(t, "param"),
					System: rapid.SampledFrom([]string{"", "s", "t"}).Draw(t, "system"), Code: rapid.SampledFrom([]string{"a", "b"}).Draw(t, "code")})
			}
			if rapid.Bool().Draw(t, "refers") {
				it.refs = append(it.refs, ref(rapid.SampledFrom([]string{"focus", "part-of"}).Draw(t, "param"), "X", rapid.SampledFrom([]string{"1", "2"}).Draw(t, "target")))
			}
			items = append(items, it)
			w.put(at(int(w.seq)), resource(typ, it.id, it.patient, "", fhir.Index{Tokens: it.tokens, References: it.refs,
				Quantities: []fhir.Quantity{{Param: "value", Code: "mm", Value: it.quantity}}}))
		}
		type test struct {
			cond view.Condition
			is   func(item) bool
		}
		condition := rapid.Custom(func(t *rapid.T) test {
			switch rapid.IntRange(0, 4).Draw(t, "kind") {
			case 0:
				c := view.TokenIs{Param: rapid.SampledFrom([]string{"code", "status"}).Draw(t, "param"), HasSystem: rapid.Bool().Draw(t, "has system")}
				if c.HasSystem {
					c.System = rapid.SampledFrom([]string{"", "s", "t"}).Draw(t, "system")
				}
				if !c.HasSystem || c.System == "" || rapid.Bool().Draw(t, "has code") {
					c.Code = rapid.SampledFrom([]string{"a", "b"}).Draw(t, "code")
				}
				return test{c, func(i item) bool {
					for _, k := range i.tokens {
						if k.Param == c.Param && (c.Code == "" || k.Code == c.Code) && (!c.HasSystem || k.System == c.System) {
							return true
						}
					}
					return false
				}}
			case 1:
				c := view.ReferenceIs{Param: rapid.SampledFrom([]string{"focus", "part-of"}).Draw(t, "param"), Types: []string{"X"}, ID: rapid.SampledFrom([]string{"1", "2"}).Draw(t, "id")}
				return test{c, func(i item) bool { return len(i.refs) > 0 && i.refs[0] == ref(c.Param, c.Types[0], c.ID) }}
			case 2:
				c := view.InCompartment{Patient: rapid.SampledFrom([]string{"p", "q"}).Draw(t, "patient")}
				return test{c, func(i item) bool { return i.patient == c.Patient }}
			case 3:
				c := view.IDIs{ID: fmt.Sprint("i", rapid.IntRange(1, 12).Draw(t, "id"))}
				return test{c, func(i item) bool { return i.id == c.ID }}
			}
			v := float64(rapid.IntRange(0, 4).Draw(t, "value"))
			c := view.QuantityIs{Param: "value", Prefix: view.Greater, Value: v, Code: rapid.SampledFrom([]string{"", "mm", "kg"}).Draw(t, "unit")}
			return test{c, func(i item) bool { return i.quantity > v && c.Code != "kg" }}
		})
		filters := rapid.SliceOfN(rapid.SliceOfN(condition, 1, 3), 0, 3).Draw(t, "filters")
		q := view.Query{Type: typ, Count: 100, Total: true}
		for _, f := range filters {
			var g view.Filter
			for _, c := range f {
				g = append(g, c.cond)
			}
			q.Filters = append(q.Filters, g)
		}
		want := []string{}
		for _, it := range items {
			all := true
			for _, f := range filters {
				one := false
				for _, c := range f {
					one = one || c.is(it)
				}
				all = all && one
			}
			if all {
				want = append(want, it.id)
			}
		}
		page := w.search(q)
		if got := ids(page.Rows); !reflect.DeepEqual(got, want) || page.Total != len(want) {
			t.Fatalf("got %v of %d, want %v", got, page.Total, want)
		}
		q.Count = 0
		if n := w.search(q).Total; n != len(want) {
			t.Fatalf("total alone is %d, want %d", n, len(want))
		}
	})
}

// TestFrequentValues has more resources with one value than a search sorts, so that the
// search walks in the order of the answer instead.
func TestFrequentValues(t *testing.T) {
	w := open(t)
	const n = 4500
	var list []fhir.Resource
	for i := range n {
		ix := fhir.Index{Tokens: []fhir.Token{{Param: "status", System: "s", Code: "final"}}}
		if i%1000 == 7 {
			ix.Tokens = append(ix.Tokens, fhir.Token{Param: "code", System: "s", Code: "rare"})
		}
		list = append(list, resource("Observation", fmt.Sprint(i), "", "", ix))
	}
	w.put(at(0), list...)
	final, rare := view.Filter{view.TokenIs{Param: "status", Code: "final"}}, view.Filter{view.TokenIs{Param: "code", Code: "rare"}}
	page := w.search(view.Query{Type: "Observation", Filters: []view.Filter{final}, Count: 3, Total: true})
	if got := ids(page.Rows); !reflect.DeepEqual(got, []string{"0", "1", "2"}) || page.Total != n || !page.More {
		t.Errorf("frequent: %v of %d", got, page.Total)
	}
	page = w.search(view.Query{Type: "Observation", Filters: []view.Filter{final, rare}, Count: 3, Total: true})
	if got := ids(page.Rows); !reflect.DeepEqual(got, []string{"7", "1007", "2007"}) || page.Total != 5 {
		t.Errorf("frequent and rare: %v of %d", got, page.Total)
	}
	page = w.search(view.Query{Type: "Observation", Filters: []view.Filter{append(rare, final...)}, Count: 3, Total: true, After: page.Next})
	if got := ids(page.Rows); !reflect.DeepEqual(got, []string{"2008", "2009", "2010"}) || page.Total != n {
		t.Errorf("frequent or rare: %v of %d", got, page.Total)
	}
}

// TestPagingLosesNothing pages while resources change, also within the same millisecond:
// when the pages end, the reader has the newest version of everything.
func TestPagingLosesNothing(t *testing.T) {
	w := open(t)
	rapid.Check(t, func(t *rapid.T) {
		w.t = t
		typ, now := fmt.Sprint("Type", w.seq), int(w.seq)*10
		newest := map[string]int{}
		open := map[string]bool{}
		change := func(label string) {
			id := fmt.Sprint(rapid.IntRange(1, 8).Draw(t, label))
			newest[id]++
			open[id] = rapid.Bool().Draw(t, "open")
			ix := fhir.Index{}
			if open[id] {
				ix.Tokens = []fhir.Token{{Param: "state", Code: "open"}}
			}
			now += rapid.IntRange(0, 1).Draw(t, "later")
			w.put(at(now), resource(typ, id, "p", fmt.Sprint(newest[id]), ix))
		}
		for i := rapid.IntRange(1, 12).Draw(t, "before"); i > 0; i-- {
			change("id")
		}
		q := view.Query{Type: typ, Count: rapid.IntRange(1, 3).Draw(t, "count"), Filters: []view.Filter{{view.TokenIs{Param: "state", Code: "open"}}}}
		seen, last := map[string]int{}, view.Cursor{}
		for pages := 0; ; pages++ {
			page := w.search(q)
			for _, r := range page.Rows {
				if r.Version <= seen[r.ID] {
					t.Fatalf("version %d of %s came after version %d", r.Version, r.ID, seen[r.ID])
				}
				seen[r.ID] = r.Version
				if r.Updated.Before(last.Updated) {
					t.Fatal("the order steps back")
				}
				last.Updated = r.Updated
			}
			if !page.More {
				break
			}
			q.After = page.Next
			if pages < 6 && rapid.Bool().Draw(t, "changes") {
				change("id")
			}
		}
		for id, v := range newest {
			if open[id] && seen[id] != v {
				t.Fatalf("%s: the reader has version %d, there is %d", id, seen[id], v)
			}
		}
	})
}

// TestSearchTellsItsTime checks that rows and watermark are of one state.
func TestSearchTellsItsTime(t *testing.T) {
	w := open(t)
	if p := w.search(view.Query{Type: "Device", Count: 5}); !p.Watermark.IsZero() || p.Seq != 0 || p.Total != 0 {
		t.Errorf("an empty view answers %+v", p)
	}
	const n = 40
	done := make(chan error, 1)
	go func() {
		for i := range n {
			if err := w.tryPut(at(i), resource("Device", fmt.Sprint(i), "", "", fhir.Index{})); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	for running := true; running; {
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
			running = false
		default:
		}
		p, err := w.store.Search(context.Background(), view.Query{Type: "Device", Count: 1000})
		if err != nil {
			t.Fatal(err)
		}
		if uint64(len(p.Rows)) != p.Seq {
			t.Fatalf("%d rows at event %d", len(p.Rows), p.Seq)
		}
		if k := len(p.Rows); k > 0 && !p.Watermark.Equal(p.Rows[k-1].Updated) {
			t.Fatalf("watermark %v, newest row %v", p.Watermark, p.Rows[k-1].Updated)
		}
		time.Sleep(time.Millisecond)
	}
}
