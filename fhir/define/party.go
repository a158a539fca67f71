package define

import (
	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/fhir"
)

// without are elements that are never there.
func without(names ...string) []model.ElementDefinition {
	var out []model.ElementDefinition
	for _, n := range names {
		out = append(out, el(n, never()))
	}
	return out
}

// named are the identifiers of a track or an access.
func named(system string) []model.ElementDefinition {
	use := func(code string) option { return func(e *model.ElementDefinition) { e.PatternCode = &code } }
	return []model.ElementDefinition{
		el("identifier", sliced(model.DiscriminatorTypePattern, "use", model.SlicingRulesClosed), card(1, "2"), must()),
		el("identifier:official", slice(), card(1, "1"), short("The resource's own id")),
		el("identifier:official.use", card(1, "1"), use("official")),
		el("identifier:official.system", card(1, "1"), fixedURI(system)),
		el("identifier:official.value", card(1, "1")),
		el("identifier:name", slice(), card(0, "1"),
			short("The sender's name, unique for one patient: search it together with the patient")),
		el("identifier:name.use", card(1, "1"), use("secondary")),
		el("identifier:name.type", card(1, "1")),
		el("identifier:name.type.text", card(1, "1"), func(e *model.ElementDefinition) { e.FixedString = new(fhir.NameType) }),
		el("identifier:name.system", never()),
		el("identifier:name.value", card(1, "1")),
	}
}

func parties() []profile {
	unit := is(fhir.System, "dialysis-unit")
	return []profile{
		{id: "patient", typ: "Patient", title: "Patient",
			about: "An identity of a patient: identifiers, whether it stands, the links that a merge leaves, and whether the client can " +
				"read the whole record. The register gives out no name, birth date, sex or address.",
			elements: join(
				[]model.ElementDefinition{
					el("extension", sliced(model.DiscriminatorTypeValue, "url", model.SlicingRulesOpen)),
					el("extension:whole-record", slice(), card(0, "1"), must(), profileType(fhir.WholeRecord)),
					el("identifier", must()), el("active", card(1, "1"), must())},
				without("name", "telecom", "gender", "birthDate", "deceased[x]", "address", "maritalStatus", "multipleBirth[x]", "photo",
					"contact", "communication", "generalPractitioner", "managingOrganization"),
				[]model.ElementDefinition{el("link", must()), el("link.other", refs("patient"))}),
			rules: []rule{
				{"replaced", "An identity stands unless it was replaced by another.", "active = link.where(type = 'replaced-by').empty()"},
				{"merged", "Links are those of merges.", "link.all(type = 'replaced-by' or type = 'replaces')"},
				{"once-replaced", "An identity is replaced by one other.", "link.where(type = 'replaced-by').count() <= 1"},
			}},
		{id: "practitioner", typ: "Practitioner", title: "Member of staff",
			about: "A member of staff by the number that messages give, with the cannulation rating that stands. No name.",
			elements: join(
				[]model.ElementDefinition{el("identifier", card(0, "1"), must())},
				without("name", "telecom", "address", "gender", "birthDate", "photo"),
				[]model.ElementDefinition{el("qualification", card(0, "1"), must()), el("qualification.code", of("cannulator-level"))},
				without("communication"))},
		{id: "organization", typ: "Organization", title: "Dialysis unit as an organisation",
			about: "A facility as it was registered; inactive where every registration was taken back.",
			elements: []model.ElementDefinition{
				el("identifier", card(1, "1"), must(), identifiedBy(fhir.FacilitySystem)), el("active", card(1, "1"), must()),
				el("type", card(1, "1"), unit), el("name", card(0, "1"), must())}},
		{id: "location", typ: "Location", title: "Dialysis unit as a place",
			about: "The place of a facility.",
			elements: []model.ElementDefinition{
				el("identifier", card(1, "1"), must(), identifiedBy(fhir.FacilitySystem)), el("status", card(1, "1"), must()),
				el("name", card(0, "1"), must()),
				el("type", card(1, "1"), unit), el("managingOrganization", card(1, "1"), must(), refs("organization"))},
			rules: []rule{{"location-status", "A place is in use or not.", oneOf("active", "inactive")}}},
		{id: "group", typ: "Group", title: "Patients of a facility",
			about: "The patients of a facility, as bulk export takes them. It lists nobody: who belongs to it is found when an export " +
				"begins.",
			elements: []model.ElementDefinition{
				el("identifier", card(1, "1"), must(), identifiedBy(fhir.FacilitySystem)), el("active", card(1, "1"), must()),
				el("type", fixedCode("person")), el("actual", func(e *model.ElementDefinition) { e.FixedBoolean = new(true) }),
				el("managingEntity", card(1, "1"), must(), refs("organization")), el("member", never())}},
		{id: "access", typ: "BodyStructure", title: "Vascular access", snomed: true,
			about: "What the patient is dialysed through. Its name is the sender's and unique for the patient. Where identities were " +
				"merged that both have one of a name, the survivor's stands for both and the other is not active.",
			elements: append(named(fhir.AccessSystem),
				el("active", card(1, "1"), must()),
				el("morphology", card(1, "1"), must(), of("access-kind")), el("location", card(0, "1"), must(), of("access-region")),
				el("locationQualifier", card(0, "1"), of("body-side")), el("patient", must(), refs("patient")))},
		{id: "track", typ: "BodyStructure", title: "Needle track", snomed: true,
			about: "The scar tunnel from one skin site to the vessel, as it was planned or taken over. How far it has come is an " +
				"Observation, never stored here. A track is given up and replaced, never edited away. Where identities were merged that " +
				"both have one of a name, the survivor's stands for both and the other is not active.",
			elements: append(named(fhir.TrackSystem),
				el("active", card(1, "1"), must()),
				el("morphology", card(1, "1"), must(), is(fhir.System, "constant-site-track")),
				el("location", card(0, "1"), must(), of("access-region"), short("Where its access lies")),
				el("locationQualifier", card(0, "2"), must(), of("track-qualifier"), short("Side of the body; arterial or venous")),
				el("description", short("Site, angle, depth, direction, landmarks and fall-back, in words")),
				el("patient", must(), refs("patient")))},
		{id: "device", typ: "Device", title: "Needle or peg", snomed: true,
			about: "A needle or peg whose lot or identifier was scanned. It stands for the lot, not for one patient's: the same box " +
				"serves many.",
			elements: []model.ElementDefinition{
				el("udiCarrier", card(0, "1"), must()), el("udiCarrier.carrierHRF", card(1, "1")), el("lotNumber", must()),
				el("type", card(1, "1"), must(), of("device-kind")), el("patient", never())},
			rules: []rule{{"scanned", "A lot or an identifier was scanned.", "lotNumber.exists() or udiCarrier.exists()"}}},
		{id: "provenance", typ: "Provenance", title: "Origin of versions",
			about: "Where the versions that one message gave come from: the message, its sender and who recorded it. A message that gave " +
				"more than 500 versions has several, and so has one that takes back if not all of them are entered in error since.",
			elements: []model.ElementDefinition{
				el("target", card(1, "500"), must()), el("target.reference", card(1, "1")),
				el("occurred[x]", card(0, "1"), must(), types("dateTime")),
				el("recorded", must(), short("When the register's log took it")),
				el("location", card(0, "1"), refs("location")),
				el("reason", must(), short("Why something was corrected or taken back, as it was typed")),
				el("activity", card(0, "1"), of("provenance-activity")),
				el("agent", card(1, "2"), must()), el("agent.type", card(1, "1")), el("agent.who", must()),
				el("agent.onBehalfOf", refs("organization")),
				el("entity", must(), short("The message; corrections and voids of it that came before")),
				el("entity.what.identifier", card(1, "1"), identifiedBy(fhir.MessageSystem))},
			rules: []rule{
				{"enterer", "Who entered it is a member of staff.",
					"agent.where(type.coding.where(code = 'enterer').exists()).all(who.reference.startsWith('Practitioner/'))"},
				{"one-message", "It comes from one message; others only correct or take back what that says.",
					"entity.where(role = 'source').count() <= 1 and entity.all(role = 'source' or role = 'revision')"},
				{"author", "What sent it is a system, given by its name.",
					"agent.where(type.coding.where(code = 'author').exists()).all(who.type = 'Device' and who.reference.empty())"},
			}},
	}
}
