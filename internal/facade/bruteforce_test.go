package facade_test

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/internal/facade"
	"cannulary/internal/facade/searchref"
)

// asked is a search with the server's answer.
type asked struct {
	typ    string
	query  url.Values
	keys   []string // sorted
	status int
	agreed bool
}

func (w *world) any(r *rand.Rand, typ string) *searchref.Resource {
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

// compare asks both and notes a difference under the kind.
func (w *world) compare(d *differences, kind, typ string, q url.Values, count int) asked {
	got := asked{typ: typ, query: q}
	matches, _, status := w.search(typ, q, count)
	got.status, got.keys = status, slices.Sorted(slices.Values(matches))
	want, err := w.c.Search(typ, q)
	shown := typ + "?" + strings.NewReplacer("%7C", "|", "%3A", ":", "%2F", "/", "%2C", ",", "%24", "$", "%5C", `\`).Replace(q.Encode())
	got.agreed = err == nil && status == 200 && slices.Equal(got.keys, want)
	switch {
	case got.agreed, err == nil && status == 400 && w.wide(typ, q):
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
// package searchref, which reads R4's page on search and walks the resources' JSON.
func TestSearchAsR4Says(t *testing.T) {
	w := newWorld(t)
	var log []asked
	t.Run("every form", func(t *testing.T) { w.t = t; log = append(log, w.everyForm(t)...) })
	t.Run("mixed", func(t *testing.T) { w.t = t; log = append(log, w.mixed(t)...) })
	t.Run("mutants", func(t *testing.T) { w.mutants(t, log) })
}

// neverFound tells why a form cannot find anything, empty where it can.
func neverFound(typ string, p *facade.Param, form string) string {
	switch {
	case form == "|code" && slices.Contains([]string{"status", "severity"}, p.Name), form == "|code" && typ == "Group" && p.Name == "type":
		return "a code has the system of its value set"
	}
	return ""
}

// everyForm asks for every parameter of every type in every form, until it has found
// something and nothing.
func (w *world) everyForm(t *testing.T) []asked {
	const tries = 30
	began := time.Now()
	d := newDraw(w, 11)
	var diff differences
	var log []asked
	found, empty, combinations := 0, 0, 0
	for _, typ := range facade.Types() {
		for i := range typ.Params {
			p := &typ.Params[i]
			if kind, ok := searchref.Has(typ.Name, p.Name); !ok || string(kind) != string(p.Type) {
				t.Errorf("%s of %s is %q in the table, the reference has %q", p.Name, typ.Name, p.Type, kind)
				continue
			}
			for _, form := range forms(p) {
				key := typ.Name + " " + p.Name + " " + form
				combinations++
				n := [2]int{}
				for k := 0; k < tries && (n[0] == 0 || n[1] == 0 && k < 3); k++ {
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
func (w *world) mixed(t *testing.T) []asked {
	d := newDraw(w, 12)
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

// mutants checks that the queries tell every wrong reading of the rules from the server's.
func (w *world) mutants(t *testing.T, log []asked) {
	for _, m := range searchref.Mutants() {
		c, told := w.c.With(m), -1
		for i, x := range log {
			if keys, err := c.Search(x.typ, x.query); err == nil && x.agreed && !slices.Equal(keys, x.keys) {
				told = i
				break
			}
		}
		if told < 0 {
			t.Errorf("%d queries do not tell that %s", len(log), m)
			continue
		}
		t.Logf("query %4d tells that %s: %s?%v", told+1, m, log[told].typ, log[told].query)
	}
}
