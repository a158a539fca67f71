package view_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/view"
)

// An event that gives more versions than a page holds: each is read as it was put, the old ones
// and the new ones, in the transaction and after it.
func TestEveryVersionIsReadAsItWasPut(t *testing.T) {
	w, ctx := open(t), context.Background()
	const n = 100
	want := map[string][]byte{}
	for version := 1; version <= 2; version++ {
		tx, err := w.store.Begin(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for i := range n {
			r := resource("Observation", fmt.Sprintf("%032x", i), "p", fmt.Sprint(version, " of ", i), fhir.Index{})
			r.Profile = fhir.Base
			if v, changed, err := tx.Put(r, uint64(version), at(version)); v != version || !changed || err != nil {
				t.Fatal(v, changed, err)
			}
			body := fhir.WithMeta(r.Body, r.ID, r.Profile, version, at(version))
			want[fmt.Sprint(r.ID, version)] = body
			// One of the page that is open, and one of a page that is written.
			for _, k := range []string{r.ID, fmt.Sprintf("%032x", 0)} {
				if got, err := tx.Body(view.ResourceKey{Type: r.Type, ID: k}); err != nil || !bytes.Equal(got, want[fmt.Sprint(k, version)]) {
					t.Fatalf("in the transaction %s is %s, %v", k, got, err)
				}
			}
		}
		if err := tx.Commit(); err != nil {
			t.Fatal(err)
		}
	}
	for i := range n {
		for version := 1; version <= 2; version++ {
			id := fmt.Sprintf("%032x", i)
			row, ok, err := w.store.Version(ctx, "Observation", id, version)
			if err != nil || !ok || row.ID != id || row.Patient != "p" || !bytes.Equal(row.Body, want[fmt.Sprint(id, version)]) {
				t.Errorf("version %d of %s: %+v %v %v", version, id, row, ok, err)
			}
		}
	}
}

// What is taken back leaves nothing behind: its page, rows and numbers are given again.
func TestATransactionThatIsTakenBackLeavesNothing(t *testing.T) {
	w, ctx := open(t), context.Background()
	refer := func(to string) fhir.Index { return fhir.Index{References: []fhir.Reference{ref("focus", "X", to)}} }
	tx, err := w.store.Begin(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"a", "b"} {
		if _, _, err := tx.Put(resource("Observation", id, "p", "gone", refer("one")), 1, at(0)); err != nil {
			t.Fatal(err)
		}
	}
	tx.Rollback()
	w.put(at(0), resource("Observation", "b", "q", "stays", refer("two")))
	for target, want := range map[string]string{"one": "[]", "two": "[b]"} {
		if got := fmt.Sprint(ids(w.search(view.Query{Type: "Observation", Count: 9, Filters: []view.Filter{{view.ReferenceIs{Param: "focus",
			Types: []string{"X"}, ID: target}}}}).Rows)); got != want {
			t.Errorf("about %s: %s, want %s", target, got, want)
		}
	}
	if row, ok, err := w.store.Get(ctx, "Observation", "b"); err != nil || !ok || row.Patient != "q" || !bytes.Contains(row.Body,
		[]byte("stays")) {
		t.Errorf("%+v %v %v", row, ok, err)
	}
}

// A resource that others refer to is not there before it comes, and is found by them after.
func TestAResourceThatIsOnlyReferredToIsNotThere(t *testing.T) {
	w, ctx := open(t), context.Background()
	w.put(at(0), resource("Procedure", "a", "p", "", fhir.Index{References: []fhir.Reference{ref("performer", "Practitioner", "ann"),
		ref("part-of", "Procedure", "a")}}))
	including := func() (names []string) {
		page := w.search(view.Query{Type: "Procedure", Count: 9, MaxIncluded: 9, Includes: []view.Include{{Param: "performer"},
			{Param: "part-of"}, {Param: "patient", Compartment: true}}})
		return ids(page.Included)
	}
	counted := func() string {
		c, err := w.store.Counts(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprint(c.Resources)
	}
	if _, ok, err := w.store.Get(ctx, "Practitioner", "ann"); ok || err != nil {
		t.Error("ann is there", err)
	}
	if has, err := w.store.HasPatient(ctx, "p"); has || err != nil {
		t.Error("the patient is there", err)
	}
	if got := fmt.Sprint(including(), counted()); got != "[][{Procedure 1}]" {
		t.Error("before:", got)
	}
	w.put(at(1), resource("Practitioner", "ann", "", "", fhir.Index{}), resource("Patient", "p", "p", "", fhir.Index{}))
	if got := fmt.Sprint(including(), counted()); got != "[p ann][{Patient 1} {Practitioner 1} {Procedure 1}]" {
		t.Error("after:", got)
	}
	back := w.search(view.Query{Type: "Practitioner", Count: 9, MaxIncluded: 9, RevIncludes: []view.RevInclude{{Type: "Procedure",
		Param: "performer"}}})
	if got := fmt.Sprint(ids(back.Rows), ids(back.Included)); got != "[ann] [a]" {
		t.Error("back:", got)
	}
}

// A new version's search values take the place of the old one's, whichever table they are in.
func TestSearchValuesAreReplaced(t *testing.T) {
	w := open(t)
	index := func(v string, ms int) fhir.Index {
		return fhir.Index{
			Tokens: []fhir.Token{{Param: "code", System: "s", Code: v}, {Param: "identifier", System: "s", Code: v}, {Param: "component-code",
				Code: v, Part: 2}},
			References: []fhir.Reference{ref("focus", "X", v), ref("focus", "X", "both")},
			Dates:      []fhir.Period{{Param: "date", Low: at(ms), High: at(ms + 1)}, {Param: "date", Low: at(ms + 10), High: at(ms + 11)}},
			Quantities: []fhir.Quantity{{Param: "component-value-quantity", Value: float64(ms), Part: 2}},
			Strings:    []fhir.Text{{Param: "name", Value: v}},
		}
	}
	conditions := func(v string, ms int) map[string]view.Condition {
		code := view.TokenIs{Param: "component-code", Code: v}
		return map[string]view.Condition{
			"token": view.TokenIs{Param: "code", Code: v}, "identifier": view.TokenIs{Param: "identifier", Code: v},
			"reference": view.ReferenceIs{Param: "focus", Types: []string{"X"}, ID: v},
			"date":      view.DateIs{Param: "date", Prefix: view.Equal, Low: at(ms), High: at(ms + 1)},
			"date 2":    view.DateIs{Param: "date", Prefix: view.Equal, Low: at(ms + 10), High: at(ms + 11)},
			"quantity": view.ComponentIs{Code: code, Value: view.QuantityIs{Param: "component-value-quantity", Prefix: view.GreaterEqual,
				Value: float64(ms)}},
			"string": view.StringIs{Param: "name", Value: v, Match: view.Exactly},
		}
	}
	check := func(v string, ms int, there bool) {
		t.Helper()
		for name, c := range conditions(v, ms) {
			for _, f := range [][]view.Filter{{{c}}, {{view.Not{Of: view.Filter{view.Not{Of: view.Filter{c}}}}}}} {
				if got := ids(w.search(view.Query{Type: "Observation", Count: 9, Filters: f}).Rows); (len(got) == 1) != there {
					t.Errorf("%s %s: %v", name, v, got)
				}
			}
		}
	}
	w.put(at(0), resource("Observation", "o", "p", "1", index("old", 100)))
	check("old", 100, true)
	w.put(at(1), resource("Observation", "o", "p", "2", index("new", 200)))
	check("old", 300, false)
	check("new", 200, true)
	w.put(at(2), resource("Observation", "o", "p", "3", fhir.Index{}))
	check("new", 200, false)
	w.put(at(3), resource("Observation", "o", "p", "4", index("old", 100)))
	check("old", 100, true)
}

// A page that was written with another dictionary cannot be read: whoever changes it raises the
// version, and writes here what it is.
func TestTheDictionaryBelongsToTheSchemaVersion(t *testing.T) {
	data, err := os.ReadFile("dictionary.ndjson")
	if err != nil {
		t.Fatal(err)
	}
	if got, want := fmt.Sprintf("%d %.4x", view.SchemaVersion, sha256.Sum256(data)), "17 a4e09ed4"; got != want {
		t.Errorf("the schema and the sum of the dictionary are %s, written down here are %s. After a new SchemaVersion write the new "+
			"value here. A new dictionary (go generate ./internal/view) needs a new SchemaVersion; a new SchemaVersion needs no new "+
			"dictionary", got, want)
	}
}

// What is no page is reported as damage, whatever it is.
func FuzzUnpacker(f *testing.F) {
	u, err := view.NewUnpacker()
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte{}, 0)
	f.Add([]byte("no page"), 3)
	// Frames that are not packed: of one body, of too many, of a body that is longer than the page.
	frame := func(raw ...byte) []byte {
		return append([]byte{0x28, 0xb5, 0x2f, 0xfd, 0x20, byte(len(raw)), byte(len(raw)<<3 | 1), 0, 0}, raw...)
	}
	f.Add(frame(1, 2, '{', '}'), 0)
	f.Add(frame(33), 0)
	f.Add(frame(1, 9, '{'), 0)
	f.Add(frame(2, 0xff), 1)
	f.Fuzz(func(t *testing.T, page []byte, slot int) {
		if body, err := u.Body(page, slot); err != nil && body != nil {
			t.Errorf("%q with %v", body, err)
		}
	})
}
