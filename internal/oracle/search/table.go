package search

import (
	"slices"
	"strings"
)

// Kind is the type of a search parameter, by its code in FHIR.
type Kind string

// The kinds.
const (
	Token     Kind = "token"
	Date      Kind = "date"
	Reference Kind = "reference"
	Quantity  Kind = "quantity"
	String    Kind = "string"
	URI       Kind = "uri"
	Composite Kind = "composite"
)

// as is the data type of an element.
type as int

const (
	asConcept as = iota
	asCoding
	asIdentifier
	asCode
	asBoolean
	asID
	asURI
	asString
	asReference
	asTime // date and dateTime
	asInstant
	asPeriod
	asQuantity
	asCanonical
)

// element is one path of a parameter's expression.
type element struct {
	path   string
	as     as
	system string // of a code, by its value set
	// of works out what the expression says of the resource; nil follows the path.
	of func(body map[string]any) []any
}

// param is one search parameter of one type.
type param struct {
	name     string
	kind     Kind
	elements []element
	// targets are the types that a reference may name, for chains and :Type; only is the one
	// that the expression's "resolve() is" leaves.
	targets []string
	only    string
	// survivor is this server's rule that a merged patient's id stands for the survivor's.
	survivor bool
	// logical says that the server knows these references by their identifiers only.
	logical bool
	// on and parts are those of a composite: the elements that the parts are on.
	on    []string
	parts []param
}

const (
	fhirBase = "http://hl7.org/fhir/"
)

// targetTrack and flagDetail are the core extensions that the parameters of our own follow.
const (
	targetTrack = "extension(http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure).valueReference"
	flagDetail  = "extension(http://hl7.org/fhir/StructureDefinition/flag-detail).valueReference"
)

func concept(name string, paths ...string) param {
	p := param{name: name, kind: Token}
	for _, x := range paths {
		p.elements = append(p.elements, element{path: x, as: asConcept})
	}
	return p
}

func code(name, path, system string) param {
	return param{name: name, kind: Token, elements: []element{{path: path, as: asCode, system: system}}}
}

func one(name string, k Kind, path string, t as) param {
	return param{name: name, kind: k, elements: []element{{path: path, as: t}}}
}

func ref(name, path string, targets ...string) param {
	return param{name: name, kind: Reference, elements: []element{{path: path, as: asReference}}, targets: targets}
}

func patient(path string) param {
	p := ref("patient", path, "Patient")
	p.survivor = true
	if path == "subject" { // where(resolve() is Patient)
		p.only = "Patient"
	}
	return p
}

func subject() param {
	p := ref("subject", "subject", "Patient", "Group", "Device", "Location")
	p.survivor = true
	return p
}

func encounter() param {
	p := ref("encounter", "encounter", "Encounter", "EpisodeOfCare")
	p.logical = true
	return p
}

func texts(name string, paths ...string) param {
	p := param{name: name, kind: String}
	for _, x := range paths {
		p.elements = append(p.elements, element{path: x, as: asString})
	}
	return p
}

func quantities(name string, paths ...string) param {
	p := param{name: name, kind: Quantity}
	for _, x := range paths {
		p.elements = append(p.elements, element{path: x, as: asQuantity})
	}
	return p
}

// dates is a choice of dateTime and Period.
func dates(name, path string) param {
	return param{name: name, kind: Date, elements: []element{{path: path + "DateTime", as: asTime}, {path: path + "Period", as: asPeriod},
		{path: path + "Instant", as: asInstant}}}
}

// codeValue is a composite of a code and a value; root is "", component "component".
func codeValue(name string, concepts bool, on ...string) param {
	value := quantities("value-quantity", "valueQuantity")
	if concepts {
		value = concept("value-concept", "valueCodeableConcept")
	}
	return param{name: name, kind: Composite, on: on, parts: []param{concept("code", "code"), value}}
}

func identifier() param { return one("identifier", Token, "identifier", asIdentifier) }

// definition is what published definitions have in common.
func definition() []param {
	return []param{one("url", URI, "url", asURI), texts("name", "name"), code("status", "status", fhirBase+"publication-status")}
}

// standing is status = 'final' and mitigation.empty(), which is nothing where a status is
// missing that would decide.
func standing(body map[string]any) []any {
	status, cleared := str(body, "status"), body["mitigation"] != nil
	if status == "" && !cleared {
		return nil
	}
	return []any{status == "final" && !cleared}
}

// bound are the codes of the code systems that are whole value sets of required bindings
// (R4 4.0.1, terminology of the elements' types).
var bound = map[string]string{
	fhirBase + "detectedissue-severity": "high moderate low",
	fhirBase + "event-status":           "preparation in-progress not-done on-hold stopped completed entered-in-error unknown",
	fhirBase + "flag-status":            "active inactive entered-in-error",
	fhirBase + "group-type":             "person animal practitioner device medication substance",
	fhirBase + "location-status":        "active suspended inactive",
	fhirBase + "measure-report-status":  "complete pending error",
	fhirBase + "observation-status":     "registered preliminary final amended corrected cancelled entered-in-error unknown",
	fhirBase + "publication-status":     "draft active retired unknown",
}

// types are the parameters, by R4's own SearchParameter.expression (4.0.1,
// https://hl7.org/fhir/R4/searchparameter-registry.html). Where R4 has none of the name it
// is marked as ours.
var types = map[string][]param{
	"Patient":      {identifier(), one("active", Token, "active", asBoolean), ref("link", "link.other", "Patient", "RelatedPerson")},
	"Practitioner": {identifier()},
	"Organization": {identifier(), one("active", Token, "active", asBoolean), concept("type", "type"), texts("name", "name", "alias")},
	"Location": {identifier(), code("status", "status", fhirBase+"location-status"), concept("type", "type"),
		ref("organization", "managingOrganization", "Organization"), texts("name", "name", "alias")},
	"BodyStructure": {identifier(), concept("location", "location"), concept("morphology", "morphology"), patient("patient")},
	"Procedure": {identifier(), code("status", "status", fhirBase+"event-status"), concept("category", "category"), concept("code", "code"),
		concept("reason-code", "reasonCode"), dates("date", "performed"), patient("subject"), subject(),
		ref("part-of", "partOf", "Procedure", "Observation", "MedicationAdministration"),
		ref("performer", "performer.actor", "Practitioner", "Organization", "Device", "Patient", "PractitionerRole", "RelatedPerson"),
		ref("location", "location", "Location"), encounter(),
		ref("track", targetTrack, "BodyStructure")}, // track is ours
	"Observation": {identifier(), code("status", "status", fhirBase+"observation-status"), concept("category", "category"),
		concept("code", "code"),
		concept("combo-code", "code", "component.code"), concept("component-code", "component.code"),
		concept("value-concept", "valueCodeableConcept"), concept("combo-value-concept", "valueCodeableConcept",
			"component.valueCodeableConcept"),
		concept("component-value-concept", "component.valueCodeableConcept"),
		quantities("value-quantity", "valueQuantity"), quantities("combo-value-quantity", "valueQuantity", "component.valueQuantity"),
		quantities("component-value-quantity", "component.valueQuantity"),
		concept("data-absent-reason", "dataAbsentReason"), concept("combo-data-absent-reason", "dataAbsentReason",
			"component.dataAbsentReason"),
		concept("component-data-absent-reason", "component.dataAbsentReason"), concept("method", "method"),
		dates("date", "effective"), patient("subject"), subject(),
		ref("focus", "focus", "BodyStructure"), ref("part-of", "partOf", "Procedure", "Immunization", "MedicationDispense",
			"MedicationAdministration", "ImagingStudy", "MedicationStatement"),
		ref("performer", "performer", "Practitioner", "Organization", "CareTeam", "Patient", "PractitionerRole", "RelatedPerson"),
		ref("has-member", "hasMember", "Observation", "MolecularSequence", "QuestionnaireResponse"),
		ref("derived-from", "derivedFrom", "Observation", "Media", "ImagingStudy", "MolecularSequence", "QuestionnaireResponse",
			"DocumentReference"),
		encounter(),
		codeValue("code-value-concept", true, ""), codeValue("code-value-quantity", false, ""),
		codeValue("component-code-value-concept", true, "component"), codeValue("component-code-value-quantity", false, "component"),
		codeValue("combo-code-value-concept", true, "", "component"), codeValue("combo-code-value-quantity", false, "", "component")},
	"DetectedIssue": {identifier(), concept("code", "code"), dates("identified", "identified"), patient("patient"),
		ref("implicated", "implicated", "BodyStructure"),
		code("status", "status", fhirBase+"observation-status"), code("severity", "severity", fhirBase+"detectedissue-severity"), // ours
		{name: "standing", kind: Token, elements: []element{{path: "standing", as: asBoolean, of: standing}}}}, // ours
	"Flag": {identifier(), one("date", Date, "period", asPeriod), patient("subject"), subject(),
		ref("author", "author", "Practitioner", "Organization", "Device", "Patient", "PractitionerRole"),
		// ours
		code("status", "status", fhirBase+"flag-status"), {name: "track", kind: Reference,
			elements: []element{{path: flagDetail, as: asReference}}, targets: []string{"BodyStructure"}, only: "BodyStructure"}},
	"Device": {concept("type", "type"), texts("udi-carrier", "udiCarrier.carrierHRF")},
	"Provenance": {ref("target", "target", "BodyStructure", "DetectedIssue", "Device", "Flag", "Group", "Location", "MeasureReport",
		"Observation", "Organization", "Patient", "Practitioner", "Procedure"),
		{name: "patient", kind: Reference, elements: []element{{path: "target", as: asReference}}, targets: []string{"Patient"},
			only: "Patient"},
		ref("agent", "agent.who", "Practitioner", "Organization", "Device", "Patient", "PractitionerRole", "RelatedPerson"),
		concept("agent-type", "agent.type"),
		ref("location", "location", "Location"), one("recorded", Date, "recorded", asInstant),
		one("when", Date, "occurredDateTime", asTime)},
	"Group": {identifier(), code("type", "type", fhirBase+"group-type"), one("actual", Token, "actual", asBoolean),
		ref("managing-entity", "managingEntity", "Organization", "Practitioner", "PractitionerRole", "RelatedPerson")},
	"MeasureReport": {identifier(), code("status", "status", fhirBase+"measure-report-status"),
		{name: "measure", kind: Reference, elements: []element{{path: "measure", as: asCanonical}}, targets: []string{"Measure"}},
		one("period", Date, "period", asPeriod), one("date", Date, "date", asTime),
		ref("reporter", "reporter", "Organization", "Practitioner", "PractitionerRole", "Location")},
	"StructureDefinition": definition(), "CodeSystem": definition(), "ValueSet": definition(), "SearchParameter": definition(),
	"OperationDefinition": definition(), "Measure": definition(), "NamingSystem": definition()[1:], // R4 gives it no url
}

// everyType are the parameters of Resource.
var everyType = []param{one("_id", Token, "id", asID), one("_lastUpdated", Date, "meta.lastUpdated", asInstant)}

func lookup(typ, name string) (*param, bool) {
	list, ok := types[typ]
	if !ok {
		return nil, false
	}
	for _, l := range [][]param{everyType, list} {
		if i := slices.IndexFunc(l, func(p param) bool { return p.name == name }); i >= 0 {
			return &l[i], true
		}
	}
	return nil, false
}

// Has reports the kind of a parameter.
func Has(typ, name string) (Kind, bool) {
	p, ok := lookup(typ, name)
	if !ok {
		return "", false
	}
	return p.kind, true
}

// Value is one value that a resource has under a parameter, as a search would name it.
type Value struct {
	// System and Code are those of a token; Code is also the text of a string or uri, and of
	// a date. Reference is Type/id, with Canonical the URL if it is given by that; System and
	// Code of a reference are its identifier's.
	System, Code, Reference, Canonical string
	// Number and Unit are those of a quantity, whose Code and System are the unit's.
	Number, Unit string
	// Parts are the values of a composite's components.
	Parts []Value
}

// Values lists what a resource has under a parameter, to draw queries from.
func (c *Corpus) Values(r *Resource, name string) []Value {
	p, ok := lookup(r.Type, name)
	if !ok {
		return nil
	}
	var out []Value
	if p.kind == Composite {
		for _, on := range p.on {
			for _, at := range r.at(on) {
				a, b := c.below(at, &p.parts[0]), c.below(at, &p.parts[1])
				for i := range a {
					for j := range b {
						out = append(out, Value{Parts: []Value{c.value(&p.parts[0], a[i]), c.value(&p.parts[1], b[j])}})
					}
				}
			}
		}
		return out
	}
	for _, e := range c.elements(r, p) {
		out = append(out, c.value(p, e))
	}
	return out
}

func (c *Corpus) value(p *param, e item) Value {
	m, _ := e.v.(map[string]any)
	switch p.kind {
	case Token:
		s, k := e.coded()
		return Value{System: s, Code: k}
	case Reference:
		id, _ := m["identifier"].(map[string]any)
		return Value{Reference: c.local(e), Canonical: str(m, "canonical"), System: str(id, "system"), Code: str(id, "value")}
	case Quantity:
		return Value{Number: plain(m["value"]), System: str(m, "system"), Code: str(m, "code"), Unit: str(m, "unit")}
	case Date:
		if m != nil {
			return Value{Code: strings.Join([]string{str(m, "start"), str(m, "end")}, " ")}
		}
	}
	return Value{Code: plain(e.v)}
}
