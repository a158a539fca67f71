package fhir_test

import (
	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
)

// TestRandomHistories holds what must be so of every history: no empty value, order and
// uniqueness, no reference that dangles, a status and subject on everything, a superseded
// or void content never standing, and the same resources whatever the order of arrival.
func TestRandomHistories(t *testing.T) {
	const runs = 400
	kinds := map[string]bool{}
	for seed := range uint64(runs) {
		r := rand.New(rand.NewPCG(seed, 1))
		events := fhirtest.History(r)
		facts, err := fhirtest.Facts(events...)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		units := fhirtest.Units(record.Effective(facts))
		known := partiesOf(facts)
		rendered := map[string][]fhir.Resource{}
		for unit, items := range units {
			rs, err := fhir.Session(ctx(), items)
			if err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			rendered[unit] = rs
			if err := check(t, rs, known, kinds); err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
		}
		r.Shuffle(len(facts), func(i, j int) { facts[i], facts[j] = facts[j], facts[i] })
		for unit, items := range fhirtest.Units(record.Effective(facts)) {
			again, err := fhir.Session(ctx(), items)
			if err != nil {
				t.Fatal(err)
			}
			if !same(again, rendered[unit]) {
				t.Fatalf("seed %d: unit %s differs in another order of arrival", seed, unit)
			}
		}
	}
	if len(kinds) < 30 {
		t.Errorf("only %d kinds of resource came up: %v", len(kinds), kinds)
	}
}

// partiesOf lists what others than Unit render, as Type/id.
func partiesOf(facts []record.Fact) map[string]bool {
	known := map[string]bool{"Patient/" + fhirtest.Patient: true, "Location/" + fhir.LocationID("harbour"): true}
	for i := range facts {
		f := &facts[i]
		for _, s := range f.Staff() {
			known["Practitioner/"+record.StaffID(s)] = true
		}
		for _, n := range f.Tracks() {
			known["BodyStructure/"+record.TrackID(f.PatientKey, n)] = true
		}
		for _, n := range f.Accesses() {
			known["BodyStructure/"+record.AccessID(f.PatientKey, n)] = true
		}
	}
	return known
}

func check(t *testing.T, rs []fhir.Resource, known, kinds map[string]bool) error {
	t.Helper()
	own := map[string]bool{}
	last := ""
	for _, r := range rs {
		key := r.Type + "/" + r.ID
		if key <= last {
			return fmt.Errorf("%s comes after %s", key, last)
		}
		last = key
		own[key] = true
	}
	for _, r := range rs {
		m := decode(t, r.Body)
		if e := empties(m, r.Type); len(e) > 0 {
			return fmt.Errorf("%v in %s", e, r.Body)
		}
		if m["resourceType"] != r.Type || m["id"] != r.ID || !strings.HasPrefix(string(r.Body), `{"id":"`+r.ID+`"`) {
			return fmt.Errorf("not %s/%s: %s", r.Type, r.ID, r.Body)
		}
		if r.Type != "Device" && (m["status"] == nil || at(m, "subject.reference") == nil || at(m, "code.text") == nil) {
			return fmt.Errorf("no status, subject or code: %s", r.Body)
		}
		if m["dataAbsentReason"] != nil && (m["valueCodeableConcept"] != nil || m["valueQuantity"] != nil) {
			return fmt.Errorf("a value and the reason for its absence: %s", r.Body)
		}
		if !strings.HasPrefix(r.Profile, fhir.ProfileBase) || r.Profile == fhir.ProfileBase {
			return fmt.Errorf("profile %q: %s", r.Profile, r.Body)
		}
		if err := encounter(m, r.Index); err != nil {
			return fmt.Errorf("%w: %s", err, r.Body)
		}
		for _, ref := range references(m) {
			if !own[ref] && !known[ref] {
				return fmt.Errorf("%s dangles in %s", ref, r.Body)
			}
		}
		kinds[r.Type+" "+fmt.Sprint(at(m, "code.coding.0.code"))] = true
	}
	return nil
}

// encounter checks that a resource of a session names it, and is found by it; a session's
// own Procedure is told by the same identifier.
func encounter(m map[string]any, ix fhir.Index) error {
	found := ""
	for _, k := range ix.Tokens {
		if k.Param == "encounter:identifier" {
			found += k.System + "|" + k.Code
		}
	}
	named := ""
	if e := at(m, "encounter"); e != nil {
		named = fmt.Sprint(at(e, "identifier.system"), "|", at(e, "identifier.value"))
		if at(e, "type") != "Encounter" || at(e, "reference") != nil {
			return fmt.Errorf("encounter %v", e)
		}
	}
	own := ""
	if hasCode(m, "haemodialysis") {
		own = fmt.Sprint(at(m, "identifier.0.system"), "|", at(m, "identifier.0.value"))
	}
	if found != named || own != "" && own != named {
		return fmt.Errorf("encounter %q is found by %q, the session is %q", named, found, own)
	}
	if part, _ := at(m, "partOf.0.reference").(string); part != "" && named == "" && !strings.Contains(part, ".") {
		return fmt.Errorf("part of a session and in no encounter")
	}
	return nil
}

// references lists the literal references in v.
func references(v any) []string {
	var out []string
	switch x := v.(type) {
	case map[string]any:
		if s, ok := x["reference"].(string); ok {
			out = append(out, s)
		}
		for _, e := range x {
			out = append(out, references(e)...)
		}
	case []any:
		for _, e := range x {
			out = append(out, references(e)...)
		}
	}
	return out
}

// TestWalkerFindsEmpties makes sure that the check for empty values can fail.
func TestWalkerFindsEmpties(t *testing.T) {
	for _, body := range []string{`{"a":{}}`, `{"a":[]}`, `{"a":""}`, `{"a":" "}`, `{"a":[{"b":null}]}`} {
		if len(empties(decode(t, []byte(body)), "")) == 0 {
			t.Errorf("nothing found in %s", body)
		}
	}
}
