package facade

import (
	"slices"
	"strings"

	"cannulary/fhir"
)

// Interaction is a FHIR REST interaction, by its code in the CapabilityStatement.
type Interaction string

// The interactions with a type, and HistorySystem with all of them.
const (
	Read            Interaction = "read"
	VRead           Interaction = "vread"
	HistoryInstance Interaction = "history-instance"
	HistoryType     Interaction = "history-type"
	SearchType      Interaction = "search-type"
	HistorySystem   Interaction = "history-system"
)

// ParamType is the type of a search parameter, by its code in FHIR.
type ParamType string

// The types of search parameters.
const (
	TokenParam     ParamType = "token"
	DateParam      ParamType = "date"
	ReferenceParam ParamType = "reference"
	QuantityParam  ParamType = "quantity"
	StringParam    ParamType = "string"
	URIParam       ParamType = "uri"
	CompositeParam ParamType = "composite"
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
	// Logical says that the references are known by an identifier only: they are found with
	// the modifier :identifier, and with no other.
	Logical bool
	// Canonical says that it names a definition by its canonical URL, which is served beside
	// the view: it is neither chained nor included.
	Canonical bool
	// Codes are all codes that a token can have, by a required binding or since it is a
	// boolean; nil where others are possible. System is theirs, empty for booleans.
	System string
	Codes  []string
	// Concept says that a token's codes are of code systems, among them our own.
	Concept bool
	// Pairs are the parameters whose values a composite joins; one of the pairs must match.
	// The values of a pair of component parameters must stand in the same component.
	Pairs [][2]string
	// Definition is the canonical URL, for parameters that are not FHIR's own.
	Definition string
	Doc        string
}

// The modifiers that are offered; beside them the type of what a reference names.
const (
	modNot        = "not"
	modMissing    = "missing"
	modExact      = "exact"
	modContains   = "contains"
	modIdentifier = "identifier"
)

// Modifiers lists the modifiers of the parameter.
func (p *Param) Modifiers() []string {
	if p.Name == paramID || p.Name == paramLastUpdated {
		return nil
	}
	switch p.Type {
	case TokenParam:
		return []string{modMissing, modNot}
	case ReferenceParam:
		if p.Logical {
			return []string{modIdentifier, modMissing}
		}
		return append([]string{modMissing}, p.Targets...)
	case StringParam:
		return []string{modContains, modExact, modMissing}
	case DateParam, QuantityParam:
		return []string{modMissing}
	}
	return nil
}

// Chains reports whether parameters of the one type that the reference names can be asked
// for behind a dot, as in patient.identifier.
func (p *Param) Chains() bool {
	return p.Type == ReferenceParam && !p.Logical && !p.Canonical && len(p.Targets) == 1
}

// Type is a resource type with what may be done with it.
type Type struct {
	Name         string
	Doc          string
	Interactions []Interaction
	Params       []Param
	// Everything says that the operation $everything is offered.
	Everything bool
	// Published says that these are the service's own definitions: they do not change while
	// it runs and have no versions.
	Published bool
}

// Offers reports whether the interaction is offered.
func (t *Type) Offers(i Interaction) bool { return slices.Contains(t.Interactions, i) }

// Param finds a search parameter, nil if there is none of that name.
func (t *Type) Param(name string) *Param {
	for i := range t.Params {
		if t.Params[i].Name == name {
			return &t.Params[i]
		}
	}
	return nil
}

// Includes lists the parameters by which _include follows references.
func (t *Type) Includes() []string {
	var out []string
	for i := range t.Params {
		if p := &t.Params[i]; p.Type == ReferenceParam && !p.Logical && !p.Canonical {
			out = append(out, p.Name)
		}
	}
	return out
}

// RevIncludes lists, as Type:parameter, by what _revinclude finds resources that refer to
// those of the type. What refers to a patient is not offered: that is nearly everything,
// and $everything is for that.
func RevIncludes(types []Type, name string) []string {
	var out []string
	for i := range types {
		for k := range types[i].Params {
			p := &types[i].Params[k]
			if p.Type == ReferenceParam && !p.Logical && !p.Canonical && !p.Compartment && slices.Contains(p.Targets, name) {
				out = append(out, types[i].Name+":"+p.Name)
			}
		}
	}
	return out
}

// The parameters of every type: those that filter, and those that shape the answer.
const (
	paramID          = "_id"
	paramLastUpdated = "_lastUpdated"
	paramCount       = "_count"
	paramSort        = "_sort"
	paramTotal       = "_total"
	paramSummary     = "_summary"
	paramElements    = "_elements"
	paramInclude     = "_include"
	paramRevInclude  = "_revinclude"
	paramFormat      = "_format"
	paramPretty      = "_pretty"
	paramCursor      = "_cursor"
	paramSince       = "_since"
	paramAt          = "_at"
	paramType        = "_type"
	paramStart       = "start"
	paramEnd         = "end"
)

func resultParams() []string {
	return []string{paramCount, paramCursor, paramElements, paramFormat, paramInclude, paramPretty, paramRevInclude, paramSort,
		paramSummary, paramTotal}
}

// Types is the table. It is made anew with every call.
func Types() []Type {
	all := []Interaction{Read, VRead, HistoryInstance, HistoryType, SearchType}
	types := []Type{
		{Name: "Patient", Everything: true,
			Doc: "Identifiers, whether active, and the links that a merge leaves; nothing else. A search by the id of a merged " +
				"Patient answers the survivor's resources and says so.",
			Params: []Param{identifier(), boolean("active", "Whether the identity stands."),
				reference("link", "Identities that this one replaces or is replaced by.", "Patient")}},
		{Name: "Practitioner", Doc: "Staff, with the cannulation rating that stands.",
			Params: []Param{identifier()}},
		{Name: "Organization", Doc: "The dialysis unit.",
			Params: []Param{identifier(), str("name", "Its name."), boolean("active", "Whether the registration stands."),
				concept("type", "What kind of organisation.")}},
		{Name: "Location", Doc: "The dialysis unit as a place.",
			Params: []Param{identifier(), str("name", "Its name."), closed("status", "Whether in use.", "location-status", "active",
				"suspended", "inactive"), concept("type", "What kind of place."),
				reference("organization", "Whose place it is.", "Organization")}},
		{Name: "Group", Doc: "The patients of a dialysis unit, for $export; members are not listed.",
			Params: []Param{identifier(), closed("type", "Kind of members.", "group-type", "person", "animal", "practitioner", "device",
				"medication", "substance"), boolean("actual", "Whether the members exist."),
				reference("managing-entity", "Whose group it is.", "Organization")}},
		{Name: "BodyStructure",
			Doc: "Accesses and needle tracks, those given up too: their active is false, and R4 has no search for it. How far a track " +
				"has come is given by the Observation of code track-maturity whose focus it is.",
			Params: []Param{identifier(), concept("location", "Where on the body."),
				concept("morphology", "What kind of structure."), patient()}},
		{Name: "Procedure", Doc: "Sessions and, as part of them, insertions, removals, pegs and site preparation.",
			Params: []Param{identifier(), closed("status", "State of the procedure.", "event-status", "preparation", "in-progress",
				"not-done", "on-hold", "stopped", "completed", "entered-in-error", "unknown"), concept("category", "Kind of procedure."),
				concept("code", "What was done."),
				concept("reason-code", "Why it was done."), date("date", "When it was done."), patient(), subject(), encounter(),
				reference("part-of", "The procedure that it is part of.", "Procedure"),
				reference("performer", "Who did it.", "Practitioner"),
				reference("location", "Where it was done.", "Location"),
				ours(reference("track", "The track, or the access where no track is known, that the procedure was done on.",
					"BodyStructure"), "procedure-track")}},
		{Name: "Observation",
			Doc: "Examination, attempt details, haemostasis, pressure, flow, signs, cultures; and how far each track has come.",
			Params: []Param{identifier(), observationStatus("State of the observation."), concept("category", "Kind of observation."),
				concept("code", "What was observed."),
				concept("combo-code", "What was observed, components included."), concept("component-code", "What a component observed."),
				concept("value-concept", "Coded value."), concept("combo-value-concept", "Coded value, components included."),
				concept("component-value-concept", "Coded value of a component."),
				quantity("value-quantity", "Measured value."), quantity("combo-value-quantity", "Measured value, components included."),
				quantity("component-value-quantity", "Measured value of a component."),
				concept("data-absent-reason", "Why there is no value."), concept("component-data-absent-reason",
					"Why a component has no value."), concept("combo-data-absent-reason", "Why there is no value, components included."),
				composite("code-value-concept", "What was observed with its coded value, as code$value.", "code", "value-concept"),
				composite("code-value-quantity", "What was observed with its measured value, as code$value.", "code", "value-quantity"),
				composite("component-code-value-concept", "One component's code with its coded value.", "component-code",
					"component-value-concept"),
				composite("component-code-value-quantity", "One component's code with its measured value.", "component-code",
					"component-value-quantity"),
				composite("combo-code-value-concept", "A code with its coded value, of the observation or of one component.", "code",
					"value-concept", "component-code", "component-value-concept"),
				composite("combo-code-value-quantity", "A code with its measured value, of the observation or of one component.", "code",
					"value-quantity", "component-code", "component-value-quantity"),
				concept("method", "How it was observed."),
				date("date", "When it was observed."), patient(), subject(), encounter(),
				reference("focus", "The track or access that was observed.", "BodyStructure"),
				reference("part-of", "The procedure that it is part of.", "Procedure"),
				reference("performer", "Who observed.", "Practitioner"),
				reference("has-member", "Observations of this panel.", "Observation")}},
		{Name: "DetectedIssue",
			Doc: "What the needling rules found, with its reasons; cleared ones stay final and carry a mitigation, those withdrawn are " +
				"cancelled. standing=true finds what stands now.",
			Params: []Param{identifier(), concept("code", "The rule."), date("identified", "Since when."), patient(),
				reference("implicated", "The track or access that it is about.", "BodyStructure"),
				ours(observationStatus("Whether the finding was withdrawn: final, or cancelled. What was cleared stays final; ask for "+
					"standing=true for what stands now."), "detectedissue-status"),
				ours(boolean("standing", "Whether the finding stands now: final, and nothing has cleared it."), "detectedissue-standing"),
				ours(closed("severity", "How grave: high is a stop, moderate a caution, low a note.", "detectedissue-severity", "high",
					"moderate", "low"), "detectedissue-severity")}},
		{Name: "Flag", Doc: "Holds: no needle until a person lifts them. status=active finds those that hold now.",
			Params: []Param{identifier(), date("date", "When the hold was open."), patient(), subject(),
				reference("author", "The person who placed it.", "Practitioner"),
				ours(closed("status", "Whether the hold is open: active, or inactive when lifted. status=active is what holds now.",
					"flag-status", "active", "inactive", "entered-in-error"), "flag-status"),
				ours(reference("track", "A track or access that is held.", "BodyStructure"), "flag-track")}},
		{Name: "Device", Doc: "Needles and pegs whose lot or UDI was scanned.",
			Params: []Param{concept("type", "What kind of device."), str("udi-carrier", "The UDI as it was scanned, from its beginning.")}},
		{Name: "MeasureReport", Doc: "Infections of a facility and month, by two denominators and by technique; restated as new versions.",
			Params: []Param{identifier(), closed("status", "State of the report.", "measure-report-status", "complete", "pending", "error"),
				{Name: "measure", Type: ReferenceParam, Targets: []string{"Measure"}, Canonical: true,
					Doc: "The measure, as Measure/id or by its canonical URL."},
				date("period", "The month."), date("date", "The day on which the figures were made."),
				reference("reporter", "Whose report it is.", "Organization")}},
		{Name: "Provenance", Doc: "The source message and the recorder of each version.",
			Params: []Param{reference("target", "The resource whose origin it is, whatever its version.", allTypes()...),
				{Name: "patient", Type: ReferenceParam, Targets: []string{"Patient"},
					Doc: "The Patient whose own versions it gives the origin of."},
				reference("agent", "Who recorded it.", "Practitioner"), concept("agent-type", "In what role."),
				reference("location", "Where it happened.", "Location"),
				date("recorded", "When the log took it."), date("when", "When it happened.")}},
	}
	for i := range types {
		types[i].Interactions = all
		types[i].Params = append([]Param{
			{Name: paramID, Type: TokenParam, Doc: "The resource's id."},
			{Name: paramLastUpdated, Type: DateParam, Doc: "When the newest version was given; it never steps back."},
		}, types[i].Params...)
	}
	for _, p := range [...][2]string{
		{"StructureDefinition", "The profiles that every resource of this service meets and names."},
		{"CodeSystem", "The codes that this project made for what has no standard code."},
		{"ValueSet", "Which codes an element of a profile takes."},
		{"NamingSystem", "The systems of the identifiers that this service gives."},
		{"SearchParameter", "The search parameters that are not FHIR's own."},
		{"OperationDefinition", "The operations as this service offers them."},
		{"Measure", "How the infection rates are counted."},
	} {
		t := Type{Name: p[0], Doc: p[1], Interactions: []Interaction{Read, SearchType}, Published: true,
			Params: []Param{{Name: paramID, Type: TokenParam, Doc: "The resource's id."}, str("name", "Its name for programs."),
				closed("status", "Whether in use.", "publication-status", "draft", "active", "retired", "unknown")}}
		if p[0] != "NamingSystem" { // R4 gives it no url
			t.Params = append(t.Params, Param{Name: "url", Type: URIParam, Doc: "Its canonical URL."})
		}
		types = append(types, t)
	}
	return types
}

func allTypes() []string {
	return []string{"BodyStructure", "DetectedIssue", "Device", "Flag", "Group", "Location", "MeasureReport", "Observation", "Organization",
		"Patient", "Practitioner", "Procedure"}
}

func token(name, doc string) Param { return Param{Name: name, Type: TokenParam, Doc: doc} }
func date(name, doc string) Param  { return Param{Name: name, Type: DateParam, Doc: doc} }

// concept is a token of a CodeableConcept.
func concept(name, doc string) Param {
	return Param{Name: name, Type: TokenParam, Concept: true, Doc: doc}
}

func boolean(name, doc string) Param {
	return Param{Name: name, Type: TokenParam, Codes: []string{"true", "false"}, Doc: doc}
}

// closed is a token of a code element, whose binding is required: its value set is a whole
// code system of HL7's (hl7.org/fhir/R4/valueset-[system].html).
func closed(name, doc, system string, codes ...string) Param {
	return Param{Name: name, Type: TokenParam, System: "http://hl7.org/fhir/" + system, Codes: codes, Doc: doc}
}

func observationStatus(doc string) Param {
	return closed("status", doc, "observation-status", "registered", "preliminary", "final", "amended", "corrected", "cancelled",
		"entered-in-error", "unknown")
}

// codes lists the codes of a closed set.
func (p *Param) codes() string {
	list := strings.Join(p.Codes, ", ")
	if p.System == "" {
		return list + ", without a system"
	}
	return list + " of " + p.System
}

func quantity(name, doc string) Param { return Param{Name: name, Type: QuantityParam, Doc: doc} }

func reference(name, doc string, targets ...string) Param {
	return Param{Name: name, Type: ReferenceParam, Targets: targets, Doc: doc}
}

func identifier() Param { return token("identifier", "Identifier, as system|value.") }

func patient() Param {
	return Param{Name: "patient", Type: ReferenceParam, Targets: []string{"Patient"}, Compartment: true, Doc: "Whose it is."}
}

func subject() Param {
	return Param{Name: "subject", Type: ReferenceParam, Targets: []string{"Patient"}, Compartment: true,
		Doc: "Whose it is; the same as patient."}
}

func encounter() Param {
	return Param{Name: "encounter", Type: ReferenceParam, Targets: []string{"Encounter"}, Logical: true,
		Doc: "The visit, by the session's identifier as the sender wrote it: encounter:identifier=system|value."}
}

func str(name, doc string) Param { return Param{Name: name, Type: StringParam, Doc: doc} }

// composite joins the parameters two by two.
func composite(name, doc string, parts ...string) Param {
	p := Param{Name: name, Type: CompositeParam, Doc: doc}
	for i := 0; i+1 < len(parts); i += 2 {
		p.Pairs = append(p.Pairs, [2]string{parts[i], parts[i+1]})
	}
	return p
}

// ours marks a parameter that R4 does not have.
func ours(p Param, definition string) Param {
	p.Definition = fhir.Base + "/SearchParameter/" + definition
	return p
}
