package fhir_test

import (
	"strings"
	"testing"
	"time"

	"cannulary/fhir"
)

// TestProvenanceNamesWhatCameBefore: a message that arrives after its correction gives
// resources with the corrected content; their origin is both messages.
func TestProvenanceNamesWhatCameBefore(t *testing.T) {
	list, err := fhir.Provenance(fhir.Context{Facility: "harbour"}, fhir.ProvenanceView{
		EventID: "e", Source: "engine", SourceMessageID: "m-1", Recorded: time.Date(2027, 3, 1, 7, 0, 0, 0, time.UTC),
		Targets: []fhir.VersionedReference{{Type: "Procedure", ID: "p", Version: 1}}, Activity: fhir.ActivityCreate,
		Amended: []fhir.SourceMessage{{Source: "engine", ID: "m-2"}},
	})
	if err != nil || len(list) != 1 {
		t.Fatal(list, err)
	}
	body := string(list[0].Body)
	for _, part := range []string{`"role":"source","what":{"identifier":{"system":"` + fhir.MessageSystem + `","value":"engine|m-1"}}`, `"role":"revision","what":{"identifier":{"system":"` + fhir.MessageSystem + `","value":"engine|m-2"}}`} {
		if !strings.Contains(body, part) {
			t.Errorf("%s is missing in %s", part, body)
		}
	}
}
