package facade

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"cannulary/fhir"
)

// always are the elements that every part of a resource keeps.
var always = []string{"resourceType", "id", "meta", "implicitRules"}

// required are the elements that R4 asks for and those that change how the rest is read
// (modifiers): a resource without them would be none, or be misread.
// Source: the StructureDefinitions of FHIR R4, elements with min 1 and isModifier.
var required = map[string][]string{
	"BodyStructure":       {"patient", "active"},
	"CodeSystem":          {"status", "content"},
	"DetectedIssue":       {"status"},
	"Device":              {"status"},
	"Flag":                {"status", "code", "subject"},
	"Group":               {"type", "actual"},
	"Location":            {"status"},
	"Measure":             {"status"},
	"MeasureReport":       {"status", "type", "measure", "period", "improvementNotation"},
	"NamingSystem":        {"name", "status", "kind", "date", "uniqueId"},
	"Observation":         {"status", "code"},
	"OperationDefinition": {"name", "status", "kind", "code", "system", "type", "instance"},
	"Organization":        {"active"},
	"Patient":             {"active", "deceased[x]", "link"},
	"Practitioner":        {},
	"Procedure":           {"status", "subject"},
	"Provenance":          {"target", "recorded", "agent"},
	"SearchParameter":     {"url", "name", "status", "description", "code", "base", "type"},
	"StructureDefinition": {"url", "name", "status", "kind", "abstract", "type"},
	"ValueSet":            {"status"},
}

// summary are the elements of a summary beside required ones.
// Source: the StructureDefinitions of FHIR R4, elements with isSummary.
var summary = map[string][]string{
	"BodyStructure": {"identifier", "morphology", "location", "description"},
	"CodeSystem": {"url", "identifier", "version", "name", "title", "experimental", "date", "publisher", "contact", "useContext",
		"jurisdiction", "caseSensitive", "valueSet", "hierarchyMeaning", "compositional", "versionNeeded", "supplements", "count",
		"filter", "property"},
	"DetectedIssue": {"identifier", "code", "severity", "patient", "identified[x]", "author", "implicated"},
	"Device":        {"udiCarrier", "safety"},
	"Flag":          {"identifier", "category", "period", "encounter", "author"},
	"Group":         {"identifier", "active", "code", "name", "quantity", "managingEntity"},
	"Location": {"identifier", "operationalStatus", "name", "description", "mode", "type", "physicalType",
		"managingOrganization"},
	"Measure": {"url", "identifier", "version", "name", "title", "experimental", "date", "publisher", "contact", "description",
		"useContext", "jurisdiction", "effectivePeriod", "disclaimer", "scoring", "compositeScoring", "type", "riskAdjustment",
		"rateAggregation", "rationale", "clinicalRecommendationStatement", "improvementNotation", "definition", "guidance"},
	"MeasureReport": {"identifier", "subject", "date", "reporter"},
	"NamingSystem":  {"publisher", "contact", "useContext", "jurisdiction"},
	"Observation": {"identifier", "basedOn", "partOf", "subject", "focus", "encounter", "effective[x]", "issued", "performer",
		"value[x]", "hasMember", "derivedFrom", "component"},
	"OperationDefinition": {"url", "version", "title", "experimental", "date", "publisher", "contact", "useContext", "jurisdiction",
		"affectsState", "base", "resource"},
	"Organization": {"identifier", "type", "name", "partOf"},
	"Patient":      {"identifier", "name", "telecom", "gender", "birthDate", "address", "managingOrganization"},
	"Practitioner": {"identifier", "active", "name", "telecom", "address", "gender", "birthDate"},
	"Procedure": {"identifier", "instantiatesCanonical", "instantiatesUri", "basedOn", "partOf", "statusReason", "category",
		"code", "encounter", "performed[x]", "recorder", "asserter", "performer", "location", "reasonCode", "reasonReference",
		"bodySite", "outcome"},
	"Provenance":      {},
	"SearchParameter": {"version", "experimental", "date", "publisher", "contact", "useContext", "jurisdiction"},
	"StructureDefinition": {"identifier", "version", "title", "experimental", "date", "publisher", "contact", "useContext", "jurisdiction",
		"keyword", "fhirVersion", "context", "contextInvariant", "baseDefinition", "derivation"},
	"ValueSet": {"url", "identifier", "version", "name", "title", "experimental", "date", "publisher", "contact", "useContext",
		"jurisdiction", "immutable"},
}

// part says what of a resource is answered.
type part struct {
	summary  string   // true, text or data; empty for no summary
	elements []string // those asked for; nil for all
}

func (p part) whole() bool { return p.summary == "" && p.elements == nil }

// keeps decides about an element of the type.
func (p part) keeps(typ, name string) bool {
	if p.summary == "data" {
		return name != "text"
	}
	if slices.Contains(always, name) || listed(required[typ], name) {
		return true
	}
	if p.summary == "text" {
		return name == "text"
	}
	if p.summary == "true" && !listed(summary[typ], name) {
		return false
	}
	return p.elements == nil || listed(p.elements, name)
}

// listed finds a name in a list in which value[x] stands for valueQuantity and the like.
// A client may also ask for value.
func listed(list []string, name string) bool {
	for _, l := range list {
		if l == name {
			return true
		}
		stem, choice := strings.CutSuffix(l, "[x]")
		if rest, ok := strings.CutPrefix(name, stem); ok && rest != "" && unicode.IsUpper(rune(rest[0])) && (choice || choices[stem]) {
			return true
		}
	}
	return false
}

// choices are the elements of our resources that have several types.
var choices = map[string]bool{"value": true, "effective": true, "performed": true, "identified": true, "deceased": true, "occurred": true}

// subsetted marks what is not the whole resource.
const subsetted = `"tag":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationValue","code":"SUBSETTED","display":"subsetted"}]`

// of takes the part out of a stored resource. The elements stay as they are written.
func (p part) of(typ string, body []byte) ([]byte, error) {
	if p.whole() {
		return body, nil
	}
	d := json.NewDecoder(bytes.NewReader(body))
	if _, err := d.Token(); err != nil {
		return nil, fmt.Errorf("stored %s: %w", typ, err)
	}
	out := bytes.NewBuffer(make([]byte, 0, len(body)+len(subsetted)+16))
	out.WriteByte('{')
	element := func(name string, raw []byte) {
		if out.Len() > 1 {
			out.WriteByte(',')
		}
		out.WriteString(`"` + name + `":`)
		out.Write(raw)
	}
	tagged := false
	for d.More() {
		name, err := d.Token()
		if err != nil {
			return nil, fmt.Errorf("stored %s: %w", typ, err)
		}
		var raw json.RawMessage
		if err := d.Decode(&raw); err != nil {
			return nil, fmt.Errorf("stored %s: %w", typ, err)
		}
		n, _ := name.(string)
		if n == "meta" {
			tagged = true
			// Stored resources have no tags.
			raw = append(append(append(json.RawMessage(nil), raw[:len(raw)-1]...), ','), subsetted+"}"...)
		}
		if p.keeps(typ, n) {
			element(n, raw)
		}
	}
	if !tagged {
		element("meta", []byte("{"+subsetted+"}"))
	}
	out.WriteByte('}')
	return out.Bytes(), nil
}

// readElements reads a list of top-level elements.
func readElements(v string) ([]string, error) {
	var out []string
	for _, name := range strings.Split(v, ",") {
		if name == "" || strings.IndexFunc(name, func(r rune) bool { return r > unicode.MaxASCII || !unicode.IsLetter(r) }) >= 0 {
			return nil, invalid(paramElements,
				"_elements: %s is not the name of an element; give top-level elements such as status,code, without a type",
				shown(orNothing(name)))
		}
		out = append(out, name)
	}
	return out, nil
}

// readPart reads _summary and _elements where no search is counted, and refuses what is no
// parameter of any read: a slip such as _element would else answer more than was meant.
func readPart(r *request) (part, error) {
	var p part
	if err := onlyKnown(r, "a read", paramElements, paramFormat, paramPretty, paramSummary); err != nil {
		return p, err
	}
	if r.params.Has(paramSummary) {
		v, err := single(paramSummary, r.params[paramSummary])
		if err != nil {
			return p, err
		}
		switch v {
		case "true", "text", "data":
			p.summary = v
		case "false":
		default:
			return p, notSupported(paramSummary,
				"_summary: %s is not offered for one resource; use one of data, false, text, true", shown(v))
		}
	}
	if r.params.Has(paramElements) {
		v, err := single(paramElements, r.params[paramElements])
		if err != nil {
			return p, err
		}
		if p.elements, err = readElements(v); err != nil {
			return p, err
		}
	}
	return p, nil
}

func outcomeEntry(severity, code, text string, where ...string) entry {
	return entry{body: fhir.OperationOutcome(severity, code, text, where...), mode: "outcome"}
}
