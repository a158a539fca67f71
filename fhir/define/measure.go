package define

import (
	"encoding/json"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/fhir"
)

const terminology = "http://terminology.hl7.org/CodeSystem/"

// infection is one measure of infection surveillance.
type infection struct {
	id, title, numerator, about string
}

// infections follow the CDC NHSN Dialysis Event protocol and its forms 57.502 and 57.503,
// as far as facts allow; what is ours says so.
var infections = []infection{
	{"access-related-bloodstream-infection", "Access-related bloodstream infections",
		"Positive blood cultures whose suspected source is the vascular access or uncertain; a source that was not assessed is uncertain.",
		"A positive blood culture counts when it was collected as an outpatient or within one calendar day after admission, and 21 days " +
			"or more after the patient's positive blood culture before, whether or not that one counted, across the ends of months. It " +
			"counts for the month in which it was collected."},
	{"bloodstream-infection", "Bloodstream infections",
		"Positive blood cultures, whatever their suspected source.",
		"A positive blood culture counts when it was collected as an outpatient or within one calendar day after admission, and 21 days " +
			"or more after the patient's positive blood culture before, whether or not that one counted, across the ends of months. It " +
			"counts for the month in which it was collected."},
	{"local-access-infection", "Local access infections",
		"Onsets of pus, redness or increased swelling at the access site without an access-related bloodstream infection within 20 days " +
			"before or after (the 20 days are ours).",
		"An onset counts 21 days or more after the patient's onset before. It counts for the month in which the signs were seen."},
}

func measures() []json.Marshaler {
	// How events and patients are counted cannot be said in one query: the criteria are in
	// words, and the language says so.
	words := func(s string) model.Expression { return model.Expression{Language: "text/plain", Expression: &s} }
	population := func(code, display, s string) model.MeasureGroupPopulation {
		return model.MeasureGroupPopulation{Code: said(terminology+"measure-population", code, display), Description: &s,
			Criteria: words(s)}
	}
	var out []json.Marshaler
	for i := range infections {
		x := &infections[i]
		out = append(out, model.Measure{
			Id: &x.id, Url: new(canonical("Measure", x.id)), Version: new(version), Name: new(computable(x.id)), Title: &x.title,
			Status: model.PublicationStatusActive, Experimental: new(true),
			SubjectCodeableConcept: said("http://hl7.org/fhir/resource-types", "Patient", "Patient"),
			Date:                   new(date), Publisher: new(publisher),
			Description: new(x.title + " per 100 patient-months and per 1,000 access-days, by month and technique. " + x.about +
				" The counting follows the CDC NHSN Dialysis Event protocol as far as the record allows; the guidance of the place " +
				"prevails."),
			Purpose: new("Constant-site needling carries a higher risk of infection than other needling of fistulas: a unit " +
				"that uses it watches its own rate."),
			Disclaimer: new(fhir.Advice),
			Scoring:    said(terminology+"measure-scoring", "ratio", "Ratio"),
			Type:       []model.CodeableConcept{*said(terminology+"measure-type", "outcome", "Outcome")},
			RateAggregation: new("Events divided by patient-months, times 100, or by access-days, times 1,000. Months are added up " +
				"before they are divided. With the few events of one unit a rate is given with exact limits, or not at all."),
			ImprovementNotation: said(terminology+"measure-improvement-notation", "decrease", "Decreased score indicates improvement"),
			Guidance: new("Patients with a constant-site track are a subset of those with a fistula, and are never added to " +
				"them. A merge of identities makes one patient of two."),
			Group: []model.MeasureGroup{
				{
					Code: ours("rate-by-census"),
					Population: []model.MeasureGroupPopulation{
						population("initial-population", "Initial Population", "Patients of the unit."),
						population("denominator", "Denominator",
							"Patient-months: patients who were dialysed as outpatients on one of the first two days of the month on "+
								"which the unit dialyses, each once, as the unit counted them."),
						population("numerator", "Numerator", x.numerator),
					},
					Stratifier: stratifier(words),
				},
				{
					Code: ours("rate-by-access-days"),
					Population: []model.MeasureGroupPopulation{
						population("initial-population", "Initial Population", "Patients of the unit."),
						population("denominator", "Denominator",
							"Access-days: each day of each patient's stay at the unit, the day of leaving not included."),
						population("numerator", "Numerator", x.numerator),
					},
					Stratifier: stratifier(words),
				},
			},
		})
	}
	return out
}

// ours is a concept of our own code system.
func ours(code string) *model.CodeableConcept {
	for _, c := range fhir.Codes() {
		if c.Code == code {
			return said(fhir.System, c.Code, c.Display)
		}
	}
	panic("define: no code " + code) // a test walks every use
}

func stratifier(words func(string) model.Expression) []model.MeasureGroupStratifier {
	return []model.MeasureGroupStratifier{{
		Code: ours("technique"), Description: new("By technique: a fistula needled at constant sites, any other fistula, graft, " +
			"catheters, other."),
		Criteria: new(words("The patient's access of the highest risk that day (non-tunneled catheter, tunneled catheter, other, graft, " +
			"fistula, in this order, even if unused); a fistula is a constant-site one where a constant-site track in it is in use.")),
	}}
}

// reports is the profile of the reports that the measures lead to.
func reports() []profile {
	return []profile{{id: "measure-report", typ: "MeasureReport", title: "Infections of a facility and month",
		about: "Events of one measure in one month at one facility, by two denominators: patient-months of the census, where there is " +
			"one, and access-days. Late and corrected results restate it as a new version; its date is the day on which its figures were " +
			"first so. A report whose grounds were taken back is withdrawn: its status is error, its date that day, and nothing relies " +
			"on its figures.",
		elements: []model.ElementDefinition{
			el("identifier", card(1, "1"), must(), identifiedBy(fhir.MeasureReportSystem)),
			el("status", short("complete; error where the report was withdrawn")), el("type", fixedCode("summary")),
			el("subject", never()), el("date", card(1, "1"), must()), el("reporter", card(1, "1"), must(), refs("organization")),
			el("improvementNotation", card(1, "1")), el("group", card(2, "2"), must()), el("group.code", card(1, "1"), must(), of("rate")),
			el("group.population", card(1, "2"), must(), short("Numerator; denominator where there is one")),
			el("group.measureScore", must(), short("The rate; absent where there is no denominator")),
			el("group.stratifier.stratum.value", card(1, "1"), of("technique"))},
		rules: []rule{
			{"events-once", "Both groups count the same events.",
				"group.population.where(code.coding.code = 'numerator').count.distinct().count() = 1"},
			{"rate-needs-denominator", "A rate stands only beside its denominator.",
				"group.where(measureScore.exists()).all(population.where(code.coding.code = 'denominator').exists())"},
		}}}
}
