package fhir

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
)

// The definitions are made by package define, whose test compares them with its tables.
//
//go:embed definitions/*.json
var definitionFiles embed.FS

const publicationStatus = "http://hl7.org/fhir/publication-status"

// Definitions are the definitions that the register publishes of its own FHIR, in the order
// of (Type, ID): StructureDefinition, CodeSystem, ValueSet, NamingSystem, SearchParameter,
// OperationDefinition, Measure. They belong to no patient and name no profile. The index
// has name (string), status and, but for NamingSystem, which has none in R4, url (tokens;
// the url without system).
func Definitions() []Resource { return append([]Resource(nil), definitions()...) }

var definitions = sync.OnceValue(func() []Resource {
	out, err := readDefinitions()
	if err != nil {
		// The files are part of the program, and a test reads every one.
		panic(err)
	}
	return out
})

func readDefinitions() ([]Resource, error) {
	files, err := definitionFiles.ReadDir("definitions")
	if err != nil {
		return nil, err
	}
	var out []Resource
	for _, f := range files {
		kept, err := definitionFiles.ReadFile("definitions/" + f.Name())
		if err != nil {
			return nil, err
		}
		var head struct{ ResourceType, ID, URL, Name, Status string }
		if err := json.Unmarshal(kept, &head); err != nil {
			return nil, fmt.Errorf("%s: %w", f.Name(), err)
		}
		var body bytes.Buffer
		if err := json.Compact(&body, kept); err != nil {
			return nil, fmt.Errorf("%s: %w", f.Name(), err)
		}
		var ix Index
		if head.URL != "" {
			ix.token("url", "", head.URL)
		}
		ix.token("status", publicationStatus, head.Status)
		ix.text("name", text(head.Name))
		out = append(out, Resource{Type: head.ResourceType, ID: head.ID, Body: body.Bytes(), Index: ix})
	}
	// The order of the files is another: a hyphen comes before the point of ".json".
	slices.SortFunc(out, inOrder)
	return out, nil
}
