package fhircheck

import (
	"encoding/json"
	"testing"

	"cannulary/fhir"
)

// TestDefinitions holds every definition that is published against the oracle, and one
// broken copy of each type.
func TestDefinitions(t *testing.T) {
	u, n := oracle(t), seen{}
	missing := map[string]string{
		"StructureDefinition": "kind", "CodeSystem": "content", "ValueSet": "status", "NamingSystem": "uniqueId",
		"SearchParameter": "code", "OperationDefinition": "code", "Measure": "status",
	}
	for _, r := range fhir.Definitions() {
		n.accept(t, u, r)
		if n[r.Type] > 1 {
			continue
		}
		var m object
		if err := json.Unmarshal(r.Body, &m); err != nil {
			t.Fatal(err)
		}
		if m[missing[r.Type]] == nil {
			t.Fatalf("%s/%s has no %s to leave out", r.Type, r.ID, missing[r.Type])
		}
		delete(m, missing[r.Type])
		broken, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := u.UnmarshalR4(broken); err == nil {
			t.Errorf("a %s without %s is accepted", r.Type, missing[r.Type])
		}
	}
	for typ := range missing {
		if n[typ] == 0 {
			t.Errorf("no %s came up", typ)
		}
	}
	t.Logf("accepted: %v", n)
}
