package define

import (
	"bytes"
	"encoding/json"
	"fmt"
	"sort"
	"strings"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/fhir"
)

// What all definitions have in common. The date is that of the last change of meaning.
const (
	version   = "1.0.0"
	date      = "2026-11-25"
	publisher = "Cannulary project (invented)"
	// The wording is our own; that the notice is due, and the ids of the Global Patient Set
	// are free to use with attribution, is from SNOMED International's terms of use.
	snomedNotice = "Uses SNOMED CT ids that FHIR R4 or the Global Patient Set publish. SNOMED CT is owned by SNOMED International " +
		"(International Health Terminology Standards Development Organisation); whether a deployment may use it is for the deployer to " +
		"settle, and every such coding can be switched off."
)

// Definition is one definition as it is kept.
type Definition struct {
	Type, ID string
	// JSON is indented and ends in a new line.
	JSON []byte
}

// File is the name under which the definition is kept.
func (d Definition) File() string { return d.Type + "-" + d.ID + ".json" }

// All makes every definition, in the order of their files.
func All() ([]Definition, error) {
	var out []Definition
	for _, list := range [][]json.Marshaler{profiles(), {codeSystem()}, valueSets(), namingSystems(), searchParameters(),
		operations(), measures()} {
		for _, m := range list {
			d, err := kept(m)
			if err != nil {
				return nil, err
			}
			out = append(out, d)
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].File() < out[j].File() })
	return out, nil
}

// kept marshals a definition as it is kept.
func kept(m json.Marshaler) (Definition, error) {
	body, err := m.MarshalJSON()
	if err != nil {
		return Definition{}, err
	}
	var head struct{ ID, ResourceType string }
	if err := json.Unmarshal(body, &head); err != nil {
		return Definition{}, err
	}
	if head.ID == "" {
		return Definition{}, fmt.Errorf("a %s has no id", head.ResourceType)
	}
	var b bytes.Buffer
	if err := json.Indent(&b, body, "", "  "); err != nil {
		return Definition{}, err
	}
	b.WriteByte('\n')
	return Definition{head.ResourceType, head.ID, b.Bytes()}, nil
}

func canonical(typ, id string) string { return fhir.Base + "/" + typ + "/" + id }

// computable is the name that FHIR asks of a definition: the id's words without hyphens,
// each with a capital.
func computable(id string) string {
	var b strings.Builder
	b.WriteString("Cannulary")
	for _, w := range strings.Split(id, "-") {
		b.WriteString(strings.ToUpper(w[:1]) + w[1:])
	}
	return b.String()
}

// concept is a concept of one coding without display: the pattern that codes are held
// against.
func concept(system, code string) *model.CodeableConcept {
	return &model.CodeableConcept{Coding: []model.Coding{{System: &system, Code: &code}}}
}

// said is a concept as people read it.
func said(system, code, display string) *model.CodeableConcept {
	return &model.CodeableConcept{Coding: []model.Coding{{System: &system, Code: &code, Display: &display}}, Text: &display}
}
