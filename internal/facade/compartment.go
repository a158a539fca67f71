package facade

import (
	"net/http"
	"strings"
)

// Compartment searches: GET Patient/[id]/[type]?parameters and POST Patient/[id]/[type]/_search
// (https://hl7.org/fhir/R4/http.html#vsearch) are the search of that type with patient=[id].

// compartmentType is the type whose compartments can be searched, compartmentParam the
// parameter by which a type belongs to them.
const (
	compartmentType  = "Patient"
	compartmentParam = "patient"
)

// compartmentDefinition is R4's own, of which the types with a parameter patient are offered.
const compartmentDefinition = "http://hl7.org/fhir/CompartmentDefinition/patient"

// InCompartment reports whether the type can be searched in the compartment of a Patient.
func (t *Type) InCompartment() bool { return t.Param(compartmentParam) != nil }

// compartmentRoute finds the search of a type in the compartment of one Patient.
func (h *Handler) compartmentRoute(path, id, name string, post bool) (*route, error) {
	t := h.typeNamed(name)
	if t == nil || !t.InCompartment() {
		var names []string
		for i := range h.types {
			if h.types[i].InCompartment() {
				names = append(names, h.types[i].Name)
			}
		}
		return nil, notFound("not-supported",
			"there is nothing at %s; in the compartment of a Patient %s can be searched; Patient/%s/$everything answers all of it",
			shown(path), strings.Join(names, ", "), shown(id))
	}
	run := func(r *request) (reply, error) {
		if _, ok, err := h.cfg.Store.Get(r.Context(), compartmentType, id); err != nil {
			return reply{}, err
		} else if !ok {
			return reply{}, unknownResource(compartmentType)
		}
		r.params.Add(compartmentParam, compartmentType+"/"+id)
		return h.search(r, t)
	}
	if post {
		return &route{path: path, methods: []string{http.MethodPost}, form: true, run: run}, nil
	}
	return &route{path: path, methods: []string{http.MethodGet, http.MethodHead}, run: run}, nil
}
