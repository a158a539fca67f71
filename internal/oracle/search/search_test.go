package search_test

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"cannulary/internal/oracle/search"
)

func corpus(t *testing.T, bodies ...string) *search.Corpus {
	t.Helper()
	c := &search.Corpus{Base: "http://example.org/fhir"}
	for _, b := range bodies {
		r, err := search.Read([]byte(b))
		if err != nil {
			t.Fatal(err)
		}
		c.Add(r)
	}
	return c
}

// found answers the ids without the type, or "error".
func found(c *search.Corpus, typ, query string) string {
	v, err := url.ParseQuery(strings.ReplaceAll(query, "+", "%2B"))
	if err != nil {
		return err.Error()
	}
	keys, err := c.Search(typ, v)
	if err != nil {
		return "error"
	}
	return strings.ReplaceAll(strings.Join(keys, " "), typ+"/", "")
}

// The examples of R4's own page, https://hl7.org/fhir/R4/search.html: sections 3.1.1.4.5
// (prefixes) to 3.1.1.4.19 (escaping).
func TestExamplesOfR4(t *testing.T) {
	c := corpus(t,
		// 3.1.1.4.6 number, on quantities
		`{"resourceType":"Observation","id":"n99-5","valueQuantity":{"value":99.5}}`,
		`{"resourceType":"Observation","id":"n100","valueQuantity":{"value":100}}`,
		`{"resourceType":"Observation","id":"n100-004","valueQuantity":{"value":100.004}}`,
		`{"resourceType":"Observation","id":"n100-5","valueQuantity":{"value":100.5}}`,
		// 3.1.1.4.11 quantity
		`{"resourceType":"Observation","id":"q5-44","valueQuantity":{"value":5.44,"system":"http://unitsofmeasure.org","code":"mg","unit":"milligram"}}`,
		`{"resourceType":"Observation","id":"q5-4g","valueQuantity":{"value":5.40,"system":"http://unitsofmeasure.org","code":"g"}}`,
		`{"resourceType":"Observation","id":"q5-38u","valueQuantity":{"value":5.38,"unit":"mg"}}`,
		// 3.1.1.4.7 date
		`{"resourceType":"Procedure","id":"d14T00","performedDateTime":"2013-01-14T00:00:00Z"}`,
		`{"resourceType":"Procedure","id":"d14T10","performedDateTime":"2013-01-14T10:00:00Z"}`,
		`{"resourceType":"Procedure","id":"d14","performedDateTime":"2013-01-14"}`,
		`{"resourceType":"Procedure","id":"d15T00","performedDateTime":"2013-01-15T00:00:00Z"}`,
		`{"resourceType":"Flag","id":"from21Jan","period":{"start":"2013-01-21"}}`,
		`{"resourceType":"Flag","id":"from15Mar","period":{"start":"2013-03-15"}}`,
		`{"resourceType":"Flag","id":"to21Jan","period":{"end":"2013-01-21"}}`,
		// 3.1.1.4.8 string; 3.1.1.4.19 escaping
		`{"resourceType":"Organization","id":"eve","name":"Eve"}`,
		`{"resourceType":"Organization","id":"evelyn","name":"Evelyn"}`,
		`{"resourceType":"Organization","id":"severine","name":"Séverine"}`,
		`{"resourceType":"Organization","id":"numeric","name":"Unit, North"}`,
		// 3.1.1.4.9 uri
		`{"resourceType":"ValueSet","id":"v123","url":"http://acme.org/fhir/ValueSet/123"}`,
		`{"resourceType":"ValueSet","id":"oid","url":"urn:oid:1.2.3.4.5"}`,
		// 3.1.1.4.10 token
		`{"resourceType":"DetectedIssue","id":"a","code":{"coding":[{"system":"http://acme.org/conditions/codes","code":"ha125"},{"code":"b"}]}}`,
		`{"resourceType":"DetectedIssue","id":"b","code":{"coding":[{"system":"http://other.example","code":"ha125"}]}}`,
		`{"resourceType":"DetectedIssue","id":"none"}`,
		`{"resourceType":"DetectedIssue","id":"comma","code":{"coding":[{"code":"a,b"}]}}`,
		`{"resourceType":"DetectedIssue","id":"back","code":{"coding":[{"code":"xx\\xx"}]}}`,
		`{"resourceType":"DetectedIssue","id":"dollar","code":{"coding":[{"code":"xx$xx"}]}}`,
		`{"resourceType":"Patient","id":"active","active":true,"identifier":[{"system":"http://acme.org/patient","value":"2345"}]}`,
		// 3.1.1.4.12 reference
		`{"resourceType":"BodyStructure","id":"relative","patient":{"reference":"Patient/active"}}`,
		`{"resourceType":"BodyStructure","id":"absolute","patient":{"reference":"http://example.org/fhir/Patient/active"}}`,
		`{"resourceType":"BodyStructure","id":"elsewhere","patient":{"reference":"http://elsewhere.example/fhir/Patient/active"}}`,
		`{"resourceType":"BodyStructure","id":"logical","patient":{"identifier":{"system":"http://acme.org/fhir/identifier/mrn","value":"123456"}}}`,
		`{"resourceType":"Observation","id":"logical","subject":{"identifier":{"system":"http://acme.org/fhir/identifier/mrn","value":"123456"}}}`,
		`{"resourceType":"Observation","id":"versioned","focus":[{"reference":"BodyStructure/relative/_history/2"}]}`,
		// 3.1.1.4.17 composite
		`{"resourceType":"Observation","id":"pressure","component":[
			{"code":{"coding":[{"system":"http://loinc.org","code":"8480-6"}]},"valueQuantity":{"value":107}},
			{"code":{"coding":[{"system":"http://loinc.org","code":"8462-4"}]},"valueQuantity":{"value":58}}]}`,
	)
	for _, x := range []struct{ typ, query, ids string }{
		{"Observation", "value-quantity=100", "n100 n100-004 n99-5"},
		{"Observation", "value-quantity=100.00", "n100 n100-004"},
		{"Observation", "value-quantity=1.00e2", "n100 n100-004 n99-5"},
		{"Observation", "value-quantity=lt100&value-quantity=gt9", "n99-5"},
		{"Observation", "value-quantity=le100&value-quantity=gt9", "n100 n99-5"},
		{"Observation", "value-quantity=gt100", "n100-004 n100-5"},
		{"Observation", "value-quantity=ge100", "n100 n100-004 n100-5"},
		{"Observation", "value-quantity=ne100&value-quantity=gt9", "n100-5"},
		{"Observation", "value-quantity=5.4|http://unitsofmeasure.org|mg", "q5-44"},
		{"Observation", "value-quantity=5.40e-3|http://unitsofmeasure.org|g", ""},
		{"Observation", "value-quantity=5.4||mg", "q5-38u q5-44"},
		{"Observation", "value-quantity=5.4", "q5-38u q5-44 q5-4g"},
		{"Observation", "value-quantity=le5.4|http://unitsofmeasure.org|mg", ""},
		{"Observation", "value-quantity=5.4|mg", "error"},
		{"Procedure", "date=eq2013-01-14", "d14 d14T00 d14T10"},
		{"Procedure", "date=ne2013-01-14", "d15T00"},
		{"Procedure", "date=lt2013-01-14T10:00", "d14 d14T00"},
		{"Procedure", "date=gt2013-01-14T10:00", "d14 d15T00"},
		{"Procedure", "date=2013", "d14 d14T00 d14T10 d15T00"},
		{"Procedure", "date=2013-01-14T12:00:00+02:00", "d14T10"},
		{"Procedure", "date=2013-02-30", "error"},
		{"Procedure", "date=2013-01-14T10", "error"},
		{"Flag", "date=ge2013-03-14", "from15Mar from21Jan"},
		{"Flag", "date=le2013-03-14", "from21Jan to21Jan"},
		{"Flag", "date=sa2013-03-14", "from15Mar"},
		{"Flag", "date=eb2013-03-14", "to21Jan"},
		{"Organization", "name=eve", "eve evelyn"},
		{"Organization", "name:contains=EVE", "eve evelyn severine"},
		{"Organization", "name:exact=Eve", "eve"},
		{"Organization", "name=severine", "severine"},
		{"Organization", `name=unit\, north`, "numeric"},
		{"Organization", "name:below=x", "error"},
		{"ValueSet", "url=http://acme.org/fhir/ValueSet/123,urn:oid:1.2.3.4.5", "oid v123"},
		{"ValueSet", "url=http://acme.org/fhir/ValueSet/12", ""},
		{"DetectedIssue", "code=http://acme.org/conditions/codes|ha125", "a"},
		{"DetectedIssue", "code=ha125", "a b"},
		{"DetectedIssue", "code=|b", "a"},
		{"DetectedIssue", "code=|ha125", ""},
		{"DetectedIssue", "code=http://other.example|", "b"},
		{"DetectedIssue", "code:not=ha125", "back comma dollar none"},
		{"DetectedIssue", `code:not=ha125,xx\\xx`, "comma dollar none"},
		{"DetectedIssue", "code:missing=true", "none"},
		{"DetectedIssue", "code=ha125&code=b", "a"},
		{"DetectedIssue", "code=a,b", "a"},
		{"DetectedIssue", `code=a\,b`, "comma"},
		{"DetectedIssue", `code=xx\xx`, "error"},
		{"DetectedIssue", `code=xx\\xx`, "back"},
		{"DetectedIssue", `code=xx\$xx`, "dollar"},
		{"DetectedIssue", "code=ha125&code:missing=true", ""},
		{"Patient", "active=true", "active"},
		{"Patient", "identifier=http://acme.org/patient|2345", "active"},
		{"BodyStructure", "patient=active", "absolute relative"},
		{"BodyStructure", "patient=Patient/active", "absolute relative"},
		{"BodyStructure", "patient=http://example.org/fhir/Patient/active", "absolute relative"},
		{"BodyStructure", "patient:Patient=active", "absolute relative"},
		{"BodyStructure", "patient:identifier=http://acme.org/fhir/identifier/mrn|123456", "logical"},
		{"Observation", "subject:identifier=http://acme.org/fhir/identifier/mrn|123456", "logical"},
		{"Observation", "patient:identifier=123456", ""}, // where(resolve() is Patient)
		{"BodyStructure", "patient.identifier=2345", "absolute relative"},
		{"BodyStructure", "patient.active=false", ""},
		{"Observation", "focus=BodyStructure/relative", "versioned"},
		{"Observation", "component-code-value-quantity=http://loinc.org|8480-6$lt60", ""},
		{"Observation", "component-code-value-quantity=http://loinc.org|8462-4$lt60", "pressure"},
		{"Observation", "combo-code-value-quantity=8480-6$gt100,8462-4$gt100", "pressure"},
		{"Observation", "code-value-quantity=8462-4$lt60", ""},
		{"Observation", "code-value-quantity=8462-4", "error"},
	} {
		if got := found(c, x.typ, x.query); got != x.ids {
			t.Errorf("%s?%s finds %q, not %q", x.typ, x.query, got, x.ids)
		}
	}
}

// TestZones reads "Dates do not have time zones, and time zones should not be considered"
// (R4, search, date) on the same evening in three places.
func TestZones(t *testing.T) {
	c := corpus(t, `{"resourceType":"Procedure","id":"lisbon","performedDateTime":"2026-07-11T22:30:00+01:00"}`,
		`{"resourceType":"Procedure","id":"newyork","performedDateTime":"2026-07-11T22:30:00-04:00"}`,
		`{"resourceType":"Procedure","id":"tokyo","performedDateTime":"2026-07-11T22:30:00+09:00"}`,
		`{"resourceType":"Procedure","id":"day","performedDateTime":"2026-07-11"}`)
	tokyo := time.FixedZone("", 9*3600)
	c.Zone = func(*search.Resource) *time.Location { return tokyo }
	for query, ids := range map[string]string{
		"date=2026-07-11": "day lisbon newyork tokyo", "date=2026-07-12": "", "date=2026-07-11T22:30": "lisbon newyork tokyo",
		"date=2026-07-11T22:30:00Z": "", "date=2026-07-11T21:30:00Z": "lisbon", "date=gt2026-07-11T21:30:01Z": "newyork",
		"date=lt2026-07-11T13:30:00Z": "day", "date=gt2026-07-11T14:59:59Z": "lisbon newyork", "date=gt2026-07-11T14:59:58Z": "day lisbon newyork",
		"date=ge2026-07-11T23:00": "day", "date=sa2026-07-10": "day lisbon newyork tokyo", "date=eb2026-07-12": "day lisbon newyork tokyo",
	} {
		if got := found(c, "Procedure", query); got != ids {
			t.Errorf("%s finds %q, not %q", query, got, ids)
		}
	}
}

func TestIncluded(t *testing.T) {
	c := corpus(t, `{"resourceType":"Patient","id":"p"}`, `{"resourceType":"Patient","id":"q"}`,
		`{"resourceType":"BodyStructure","id":"a","patient":{"reference":"Patient/p"}}`,
		`{"resourceType":"BodyStructure","id":"b","patient":{"reference":"Patient/absent"}}`,
		`{"resourceType":"Observation","id":"o","subject":{"reference":"Patient/p"},"focus":[{"reference":"BodyStructure/a"}]}`)
	for _, x := range []struct{ matches, include, revinclude, want string }{
		{"BodyStructure/a BodyStructure/b", "BodyStructure:patient", "", "Patient/p"},
		{"BodyStructure/a", "Observation:focus", "Observation:focus", "Observation/o"},
		{"Patient/p", "", "BodyStructure:patient Observation:subject:Patient", "BodyStructure/a Observation/o"},
		{"Patient/p", "", "Observation:subject:Group", ""},
		{"Observation/o", "Observation:focus:BodyStructure Observation:patient", "", "BodyStructure/a Patient/p"},
		{"Observation/o", "Observation:focus:Patient", "", ""},
	} {
		got, err := c.Included(strings.Fields(x.matches), strings.Fields(x.include), strings.Fields(x.revinclude))
		if err != nil || strings.Join(got, " ") != x.want {
			t.Errorf("%+v: %v %v", x, got, err)
		}
	}
}

func TestKept(t *testing.T) {
	c := corpus(t, `{"resourceType":"Observation","id":"o","meta":{},"text":{},"status":"final","code":{},"note":[],"valueQuantity":{},"valueless":1}`)
	r := c.All("Observation")[0]
	for _, x := range []struct{ summary, elements, want string }{
		{"true", "", "code id meta resourceType status valueQuantity"},
		{"text", "", "code id meta resourceType status text"},
		{"data", "", "code id meta note resourceType status valueQuantity valueless"},
		{"", "note,value[x]", "code id meta note resourceType status valueQuantity"},
	} {
		if got := strings.Join(c.Kept(r, x.summary, strings.Split(x.elements, ",")), " "); got != x.want {
			t.Errorf("%+v: %s", x, got)
		}
	}
}
