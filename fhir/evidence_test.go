package fhir_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
)

// TestEvidenceLeadsToWhatTheFactGave asks of a fact of every kind: where it gives a resource of
// its own the evidence refers to that, and never to one that is not there.
func TestEvidenceLeadsToWhatTheFactGave(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 9))
	literal := 0
	for _, kind := range fhirtest.Kinds() {
		m := filled(t, r, kind)
		if m == nil {
			continue
		}
		items := effective(t, fhirtest.Event("evidence", "T-1", fhirtest.Start, minute, fhirtest.Wrap(m)))
		if len(items) == 0 {
			continue // corrections and voids are no ground
		}
		there := map[string]bool{}
		for _, x := range renderItems(t, items) {
			there[x.Type+"/"+x.ID] = true
		}
		f := &items[0].Fact
		j := &track.Judgement{Findings: []track.Finding{{ID: "f", Rule: rule.Rescue, Severity: rule.Note, Since: fhirtest.Start, Facts: []string{f.ID}}}}
		rs, err := fhir.Judged(ctx(), fhir.JudgedView{Patient: fhirtest.Patient, Judgement: j, All: j, Facts: map[string]*record.Fact{f.ID: f}})
		if err != nil {
			t.Fatal(err)
		}
		detail := at(one(t, rs, "DetectedIssue", "rule-rescue"), "evidence.0.detail.0")
		ref, _ := at(detail, "reference").(string)
		typ, _, _ := strings.Cut(ref, "/")
		own := there["Procedure/"+f.ID] || there["Observation/"+f.ID]
		switch {
		case own && !strings.HasSuffix(ref, "/"+f.ID):
			t.Errorf("%s gives a resource of its own, and the evidence is %v", f.Kind, detail)
		case (typ == "Procedure" || typ == "Observation") && !there[ref]:
			t.Errorf("%s: the evidence %v is not there", f.Kind, detail)
		case ref != "" && (at(detail, "type") != typ || at(detail, "identifier") != nil), ref == "" && at(detail, "identifier.value") != f.ID:
			t.Errorf("%s: the evidence is %v", f.Kind, detail)
		}
		if words := fmt.Sprint(at(detail, "display")); strings.ContainsAny(words, "_<") || !strings.EqualFold(words, strings.ReplaceAll(string(f.Kind), "_", " ")) {
			t.Errorf("%s is shown as %q", f.Kind, words)
		}
		if ref != "" {
			literal++
		}
	}
	if literal < 15 {
		t.Errorf("only %d kinds of facts lead to a resource", literal)
	}
}
