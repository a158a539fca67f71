package define

import (
	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/fhir"
)

// inSession holds wherever a procedure or observation can itself be part of a session.
var inSession = rule{"in-session", "What names its session is part of it.", "encounter.exists() implies partOf.exists()"}

// procedure is what all procedures but the session itself have in common; between stand
// the elements from reasonCode on.
func procedure(category string, code option, places []string, after ...model.ElementDefinition) []model.ElementDefinition {
	return join(
		target(1, places...),
		[]model.ElementDefinition{
			el("partOf", card(0, "1"), must(), refs("session")),
			el("status", must()),
			el("category", card(1, "1"), is(fhir.System, category)),
			el("code", card(1, "1"), must(), code),
			el("subject", must(), refs("patient")),
		},
		encounter(),
		[]model.ElementDefinition{
			el("performed[x]", card(1, "1"), must(), types("dateTime")),
			el("recorder", card(0, "1"), refs("practitioner")),
			el("performer", card(0, "1"), must()),
			el("performer.actor", refs("practitioner")),
			el("location", card(0, "1"), refs("location")),
		},
		after,
	)
}

// device is a device that was put in.
func device() []model.ElementDefinition {
	return []model.ElementDefinition{
		el("focalDevice", card(0, "1"), must(), short("The device, where its lot or identifier was scanned")),
		el("focalDevice.action", card(0, "1"), is(fhir.System, "device-inserted")),
		el("focalDevice.manipulated", refs("device")),
	}
}

func procedures() []profile {
	track, either := []string{"track"}, []string{"track", "access"}
	done := rule{"done", "It was done, or it is entered in error.", oneOf("completed", "entered-in-error")}
	outcome := func(code string) string { return has("outcome.coding", code) }
	return []profile{
		{id: "session", typ: "Procedure", title: "Haemodialysis session", snomed: true,
			about: "One haemodialysis treatment as a whole; what was done and seen in it is part of it. It is there as soon as any fact " +
				"names it, whether or not a start was reported.",
			elements: join(
				target(0, "access"),
				[]model.ElementDefinition{
					el("identifier", card(0, "1"), must(), short("The sender's name of the session")),
					el("partOf", never()),
					el("status", must()),
					el("statusReason", card(0, "1"), of("missed-reason")),
					el("category", card(1, "1"), is(fhir.System, "category-treatment")),
					el("code", card(1, "1"), must(), is(fhir.System, "haemodialysis")),
					el("subject", must(), refs("patient")),
				},
				encounter(),
				[]model.ElementDefinition{
					el("performed[x]", card(0, "1"), must(), types("dateTime", "Period")),
					el("recorder", card(0, "1"), refs("practitioner")),
					el("performer", never()),
					el("location", card(0, "1"), refs("location")),
				}),
			rules: []rule{
				{"session-status", "A session is in progress, completed, missed, contradictory (unknown) or entered in error.",
					oneOf("in-progress", "completed", "not-done", "unknown", "entered-in-error")},
				{"session-identity", "A session is an Encounter's by its own identifier.",
					"encounter.exists() = identifier.exists() and (identifier.empty() or (encounter.identifier.system = " +
						"identifier.system and encounter.identifier.value = identifier.value))"},
				{"session-missed", "A session that did not take place has a day and no length.",
					"status = 'not-done' implies (performed as Period).empty()"},
				{"session-open", "A session in progress has begun and not ended.",
					"status = 'in-progress' implies ((performed as Period).start.exists() and (performed as Period).end.empty())"},
				{"session-reason", "Only a session that was missed, or of which that was said too, has a reason for it.",
					"(status = 'completed' or status = 'in-progress') implies statusReason.empty()"},
			}},
		{id: "insertion", typ: "Procedure", title: "Insertion attempt", snomed: true,
			about: "One attempt to insert one needle. Stopped where the skin was pierced and the needle did not serve, not done where it " +
				"was given up before. How it went stands in the Observation attempt-details that is part of it.",
			elements: procedure("category-needling", of("insertion"), either, join(
				[]model.ElementDefinition{
					el("reasonCode", card(0, "1"), of("rescue-reason"), short("Why a sharp needle was used in a track past forming")),
					el("outcome", card(1, "1"), must(), of("insertion-outcome")),
				}, device(), []model.ElementDefinition{el("usedCode", card(1, "1"), of("dialysis-needle"))})...),
			rules: []rule{
				inSession,
				{"insertion-place", "An insertion names its track or its access.", "extension.where(url = '" + fhir.TargetBodyStructure +
					"').value.exists()"},
				{"insertion-status", "An insertion is completed, stopped, not done or entered in error.",
					oneOf("completed", "stopped", "not-done", "entered-in-error")},
				{"insertion-completed", "An insertion is completed if and only if it was successful.",
					"status = 'entered-in-error' or ((status = 'completed') = " + outcome("insertion-outcome-successful") + ")"},
				{"insertion-stopped", "An insertion is stopped if and only if the skin was pierced and the needle did not serve.",
					"status = 'entered-in-error' or ((status = 'stopped') = " + outcome("insertion-outcome-failed") + ")"},
				{"insertion-given-up", "A needle that was given up before the skin was pierced was not put in.",
					"status = 'not-done' implies focalDevice.action.empty()"},
				{"insertion-sharp", "A sharp insertion uses a sharp needle.", has("code.coding", "insertion-sharp") + " = " +
					has("usedCode.coding", "needle-tip-sharp")},
				{"insertion-blunt", "A blunt insertion uses a blunt needle.", has("code.coding", "insertion-blunt") + " = " +
					has("usedCode.coding", "needle-tip-blunt")},
			}},
		{id: "needle-removal", typ: "Procedure", title: "Removal of a needle",
			about:    "A needle is taken out. The time to haemostasis and the dressing are Observations that are part of it.",
			elements: procedure("category-needling", is(fhir.System, "needle-removal"), either), rules: []rule{inSession, done}},
		{id: "site-preparation", typ: "Procedure", title: "Preparation of a needle site",
			about:    "Washing, disinfection and removal of scab or peg. Each disinfection is an Observation that is part of it.",
			elements: procedure("category-site-care", is(fhir.System, "site-preparation"), track), rules: []rule{inSession, done}},
		{id: "peg-placement", typ: "Procedure", title: "Peg placement", snomed: true,
			about: "A small sterile plug is left in a forming track.",
			elements: procedure("category-site-care", is(fhir.System, "peg-placement"), track,
				append(device(), el("usedCode", card(1, "1"), is(fhir.System, "peg")))...), rules: []rule{inSession, done}},
		{id: "peg-removal", typ: "Procedure", title: "Peg removal", snomed: true,
			about: "A peg is taken out of a track.",
			elements: procedure("category-site-care", is(fhir.System, "peg-removal"), track,
				el("outcome", card(0, "1"), must(), of("peg-removal-outcome")), el("usedCode", card(1, "1"), is(fhir.System, "peg"))),
			rules: []rule{inSession, done}},
	}
}
