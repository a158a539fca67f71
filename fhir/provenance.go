package fhir

import (
	"sort"
	"strconv"
	"time"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/internal/record"
)

// ProvenanceTargets is the greatest number of targets of one Provenance.
const ProvenanceTargets = 500

// Provenance renders the origin of the versions that one event gave: one Provenance with
// the event's id and, for more than ProvenanceTargets targets, further ones with -1, -2
// and so on behind it, from p.First on. Without targets there is none, since R4 asks for at least one.
func Provenance(c Context, p ProvenanceView) ([]Resource, error) {
	targets := append([]VersionedReference(nil), p.Targets...)
	sort.Slice(targets, func(i, j int) bool {
		a, b := targets[i], targets[j]
		if a.Type != b.Type {
			return a.Type < b.Type
		}
		if a.ID != b.ID {
			return a.ID < b.ID
		}
		return a.Version < b.Version
	})
	var out []Resource
	for n := p.First; len(targets) > 0; n++ {
		chunk := targets[:min(len(targets), ProvenanceTargets)]
		targets = targets[len(chunk):]
		id := p.EventID
		if n > 0 {
			id += "-" + strconv.Itoa(n)
		}
		r, err := provenance(c, &p, id, chunk)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

func provenance(c Context, p *ProvenanceView, id string, targets []VersionedReference) (Resource, error) {
	recorded := p.Recorded.UTC().Truncate(time.Millisecond)
	m := model.Provenance{
		Id:       &id,
		Recorded: recorded.Format(instant),
		Location: c.location(p.Facility),
	}
	ix := Index{Dates: []Period{{Param: "recorded", Low: recorded, High: recorded.Add(time.Millisecond)}}}
	if !p.OccurredAt.IsZero() {
		at := moment{p.OccurredAt, p.Precision}
		m.OccurredDateTime = at.dateTime(c.Zone)
		ix.Dates = append(ix.Dates, at.period("when", c.Zone))
	}
	for _, t := range targets {
		ref := t.Type + "/" + t.ID
		if t.Version > 0 {
			ref += "/_history/" + strconv.Itoa(t.Version)
		}
		m.Target = append(m.Target, model.Reference{Reference: &ref})
	}
	switch p.Activity {
	case ActivityCreate:
		m.Activity = coded(dataOperation, "CREATE", "create")
	case ActivityUpdate:
		m.Activity = coded(dataOperation, "UPDATE", "revise")
	case ActivityNullify:
		m.Activity = coded(dataOperation, "NULLIFY", "nullify")
	}
	for _, why := range p.Reasons {
		if t := text(why); t != nil {
			m.Reason = append(m.Reason, model.CodeableConcept{Text: t})
		}
	}
	var facility *model.Reference
	if f := or(p.Facility, c.Facility); f != "" {
		facility = new(shown(reference("Organization", record.FacilityID(f)), f))
	}
	if who := practitioner(p.Recorder); who != nil {
		m.Agent = append(m.Agent, model.ProvenanceAgent{Type: coded(participantType, "enterer", "Enterer"), Who: *who,
			OnBehalfOf: facility})
	}
	// The sending system is told by identifier: it is no resource of ours.
	if source := identifier(SourceSystem, p.Source); source != nil {
		m.Agent = append(m.Agent, model.ProvenanceAgent{
			Type: coded(participantType, "author", "Author"),
			Who:  model.Reference{Type: new("Device"), Identifier: &source[0], Display: text(p.Source)}, OnBehalfOf: facility,
		})
	} else if len(m.Agent) == 0 {
		// The service's own events: the service itself.
		m.Agent = append(m.Agent, model.ProvenanceAgent{
			Type: coded(participantType, "author", "Author"),
			Who:  model.Reference{Type: new("Device"), Display: new("This register")},
		})
	}
	if msg := identifier(MessageSystem, p.Source+"|"+p.SourceMessageID); p.SourceMessageID != "" && msg != nil {
		m.Entity = []model.ProvenanceEntity{{Role: model.ProvenanceEntityRoleSource, What: model.Reference{Identifier: &msg[0]}}}
	}
	for _, a := range p.Amended {
		if msg := identifier(MessageSystem, a.Source+"|"+a.ID); msg != nil {
			m.Entity = append(m.Entity, model.ProvenanceEntity{Role: model.ProvenanceEntityRoleRevision,
				What: model.Reference{Identifier: &msg[0]}})
		}
	}
	ix.refs("target", m.Target...)
	for _, t := range targets {
		if t.Type == "Patient" {
			ix.References = append(ix.References, Reference{Param: "patient", Type: t.Type, ID: t.ID})
		}
	}
	for _, a := range m.Agent {
		ix.refs("agent", a.Who)
		ix.concepts("agent-type", a.Type)
	}
	if m.Location != nil {
		ix.refs("location", *m.Location)
	}
	body, err := m.MarshalJSON()
	if err != nil {
		return Resource{}, err
	}
	return Resource{Type: "Provenance", ID: id, Profile: profileProvenance, Body: body, Index: ix}, nil
}
