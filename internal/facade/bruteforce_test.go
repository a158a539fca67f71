package facade_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/internal/facade"
	"cannulary/internal/oracle/search"
)

// asked is a search with the server's answer.
type asked struct {
	typ    string
	query  url.Values
	keys   []string // sorted
	status int
	agreed bool
}

func (w *world) any(r *rand.Rand, typ string) *search.Resource {
	list := w.c.All(typ)
	if len(list) == 0 {
		return nil
	}
	return list[r.IntN(len(list))]
}

// differences gathers where server and reference differ, one line for each kind of query.
type differences struct {
	first map[string]string
	n     map[string]int
}

func (d *differences) add(kind, line string) {
	if d.first == nil {
		d.first, d.n = map[string]string{}, map[string]int{}
	}
	if d.n[kind]++; d.n[kind] == 1 {
		d.first[kind] = line
	}
}

func (d *differences) report(t *testing.T) {
	t.Helper()
	for _, kind := range slices.Sorted(maps.Keys(d.first)) {
		t.Errorf("%s (%d times)\n    %s", kind, d.n[kind], d.first[kind])
	}
}

// wide tells that the server refused a chain because too many resources match what stands
// behind the dot, which R4 leaves to it.
func (w *world) wide(typ string, q url.Values) bool {
	return strings.Contains(q.Encode(), ".") && strings.Contains(w.refusal(typ, q), "more than 500 resources")
}

// standing are the differences that are known and not mended yet, each with the words of R4
// that it is against. What they explain is counted and not reported; one that explains
// nothing any more is to be taken off the list.
func (w *world) standing() []*standing {
	return nil
}

type standing struct {
	what string
	is   func(typ string, q url.Values, got asked) bool
	n    int
}

// explained tells that a known difference stands behind one.
func (w *world) explained(typ string, q url.Values, got asked) bool {
	for _, s := range w.known {
		if s.is(typ, q, got) {
			s.n++
			return true
		}
	}
	return false
}

// compare asks both and notes a difference under the kind.
func (w *world) compare(d *differences, kind, typ string, q url.Values, count int) asked {
	got := asked{typ: typ, query: q}
	matches, _, status := w.search(typ, q, count)
	got.status, got.keys = status, slices.Sorted(slices.Values(matches))
	want, err := w.c.Search(typ, q)
	shown := typ + "?" + strings.NewReplacer("%7C", "|", "%3A", ":", "%2F", "/", "%2C", ",", "%24", "$", "%5C", `\`).Replace(q.Encode())
	got.agreed = err == nil && status == 200 && slices.Equal(got.keys, want)
	switch {
	case got.agreed, err == nil && status == 400 && w.wide(typ, q), err != nil && status == 400:
	case w.explained(typ, q, got):
	case err != nil && status == 200:
		d.add(kind, fmt.Sprintf("%s is answered with %d resources; %v", shown, len(matches), err))
	case err == nil && status != 200:
		d.add(kind, fmt.Sprintf("%s is answered with %d; it finds %d: %s", shown, status, len(want), w.refusal(typ, q)))
	case err == nil && !slices.Equal(got.keys, want):
		extra, missing := without(got.keys, want), without(want, got.keys)
		line := fmt.Sprintf("%s: server %d, R4 %d", shown, len(got.keys), len(want))
		if len(missing) > 0 {
			line += fmt.Sprintf("; not found %d: %s", len(missing), w.about(missing[0], q))
		}
		if len(extra) > 0 {
			line += fmt.Sprintf("; found too %d: %s", len(extra), w.about(extra[0], q))
		}
		if len(slices.Compact(slices.Clone(got.keys))) < len(got.keys) {
			line += "; some come twice"
		}
		d.add(kind, line)
	}
	return got
}

func (w *world) refusal(typ string, q url.Values) string {
	a := w.get("/" + typ + "?" + q.Encode())
	_, text, _ := outcome(w.t, a)
	return text
}

// about shows a resource's values of the parameters that were asked for.
func (w *world) about(key string, q url.Values) string {
	r := w.c.Get(key)
	if r == nil {
		return key + ", which is not there"
	}
	out := key
	for name := range q {
		plain, _, _ := strings.Cut(strings.ReplaceAll(name, ":", "."), ".")
		out += fmt.Sprintf(" %s=%.200s", plain, fmt.Sprintf("%+v", w.c.Values(r, plain)))
	}
	return out
}

func without(list, other []string) []string {
	return slices.DeleteFunc(slices.Clone(list), func(s string) bool { return slices.Contains(other, s) })
}

// TestSearchAsR4Says compares the facade's searches over a real unit's view with those of
// package oracle/search, which reads R4's page on search and walks the resources' JSON.
func TestSearchAsR4Says(t *testing.T) {
	w := newWorld(t)
	w.known = w.standing()
	var log []asked
	// What was thought of comes first: it tells most mutants, and soon.
	t.Run("by hand", func(t *testing.T) { w.t = t; log = append(log, w.byHand(t)...) })
	t.Run("mixed", func(t *testing.T) { w.t = t; log = append(log, w.mixed(t, 12)...) })
	t.Run("every form", func(t *testing.T) { w.t = t; log = append(log, w.everyForm(t)...) })
	t.Run("parts and includes", func(t *testing.T) { w.t = t; w.partsAndIncludes(t) })
	t.Run("mutants", func(t *testing.T) { w.mutants(t, log) })
	for _, s := range w.known {
		t.Logf("known and not mended, %d times: %s", s.n, s.what)
		if s.n == 0 {
			t.Errorf("take it off the list: %s", s.what)
		}
	}
}

// neverFound reports why a form cannot find anything, empty where it can.
func neverFound(typ string, p *facade.Param, form string) string {
	switch {
	case form == "|code" && slices.Contains([]string{"status", "severity"}, p.Name), form == "|code" && typ == "Group" && p.Name == "type":
		return "a code has the system of its value set, and is refused with any other"
	}
	return ""
}

// everyForm asks for every parameter of every type in every form, until it has found
// something, and for a few times nothing.
func (w *world) everyForm(t *testing.T) []asked {
	// Ids differ from run to run, and so does what is drawn. What is found at all is mostly found soon;
	// the rarest, a report whose period is known to the second, within some hundred queries.
	const tries = 6000
	began := time.Now()
	d := newDraw(w, 11)
	var diff differences
	var log []asked
	found, empty, combinations := 0, 0, 0
	for _, typ := range facade.Types() {
		for i := range typ.Params {
			p := &typ.Params[i]
			if kind, ok := search.Has(typ.Name, p.Name); !ok || string(kind) != string(p.Type) {
				t.Errorf("%s of %s is %q in the table, the reference has %q", p.Name, typ.Name, p.Type, kind)
				continue
			}
			for _, form := range forms(p) {
				key := typ.Name + " " + p.Name + " " + form
				combinations++
				n := [2]int{}
				never := neverFound(typ.Name, p, form) != ""
				tries := tries
				if form == "part" && p.Type == facade.URIParam {
					tries = 100 // need not find anything, see below
				}
				for k := 0; k < tries && !(never && k > 5) && (n[0] == 0 || n[1] == 0 && k < emptyTries()); k++ {
					r := w.any(d.Rand, typ.Name)
					if d.exact = k%3 == 0; k%3 < 2 {
						r = d.having(typ.Name, p.Name)
					}
					x := d.term(r, typ.Name, p, form)
					got := w.compare(&diff, key, typ.Name, url.Values{x.name: {x.value}}, 1000)
					log = append(log, got)
					if got.status == 200 {
						n[btoi(len(got.keys) == 0)]++
					}
				}
				found, empty = found+n[0], empty+n[1]
				if form == "part" && p.Type == facade.URIParam {
					continue // the entire URI must match: a part finds only where it happens to be another one
				}
				if why := neverFound(typ.Name, p, form); (why != "") != (n[0] == 0) {
					t.Errorf("%s: found something in %d of %d queries; why it cannot: %q", key, n[0], n[0]+n[1], why)
				}
			}
		}
	}
	t.Logf("%d combinations, %d queries: %d with and %d without a result", combinations, len(log), found, empty)
	t.Logf("in %v", time.Since(began).Round(time.Millisecond))
	diff.report(t)
	return log
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// mixed asks for one to four parameters at once, some of them repeated, all pages followed
// with some _count.
func (w *world) mixed(t *testing.T, seed uint64) []asked {
	d := newDraw(w, seed)
	var diff differences
	var log []asked
	found := map[int]int{}
	types := facade.Types()
	for range mixedQueries() {
		typ := &types[d.IntN(len(types))]
		if d.IntN(2) == 0 {
			name := []string{"Observation", "Procedure"}[d.IntN(2)]
			typ = &types[slices.IndexFunc(types, func(t facade.Type) bool { return t.Name == name })]
		}
		r := w.any(d.Rand, typ.Name)
		q := url.Values{}
		var kinds []string
		var p *facade.Param
		for range 1 + d.IntN(4) {
			if p == nil || d.IntN(4) > 0 {
				p = &typ.Params[d.IntN(len(typ.Params))]
			}
			f := forms(p)
			x := d.term(r, typ.Name, p, f[d.IntN(len(f))])
			q.Add(x.name, x.value)
			kinds = append(kinds, p.Name+" "+x.form)
		}
		slices.Sort(kinds)
		expect, _ := w.c.Search(typ.Name, q)
		count := 1 + len(expect)/8 + d.IntN(20)
		got := w.compare(&diff, typ.Name+" "+strings.Join(kinds, " & "), typ.Name, q, count)
		log = append(log, got)
		if len(got.keys) > 0 {
			found[len(kinds)]++
		}
	}
	t.Logf("%d queries; with a result by number of parameters: %v", len(log), found)
	diff.report(t)
	return log
}

// byHand asks what chance asks too seldom: after merged patients, for equal ids of different
// types, on days of 23 and 25 hours, at the borders of precisions.
func (w *world) byHand(t *testing.T) []asked {
	merged := ""
	for _, id := range w.ids["Patient"] {
		if survivor := w.c.Survivor(id); survivor != id {
			merged = id
			for _, typ := range []string{"Procedure", "Observation", "BodyStructure"} {
				if keys, err := w.c.Search(typ, url.Values{"patient": {survivor}}); err != nil || len(keys) == 0 {
					merged = ""
				}
			}
		}
		if merged != "" {
			break
		}
	}
	if merged == "" {
		t.Fatal("nobody with tracks was merged")
	}
	var log []asked
	var diff differences
	for _, x := range []struct{ typ, query string }{
		{"Procedure", "patient=" + merged}, {"Procedure", "subject=Patient/" + merged}, {"Observation", "patient:Patient=" + merged}, {"BodyStructure", "patient=nobody," + merged}, {"Procedure", "patient._id=" + merged},
		{"Patient", "_id=" + merged}, {"Patient", "link=" + merged}, {"Provenance", "target=Patient/" + merged}, {"Provenance", "patient=" + merged},
		{"Provenance", "target=Device/bare"}, {"Provenance", "target=Patient/bare"}, {"Provenance", "target=bare"}, {"Provenance", "target:Location=bare"}, {"Provenance", "patient=bare"},
		{"Flag", "date=lt2024-10-27T00:00:01%2B01:00"}, {"DetectedIssue", "identified=lt2024-10-27T00:00:01%2B01:00"},
		{"Procedure", "date=2024-10-27"}, {"Procedure", "date=sa2024-10-27"}, {"Procedure", "date=gt2024-10-27&date=lt2024-10-28T12:00"}, {"Procedure", "date=2025-03-30"}, {"Procedure", "date=ge2025-03-30T01:30"}, {"Procedure", "date=eb2025-03-31"},
		// Where the clocks change and where they show another day.
		{"Procedure", "date=gt2025-03-30T22:59:59Z"}, {"Procedure", "date=gt2025-03-30T22:59:58Z"}, {"Procedure", "date=eb2025-03-30T23:00:00Z"}, {"Procedure", "date=lt2025-03-30T00:00:01%2B01:00"},
		{"Procedure", "date=2025-02-04"}, {"Procedure", "date=ne2025-02-04"}, {"Procedure", "date=sa2025-02-03"}, {"Procedure", "date=eb2025-02-05"}, {"Procedure", "date=2025-02-04T00:30"}, {"Procedure", "date=2025-02-03T15:30Z"},
		{"Procedure", "date=ge2025-02-04T00:00:00%2B09:00&date=le2025-02-04T23:59:59%2B09:00"}, {"Procedure", "date=gt2025-02-04T14:59:58Z&date=lt2025-02-04T00:00:01%2B09:00"}, {"Procedure", "date=2025-03-09"}, {"Procedure", "date=gt2025-03-10T03:59:58Z"}, {"Procedure", "date=gt2025-03-10T03:59:59Z"},
		{"Procedure", "date=2024-10-27"}, {"Procedure", "date=2024-10-26"}, {"Procedure", "date=ge2024-10-27T01:30&date=lt2024-10-27T02:00"}, {"Procedure", "date=2025-03"},
		{"Procedure", "date=2024"}, {"Procedure", "date=ne2024"}, {"Procedure", "date=le2024"}, {"Procedure", "date=ge2025-02"}, {"Procedure", "date=2025-02-03T07:30:00.25Z"}, {"Procedure", "date=2025-02-03T07:30:00.250000Z"},
		{"Observation", "combo-value-quantity=ne100"}, {"Observation", "value-quantity=5.4"}, {"Observation", "value-quantity=5.40"}, {"Observation", "value-quantity=100"}, {"Observation", "value-quantity=1e2"}, {"Observation", "value-quantity=1.0e2"},
		{"Observation", "value-quantity=ge99.5&value-quantity=lt100.5"}, {"Observation", "value-quantity=0.3"}, {"Observation", "component-value-quantity=0.30000000000000004"}, {"Observation", "component-value-quantity=gt0.3&component-value-quantity=lt0.31"}, {"Observation", "component-value-quantity=1e21"}, {"Observation", "component-value-quantity=-1.5"},
		// What chance finds late to tell a wrong reading.
		{"Organization", "name=%C3%9Ani"}, {"Organization", "name=twin"}, {"Organization", "name:exact=twin"}, {"Organization", "name:exact=%C3%9ANIT"},
		{"StructureDefinition", "url=https://cannulary.example/fhir/StructureDef"}, {"Observation", "combo-code=e%26f%3Dg"},
		{"Observation", "status=amended&status=final"}, {"Procedure", "encounter:identifier=A-2025-03-10-S1C001"}, {"Patient", "link.active:not=false,true"},
		{"Observation", "code-value-concept=https://cannulary.example/fhir/CodeSystem/cannulary|$https://cannulary.example/fhir/CodeSystem/cannulary|"},
		{"Observation", "component-code-value-quantity=https://cannulary.example/fhir/CodeSystem/cannulary|pain-score$eq5"},
		{"Procedure", "date=2025"}, {"Procedure", "date=sa2025"}, {"Observation", "value-quantity=gt118"}, {"Observation", "value-quantity=ne118||mm[Hg]"},
		{"Observation", "identifier=|100%25"}, {"Patient", "identifier:not=a,b"}, {"Patient", "identifier=Ab"}, {"Patient", "identifier=back%5C%5Cslash"},
		{"Patient", "identifier=urn:oid:2.999.1|e%26f%3Dg"},
		// What the standing differences are about.
		{"Organization", "name=%C3%9ANIT+S"}, {"Organization", "name:contains=nit"}, {"Observation", "combo-value-quantity=gt1||mmHg"}, {"BodyStructure", "patient.active:not=true"},
		{"Observation", "status=final&status=amended"}, {"Observation", "status=final,amended"}, {"Observation", "status=final&status=final"}, {"Observation", "code=a,b&code=ab"},
		{"Observation", `component-code=x\|y`}, {"Observation", `component-code=x|y`}, {"Observation", `component-code=back\\slash`}, {"Observation", `component-code=back\slash`}, {"Observation", `component-code=a\,b,b`}, {"Observation", `component-code=\`},
		{"Observation", `component-code=%C5%BF`}, {"Observation", "component-code=%252C"}, {"Observation", "component-code=under_score"}, {"Observation", "component-code=under%25score"},
	} {
		q, err := url.ParseQuery(strings.ReplaceAll(x.query, `\\`, `\`))
		if err != nil {
			t.Fatal(err)
		}
		log = append(log, w.compare(&diff, x.typ+"?"+x.query, x.typ, q, 7))
	}
	diff.report(t)
	return log
}

// partsAndIncludes checks page by page what comes beside the matches and what is left of
// them: _include, _revinclude, _elements and _summary.
func (w *world) partsAndIncludes(t *testing.T) {
	d := newDraw(w, 13)
	types := facade.Types()
	included, cut := 0, 0
	for n := range mixedQueries() / 5 {
		typ := &types[d.IntN(len(types))]
		q := url.Values{"_count": {fmt.Sprint(1 + d.IntN(30))}}
		if ids := w.ids[typ.Name]; len(ids) > 40 {
			q.Set("_id", strings.Join(ids[d.IntN(len(ids)-20):][:20], ","))
		}
		var includes []string
		for _, p := range typ.Includes() {
			includes = append(includes, typ.Name+":"+p)
			for _, target := range typ.Param(p).Targets {
				includes = append(includes, typ.Name+":"+p+":"+target)
			}
		}
		summary, elements := "", []string(nil)
		switch d.IntN(6) {
		case 0, 1:
			summary = []string{"true", "data", "text"}[d.IntN(3)]
			q.Set("_summary", summary)
		case 2:
			for range 1 + d.IntN(3) {
				elements = append(elements, []string{"code", "status", "identifier", "subject", "value[x]", "component", "name", "period", "link", "nonsense"}[d.IntN(9)])
			}
			elements = slices.DeleteFunc(elements, func(e string) bool { return strings.Contains(e, "[") })
			if len(elements) > 0 {
				q.Set("_elements", strings.Join(elements, ","))
			}
		}
		reverse := facade.RevIncludes(types, typ.Name)
		if summary != "text" { // R4 does not let it be mixed with includes
			for range d.IntN(3) {
				if len(includes) > 0 {
					q.Add("_include", includes[d.IntN(len(includes))])
				}
				if len(reverse) > 0 && d.IntN(2) == 0 {
					q.Add("_revinclude", reverse[d.IntN(len(reverse))])
				}
			}
		}
		for path := "/" + typ.Name + "?" + q.Encode(); path != ""; {
			a := w.get(path)
			b := w.bundle(a)
			var raw struct {
				Entry []struct {
					Resource map[string]json.RawMessage
					Search   struct{ Mode string }
				}
			}
			if err := json.Unmarshal(a.body, &raw); err != nil {
				t.Fatal(err)
			}
			var matches, beside []string
			for i, e := range b.Entry {
				key := e.Resource.ResourceType + "/" + e.Resource.ID
				has := slices.Sorted(maps.Keys(raw.Entry[i].Resource))
				switch e.Search.Mode {
				case "match":
					matches = append(matches, key)
					if r := w.c.Get(key); summary != "" || len(elements) > 0 {
						want := w.c.Kept(r, summary, elements)
						if !slices.Contains(want, "meta") { // it comes with the tag
							has = without(has, []string{"meta"})
						}
						cut += len(r.Body) - len(want)
						if !slices.Equal(has, want) {
							t.Errorf("%d %s: %s has %v, not %v", n, path, key, has, want)
						}
						if tagged := strings.Contains(string(raw.Entry[i].Resource["meta"]), `"SUBSETTED"`); !tagged && len(want) < len(r.Body) {
							t.Errorf("%d %s: %s was cut and does not say so: %s", n, path, key, raw.Entry[i].Resource["meta"])
						}
					}
				case "include":
					beside = append(beside, key)
				}
			}
			want, err := w.c.Included(matches, q["_include"], q["_revinclude"])
			if err != nil {
				t.Fatal(err)
			}
			included += len(want)
			slices.Sort(beside)
			if !slices.Equal(beside, want) && !w.explained(typ.Name, q, asked{}) {
				t.Errorf("%d %s: beside %d matches the server has %d, R4 %d; not there: %v; too many: %v", n, path, len(matches), len(beside), len(want), without(want, beside), without(beside, want))
			}
			if path = b.link("next"); path != "" {
				path = follow(t, path)
			}
			if t.Failed() && n > 200 {
				return
			}
		}
	}
	t.Logf("%d resources were included, %d elements cut", included, cut)
	if included == 0 || cut == 0 {
		t.Error("nothing was included or cut")
	}
}

// mutants checks that the queries tell every wrong reading of the rules from the server's.
func (w *world) mutants(t *testing.T, log []asked) {
	for _, m := range search.Mutants() {
		c := w.c.With(m)
		tells := func(x asked) bool {
			keys, err := c.Search(x.typ, x.query)
			return err == nil && x.agreed && !slices.Equal(keys, x.keys)
		}
		told := slices.IndexFunc(log, tells)
		// Ids differ from run to run, and with them what chance asks: a rare mutant may want
		// more of it.
		for seed := uint64(100); told < 0 && seed < 105; seed++ {
			before := len(log)
			log = append(log, w.mixed(t, seed)...)
			if told = slices.IndexFunc(log[before:], tells); told >= 0 {
				told += before
			}
		}
		if told < 0 {
			t.Errorf("%d queries do not tell that %s", len(log), m)
			continue
		}
		t.Logf("query %4d tells that %s: %s?%v", told+1, m, log[told].typ, log[told].query)
	}
}
