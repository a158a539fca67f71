package fhir

import (
	"fmt"
	"sort"
	"strconv"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Patient renders identifiers, active and link, and whether the whole record can be read; nothing else. An identity that
// was merged into another is inactive and says by which it is replaced.
func Patient(c Context, p PatientView) (Resource, error) {
	m := model.Patient{Id: &p.Key, Active: new(p.MergedInto == "")}
	if p.Whole != nil {
		m.Extension = []model.Extension{{Url: WholeRecord, ValueBoolean: p.Whole}}
	}
	seen := map[string]bool{}
	for _, i := range p.Identifiers {
		if k := i.GetSystem() + "|" + i.GetValue(); !seen[k] {
			seen[k] = true
			m.Identifier = append(m.Identifier, identifier(i.GetSystem(), i.GetValue())...)
		}
	}
	link := func(key string, t model.LinkType) {
		m.Link = append(m.Link, model.PatientLink{Other: reference("Patient", key), Type: t})
	}
	if p.MergedInto != "" {
		link(p.MergedInto, model.LinkTypeReplacedBy)
	}
	merged := append([]string(nil), p.Merged...)
	sort.Strings(merged)
	for _, key := range merged {
		link(key, model.LinkTypeReplaces)
	}
	body, err := m.MarshalJSON()
	if err != nil {
		return Resource{}, err
	}
	var ix Index
	ix.identifiers(m.Identifier)
	ix.token("active", "", strconv.FormatBool(*m.Active))
	for _, l := range m.Link {
		ix.refs("link", l.Other)
	}
	return Resource{Type: "Patient", ID: p.Key, Patient: p.Key, Profile: profilePatient, Body: body, Index: ix}, nil
}

// Practitioner renders a member of staff. ratings are the cannulator_rated facts in the
// order of record.Before; those about others are passed over. The latest that stands is
// shown as qualification, with its date in the context's zone.
func Practitioner(c Context, staff *cannularyv1.StaffIdentifier, ratings []record.Item) (Resource, error) {
	id := record.StaffID(staff)
	m := model.Practitioner{Id: &id, Identifier: identifier(staff.GetSystem(), staff.GetValue())}
	for i := range ratings {
		b, ok := ratings[i].Body.(*cannularyv1.CannulatorRated)
		if !ok || ratings[i].Void || record.StaffID(b.GetCannulator()) != id {
			continue
		}
		level, err := c.Options.enum(b.GetLevel())
		if err != nil {
			return Resource{}, fmt.Errorf("rating %s: %w", ratings[i].ID, err)
		}
		if level == nil {
			continue
		}
		at := moment{ratings[i].At, ratings[i].Precision}
		m.Qualification = []model.PractitionerQualification{{Code: *level, Period: &model.Period{Start: at.dateTime(c.Zone)}}}
	}
	body, err := m.MarshalJSON()
	if err != nil {
		return Resource{}, err
	}
	var ix Index
	ix.identifiers(m.Identifier)
	return Resource{Type: "Practitioner", ID: id, Profile: profilePractitioner, Body: body, Index: ix}, nil
}

// Facility renders the Group of the patients of the context's facility, its Location and its
// Organization, in this order, from the latest facility_registered that stands. The Group
// lists no members: who belongs to it is found when it is asked for. Where every registration was taken back they
// are inactive, since other resources refer to them; without any registration there is
// nothing to render.
func Facility(c Context, items []record.Item) ([]Resource, error) {
	var b *cannularyv1.FacilityRegistered
	active := false
	for i := range items {
		x, ok := items[i].Body.(*cannularyv1.FacilityRegistered)
		if !ok || items[i].Facility != c.Facility || active && items[i].Void {
			continue
		}
		b, active = x, !items[i].Void
	}
	if b == nil {
		return nil, nil
	}
	id, place := record.FacilityID(c.Facility), LocationID(c.Facility)
	org := model.Organization{
		Id: &id, Identifier: identifier(FacilitySystem, c.Facility), Active: &active, Name: text(b.GetName()),
		Type: []model.CodeableConcept{*c.Options.concept("dialysis-unit")},
	}
	status := model.LocationStatusActive
	if !active {
		status = model.LocationStatusInactive
	}
	loc := model.Location{
		Id: &place, Identifier: identifier(FacilitySystem, c.Facility), Status: &status, Name: text(b.GetName()),
		Type: []model.CodeableConcept{*c.Options.concept("dialysis-unit")}, ManagingOrganization: new(reference("Organization", id)),
	}
	gid := GroupID(c.Facility)
	group := model.Group{
		Id: &gid, Identifier: identifier(FacilitySystem, c.Facility), Active: &active, Type: model.GroupTypePerson, Actual: true,
		Name: text(prefixed("Patients of ", b.GetName())), ManagingEntity: new(reference("Organization", id)),
	}
	var gx, ox, lx Index
	gx.identifiers(group.Identifier)
	gx.token("type", groupType, group.Type.Code())
	gx.token("actual", "", strconv.FormatBool(group.Actual))
	gx.refs("managing-entity", *group.ManagingEntity)
	ox.identifiers(org.Identifier)
	ox.token("active", "", strconv.FormatBool(active))
	ox.concepts("type", ptrs(org.Type)...)
	ox.text("name", org.Name)
	lx.identifiers(loc.Identifier)
	lx.token("status", "http://hl7.org/fhir/location-status", status.Code())
	lx.concepts("type", ptrs(loc.Type)...)
	lx.text("name", loc.Name)
	lx.refs("organization", *loc.ManagingOrganization)
	gb, err := group.MarshalJSON()
	if err != nil {
		return nil, err
	}
	ob, err := org.MarshalJSON()
	if err != nil {
		return nil, err
	}
	lb, err := loc.MarshalJSON()
	if err != nil {
		return nil, err
	}
	return []Resource{
		{Type: "Group", ID: gid, Profile: profileGroup, Body: gb, Index: gx},
		{Type: "Location", ID: place, Profile: profileLocation, Body: lb, Index: lx},
		{Type: "Organization", ID: id, Profile: profileOrganization, Body: ob, Index: ox},
	}, nil
}

// GroupID is the id of the Group of a facility's patients.
func GroupID(facility string) string { return record.DerivedID("group", record.FacilityID(facility)) }
