package facade

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"

	"cannulary/fhir"
)

// capability is the part of a CapabilityStatement that we fill.
type capability struct {
	ResourceType   string         `json:"resourceType"`
	Status         string         `json:"status"`
	Date           string         `json:"date"`
	Kind           string         `json:"kind"`
	Instantiates   []string       `json:"instantiates,omitempty"`
	Software       software       `json:"software"`
	Implementation implementation `json:"implementation"`
	FHIRVersion    string         `json:"fhirVersion"`
	Format         []string       `json:"format"`
	Rest           []rest         `json:"rest"`
}

type software struct {
	Name    string `json:"name"`
	Version string `json:"version,omitempty"`
}

type implementation struct {
	Description string `json:"description"`
	URL         string `json:"url"`
}

type rest struct {
	Mode          string         `json:"mode"`
	Documentation string         `json:"documentation"`
	Security      *security      `json:"security,omitempty"`
	Resource      []restResource `json:"resource"`
	Interaction   []restCode     `json:"interaction,omitempty"`
	Operation     []operation    `json:"operation,omitempty"`
	Compartment   []string       `json:"compartment,omitempty"`
}

type security struct {
	Service     []codeable `json:"service"`
	Description string     `json:"description"`
}

type codeable struct {
	Coding []coding `json:"coding"`
}

type coding struct {
	System string `json:"system"`
	Code   string `json:"code"`
}

// security says how clients authenticate. The extension oauth-uris is left out: it must name an authorization
// endpoint, where a person allows an app, and there is none here.
func (h *Handler) security() *security {
	if h.cfg.TokenURL == nil || h.cfg.TokenURL() == "" {
		return nil
	}
	return &security{
		Service: []codeable{{[]coding{{"http://terminology.hl7.org/CodeSystem/restful-security-service", "SMART-on-FHIR"}}}},
		Description: "SMART Backend Services: at " + h.cfg.TokenURL() + " a registered client gets an access token of five minutes for " +
			"scopes system/[type].rs, by an assertion that it signs (private_key_jwt); .well-known/smart-configuration says more. Client " +
			"certificates, and tokens of the hospital's own issuer, count as the operator agreed.",
	}
}

type restResource struct {
	Type             string      `json:"type"`
	SupportedProfile []string    `json:"supportedProfile,omitempty"`
	Documentation    string      `json:"documentation"`
	Interaction      []restCode  `json:"interaction"`
	Versioning       string      `json:"versioning"`
	ReadHistory      bool        `json:"readHistory"`
	ReferencePolicy  []string    `json:"referencePolicy"`
	SearchInclude    []string    `json:"searchInclude,omitempty"`
	SearchRevInclude []string    `json:"searchRevInclude,omitempty"`
	SearchParam      []restParam `json:"searchParam"`
	Operation        []operation `json:"operation,omitempty"`
}

type restCode struct {
	Code string `json:"code"`
}

type restParam struct {
	Name          string `json:"name"`
	Definition    string `json:"definition,omitempty"`
	Type          string `json:"type"`
	Documentation string `json:"documentation"`
}

type operation struct {
	Name          string `json:"name"`
	Definition    string `json:"definition"`
	Documentation string `json:"documentation"`
}

const restDoc = "Facts of constant-site haemodialysis needling, read only. Unknown search parameters are refused unless Prefer: " +
	"handling=lenient is sent. " +
	"Pages are in the order of meta.lastUpdated; a resource that changes while a client pages comes again at the end. " +
	"Bundle.meta.lastUpdated is the time to pull from next, with _lastUpdated=ge; it is the same on all pages of one search or earlier. " +
	"Dates are written on the clock of the facility, findings and holds in UTC. A date in a search that has no zone (a day, a month, a " +
	"year, a time without an offset) is compared with the date and time as each resource writes them; one with a zone is compared by " +
	"moments, and a day that a resource writes is then that of its facility. _sort by a date is by moments. Times of versions are " +
	"written in UTC, so the days of _lastUpdated, _since and _at are those of UTC. " +
	"A code that the element can never have is refused, or asked for with a warning under Prefer: handling=lenient; a code that our own " +
	"code system does not have is answered with a warning. " +
	"Patient/[id]/[type] searches a type that has the parameter patient in that Patient's compartment. _format and _pretty are taken " +
	"everywhere; _pretty=true indents. Answers are compressed for Accept-Encoding: gzip. " +
	"_count is at most 1000. " +
	"Decision support that this record gives defers to the unit's protocol and licensed practice."

// metadata answers the CapabilityStatement, made from the table.
func (h *Handler) metadata(r *request) (reply, error) {
	// The statement is always given whole, which R4 allows: a mode or part is asked for in vain.
	if err := onlyKnown(r, "/metadata", paramElements, paramFormat, "mode", paramPretty, paramSummary); err != nil {
		return reply{}, err
	}
	c := capability{
		ResourceType: "CapabilityStatement", Status: "active", Date: h.since.Format("2006-01-02T15:04:05Z"), Kind: "instance",
		Software:       software{"Cannulary", h.cfg.Version},
		Implementation: implementation{"Record of constant-site haemodialysis needling", r.base},
		FHIRVersion:    "4.0.1", Format: []string{"application/fhir+json", "json"},
		Rest: []rest{{Mode: "server", Documentation: restDoc, Security: h.security(), Interaction: []restCode{{string(HistorySystem)}},
			Compartment: []string{compartmentDefinition}}},
	}
	for i := range h.types {
		t := &h.types[i]
		x := restResource{Type: t.Name, Documentation: t.Doc, Versioning: "versioned", ReadHistory: t.Offers(VRead),
			ReferencePolicy: []string{"literal"}}
		if t.Published {
			x.Versioning = "no-version"
		} else {
			for _, p := range t.Includes() {
				x.SearchInclude = append(x.SearchInclude, t.Name+":"+p)
			}
			x.SearchRevInclude = RevIncludes(h.types, t.Name)
		}
		x.SupportedProfile = h.profiles[t.Name]
		for _, in := range t.Interactions {
			x.Interaction = append(x.Interaction, restCode{string(in)})
		}
		for _, p := range t.Params {
			x.SearchParam = append(x.SearchParam, restParam{p.Name, p.Definition, string(p.Type), p.doc()})
		}
		if t.Everything {
			x.Operation = []operation{{"everything", fhir.Base + "/OperationDefinition/patient-everything",
				"GET or POST on one Patient, with start, end, _since, _type and _count. Answers the patient's resources, their " +
					"Provenance, and " +
					"the staff, units and devices that they refer to."}}
		}
		x.Operation = append(x.Operation, h.exportOperation(t.Name)...)
		c.Rest[0].Resource = append(c.Rest[0].Resource, x)
	}
	c.Rest[0].Resource = append(c.Rest[0].Resource, h.auditResource()...)
	if c.Rest[0].Operation = h.exportOperation(""); c.Rest[0].Operation != nil {
		c.Instantiates = []string{"http://hl7.org/fhir/uv/bulkdata/CapabilityStatement/bulk-data"}
	}
	body, err := json.Marshal(c)
	if err != nil {
		return reply{}, err
	}
	return reply{status: http.StatusOK, header: map[string]string{"Cache-Control": "no-cache"}, body: body}, nil
}

// profilesByType lists the profiles among the definitions by the type that they are of.
func profilesByType(definitions []fhir.Resource) (map[string][]string, error) {
	out := map[string][]string{}
	for i := range definitions {
		if definitions[i].Type != "StructureDefinition" {
			continue
		}
		var d struct{ Type, URL string }
		if err := json.Unmarshal(definitions[i].Body, &d); err != nil {
			return nil, fmt.Errorf("definition %s: %w", definitions[i].ID, err)
		}
		out[d.Type] = append(out[d.Type], d.URL)
	}
	return out, nil
}

// doc reports the modifiers and chains beside what the parameter is.
func (p *Param) doc() string {
	out := p.Doc
	if p.Codes != nil {
		out += " The codes are " + p.codes() + "; others are refused."
	}
	if list := p.Modifiers(); len(list) > 0 {
		out += " Modifiers: :" + strings.Join(list, ", :") + "."
	}
	if p.Chains() {
		out += " Can be chained: " + p.Name + ".[parameter of " + p.Targets[0] + "]."
	}
	return out
}
