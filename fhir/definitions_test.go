package fhir_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"cannulary/fhir"
)

// published definitions by canonical URL.
func definitionsByURL(t *testing.T) map[string]map[string]any {
	t.Helper()
	out := map[string]map[string]any{}
	for _, r := range fhir.Definitions() {
		m := decode(t, r.Body)
		if url, ok := m["url"].(string); ok {
			out[url] = m
		}
	}
	return out
}

func TestDefinitions(t *testing.T) {
	types := map[string]int{}
	last := ""
	for _, r := range fhir.Definitions() {
		key := r.Type + "/" + r.ID
		if key <= last {
			t.Errorf("%s comes after %s", key, last)
		}
		last = key
		types[r.Type]++
		m := decode(t, r.Body)
		if e := empties(m, key); len(e) > 0 {
			t.Errorf("%v", e)
		}
		if m["resourceType"] != r.Type || m["id"] != r.ID || !strings.HasPrefix(string(r.Body), `{"id":"`+r.ID+`"`) || r.Patient != "" || m["status"] != "active" {
			t.Errorf("not %s: %.200s", key, r.Body)
		}
		want := []string{"status=http://hl7.org/fhir/publication-status|active", `name="` + m["name"].(string) + `"`}
		if r.Type != "NamingSystem" {
			if m["url"] != fhir.Base+"/"+key {
				t.Errorf("%s has the url %v", key, m["url"])
			}
			if m["experimental"] != true {
				t.Errorf("%s is not marked as experimental", key)
			}
			want = append([]string{"url=|" + fhir.Base + "/" + key}, want...)
		}
		if got := indexLines(r.Index); !slices.Equal(got, want) {
			t.Errorf("%s is found by %v, want %v", key, got, want)
		}
	}
	for _, typ := range []string{"StructureDefinition", "CodeSystem", "ValueSet", "NamingSystem", "SearchParameter", "OperationDefinition", "Measure"} {
		if types[typ] == 0 {
			t.Errorf("no %s", typ)
		}
	}
	// What a caller does to the list is the caller's.
	fhir.Definitions()[0].ID = "changed"
	if fhir.Definitions()[0].ID == "changed" {
		t.Error("the list is shared")
	}
}

// Whatever is rendered names a profile that is published, for its type.
func TestEveryProfileIsPublished(t *testing.T) {
	published := definitionsByURL(t)
	used := map[string]bool{}
	for _, r := range all(t, fhir.Options{}) {
		for _, url := range []string{fhir.WholeRecord} { // extensions of our own
			used[url] = used[url] || bytes.Contains(r.Body, []byte(`"url":"`+url+`"`))
		}
		used[r.Profile] = true
		if r.Profile == "" {
			t.Fatalf("%s/%s has no profile: add its code to profilesByCode in fhir/profile.go, and the profile to fhir/define\n%s",
				r.Type, r.ID, r.Body)
		}
		if d := published[r.Profile]; d == nil || d["resourceType"] != "StructureDefinition" || d["type"] != r.Type {
			t.Errorf("%s/%s names %q, which is %v", r.Type, r.ID, r.Profile, at(d, "type"))
		}
	}
	for url, d := range published {
		if d["resourceType"] == "StructureDefinition" && !used[url] {
			t.Errorf("nothing is rendered by %s", url)
		}
	}
}

// The code system holds every code, and every value set only codes of it.
func TestTermsArePublished(t *testing.T) {
	published := definitionsByURL(t)
	have := map[string]string{}
	for _, c := range list(published[fhir.System], "concept") {
		have[c["code"].(string)] = c["display"].(string)
	}
	for _, c := range fhir.Codes() {
		if have[c.Code] != c.Display {
			t.Errorf("%s is published as %q", c.Code, have[c.Code])
		}
	}
	if len(have) != len(fhir.Codes()) {
		t.Errorf("%d codes are published, %d exist", len(have), len(fhir.Codes()))
	}
	sets, bound := map[string]bool{}, map[string]bool{}
	for url, d := range published {
		if d["resourceType"] == "ValueSet" {
			sets[url] = true
			for _, include := range list(d["compose"].(map[string]any), "include") {
				if len(list(include, "concept")) == 0 {
					t.Errorf("%s includes a whole code system", url)
				}
				for _, c := range list(include, "concept") {
					if include["system"] == fhir.System && have[c["code"].(string)] != c["display"] {
						t.Errorf("%s has %v", url, c)
					}
				}
			}
		}
		walk(d, func(m map[string]any) {
			if s, ok := m["valueSet"].(string); ok {
				bound[s] = true
			}
		})
	}
	for url := range sets {
		if !bound[url] {
			t.Errorf("%s is bound nowhere", url)
		}
	}
	for url := range bound {
		if !sets[url] {
			t.Errorf("%s is bound and not published", url)
		}
	}
}
