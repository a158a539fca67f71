package fhir_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"strings"
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const (
	day    = cannularyv1.TimePrecision_TIME_PRECISION_DAY
	minute = cannularyv1.TimePrecision_TIME_PRECISION_MINUTE
	second = cannularyv1.TimePrecision_TIME_PRECISION_SECOND
)

// zone is the invented unit's: fixed at one hour east, so that tests do not need the
// machine's zone files.
var zone = time.FixedZone("", 3600)

func ctx() fhir.Context { return fhir.Context{Zone: zone, Facility: "harbour"} }

func staff(n string) *cannularyv1.StaffIdentifier {
	return &cannularyv1.StaffIdentifier{System: "https://hospital.example/staff", Value: n}
}

func p[T any](v T) *T { return &v }

func effective(t testing.TB, events ...*logv1.Event) []record.Item {
	t.Helper()
	facts, err := fhirtest.Facts(events...)
	if err != nil {
		t.Fatal(err)
	}
	return record.Effective(facts)
}

// render renders every unit of the events.
func render(t testing.TB, events ...*logv1.Event) []fhir.Resource {
	t.Helper()
	return renderItems(t, effective(t, events...))
}

func renderItems(t testing.TB, items []record.Item) []fhir.Resource {
	t.Helper()
	var out []fhir.Resource
	for _, unit := range fhirtest.Units(items) {
		rs, err := fhir.Session(ctx(), unit)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, rs...)
	}
	return out
}

// one finds the only resource of a type with a local code.
func one(t testing.TB, list []fhir.Resource, typ, code string) map[string]any {
	t.Helper()
	var found []map[string]any
	for _, r := range list {
		m := decode(t, r.Body)
		if r.Type == typ && hasCode(m, code) {
			found = append(found, m)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%d resources %s with code %s, want 1", len(found), typ, code)
	}
	return found[0]
}

func hasCode(m map[string]any, code string) bool {
	c, _ := m["code"].(map[string]any)
	for _, k := range list(c, "coding") {
		if k["system"] == fhir.System && k["code"] == code {
			return true
		}
	}
	return false
}

func list(m map[string]any, key string) []map[string]any {
	l, _ := m[key].([]any)
	out := make([]map[string]any, len(l))
	for i := range l {
		out[i], _ = l[i].(map[string]any)
	}
	return out
}

func component(m map[string]any, code string) map[string]any {
	for _, c := range list(m, "component") {
		if hasCode(c, code) {
			return c
		}
	}
	return nil
}

// at reads a dotted path; numbers index arrays.
func at(m any, path string) any {
	for _, k := range strings.Split(path, ".") {
		switch v := m.(type) {
		case map[string]any:
			m = v[k]
		case []any:
			var i int
			if _, err := fmt.Sscan(k, &i); err != nil || i >= len(v) {
				return nil
			}
			m = v[i]
		default:
			return nil
		}
	}
	return m
}

func decode(t testing.TB, body []byte) map[string]any {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal(body, &m); err != nil {
		t.Fatalf("%s: %v", body, err)
	}
	return m
}

// empties lists the paths of everything in v that FHIR JSON forbids to be empty.
func empties(v any, path string) []string {
	var out []string
	switch x := v.(type) {
	case map[string]any:
		if len(x) == 0 {
			out = append(out, path+" is {}")
		}
		for k, e := range x {
			out = append(out, empties(e, path+"."+k)...)
		}
	case []any:
		if len(x) == 0 {
			out = append(out, path+" is []")
		}
		for i, e := range x {
			out = append(out, empties(e, fmt.Sprintf("%s[%d]", path, i))...)
		}
	case string:
		if strings.TrimSpace(x) == "" {
			out = append(out, path+" is empty")
		}
	case nil:
		out = append(out, path+" is null")
	}
	return out
}
