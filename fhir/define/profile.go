package define

import (
	"encoding/json"
	"strings"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/fhir"
)

// profile is one profile as the tables tell it.
type profile struct {
	id, typ, title, about string
	snomed                bool // its resources may carry SNOMED CT codings
	elements              []model.ElementDefinition
	rules                 []rule
}

// rule is a FHIRPath rule on the whole resource: true of every one that is given out.
type rule struct{ key, human, expression string }

// profiles makes the StructureDefinitions.
func profiles() []json.Marshaler {
	var out []json.Marshaler
	for _, list := range [][]profile{procedures(), observations(), judgements(), parties(), reports()} {
		for i := range list {
			out = append(out, list[i].definition())
		}
	}
	return append(out, wholeRecord())
}

// wholeRecord defines the extension of a Patient.
func wholeRecord() model.StructureDefinition {
	p := profile{id: "whole-record", typ: "Extension", title: "Whether the whole record can be read",
		about: "Given to a client that may read some facilities only. True while a stay of the patient is open at one of them, guest " +
			"sessions included: the whole record can be read, wherever it was made. False after that: what was logged until the stay " +
			"ended, and corrections of it. Each change is a new version of the Patient: where it has become true, pull $everything.",
		elements: []model.ElementDefinition{el("extension", never()), el("url", fixedURI(fhir.WholeRecord)),
			el("value[x]", card(1, "1"), types("boolean"))}}
	m := p.definition()
	m.Kind = model.StructureDefinitionKindComplexType
	m.Context = []model.StructureDefinitionContext{{Type: model.ExtensionContextTypeElement, Expression: "Patient"}}
	return m
}

func (p *profile) definition() model.StructureDefinition {
	root := model.ElementDefinition{Id: &p.typ, Path: p.typ}
	url := canonical("StructureDefinition", p.id)
	for _, r := range p.rules {
		root.Constraint = append(root.Constraint, model.ElementDefinitionConstraint{
			Key: r.key, Severity: model.ConstraintSeverityError, Human: r.human, Expression: new(r.expression), Source: &url,
		})
	}
	elements := []model.ElementDefinition{root}
	for _, e := range p.elements {
		// Paths are written below the type; slice names stand in the id alone.
		id := p.typ + "." + *e.Id
		var path []string
		for _, s := range strings.Split(id, ".") {
			s, _, _ = strings.Cut(s, ":")
			path = append(path, s)
		}
		e.Id, e.Path = &id, strings.Join(path, ".")
		elements = append(elements, e)
	}
	m := model.StructureDefinition{
		Id: &p.id, Url: url, Version: new(version), Name: computable(p.id), Title: &p.title, Status: model.PublicationStatusActive,
		Experimental: new(true), Date: new(date), Publisher: new(publisher), Description: &p.about,
		FhirVersion: new(model.FHIRVersion4_0_1),
		Kind:        model.StructureDefinitionKindResource, Abstract: false, Type: p.typ,
		BaseDefinition: new("http://hl7.org/fhir/StructureDefinition/" + p.typ), Derivation: new(model.TypeDerivationRuleConstraint),
		Differential: &model.StructureDefinitionDifferential{Element: elements},
	}
	if p.snomed {
		m.Copyright = new(snomedNotice)
	}
	return m
}

// The parts of an element. id is the element's id below the type.

type option func(*model.ElementDefinition)

func el(id string, options ...option) model.ElementDefinition {
	e := model.ElementDefinition{Id: &id}
	for _, o := range options {
		o(&e)
	}
	return e
}

func card(min int, max string) option {
	return func(e *model.ElementDefinition) { e.Min, e.Max = &min, &max }
}

func never() option { return card(0, "0") }

// must says that the register fills the element wherever it knows it.
func must() option { return func(e *model.ElementDefinition) { e.MustSupport = new(true) } }

func short(s string) option { return func(e *model.ElementDefinition) { e.Short = &s } }

func types(codes ...string) option {
	return func(e *model.ElementDefinition) {
		for _, c := range codes {
			e.Type = append(e.Type, model.ElementDefinitionType{Code: c})
		}
	}
}

// refs is a reference to resources of our profiles.
func refs(ids ...string) option {
	return func(e *model.ElementDefinition) {
		t := model.ElementDefinitionType{Code: "Reference"}
		for _, id := range ids {
			t.TargetProfile = append(t.TargetProfile, canonical("StructureDefinition", id))
		}
		e.Type = append(e.Type, t)
	}
}

// is holds a concept against one code.
func is(system, code string) option {
	return func(e *model.ElementDefinition) { e.PatternCodeableConcept = concept(system, code) }
}

func of(valueSet string) option {
	return bound(valueSet, model.BindingStrengthRequired)
}

func bound(valueSet string, strength model.BindingStrength) option {
	return func(e *model.ElementDefinition) {
		e.Binding = &model.ElementDefinitionBinding{Strength: strength, ValueSet: new(canonical("ValueSet", valueSet))}
	}
}

func unit(code string) option {
	return func(e *model.ElementDefinition) {
		e.PatternQuantity = &model.Quantity{System: new(fhir.UCUM), Code: &code}
	}
}

func identifiedBy(system string) option {
	return func(e *model.ElementDefinition) { e.PatternIdentifier = &model.Identifier{System: &system} }
}

func fixedURI(s string) option { return func(e *model.ElementDefinition) { e.FixedUri = &s } }

func fixedCode(s string) option { return func(e *model.ElementDefinition) { e.FixedCode = &s } }

// sliced opens a sliced element.
func sliced(by model.DiscriminatorType, path string, rules model.SlicingRules) option {
	return func(e *model.ElementDefinition) {
		e.Slicing = &model.ElementDefinitionSlicing{
			Discriminator: []model.ElementDefinitionSlicingDiscriminator{{Type: by, Path: path}}, Ordered: new(false), Rules: rules,
		}
	}
}

// slice names a slice after the last colon of the id.
func slice() option {
	return func(e *model.ElementDefinition) {
		e.SliceName = new((*e.Id)[strings.LastIndex(*e.Id, ":")+1:])
	}
}

// encounter is the session as a logical reference.
func encounter() []model.ElementDefinition {
	return []model.ElementDefinition{
		el("encounter", card(0, "1"), must(), short("The session, known by its identifier alone: the Encounter is the sender's")),
		el("encounter.reference", never()),
		el("encounter.type", card(1, "1"), fixedURI("Encounter")),
		el("encounter.identifier", card(1, "1")),
	}
}

// target is the extension that names where on the body a procedure was done.
func target(min int, ids ...string) []model.ElementDefinition {
	return []model.ElementDefinition{
		el("extension", sliced(model.DiscriminatorTypeValue, "url", model.SlicingRulesOpen), card(min, "*")),
		el("extension:target", slice(), card(min, "1"), must(), short("The track, or the access where no track is known"),
			profileType(fhir.TargetBodyStructure)),
		el("extension:target.url", fixedURI(fhir.TargetBodyStructure)),
		el("extension:target.value[x]", card(1, "1"), refs(ids...)),
	}
}

func profileType(url string) option {
	return func(e *model.ElementDefinition) {
		e.Type = append(e.Type, model.ElementDefinitionType{Code: "Extension", Profile: []string{url}})
	}
}

func join(lists ...[]model.ElementDefinition) []model.ElementDefinition {
	var out []model.ElementDefinition
	for _, l := range lists {
		out = append(out, l...)
	}
	return out
}

// display is the display of a code of ours.
func display(code string) string {
	for _, c := range fhir.Codes() {
		if c.Code == code {
			return c.Display
		}
	}
	panic("define: no local code " + code)
}

// has is a FHIRPath test for a code of ours in the codings that path leads to.
func has(path string, codes ...string) string {
	var any []string
	for _, c := range codes {
		any = append(any, "code = '"+c+"'")
	}
	return path + ".where(system = '" + fhir.System + "' and (" + strings.Join(any, " or ") + ")).exists()"
}

// oneOf is a FHIRPath test for a status.
func oneOf(codes ...string) string {
	var any []string
	for _, c := range codes {
		any = append(any, "status = '"+c+"'")
	}
	return strings.Join(any, " or ")
}
