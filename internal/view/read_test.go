package view_test

import (
	"context"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/view"
)

func TestVersions(t *testing.T) {
	w, ctx := open(t), context.Background()
	if _, ok, err := w.store.Get(ctx, "Procedure", "a"); ok || err != nil {
		t.Fatal("an empty view has a resource", ok, err)
	}
	for n := 1; n <= 5; n++ {
		w.put(at(n*1000), resource("Procedure", "a", "p", fmt.Sprint("content ", n), fhir.Index{}))
	}
	w.put(at(9000), resource("Procedure", "b", "p", "other", fhir.Index{}))

	row, ok, err := w.store.Get(ctx, "Procedure", "a")
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	if row.Version != 5 || row.ID != "a" || row.Patient != "p" || !row.Updated.Equal(at(5000)) || !row.Previous.Equal(at(4000)) || row.Seq != 5 {
		t.Errorf("newest version is %+v", row)
	}
	if !strings.Contains(string(row.Body), `"versionId":"5"`) || !strings.Contains(string(row.Body), "content 5") {
		t.Errorf("its body is %s", row.Body)
	}
	if b, _, _ := w.store.Get(ctx, "Procedure", "b"); !b.Previous.IsZero() {
		t.Errorf("a first version has a version before, of %v", b.Previous)
	}
	for v, want := range map[int]bool{0: false, 1: true, 4: true, 5: true, 6: false} {
		got, ok, err := w.store.Version(ctx, "Procedure", "a", v)
		if err != nil || ok != want {
			t.Errorf("version %d: %v %v", v, ok, err)
		}
		if ok && (got.Version != v || !strings.Contains(string(got.Body), fmt.Sprint("content ", v))) {
			t.Errorf("version %d is %d: %s", v, got.Version, got.Body)
		}
	}
}

func TestHistoryPages(t *testing.T) {
	w, ctx := open(t), context.Background()
	for n := 1; n <= 5; n++ {
		w.put(at(n*1000), resource("Procedure", "a", "p", fmt.Sprint("content ", n), fhir.Index{}))
	}
	var got []int
	q := view.HistoryQuery{Type: "Procedure", ID: "a", Count: 2}
	for pages := 1; ; pages++ {
		page, ok, err := w.store.History(ctx, q)
		if err != nil || !ok {
			t.Fatal(ok, err)
		}
		if page.Total != 5 || !page.Watermark.Equal(at(5000)) || page.Seq != 5 {
			t.Errorf("page has total %d, watermark %v, event %d", page.Total, page.Watermark, page.Seq)
		}
		for _, r := range page.Rows {
			got = append(got, r.Version)
		}
		if !page.More {
			if pages != 3 {
				t.Errorf("%d pages", pages)
			}
			break
		}
		q.Before = got[len(got)-1]
	}
	if !reflect.DeepEqual(got, []int{5, 4, 3, 2, 1}) {
		t.Errorf("versions %v", got)
	}
	page, _, err := w.store.History(ctx, view.HistoryQuery{Type: "Procedure", ID: "a", Count: 9, Since: at(4000)})
	if err != nil || len(page.Rows) != 2 || page.Total != 2 || page.More {
		t.Errorf("since the fourth: %d of %d, %v", len(page.Rows), page.Total, err)
	}
	if _, ok, err := w.store.History(ctx, view.HistoryQuery{Type: "Procedure", ID: "z", Count: 9}); ok || err != nil {
		t.Error("history of nothing", ok, err)
	}
}

func TestCounts(t *testing.T) {
	w, ctx := open(t), context.Background()
	c, err := w.store.Counts(ctx)
	if err != nil || !c.Empty || len(c.Resources) != 0 || len(c.Facilities) != 0 {
		t.Fatalf("an empty view counts %+v, %v", c, err)
	}
	w.put(at(1), resource("Procedure", "a", "p", "", fhir.Index{}), resource("Procedure", "b", "p", "", fhir.Index{}), resource("Patient", "p", "p", "", fhir.Index{}))
	tx, err := w.store.Begin(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	for _, err := range []error{
		tx.Quarantine(7, "e7", "p", "not understood", []byte("x")), tx.Aside(8, "e8", "test"),
		tx.SetFacility("harbour", "Europe/Lisbon", "Harbour unit"), tx.HeardFrom("harbour", at(5), at(2)), tx.DayStarted("harbour", "2027-03-02"), tx.Commit(),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if c, err = w.store.Counts(ctx); err != nil {
		t.Fatal(err)
	}
	if c.Empty || c.Quarantine != 1 || c.Aside != 1 || c.Events != 0 || c.Checkpoint.Seq != 1 {
		t.Errorf("counts %+v", c)
	}
	if !reflect.DeepEqual(c.Resources, []view.TypeCount{{Type: "Patient", Count: 1}, {Type: "Procedure", Count: 2}}) {
		t.Errorf("resources %v", c.Resources)
	}
	want := view.Facility{ID: "harbour", Zone: "Europe/Lisbon", Name: "Harbour unit", Day: "2027-03-02", LastLogged: at(5), LastOccurred: at(2), Events: 1}
	if len(c.Facilities) != 1 || c.Facilities[0] != want {
		t.Errorf("facilities %+v", c.Facilities)
	}
	if f, ok, err := w.store.Facility(ctx, "harbour"); f != want || !ok || err != nil {
		t.Errorf("facility %+v %v %v", f, ok, err)
	}
	if _, ok, err := w.store.Facility(ctx, "elsewhere"); ok || err != nil {
		t.Error(ok, err)
	}
}

func ref(param, typ, id string) fhir.Reference {
	return fhir.Reference{Param: param, Type: typ, ID: id}
}

func TestEverything(t *testing.T) {
	w, ctx := open(t), context.Background()
	refs := func(list ...fhir.Reference) fhir.Index { return fhir.Index{References: list} }
	w.put(at(1), resource("Organization", "org", "", "", refs()),
		resource("Location", "loc", "", "", refs(ref("organization", "Organization", "org"))),
		resource("Practitioner", "ann", "", "", refs()), resource("Practitioner", "bob", "", "", refs()), resource("Device", "lot", "", "", refs()))
	w.put(at(2), resource("Patient", "p", "p", "", refs(ref("link", "Patient", "q"))), resource("Patient", "q", "q", "", refs()))
	w.put(at(3), resource("Procedure", "a", "p", "", refs(ref("performer", "Practitioner", "ann"), ref("location", "Location", "loc"), ref("part-of", "Procedure", "x"))),
		resource("Provenance", "ev", "", "", refs(ref("target", "Procedure", "a"))))
	w.put(at(4), resource("Procedure", "x", "q", "", refs(ref("performer", "Practitioner", "bob"))),
		resource("Provenance", "other", "", "", refs(ref("target", "Procedure", "x"), ref("target", "Location", "loc"))))
	w.put(at(5), resource("Observation", "o", "p", "", refs(ref("device", "Device", "lot"))))

	all := func(q view.EverythingQuery) []string {
		t.Helper()
		var out []string
		for {
			page, err := w.store.Everything(ctx, q)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, ids(page.Rows)...)
			if !page.More {
				return out
			}
			q.After = page.Next
		}
	}
	for _, count := range []int{1, 2, 100} {
		// Nothing of q: neither the linked Patient nor the procedure that a refers to.
		if got := all(view.EverythingQuery{Patients: []string{"p"}, Count: count}); !reflect.DeepEqual(got, []string{"org", "loc", "ann", "lot", "p", "a", "ev", "o"}) {
			t.Errorf("everything of p by %d: %v", count, got)
		}
	}
	if got := all(view.EverythingQuery{Patients: []string{"p"}, Count: 9, Types: []string{"Procedure", "Practitioner"}}); !reflect.DeepEqual(got, []string{"ann", "a"}) {
		t.Errorf("by type: %v", got)
	}
	if got := all(view.EverythingQuery{Patients: []string{"p"}, Count: 9, Since: at(3)}); !reflect.DeepEqual(got, []string{"a", "ev", "o"}) {
		t.Errorf("since: %v", got)
	}
	if got := all(view.EverythingQuery{Patients: []string{"p", "q"}, Count: 99}); len(got) != 12 {
		t.Errorf("both: %v", got)
	}
	for _, none := range [][]string{nil, {""}, {"nobody"}} {
		if got := all(view.EverythingQuery{Patients: none, Count: 99}); len(got) != 0 {
			t.Errorf("everything of %q: %v", none, got)
		}
	}
	page, err := w.store.Everything(ctx, view.EverythingQuery{Patients: []string{"p"}, Total: true})
	if err != nil || page.Total != 8 || len(page.Rows) != 0 {
		t.Errorf("total %d, %d rows, %v", page.Total, len(page.Rows), err)
	}
}
