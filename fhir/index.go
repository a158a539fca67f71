package fhir

import (
	"strings"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// concepts adds the codings of a concept under a parameter.
func (ix *Index) concepts(param string, list ...*model.CodeableConcept) {
	for _, c := range list {
		if c == nil {
			continue
		}
		for _, k := range c.Coding {
			ix.Tokens = append(ix.Tokens, Token{Param: param, System: deref(k.System), Code: deref(k.Code)})
		}
	}
}

func (ix *Index) token(param, system, code string) {
	ix.Tokens = append(ix.Tokens, Token{Param: param, System: system, Code: code})
}

func (ix *Index) identifiers(list []model.Identifier) {
	for _, i := range list {
		ix.token("identifier", deref(i.System), deref(i.Value))
	}
}

// refs adds the literal references of the list; logical ones cannot be followed.
func (ix *Index) refs(param string, list ...model.Reference) {
	for _, r := range list {
		typ, id, ok := strings.Cut(deref(r.Reference), "/")
		if !ok {
			if r.Identifier != nil {
				// It cannot be followed, but it is not missing.
				ix.token(param+":identifier", deref(r.Identifier.System), deref(r.Identifier.Value))
			}
			continue
		}
		id, _, _ = strings.Cut(id, "/")
		ix.References = append(ix.References, Reference{Param: param, Type: typ, ID: id})
	}
}

func (ix *Index) quantity(param string, q *model.Quantity) {
	if q == nil || q.Value == nil {
		return
	}
	if v, err := q.Value.Float64(); err == nil {
		ix.Quantities = append(ix.Quantities, Quantity{Param: param, System: deref(q.System), Code: deref(q.Code),
			Unit: deref(q.Unit), Value: v})
	}
}

func (ix *Index) text(param string, value *string) {
	if value != nil {
		ix.Strings = append(ix.Strings, Text{Param: param, Value: *value})
	}
}

func indexProcedure(p *model.Procedure, when []Period) Index {
	ix := Index{Dates: when}
	ix.identifiers(p.Identifier)
	ix.token("status", eventStatus, p.Status.Code())
	ix.concepts("category", p.Category)
	ix.concepts("code", p.Code)
	ix.concepts("reason-code", ptrs(p.ReasonCode)...)
	ix.refs("patient", p.Subject)
	ix.refs("subject", p.Subject)
	ix.refs("part-of", p.PartOf...)
	if p.Encounter != nil {
		ix.refs("encounter", *p.Encounter)
	}
	for _, a := range p.Performer {
		ix.refs("performer", a.Actor)
	}
	if p.Location != nil {
		ix.refs("location", *p.Location)
	}
	for _, e := range p.Extension {
		if e.Url == TargetBodyStructure && e.ValueReference != nil {
			ix.refs("track", *e.ValueReference)
		}
	}
	return ix
}

func indexObservation(o *model.Observation, when []Period) Index {
	ix := Index{Dates: when, Tokens: make([]Token, 0, 12+4*len(o.Component))} // 4 in most components
	ix.identifiers(o.Identifier)
	ix.token("status", observationStatus, o.Status.Code())
	ix.concepts("category", ptrs(o.Category)...)
	ix.concepts("code", &o.Code)
	ix.concepts("combo-code", &o.Code)
	ix.concepts("value-concept", o.ValueCodeableConcept)
	ix.concepts("combo-value-concept", o.ValueCodeableConcept)
	ix.concepts("data-absent-reason", o.DataAbsentReason)
	ix.concepts("combo-data-absent-reason", o.DataAbsentReason)
	ix.concepts("method", o.Method)
	ix.quantity("value-quantity", o.ValueQuantity)
	ix.quantity("combo-value-quantity", o.ValueQuantity)
	for i := range o.Component {
		c := &o.Component[i]
		tokens, quantities := len(ix.Tokens), len(ix.Quantities)
		ix.concepts("component-code", &c.Code)
		ix.concepts("combo-code", &c.Code)
		ix.concepts("component-value-concept", c.ValueCodeableConcept)
		ix.concepts("combo-value-concept", c.ValueCodeableConcept)
		ix.concepts("component-data-absent-reason", c.DataAbsentReason)
		ix.concepts("combo-data-absent-reason", c.DataAbsentReason)
		ix.quantity("component-value-quantity", c.ValueQuantity)
		ix.quantity("combo-value-quantity", c.ValueQuantity)
		for k := range ix.Tokens[tokens:] {
			ix.Tokens[tokens+k].Part = i + 1
		}
		for k := range ix.Quantities[quantities:] {
			ix.Quantities[quantities+k].Part = i + 1
		}
	}
	if o.Subject != nil {
		ix.refs("patient", *o.Subject)
		ix.refs("subject", *o.Subject)
	}
	ix.refs("focus", o.Focus...)
	ix.refs("part-of", o.PartOf...)
	if o.Encounter != nil {
		ix.refs("encounter", *o.Encounter)
	}
	ix.refs("performer", o.Performer...)
	ix.refs("has-member", o.HasMember...)
	return ix
}

func ptrs[T any](list []T) []*T {
	out := make([]*T, len(list))
	for i := range list {
		out[i] = &list[i]
	}
	return out
}

func deref(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}
