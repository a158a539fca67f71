package fhir_test

import (
	"testing"

	"cannulary/internal/testkit/fhirtest"
	cannularyv1 "cannulary/proto/cannulary/v1"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// How an organism answered is an Observation of its own, of the day on which the specimen was
// taken; it leads to its culture. What the event led to names the event by its fact.
func TestSusceptibilitiesAndOutcomesLeadToTheirCulture(t *testing.T) {
	culture := &cannularyv1.CultureResulted{
		CollectedAt: timestamppb.New(t0), CollectedPrecision: day, Specimen: cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD,
		Growth: cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE,
		Organisms: []*cannularyv1.Organism{{Group: cannularyv1.OrganismGroup_ORGANISM_GROUP_ENTEROCOCCUS,
			Susceptibilities: []*cannularyv1.Susceptibility{
				{Agent: &cannularyv1.Coding{System: "urn:invented", Code: "VAN"},
					Result: cannularyv1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_RESISTANT},
			}}},
	}
	outcome := &cannularyv1.EventOutcomeAssessed{Event: fhirtest.Ref("m", 0), AccessLost: cannularyv1.Answer_ANSWER_YES}
	rs := render(t, fhirtest.Event("m", "", t0.AddDate(0, 0, 3), minute, fhirtest.Wrap(culture), fhirtest.Wrap(outcome)))
	of := one(t, rs, "Observation", "culture-blood")
	s := one(t, rs, "Observation", "susceptibility")
	if got := at(s, "derivedFrom.0.reference"); got != "Observation/"+of["id"].(string) {
		t.Errorf("it is derived from %v", got)
	}
	for path, want := range map[string]any{
		"effectiveDateTime": of["effectiveDateTime"], "valueCodeableConcept.coding.0.code": "susceptibility-result-resistant",
		"component.0.valueCodeableConcept.coding.0.code": "organism-group-enterococcus",
		"component.1.valueCodeableConcept.coding.0.code": "VAN",
	} {
		if got := at(s, path); got != want || want == nil {
			t.Errorf("%s is %v, want %v", path, got, want)
		}
	}
	o := one(t, rs, "Observation", "event-outcome")
	if at(o, "derivedFrom.0.identifier.value") != of["id"] || at(o, "component.0.code.coding.0.code") != "access-lost" || at(o,
		"component.0.valueCodeableConcept.coding.0.code") != "yes" {
		t.Errorf("the outcome: %v", o)
	}
}
