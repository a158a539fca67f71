package facade_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/facade"
)

// raw puts a resource with the body as it is.
func raw(typ, id, patient, rest string, ix fhir.Index) fhir.Resource {
	return fhir.Resource{Type: typ, ID: id, Patient: patient, Index: ix, Body: fmt.Appendf(nil, `{"id":"%s",%s,"resourceType":"%s"}`, id, rest, typ)}
}

func component(code, value string) string {
	return `{"code":{"coding":[{"system":"urn:c","code":"` + code + `"}]},` + value + `}`
}

func coded(code string) string {
	return `"valueCodeableConcept":{"coding":[{"system":"urn:v","code":"` + code + `"}]}`
}

func measured(v string) string {
	return `"valueQuantity":{"value":` + v + `,"system":"http://unitsofmeasure.org","code":"deg"}`
}

// TestComposites checks that code and value must stand in the same component: a track that
// was examined with pus absent and redness present must not be found by "pus present".
func TestComposites(t *testing.T) {
	s := newService(t)
	token := func(p, system, code string) fhir.Token { return fhir.Token{Param: p, System: system, Code: code} }
	in := func(part int, k fhir.Token) fhir.Token { k.Part = part; return k }
	components := fhir.Index{
		Tokens: []fhir.Token{in(1, token("component-code", "urn:c", "pus")), in(2, token("component-code", "urn:c", "redness")),
			in(3, token("component-code", "urn:c", "angle")),
			in(1, token("component-value-concept", "urn:v", "absent")), in(2, token("component-value-concept", "urn:v", "present"))},
		Quantities: []fhir.Quantity{{Param: "component-value-quantity", System: "http://unitsofmeasure.org", Code: "deg", Value: 25, Part: 3}},
	}
	s.put(at(0), raw("Observation", "signs", "p", `"component":[`+component("pus", coded("absent"))+`,`+component("redness", coded("present"))+`,`+component("angle", measured("25"))+`]`, components))
	s.put(at(1), raw("Observation", "whole", "p", coded("absent"), fhir.Index{Tokens: []fhir.Token{token("code", "urn:c", "pus"), token("value-concept", "urn:v", "absent")}}))
	s.put(at(2), raw("Observation", "flow", "p", measured("30"), fhir.Index{Tokens: []fhir.Token{token("code", "urn:c", "angle")}, Quantities: []fhir.Quantity{{Param: "value-quantity", System: "http://unitsofmeasure.org", Code: "deg", Value: 30}}}))
	for _, c := range []struct{ query, ids string }{
		{"component-code-value-concept=pus$absent", "signs"}, {"component-code-value-concept=urn:c|pus$urn:v|absent", "signs"},
		{"component-code-value-concept=pus$present", ""}, {"component-code-value-concept=redness$absent", ""}, {"component-code-value-concept=urn:x|pus$absent", ""},
		{"component-code-value-concept=|pus$absent", ""}, {"component-code-value-concept=pus$urn:v|", "signs"},
		{"component-code-value-concept=pus$present,redness$present", "signs"},
		{"component-code-value-quantity=angle$25", "signs"}, {"component-code-value-quantity=angle$gt24.9||deg", "signs"}, {"component-code-value-quantity=angle$lt25", ""},
		{"component-code-value-quantity=pus$25", ""}, {"component-code-value-quantity=angle$25||mm", ""},
		{"code-value-concept=pus$absent", "whole"}, {"code-value-concept=pus$present", ""},
		{"code-value-quantity=angle$30", "flow"}, {"code-value-quantity=angle$ge31", ""},
		{"combo-code-value-concept=pus$absent", "signs whole"}, {"combo-code-value-concept=redness$present", "signs"},
		{"combo-code-value-quantity=angle$ge25", "signs flow"}, {"combo-code-value-quantity=angle$ge25&component-code=pus", "signs"},
	} {
		got := strings.ReplaceAll(s.bundle(s.get("/Observation?"+strings.NewReplacer("|", "%7C", "$", "%24").Replace(c.query))).ids(), "Observation/", "")
		if got != c.ids {
			t.Errorf("%s: %q, want %q", c.query, got, c.ids)
		}
	}
}

func TestEncounter(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Procedure", "a", "p", "", fhir.Index{Tokens: []fhir.Token{{Param: "encounter:identifier", System: "urn:visits", Code: "7"}}}), resource("Procedure", "b", "p", "", fhir.Index{}))
	for query, ids := range map[string]string{"encounter:identifier=urn:visits%7C7": "Procedure/a", "encounter:identifier=7": "Procedure/a", "encounter:identifier=8": "", "encounter:missing=true": "Procedure/b", "encounter:missing=false": "Procedure/a"} {
		if got := s.bundle(s.get("/Procedure?" + query)).ids(); got != ids {
			t.Errorf("%s: %q, want %q", query, got, ids)
		}
	}
}

// TestChains looks patients up by the number that the hospital gave them: an EHR does not
// know our ids.
func TestChains(t *testing.T) {
	s := newService(t, func(c *facade.Config) {
		c.Survivor = func(id string) string {
			if id == "old" {
				return "p"
			}
			return id
		}
	})
	number := func(n string) fhir.Index {
		return fhir.Index{Tokens: []fhir.Token{{Param: "identifier", System: "urn:mrn", Code: n}}}
	}
	s.put(at(0), resource("Patient", "p", "p", "", number("1")), resource("Patient", "q", "q", "", number("2")), resource("Patient", "old", "old", "", number("3")),
		resource("Practitioner", "ann", "", "", number("a")))
	s.put(at(1), resource("Procedure", "of-p", "p", "", fhir.Index{References: []fhir.Reference{{Param: "performer", Type: "Practitioner", ID: "ann"}}}), resource("Procedure", "of-q", "q", "", fhir.Index{}))
	for query, ids := range map[string]string{
		"patient.identifier=urn:mrn%7C1": "Procedure/of-p", "subject.identifier=2": "Procedure/of-q", "subject:Patient.identifier=2": "Procedure/of-q", "patient.identifier=1,2": "Procedure/of-p Procedure/of-q",
		"patient.identifier=9": "", "performer.identifier=a": "Procedure/of-p", "patient._id=q": "Procedure/of-q", "patient.identifier:not=1": "Procedure/of-q",
		"patient.identifier=urn:mrn%7C3": "Procedure/of-p",
	} {
		b := s.bundle(s.get("/Procedure?" + query))
		if b.ids() != ids {
			t.Errorf("%s: %q, want %q", query, b.ids(), ids)
		}
		if strings.HasSuffix(query, "7C3") && !strings.Contains(b.outcomes(), "Patient/old was merged into Patient/p") {
			t.Errorf("%s does not say that the patient was merged: %s", query, b.outcomes())
		}
	}
}

func TestIncludes(t *testing.T) {
	s := newService(t)
	ref := func(list ...fhir.Reference) fhir.Index { return fhir.Index{References: list} }
	s.put(at(0), resource("Patient", "p", "p", "", fhir.Index{}), resource("Practitioner", "ann", "", "", fhir.Index{}), resource("BodyStructure", "a1", "p", "", fhir.Index{}))
	s.put(at(1), resource("Procedure", "session", "p", "", fhir.Index{}))
	s.put(at(2), resource("Procedure", "entry", "p", "", ref(fhir.Reference{Param: "part-of", Type: "Procedure", ID: "session"}, fhir.Reference{Param: "performer", Type: "Practitioner", ID: "ann"}, fhir.Reference{Param: "performer", Type: "Practitioner", ID: "nobody"}, fhir.Reference{Param: "track", Type: "BodyStructure", ID: "a1"})),
		resource("Observation", "details", "p", "", ref(fhir.Reference{Param: "part-of", Type: "Procedure", ID: "entry"})),
		resource("Provenance", "origin", "", "", ref(fhir.Reference{Param: "target", Type: "Procedure", ID: "entry"})))
	for _, c := range []struct{ query, matches, includes string }{
		{"/Procedure?_id=entry&_include=Procedure:performer", "entry", "ann"},
		{"/Procedure?_id=entry&_include=Procedure:performer&_include=Procedure:part-of&_include=Procedure:track:BodyStructure", "entry", "a1 ann session"},
		{"/Procedure?_id=entry&_include=Procedure:patient", "entry", "p"},
		{"/Procedure?_include=Procedure:part-of", "session entry", ""}, // it is on the page anyway
		{"/Procedure?_id=session&_revinclude=Procedure:part-of", "session", "entry"},
		{"/Procedure?_id=entry&_revinclude=Observation:part-of&_revinclude=Provenance:target", "entry", "details origin"},
		{"/BodyStructure?_revinclude=Procedure:track", "a1", "entry"},
		{"/Procedure?_id=none&_include=Procedure:performer", "", ""},
	} {
		b := s.bundle(s.get(c.query))
		got := map[string][]string{}
		for _, e := range b.Entry {
			got[e.Search.Mode] = append(got[e.Search.Mode], e.Resource.ID)
		}
		if strings.Join(got["match"], " ") != c.matches || strings.Join(got["include"], " ") != c.includes {
			t.Errorf("%s: %v", c.query, got)
		}
	}
}

// TestTooManyIncluded checks that a refusal says what can be asked instead: a smaller page
// where that helps, and where one resource has too many by itself their own search.
func TestTooManyIncluded(t *testing.T) {
	s := newService(t)
	ref := func(list ...fhir.Reference) fhir.Index { return fhir.Index{References: list} }
	s.put(at(0), resource("BodyStructure", "track", "p", "", fhir.Index{}), resource("BodyStructure", "other", "p", "", fhir.Index{}))
	var many []fhir.Resource
	for i := range 2001 {
		many = append(many, resource("Observation", fmt.Sprint("o", i), "p", "", ref(fhir.Reference{Param: "focus", Type: "BodyStructure", ID: "track"})))
	}
	s.put(at(1), many...)
	const limit = " more than 2000 resources; "
	for query, want := range map[string]string{
		"_id=track&_revinclude=Observation:focus": "BodyStructure/track alone would include" + limit + "ask for them alone, page by page: Observation?focus=BodyStructure/track",
		"_count=1&_revinclude=Observation:focus":  "BodyStructure/track alone would include" + limit + "ask for them alone, page by page: Observation?focus=BodyStructure/track",
		"_count=1&_revinclude=Observation:focus&_revinclude=Procedure:track": "BodyStructure/track alone would include" + limit +
			"ask for them alone, page by page: Observation?focus=BodyStructure/track and Procedure?track=BodyStructure/track",
		"_revinclude=Observation:focus": "the page would include" + limit + "give a smaller _count or leave an include out; what refers to one resource can be asked for alone, page by page: Observation?focus=BodyStructure/track",
	} {
		code, text, where := outcome(t, s.get("/BodyStructure?"+query))
		if code != "too-costly" || text != want || where != "http._revinclude" {
			t.Errorf("%s: %s %q at %s\nwant %q", query, code, text, where, want)
		}
	}
	// What it says works, and where it would not be too much nothing is refused.
	if b := s.bundle(s.get("/Observation?focus=BodyStructure/track&_count=1000&_total=accurate")); *b.Total != 2001 {
		t.Errorf("%d", *b.Total)
	}
	if b := s.bundle(s.get("/BodyStructure?_id=other&_revinclude=Observation:focus")); b.ids() != "BodyStructure/other" {
		t.Error(b.ids())
	}
}

func TestPartsOfResources(t *testing.T) {
	s := newService(t)
	s.put(at(0), raw("Observation", "o", "p", `"status":"final","code":{"text":"c"},"valueQuantity":{"value":1.50},"note":[{"text":"n"}],"method":{"text":"m"}`, fhir.Index{}))
	keys := func(body []byte) string {
		var m map[string]json.RawMessage
		if err := json.Unmarshal(body, &m); err != nil {
			t.Fatal(err)
		}
		var out []string
		for k := range m {
			out = append(out, k)
		}
		slices.Sort(out)
		return strings.Join(out, " ")
	}
	for query, want := range map[string]string{
		"_elements=note":                 "code id meta note resourceType status",
		"_elements=value,method":         "code id meta method resourceType status valueQuantity",
		"_elements=valueQuantity":        "code id meta resourceType status valueQuantity",
		"_summary=true":                  "code id meta resourceType status valueQuantity",
		"_summary=text":                  "code id meta resourceType status",
		"_summary=data":                  "code id meta method note resourceType status valueQuantity",
		"_summary=false":                 "code id meta method note resourceType status valueQuantity",
		"_summary=true&_elements=method": "code id meta resourceType status",
	} {
		a := s.get("/Observation/o?" + query)
		if got := keys(a.body); got != want {
			t.Errorf("%s: %s, want %s", query, got, want)
		}
		whole := query == "_summary=false"
		if strings.Contains(string(a.body), `"code":"SUBSETTED"`) == whole || (a.header.Get("ETag") != "") != whole {
			t.Errorf("%s: is a part marked as one? %v %s", query, a.header, a.body)
		}
		if strings.Contains(want, "valueQuantity") && !strings.Contains(string(a.body), `{"value":1.50}`) {
			t.Errorf("%s: the figure is not as it was stored: %s", query, a.body)
		}
		var b struct {
			Entry []struct{ Resource json.RawMessage }
		}
		if err := json.Unmarshal(s.get("/Observation?"+query).body, &b); err != nil || len(b.Entry) != 1 || string(b.Entry[0].Resource) != string(a.body) {
			t.Errorf("%s: a search gives another part", query)
		}
	}
}

func TestSorting(t *testing.T) {
	s := newService(t)
	day := func(d int) fhir.Index {
		low := time.Date(2027, 3, d, 0, 0, 0, 0, time.UTC)
		return fhir.Index{Dates: []fhir.Period{{Param: "date", Low: low, High: low.AddDate(0, 0, 1)}}}
	}
	s.put(at(0), resource("Procedure", "third", "p", "", day(3)))
	s.put(at(1), resource("Procedure", "first", "p", "", day(1)), resource("Procedure", "undated", "p", "", fhir.Index{}))
	s.put(at(2), resource("Procedure", "second", "p", "", day(2)), resource("Procedure", "also-second", "p", "", day(2)))
	for sort, want := range map[string]string{
		"date": "first second also-second third undated", "-date": "third also-second second first undated",
		"_lastUpdated": "third first undated second also-second", "-_lastUpdated": "also-second second undated first third",
	} {
		for _, count := range []int{1, 2, 50} {
			var got []string
			next := fmt.Sprintf("/Procedure?patient=p&_sort=%s&_count=%d", sort, count)
			for next != "" {
				b := s.bundle(s.get(next))
				got = append(got, strings.Fields(strings.ReplaceAll(b.ids(), "Procedure/", ""))...)
				if next = b.link("next"); next != "" {
					next = follow(t, next)
				}
			}
			if strings.Join(got, " ") != want {
				t.Errorf("_sort=%s by %d: %v, want %s", sort, count, got, want)
			}
		}
	}
}

// TestHistoryOfEverything pulls by _history?_since: all versions since the watermark of the
// pull before, the boundary millisecond included.
func TestHistoryOfEverything(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Procedure", "a", "p", "1", fhir.Index{}), resource("Device", "d", "", "1", fhir.Index{}))
	s.put(at(1), resource("Procedure", "a", "p", "2", fhir.Index{}), resource("Procedure", "b", "p", "1", fhir.Index{}))
	s.put(at(1), resource("Procedure", "a", "p", "3", fhir.Index{}))
	s.put(at(5), resource("Device", "d", "", "2", fhir.Index{}))
	all := func(path string) string {
		var got []string
		for path != "" {
			b := s.bundle(s.get(path))
			if b.Type != "history" || b.Meta.LastUpdated != "2027-03-01T07:00:00.005Z" {
				t.Errorf("%s: %s of %s", path, b.Type, b.Meta.LastUpdated)
			}
			for _, e := range b.Entry {
				got = append(got, e.Resource.ID+e.Resource.Meta.VersionID)
				if want := map[bool]string{true: "201", false: "200"}[e.Resource.Meta.VersionID == "1"]; e.Response.Status != want || e.Request.URL != e.Resource.ResourceType+"/"+e.Resource.ID || e.Response.Etag != `W/"`+e.Resource.Meta.VersionID+`"` {
					t.Errorf("%s: entry %+v", path, e)
				}
			}
			if path = b.link("next"); path != "" {
				path = follow(t, path)
			}
		}
		return strings.Join(got, " ")
	}
	for path, want := range map[string]string{
		"/_history": "d2 a3 b1 a2 d1 a1", "/Procedure/_history": "a3 b1 a2 a1", "/Device/_history": "d2 d1", "/Flag/_history": "",
		"/_history?_since=2027-03-01T07:00:00.001Z": "d2 a3 b1 a2", "/Procedure/_history?_since=2027-03-01T07:00:00.002Z": "",
	} {
		for _, count := range []string{"1", "2", "3", "50"} {
			sep := "?"
			if strings.Contains(path, "?") {
				sep = "&"
			}
			if got := all(path + sep + "_count=" + count); got != want {
				t.Errorf("%s by %s: %s, want %s", path, count, got, want)
			}
		}
	}
}

func TestEverythingOfATime(t *testing.T) {
	s := newService(t)
	dated := func(param string, d int) fhir.Index {
		low := time.Date(2027, 3, d, 0, 0, 0, 0, time.UTC)
		return fhir.Index{Dates: []fhir.Period{{Param: param, Low: low, High: low.AddDate(0, 0, 1)}}}
	}
	origin := func(id, target string) fhir.Resource {
		typ, rest, _ := strings.Cut(target, "/")
		of, _, _ := strings.Cut(rest, "/")
		return raw("Provenance", id, "p", `"target":[{"reference":"`+target+`"}]`, fhir.Index{References: []fhir.Reference{{Param: "target", Type: typ, ID: of}}})
	}
	s.put(at(0), resource("Patient", "p", "p", "", fhir.Index{}), resource("BodyStructure", "a1", "p", "", fhir.Index{}),
		resource("Procedure", "early", "p", "", dated("date", 1)), resource("Procedure", "late", "p", "", dated("date", 9)), resource("DetectedIssue", "found", "p", "", dated("identified", 9)),
		origin("of-early", "Procedure/early/_history/1"), origin("of-late", "Procedure/late"), origin("of-first", "BodyStructure/a1/_history/1"))
	// The track is given with every time, what once changed it is not.
	s.put(at(1), resource("BodyStructure", "a1", "p", "2", fhir.Index{}), origin("of-second", "BodyStructure/a1/_history/2"))
	for query, want := range map[string]string{
		"start=2027-03-02":                "Patient/p Procedure/late DetectedIssue/found Provenance/of-late BodyStructure/a1 Provenance/of-second",
		"end=2027-03-01":                  "Patient/p Procedure/early Provenance/of-early BodyStructure/a1 Provenance/of-second",
		"start=2027-03-02&end=2027-03-08": "Patient/p BodyStructure/a1 Provenance/of-second",
		"_count=50":                       "Patient/p Procedure/early Procedure/late DetectedIssue/found Provenance/of-early Provenance/of-late Provenance/of-first BodyStructure/a1 Provenance/of-second",
		"start=2027-03&end=2027-03":       "Patient/p Procedure/early Procedure/late DetectedIssue/found Provenance/of-early Provenance/of-late BodyStructure/a1 Provenance/of-second",
	} {
		if got := s.bundle(s.get("/Patient/p/$everything?" + query)).ids(); got != want {
			t.Errorf("%s: %s, want %s", query, got, want)
		}
	}
}

func TestPublished(t *testing.T) {
	definition := func(typ, id, name, status string) fhir.Resource {
		url := fhir.Base + "/" + typ + "/" + id
		return fhir.Resource{Type: typ, ID: id, Body: fmt.Appendf(nil, `{"id":%q,"url":%q,"name":%q,"status":%q,"resourceType":%q}`, id, url, name, status, typ),
			Index: fhir.Index{Tokens: []fhir.Token{{Param: "url", Code: url}, {Param: "status", System: "http://hl7.org/fhir/publication-status", Code: status}}, Strings: []fhir.Text{{Param: "name", Value: name}}}}
	}
	s := newService(t, func(c *facade.Config) {
		c.Definitions = []fhir.Resource{definition("CodeSystem", "one", "First", "active"), definition("CodeSystem", "two", "Second", "draft"), definition("CodeSystem", "three", "Third", "active"), definition("Measure", "one", "Rate", "active")}
	})
	for query, want := range map[string]string{
		"": "one two three", "url=" + urlEscape(fhir.Base+"/CodeSystem/two"): "two", "name=f": "one", "name:exact=first": "", "name:exact=First": "one", "name:contains=IR": "one three", "status=active": "one three", "status:not=active": "two",
		"_id=three,two": "two three", "url=x": "", "_count=0": "", "name:missing=false&status=draft": "two",
	} {
		for _, count := range []string{"", "&_count=1"} {
			if count != "" && strings.Contains(query, "_count") {
				continue
			}
			var got []string
			path := "/CodeSystem?" + query + count
			for path != "" {
				b := s.bundle(s.get(path))
				got = append(got, strings.Fields(strings.ReplaceAll(b.ids(), "CodeSystem/", ""))...)
				if path = b.link("next"); path != "" {
					path = follow(t, path)
				}
			}
			if strings.Join(got, " ") != want {
				t.Errorf("%s%s: %v, want %s", query, count, got, want)
			}
		}
	}
	a := s.get("/Measure/one")
	if a.status != 200 || a.header.Get("ETag") == "" {
		t.Fatal(a.status, a.header)
	}
	// RFC 9110, 13.1.2: tags are compared weakly, and * is any.
	tag := a.header.Get("ETag")
	for given, status := range map[string]int{tag: 304, strings.TrimPrefix(tag, "W/"): 304, `"x", ` + tag: 304, "*": 304, `W/"x"`: 200} {
		if again := s.get("/Measure/one", "If-None-Match", given); again.status != status {
			t.Errorf("If-None-Match %s: %d, want %d", given, again.status, status)
		}
	}
	if part := s.get("/Measure/one?_elements=name"); !strings.Contains(string(part.body), "SUBSETTED") || strings.Contains(string(part.body), "url") {
		t.Errorf("a part is %s", part.body)
	}
}
