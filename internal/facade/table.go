package facade

import "cannulary/fhir"

// Interaction is a FHIR REST interaction with a type, by its code in the CapabilityStatement.
type Interaction string

// The interactions.
const (
	Read            Interaction = "read"
	VRead           Interaction = "vread"
	HistoryInstance Interaction = "history-instance"
	SearchType      Interaction = "search-type"
)

// ParamType is the type of a search parameter, by its code in FHIR.
type ParamType string

// The types of search parameters.
const (
	TokenParam     ParamType = "token"
	DateParam      ParamType = "date"
	ReferenceParam ParamType = "reference"
	QuantityParam  ParamType = "quantity"
)

// Param is a search parameter. Its values stand in the search index under its name.
type Param struct {
	Name string
	Type ParamType
	// Targets are the types that a reference may name.
	Targets []string
	// Compartment says that the parameter names the patient in whose compartment the
	// resource is: the view is asked for that, which is faster.
	Compartment bool
	// Definition is the canonical URL, for parameters that are not FHIR's own.
	Definition string
	Doc        string
}

// Type is a resource type with what may be done with it.
type Type struct {
	Name         string
	Doc          string
	Interactions []Interaction
	Params       []Param
	// Everything says that the operation $everything is offered.
	Everything bool
}

// Offers tells whether the interaction is offered.
func (t *Type) Offers(i Interaction) bool {
	for _, x := range t.Interactions {
		if x == i {
			return true
		}
	}
	return false
}

// Param finds a search parameter, nil if there is none of that name.
func (t *Type) Param(name string) *Param {
	for i := range t.Params {
		if t.Params[i].Name == name {
			return &t.Params[i]
		}
	}
	return nil
}

// The parameters of every type: those that filter, and those that shape the answer.
const (
	paramID          = "_id"
	paramLastUpdated = "_lastUpdated"
	paramCount       = "_count"
	paramSort        = "_sort"
	paramTotal       = "_total"
	paramSummary     = "_summary"
	paramFormat      = "_format"
	paramCursor      = "_cursor"
	paramSince       = "_since"
	paramAt          = "_at"
	paramType        = "_type"
)

func resultParams() []string {
	return []string{paramCount, paramCursor, paramFormat, paramSort, paramSummary, paramTotal}
}

// Types is the table. It is made anew with every call.
func Types() []Type {
	all := []Interaction{Read, VRead, HistoryInstance, SearchType}
	types := []Type{
		{Name: "Patient", Everything: true,
			Doc:    "Identifiers, whether active, and the links that a merge leaves; nothing else. A search by the id of a merged Patient answers the survivor's resources and says so.",
			Params: []Param{identifier(), token("active", "Whether the identity stands."), reference("link", "Identities that this one replaces or is replaced by.", "Patient")}},
		{Name: "Practitioner", Doc: "Staff, with the cannulation rating that stands.",
			Params: []Param{identifier()}},
		{Name: "Organization", Doc: "The dialysis unit.",
			Params: []Param{identifier(), token("active", "Whether the registration stands."), token("type", "What kind of organisation.")}},
		{Name: "Location", Doc: "The dialysis unit as a place.",
			Params: []Param{identifier(), token("status", "Whether in use."), token("type", "What kind of place."), reference("organization", "Whose place it is.", "Organization")}},
		{Name: "BodyStructure", Doc: "Accesses and needle tracks.",
			Params: []Param{identifier(), token("location", "Where on the body."), token("morphology", "What kind of structure."), patient()}},
		{Name: "Procedure", Doc: "Sessions and, as part of them, insertions, removals, pegs and site preparation.",
			Params: []Param{identifier(), token("status", "State of the procedure."), token("category", "Kind of procedure."), token("code", "What was done."),
				token("reason-code", "Why it was done."), date("date", "When it was done."), patient(), subject(),
				reference("part-of", "The procedure that it is part of.", "Procedure"), reference("performer", "Who did it.", "Practitioner"),
				reference("location", "Where it was done.", "Location"),
				track("procedure-track", "The track, or the access where no track is known, that the procedure was done on.")}},
		{Name: "Observation", Doc: "Examination, attempt details, haemostasis, pressure, flow, signs, cultures; and how far each track has come.",
			Params: []Param{identifier(), token("status", "State of the observation."), token("category", "Kind of observation."), token("code", "What was observed."),
				token("combo-code", "What was observed, components included."), token("component-code", "What a component observed."),
				token("value-concept", "Coded value."), token("combo-value-concept", "Coded value, components included."), token("component-value-concept", "Coded value of a component."),
				quantity("value-quantity", "Measured value."), quantity("combo-value-quantity", "Measured value, components included."), quantity("component-value-quantity", "Measured value of a component."),
				token("data-absent-reason", "Why there is no value."), token("component-data-absent-reason", "Why a component has no value."), token("method", "How it was observed."),
				date("date", "When it was observed."), patient(), subject(), reference("focus", "The track or access that was observed.", "BodyStructure"),
				reference("part-of", "The procedure that it is part of.", "Procedure"), reference("performer", "Who observed.", "Practitioner"),
				reference("has-member", "Observations of this panel.", "Observation"), reference("derived-from", "Observations that it rests on.", "Observation")}},
		{Name: "DetectedIssue", Doc: "What the needling rules found, with its reasons; cleared ones carry a mitigation, those taken back are cancelled.",
			Params: []Param{token("code", "The rule."), date("identified", "Since when."), patient(), reference("implicated", "The track or access that it is about.", "BodyStructure")}},
		{Name: "Flag", Doc: "Holds: no needle until a person lifts them. Active while open.",
			Params: []Param{date("date", "When the hold was open."), patient(), subject(), reference("author", "The person who placed it.", "Practitioner"),
				track("flag-track", "A track or access that is held.")}},
		{Name: "Device", Doc: "Needles and pegs whose lot or UDI was scanned.",
			Params: []Param{token("type", "What kind of device.")}},
		{Name: "Provenance", Doc: "The source message and the recorder of each version.",
			Params: []Param{reference("target", "The resource whose origin it is, whatever its version.", allTypes()...),
				{Name: "patient", Type: ReferenceParam, Targets: []string{"Patient"}, Doc: "The Patient whose own versions it tells the origin of."},
				reference("agent", "Who recorded it.", "Practitioner"), token("agent-type", "In what role."), reference("location", "Where it happened.", "Location"),
				date("recorded", "When the log took it."), date("when", "When it happened.")}},
	}
	for i := range types {
		types[i].Interactions = all
		types[i].Params = append([]Param{
			{Name: paramID, Type: TokenParam, Doc: "The resource's id."},
			{Name: paramLastUpdated, Type: DateParam, Doc: "When the newest version was given; it never steps back."},
		}, types[i].Params...)
	}
	return types
}

func allTypes() []string {
	return []string{"BodyStructure", "DetectedIssue", "Device", "Flag", "Location", "Observation", "Organization", "Patient", "Practitioner", "Procedure"}
}

func token(name, doc string) Param    { return Param{Name: name, Type: TokenParam, Doc: doc} }
func date(name, doc string) Param     { return Param{Name: name, Type: DateParam, Doc: doc} }
func quantity(name, doc string) Param { return Param{Name: name, Type: QuantityParam, Doc: doc} }

func reference(name, doc string, targets ...string) Param {
	return Param{Name: name, Type: ReferenceParam, Targets: targets, Doc: doc}
}

func identifier() Param { return token("identifier", "Identifier, as system|value.") }

func patient() Param {
	return Param{Name: "patient", Type: ReferenceParam, Targets: []string{"Patient"}, Compartment: true, Doc: "Whose it is."}
}

func subject() Param {
	return Param{Name: "subject", Type: ReferenceParam, Targets: []string{"Patient"}, Compartment: true, Doc: "Whose it is; the same as patient."}
}

// track is a parameter of our own: R4 has none that leads from these types to the part of
// the body.
func track(definition, doc string) Param {
	return Param{Name: "track", Type: ReferenceParam, Targets: []string{"BodyStructure"}, Definition: fhir.Base + "/SearchParameter/" + definition, Doc: doc}
}
