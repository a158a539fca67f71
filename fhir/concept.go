package fhir

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// Code systems and naming systems that resources use.
const (
	// System is the project's own code system; Codes lists it.
	System = Base + "/CodeSystem/cannulary"
	// SNOMED is SNOMED CT. Codes are used only where Options allow.
	SNOMED = "http://snomed.info/sct"
	// UCUM holds the units of measure.
	UCUM = "http://unitsofmeasure.org"
	// FactSystem names facts: the value is the fact's id.
	FactSystem = Base + "/NamingSystem/fact"
	// MaturitySystem names the Observation of a track's maturity, by the track's id.
	MaturitySystem = Base + "/NamingSystem/maturity"
	// TrackSystem and AccessSystem name tracks and accesses by the ids of their BodyStructures.
	// The sender's names have no system: they are unique for one patient only.
	TrackSystem  = Base + "/NamingSystem/track"
	AccessSystem = Base + "/NamingSystem/access"
	// HoldSystem names holds and FindingSystem findings, each by its id.
	HoldSystem    = Base + "/NamingSystem/hold"
	FindingSystem = Base + "/NamingSystem/finding"
	// FacilitySystem names facilities by their code.
	FacilitySystem = Base + "/NamingSystem/facility"
	// SourceSystem names sending systems, MessageSystem their messages as source|id.
	SourceSystem  = Base + "/NamingSystem/source"
	MessageSystem = Base + "/NamingSystem/message"
	// WholeRecord is the extension by which a Patient says to readers of some facilities whether they can read the whole
	// record: a stay is open. Without it the Patient says nothing of that.
	WholeRecord = Base + "/StructureDefinition/whole-record"
	// TargetBodyStructure is the core extension by which a Procedure names its track.
	TargetBodyStructure = "http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure"

	observationCategory = "http://terminology.hl7.org/CodeSystem/observation-category"
	dataAbsentReason    = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
	participantType     = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
	dataOperation       = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
	eventStatus         = "http://hl7.org/fhir/event-status"
	observationStatus   = "http://hl7.org/fhir/observation-status"
	flagStatus          = "http://hl7.org/fhir/flag-status"
	issueSeverity       = "http://hl7.org/fhir/detectedissue-severity"
	groupType           = "http://hl7.org/fhir/group-type"
)

// Code is one code of the project's own code system.
type Code struct{ Code, Display, Definition string }

// Codes lists the project's code system, in the order in which it is to be published.
func Codes() []Code { return append([]Code(nil), codes...) }

// local finds a code of our own by its name. Asking for one that does not exist is a
// mistake of this package; a test walks every use.
var local = func() map[string]Code {
	m := make(map[string]Code, len(codes))
	for _, c := range codes {
		m[c.Code] = c
	}
	return m
}()

// snomed are the SNOMED CT codes in use, by the local code that they stand beside. Each is
// published with FHIR or in the Global Patient Set; a test names where.
var snomed = map[string][2]string{
	"haemodialysis":                {"302497006", "Hemodialysis"},
	"insertion-outcome-successful": {"385669000", "Successful"},
	"insertion-outcome-failed":     {"385671000", "Unsuccessful"},
	"peg-removed-whole":            {"385669000", "Successful"},
	"peg-removed-in-part":          {"385670004", "Partially successful"},
	"needle":                       {"79068005", "Needle, device"},
	"needle-tip-sharp":             {"79068005", "Needle, device"},
	"needle-tip-blunt":             {"79068005", "Needle, device"},
	"device-inserted":              {"257867005", "Insertion - action"},
	"access-region-forearm":        {"14975008", "Forearm structure"},
}

// concept is a local code with its display as text and, where there is one and the
// deployer allows, the SNOMED CT code as second coding.
func (o Options) concept(code string) *model.CodeableConcept {
	out, ok := concepts[code]
	if !ok {
		panic("fhir: no local code " + code)
	}
	if o.NoSNOMED {
		out.Coding = out.Coding[:1:1]
	}
	return &out
}

// concepts are made once, by the local code. Whoever gets one may change it, but not its codings: all share them.
var concepts = func() map[string]model.CodeableConcept {
	m := make(map[string]model.CodeableConcept, len(codes))
	for _, c := range codes {
		out := coded(System, c.Code, c.Display)
		if s, ok := snomed[c.Code]; ok {
			out.Coding = append(out.Coding, coding(SNOMED, s[0], s[1]))
		}
		out.Coding = slices.Clip(out.Coding)
		m[c.Code] = *out
	}
	return m
}()

// coded is a concept with one coding and its display as text.
func coded(system, code, display string) *model.CodeableConcept {
	return &model.CodeableConcept{Coding: []model.Coding{coding(system, code, display)}, Text: &display}
}

func coding(system, code, display string) model.Coding {
	return model.Coding{System: &system, Code: &code, Display: &display}
}

// EnumCode is the local code of an enum's value: its name in lower case with hyphens,
// without the words that say nothing ("COMPLICATION_KIND_FLAP" is complication-flap,
// "ANSWER_YES" is yes).
func EnumCode(name string) string {
	s := strings.ReplaceAll(strings.ToLower(name), "_", "-")
	s = strings.Replace(s, "-kind-", "-", 1)
	s = strings.TrimPrefix(s, "answer-")
	return strings.TrimPrefix(s, "finding-")
}

// enum is the concept of an enum's value, nil where nothing is recorded. A value that
// this version does not know is an error: it must not be rendered as something else.
func (o Options) enum(e protoreflect.Enum) (*model.CodeableConcept, error) {
	if e.Number() == 0 {
		return nil, nil
	}
	d := e.Descriptor().Values().ByNumber(e.Number())
	if d == nil {
		return nil, fmt.Errorf("value %d of %s is not known to this version", e.Number(), e.Descriptor().Name())
	}
	return o.concept(EnumCode(string(d.Name()))), nil
}

// identifier is nil where system or value has nothing that FHIR allows.
func identifier(system, value string) []model.Identifier {
	s, v := text(system), text(value)
	if s == nil || v == nil {
		return nil
	}
	return []model.Identifier{{System: s, Value: v}}
}

func reference(typ, id string) model.Reference {
	return model.Reference{Reference: new(typ + "/" + id)}
}

// shown is a reference with what a reader sees of it. The words must come from the same
// facts as the resource: else they would be out of date one day.
func shown(r model.Reference, display string) model.Reference {
	r.Display = text(display)
	return r
}

// units that are used, by UCUM code, with their wording for people.
const (
	unitDegree     = "deg"
	unitMillimetre = "mm"
	unitMinute     = "min"
	unitSecond     = "s"
	unitFlow       = "mL/min"
	unitPressure   = "mm[Hg]"
	unitScore      = "{score}"
)

func quantity(v float64, unit string) *model.Quantity {
	word := unit
	switch unit {
	case unitDegree:
		word = "degrees"
	case unitPressure:
		word = "mmHg"
	case unitScore:
		word = "score"
	}
	return &model.Quantity{Value: number(v), Unit: &word, System: new(UCUM), Code: &unit}
}
