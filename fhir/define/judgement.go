package define

import (
	"cannulary/fhir"
	rules "cannulary/internal/track/rule"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// stops are the rules whose findings are always stops.
func stops() []string {
	var out []string
	for _, r := range rules.All() {
		if r.Severity == rules.Stop && r.Graver == "" {
			out = append(out, "rule-"+r.Code)
		}
	}
	return out
}

// advice is a FHIRPath test that a text carries the caution.
func advice(path string) string { return path + ".contains('" + quoted(fhir.Advice) + "')" }

// narrative is the path of the narrative's words; div alone is an operator of FHIRPath.
const narrative = "text.`div`"

// quoted escapes what ends a FHIRPath string.
func quoted(s string) string {
	out := ""
	for _, r := range s {
		if r == '\'' || r == '\\' {
			out += `\`
		}
		out += string(r)
	}
	return out
}

func judgements() []profile {
	needle := func(code string) string {
		return has("component.where("+has("code.coding", "next-needle")+").value.coding", code)
	}
	return []profile{
		{id: "track-maturity", typ: "Observation", title: "Maturity of a needle track",
			about: "How far a track has come and which needle comes next, judged from the record by the needling protocol in force. " +
				"Decision support: the note says so.",
			elements: join([]model.ElementDefinition{
				el("text", card(1, "1")),
				el("identifier", card(1, "1"), identifiedBy(fhir.MaturitySystem)),
				el("partOf", never()),
				el("status", must()),
				el("category", card(1, "1"), is(categories, "exam")),
				el("code", must(), is(fhir.System, "track-maturity")),
				el("code.text", card(1, "1"), short("Which track, on which access, where on the body")),
				el("subject", card(1, "1"), must(), refs("patient")),
				el("focus", card(1, "1"), must(), refs("track")),
				el("encounter", never()),
				el("effective[x]", card(1, "1"), must(), types("dateTime"), short("The newest fact about the track")),
				el("issued", card(1, "1"), must(), short("When it was judged: the time of this version")),
				el("value[x]", card(1, "1"), must(), types("CodeableConcept"), of("track-stage")),
				el("dataAbsentReason", never()),
				el("note", card(1, "1"), must(), short("Why that needle comes next")),
				el("method", card(1, "1"), must(), is(fhir.System, "needling-protocol"),
					short("The protocol's version and whose it is, in the text")),
			}, components(5,
				once("sessions-counted", whole()...), once("sessions-needed", whole()...), once("blunt-streak", whole()...),
				once("rescues", whole()...),
				once("next-needle", coded("next-needle")...), maybe("reference-angle", measured("deg")...),
				maybe("usual-haemostasis", measured("min")...),
				maybe("under-review", types("CodeableConcept"), is(fhir.System, "yes")),
				maybe("declared", types("CodeableConcept"), is(fhir.System, "yes")))),
			rules: []rule{
				{"judged", "It is final or entered in error.", oneOf("final", "entered-in-error")},
				{"advice", "The note says that people decide, and so does the narrative.",
					advice("note.text") + " and " + advice(narrative)},
				{"six-sessions", "A track needs at least six forming sessions.",
					"component.where(" + has("code.coding", "sessions-needed") + ").value.all($this >= 6)"},
				{"no-blunt-while-forming", "No blunt needle is offered in a track that is planned or forming.",
					has("value.coding", "track-stage-planned", "track-stage-forming") + " implies " + needle("needle-tip-blunt") +
						".not()"},
				{"no-needle-at-rest", "No needle is offered in a track that rests or was given up.",
					has("value.coding", "track-stage-resting", "track-stage-retired") + " implies " + needle("next-needle-none")},
			}},
		{id: "finding", typ: "DetectedIssue", title: "Finding of a needling rule",
			about: "What a needling rule found, what it asks and what would clear it. What cleared it is a mitigation; what is found no " +
				"longer is cancelled. Evidence are the resources that were made of the facts that it rests on; a fact of which none was " +
				"made is named by identifier.",
			elements: []model.ElementDefinition{
				el("text", card(1, "1")),
				el("identifier", card(1, "1"), must(), identifiedBy(fhir.FindingSystem)),
				el("status", must()),
				el("code", card(1, "1"), must(), of("rule")),
				el("severity", card(1, "1"), must(), short("high: stop, moderate: caution, low: note")),
				el("patient", card(1, "1"), must(), refs("patient")),
				el("identified[x]", card(1, "1"), must(), types("dateTime")),
				el("implicated", card(0, "2"), must(), refs("track", "access")),
				el("evidence.detail", card(1, "1")),
				el("evidence.detail.identifier", card(0, "1"), identifiedBy(fhir.FactSystem)),
				el("detail", card(1, "1"), must()),
				el("mitigation", card(0, "1"), must()),
				el("mitigation.date", card(1, "1")),
			},
			rules: []rule{
				{"judged", "It is final or cancelled.", oneOf("final", "cancelled")},
				{"advice", "The detail says that people decide, and so does the narrative.",
					advice("detail") + " and " + advice(narrative)},
				{"evidence", "Evidence is a resource with its type, or a fact by its id.",
					"evidence.detail.all((reference.exists() and type.exists()) xor identifier.exists())"},
				{"stops-are-high", "A finding of a rule that always stops is high.",
					has("code.coding", stops()...) + " implies severity = 'high'"},
				{"cleared-after", "A finding is not cleared before it was made.", "mitigation.all(date >= %resource.identified)"},
			}},
		{id: "hold", typ: "Flag", title: "Hold",
			about: "No needle in a track or an access until a person lifts the hold. It is active while it stands, inactive when it was " +
				"lifted.",
			elements: []model.ElementDefinition{
				el("text", card(1, "1")),
				el("extension", sliced(model.DiscriminatorTypeValue, "url", model.SlicingRulesOpen)),
				el("extension:detail", slice(), card(0, "*"), must(), short("What it rests on, and what is held"),
					profileType(fhir.FlagDetail)),
				el("extension:detail.url", fixedURI(fhir.FlagDetail)),
				el("extension:detail.value[x]", card(1, "1"), refs("finding", "track", "access")),
				el("identifier", card(1, "1"), must(), identifiedBy(fhir.HoldSystem)),
				el("status", must()),
				el("category", card(1, "1"), is(terminology+"flag-category", "safety")),
				el("code", must(), of("rule")),
				el("code.text", card(1, "1"), must(),
					short("What is held and where that is, what was seen, whether to needle, what clears it")),
				el("subject", must(), refs("patient")),
				el("period", card(1, "1"), must()),
				el("period.start", card(1, "1"), short("A date where the time is not known")),
				el("author", card(0, "1"), refs("practitioner"), short("The person who placed it; none where a rule did")),
			},
			rules: []rule{
				{"advice", "The text says that people decide, and so does the narrative.",
					advice("code.text") + " and " + advice(narrative)},
				{"stands", "A hold that stands says so and has no end.",
					"status = 'active' implies (code.text.startsWith('Hold') and period.end.empty())"},
				{"lifted", "A hold that was lifted says so and has an end.",
					"status = 'inactive' implies (code.text.startsWith('Lifted hold') and period.end.exists())"},
			}},
	}
}
