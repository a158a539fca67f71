package facade_test

import (
	"fmt"
	"net/url"
	"strings"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/facade"
)

// many are so many ids.
func many(n int) []string {
	out := make([]string, 0, n)
	for i := range n {
		out = append(out, fmt.Sprintf("n%d", i))
	}
	return out
}

// A bare id of a Provenance's target may be of a dozen types. As many values as a search may
// have must be answered, whichever the parameter.
func TestASearchMayHaveAsManyValuesAsItSays(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Provenance", "of-n7", "p", "", fhir.Index{References: []fhir.Reference{{Param: "target", Type: "Flag", ID: "n7"}}}),
		resource("Provenance", "of-other", "p", "", fhir.Index{References: []fhir.Reference{{Param: "target", Type: "Flag", ID: "other"}}}))
	all := strings.Join(many(200), ",")
	if got := s.bundle(s.get("/Provenance?target=" + all)).ids(); got != "Provenance/of-n7" {
		t.Errorf("200 bare ids find %q", got)
	}
	if got := s.bundle(s.get("/Provenance?target=" + all + "&_count=0")); got.Total == nil || *got.Total != 1 {
		t.Errorf("200 bare ids count %v", got.Total)
	}
	tried := map[string]bool{} // one parameter of each shape is enough
	types := facade.Types()
	for i := range types {
		for _, p := range types[i].Params {
			shape := fmt.Sprint(p.Type, len(p.Targets), len(p.Pairs), p.Compartment, p.Logical, types[i].Published)
			if tried[shape] {
				continue
			}
			tried[shape] = true
			name, value := p.Name, "a"
			switch p.Type {
			case facade.CompositeParam:
				value = "a$5"
			case facade.DateParam:
				value = "2027-03-01"
			case facade.QuantityParam:
				value = "5"
			}
			if p.Logical {
				name += ":identifier"
			}
			path := "/" + types[i].Name + "?" + name + "=" + url.QueryEscape(strings.TrimSuffix(strings.Repeat(value+",", 200), ","))
			if a := s.get(path); a.status != 200 {
				t.Errorf("%.60s: %d %.200s", path, a.status, a.body)
			}
		}
	}
}

// A chain brings up to 500 references for one value: two of them are answered, more are
// refused with what to do, and none fails.
func TestManyChains(t *testing.T) {
	s := newService(t)
	var list []fhir.Resource
	status := fhir.Index{Tokens: []fhir.Token{{Param: "status", Code: "completed"}}}
	for _, id := range many(500) {
		list = append(list, resource("Procedure", id, "p", "", status))
	}
	s.put(at(0), list...)
	s.put(at(1), resource("Procedure", "part", "p", "", fhir.Index{References: []fhir.Reference{{Param: "part-of", Type: "Procedure", ID: "n499"}}}))
	const chain = "part-of.status=completed"
	for n := 1; n <= 2; n++ {
		if got := s.bundle(s.get("/Procedure?" + strings.Repeat(chain+"&", n))).ids(); got != "Procedure/part" {
			t.Errorf("%d chains find %q", n, got)
		}
	}
	a := s.get("/Procedure?" + strings.Repeat(chain+"&", 3))
	code, text, _ := outcome(t, a)
	if a.status != 400 || code != "too-costly" || text != "the search asks for more than 1000 things, chains that lead over many resources included; split it" {
		t.Errorf("3 chains: %d %s %s", a.status, code, text)
	}
}

// An include is a statement of its own: written a thousand times it is still one.
func TestTheSameIncludeIsFollowedOnce(t *testing.T) {
	s := newService(t)
	refer := func(id string) fhir.Index {
		return fhir.Index{References: []fhir.Reference{{Param: "part-of", Type: "Procedure", ID: id}}}
	}
	s.put(at(0), resource("Procedure", "a", "p", "", fhir.Index{}), resource("Procedure", "b", "p", "", refer("a")))
	for _, include := range []string{"_include=Procedure:part-of", "_revinclude=Procedure:part-of", "_include=Procedure:part-of:Procedure"} {
		once := s.get("/Procedure?_id=a,b&_count=1&" + include)
		often := s.get("/Procedure?_id=a,b&_count=1&" + strings.Repeat(include+"&", 1000))
		if a, b := s.bundle(once).ids(), s.bundle(often).ids(); a != b {
			t.Errorf("%s: once %q, often %q", include, a, b)
		}
	}
}

func TestAChainOverAMergedPatientSaysSo(t *testing.T) {
	s := newService(t, func(c *facade.Config) {
		c.Survivor = func(id string) string { return strings.Replace(id, "old", "p", 1) }
	})
	s.put(at(0), resource("Procedure", "session", "p", "", fhir.Index{}),
		resource("Procedure", "insertion", "p", "", fhir.Index{References: []fhir.Reference{{Param: "part-of", Type: "Procedure", ID: "session"}}}))
	b := s.bundle(s.get("/Procedure?part-of.patient=Patient/old"))
	if want := "information: Patient/old was merged into Patient/p; the answer is that of Patient/p"; b.ids() != "Procedure/insertion" || b.outcomes() != want {
		t.Errorf("%q, %q; want %q", b.ids(), b.outcomes(), want)
	}
}

// What a view could not read in one statement is refused when the export begins, not hours
// later.
func TestATypeFilterThatAsksTooMuchIsRefusedAtTheBeginning(t *testing.T) {
	x := newExporter(t, true)
	values := strings.Join(many(200), ",")
	for _, c := range []struct{ filter, text string }{
		{strings.TrimSuffix(strings.Repeat("Flag?status=active,", 101), ","), "_typeFilter: there are more than 100 searches; join values with commas in one search, or split the export"},
		{strings.TrimSuffix(strings.Repeat("Flag?identifier="+values+",", 6), ","), "_typeFilter: the searches of Flag ask for more than 1000 things, chains that lead over many resources included; split the export"},
	} {
		a := x.get("/$export?_typeFilter="+url.QueryEscape(c.filter), "Prefer", "respond-async")
		if code, text, where := outcome(t, a); a.status != 400 || code != "too-costly" || text != c.text || where != "http._typeFilter" {
			t.Errorf("%.60s: %d %s %s at %s", c.filter, a.status, code, text, where)
		}
	}
}
