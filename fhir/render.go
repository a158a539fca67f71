package fhir

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// rendering renders one content of one fact.
type rendering struct {
	Context
	f         *record.Fact
	void      bool // entered in error
	corrected bool
	amended   bool
	session   *model.Reference // what encounter answered first
	out       []Resource
	err       error // the first that occurred
}

// into renders the content and adds what it gives.
func (r *rendering) into(s set) error {
	r.fact()
	for _, x := range r.out {
		s.add(x)
	}
	return r.err
}

// fact renders whatever kind of fact it is. Kinds that are not listed give no resource
// of a session.
func (r *rendering) fact() {
	switch b := r.f.Body.(type) {
	case *cannularyv1.SessionStarted:
		r.pumpSpeed(b.PumpSpeedMillilitresPerMinute, b.GetAccess())
	case *cannularyv1.SessionEnded:
		r.sessionEnded(b)
	case *cannularyv1.SitePrepared:
		r.sitePrepared(b)
	case *cannularyv1.NeedleInserted:
		r.needleInserted(b)
	case *cannularyv1.NeedleRemoved:
		r.needleRemoved(b)
	case *cannularyv1.PegPlaced:
		r.pegPlaced(b)
	case *cannularyv1.PegRemoved:
		r.pegRemoved(b)
	case *cannularyv1.PegFoundMissing:
		r.pegFoundMissing(b)
	case *cannularyv1.ComplicationSeen:
		r.complicationSeen(b)
	case *cannularyv1.AccessExamined:
		r.accessExamined(b)
	case *cannularyv1.VenousPressureRead:
		r.venousPressureRead(b)
	case *cannularyv1.AccessFlowMeasured:
		r.accessFlowMeasured(b)
	case *cannularyv1.CultureResulted:
		r.cultureResulted(b)
	case *cannularyv1.AntimicrobialStarted:
		r.antimicrobialStarted(b)
	case *cannularyv1.AntimicrobialEnded:
		r.antimicrobialEnded(b)
	case *cannularyv1.SiteSignsSeen:
		r.siteSignsSeen(b)
	case *cannularyv1.SuspectedSourceAssessed:
		r.suspectedSourceAssessed(b)
	case *cannularyv1.EventOutcomeAssessed:
		r.eventOutcomeAssessed(b)
	}
}

// derived names a further resource of the fact.
func (r *rendering) derived(name string, more ...string) string {
	return record.DerivedID(append([]string{name, r.f.ID}, more...)...)
}

func (r *rendering) moment() moment { return moment{r.f.At, r.f.Precision} }

// subject is the patient that resources refer to.
func (c Context) subject(patientKey string) string { return c.Identities.Survivor(patientKey) }

// trackID is the id of the BodyStructure that a track's name stands for.
func (c Context) trackID(patientKey, track string) string {
	if keeper, ok := c.Tracks[Place{patientKey, track}]; ok {
		patientKey = keeper
	}
	return record.TrackID(patientKey, track)
}

// accessID is the id of the BodyStructure that an access's name stands for.
func (c Context) accessID(patientKey, access string) string {
	if keeper, ok := c.Accesses[Place{patientKey, access}]; ok {
		patientKey = keeper
	}
	return record.AccessID(patientKey, access)
}

// location refers to the facility's Location, nil where no facility is known.
func (c Context) location(facility string) *model.Reference {
	if facility == "" {
		facility = c.Facility
	}
	if facility == "" {
		return nil
	}
	return new(shown(reference("Location", LocationID(facility)), facility))
}

// LocationID is the id of a facility's Location.
func LocationID(facility string) string {
	return record.DerivedID("location", record.FacilityID(facility))
}

// partOf refers to the session's Procedure, where the fact belongs to a session.
func (r *rendering) partOf() []model.Reference {
	if !r.f.HasSession() {
		return nil
	}
	return []model.Reference{reference("Procedure", r.f.Session)}
}

// encounter names the session by its identifier alone, where the fact belongs to one: the
// Encounter is the hospital's, and no resource of ours.
func (r *rendering) encounter() *model.Reference {
	if r.session != nil || !r.f.HasSession() {
		return r.session
	}
	if id := identifier(r.f.SessionSystem, r.f.SessionValue); id != nil {
		r.session = &model.Reference{Type: new("Encounter"), Identifier: &id[0]}
	}
	return r.session
}

// places refers to the BodyStructures of a track and an access, of those that are named.
func (r *rendering) places(track, access string) []model.Reference {
	var out []model.Reference
	if track != "" {
		role := ""
		if b, ok := r.f.Body.(interface {
			GetRole() cannularyv1.NeedleRole
		}); ok {
			role = word(b.GetRole())
		}
		out = append(out, shown(reference("BodyStructure", r.trackID(r.f.PatientKey, track)), trackName(track, role, access)))
	}
	if access != "" {
		out = append(out, shown(reference("BodyStructure", r.accessID(r.f.PatientKey, access)), "access "+access))
	}
	return out
}

// trackName is a track as a reader knows it.
func trackName(track, role, access string) string {
	return track + prefixed(", ", role) + prefixed(", access ", access)
}

// word is the display of an enum's value in lower case; empty where nothing is recorded, or
// what this version does not know.
func word(e protoreflect.Enum) string {
	d := e.Descriptor().Values().ByNumber(e.Number())
	if d == nil || e.Number() == 0 {
		return ""
	}
	return strings.ToLower(local[EnumCode(string(d.Name()))].Display)
}

// target is the extension that names a Procedure's track or, without one, its access.
func (r *rendering) target(track, access string) []model.Extension {
	places := r.places(track, access)
	if len(places) == 0 {
		return nil
	}
	return []model.Extension{{Url: TargetBodyStructure, ValueReference: &places[0]}}
}

// doer is the person who did it; or else the recorder, for facts that say who only where
// it was another.
func (r *rendering) doer(who *cannularyv1.StaffIdentifier) *cannularyv1.StaffIdentifier {
	if who.GetValue() != "" {
		return who
	}
	return r.f.Recorder
}

// practitioner refers to a member of staff, nil where nobody is named.
func practitioner(who *cannularyv1.StaffIdentifier) *model.Reference {
	if who.GetValue() == "" {
		return nil
	}
	return new(shown(reference("Practitioner", record.StaffID(who)), who.GetValue()))
}

// procedure begins a Procedure of the fact, at the fact's time and in its session.
func (r *rendering) procedure(id, category, code string, status model.EventStatus,
	performer *cannularyv1.StaffIdentifier) *model.Procedure {
	if r.void {
		status = model.EventStatusEnteredInError
	}
	p := &model.Procedure{
		Id:                &id,
		PartOf:            r.partOf(),
		Status:            status,
		Category:          r.Options.concept(category),
		Code:              r.Options.concept(code),
		Subject:           reference("Patient", r.subject(r.f.PatientKey)),
		PerformedDateTime: r.moment().dateTime(r.Zone),
		Recorder:          practitioner(r.f.Recorder),
		Location:          r.location(r.f.Facility),
		Encounter:         r.encounter(),
	}
	if ref := practitioner(performer); ref != nil {
		p.Performer = []model.ProcedurePerformer{{Actor: *ref}}
	}
	return p
}

// addProcedure marshals a Procedure of the fact.
func (r *rendering) addProcedure(p *model.Procedure) {
	body, err := p.MarshalJSON()
	r.fail(err)
	r.out = append(r.out, Resource{
		Type: "Procedure", ID: *p.Id, Patient: r.subject(r.f.PatientKey), Profile: profileOf(p.Code), Body: body,
		Index: indexProcedure(p, []Period{r.moment().period("date", r.Zone)}),
	})
}

// Categories of Observations that are used, with the displays of their code system.
const (
	exam       = "exam"
	procedural = "procedure"
	laboratory = "laboratory"
	therapy    = "therapy"
)

func observationCategoryDisplay(code string) string {
	switch code {
	case exam:
		return "Exam"
	case procedural:
		return "Procedure"
	case laboratory:
		return "Laboratory"
	}
	return "Therapy"
}

// observation begins an Observation of the fact, at the fact's time and in its session.
func (r *rendering) observation(id, category, code string, focus []model.Reference,
	performer *cannularyv1.StaffIdentifier) *model.Observation {
	status := model.ObservationStatusFinal
	switch {
	case r.void:
		status = model.ObservationStatusEnteredInError
	case r.corrected:
		status = model.ObservationStatusCorrected
	case r.amended:
		status = model.ObservationStatusAmended
	}
	o := &model.Observation{
		Id:                &id,
		PartOf:            r.partOf(),
		Status:            status,
		Category:          []model.CodeableConcept{*coded(observationCategory, category, observationCategoryDisplay(category))},
		Code:              *r.Options.concept(code),
		Subject:           new(reference("Patient", r.subject(r.f.PatientKey))),
		Focus:             focus,
		Encounter:         r.encounter(),
		EffectiveDateTime: r.moment().dateTime(r.Zone),
	}
	if ref := practitioner(performer); ref != nil {
		o.Performer = []model.Reference{*ref}
	}
	return o
}

// addObservation marshals an Observation that is effective at the fact's time.
func (r *rendering) addObservation(o *model.Observation) { r.addObservationAt(o, r.moment()) }

func (r *rendering) addObservationAt(o *model.Observation, at moment) {
	body, err := o.MarshalJSON()
	r.fail(err)
	r.out = append(r.out, Resource{
		Type: "Observation", ID: *o.Id, Patient: r.subject(r.f.PatientKey), Profile: profileOf(&o.Code), Body: body,
		Index: indexObservation(o, []Period{at.period("date", r.Zone)}),
	})
}

func (r *rendering) fail(err error) {
	if err != nil && r.err == nil {
		r.err = err
	}
}

// enum is the concept of an enum's value, nil where nothing is recorded.
func (r *rendering) enum(e protoreflect.Enum) *model.CodeableConcept {
	c, err := r.Options.enum(e)
	r.fail(err)
	return c
}

// note is free text of the sender, nil where there is none.
func note(s string) []model.Annotation {
	t := text(s)
	if t == nil {
		return nil
	}
	return []model.Annotation{{Text: *t}}
}

// absent is why an Observation or component has no value.
func absent(code, display string) *model.CodeableConcept {
	return coded(dataAbsentReason, code, display)
}

func notPerformed() *model.CodeableConcept { return absent("not-performed", "Not Performed") }

func notKnown() *model.CodeableConcept { return absent("unknown", "Unknown") }

// components gathers what was recorded; what was not recorded gives no component.
type components struct {
	r    *rendering
	list []model.ObservationComponent
}

// components gathers at most so many, or a few more.
func (r *rendering) components(most int) components {
	return components{r, make([]model.ObservationComponent, 0, most)}
}

func (c *components) add(code string) *model.ObservationComponent {
	c.list = append(c.list, model.ObservationComponent{Code: *c.r.Options.concept(code)})
	return &c.list[len(c.list)-1]
}

func (c *components) concept(code string, v *model.CodeableConcept) {
	if v != nil {
		c.add(code).ValueCodeableConcept = v
	}
}

// enum also serves answers, where "unknown" is a value of its own.
func (c *components) enum(code string, e protoreflect.Enum) { c.concept(code, c.r.enum(e)) }

// finding tells "not examined" from "absent".
func (c *components) finding(code string, f cannularyv1.Finding) {
	if f == cannularyv1.Finding_FINDING_NOT_EXAMINED {
		c.add(code).DataAbsentReason = notPerformed()
		return
	}
	c.concept(code, c.r.enum(f))
}

func (c *components) quantity(code string, v *float64, unit string) {
	if v != nil {
		c.add(code).ValueQuantity = quantity(*v, unit)
	}
}

func (c *components) count(code string, v *uint32, unit string) {
	if v != nil {
		c.add(code).ValueQuantity = quantity(float64(*v), unit)
	}
}

// integer is for numbers without a unit, such as a gauge, which UCUM does not have.
func (c *components) integer(code string, v *uint32) {
	if v != nil {
		c.add(code).ValueInteger = new(int(*v))
	}
}

// device emits the Device of a scanned needle or peg and refers to it; nil where
// nothing was scanned. It holds nothing of the patient: many patients share a lot.
func (r *rendering) device(kind string, d *cannularyv1.DeviceIdentity) *model.Reference {
	lot, udi := text(d.GetLot()), text(d.GetUdi())
	if lot == nil && udi == nil {
		return nil
	}
	id := record.DeviceID(kind, d)
	m := model.Device{Id: &id, LotNumber: lot, Type: r.Options.concept(kind)}
	var ix Index
	ix.concepts("type", m.Type)
	if udi != nil {
		m.UdiCarrier = []model.DeviceUdiCarrier{{CarrierHRF: udi}}
		ix.text("udi-carrier", udi)
	}
	body, err := m.MarshalJSON()
	if err != nil {
		r.fail(fmt.Errorf("device: %w", err))
	}
	r.out = append(r.out, Resource{Type: "Device", ID: id, Profile: profileDevice, Body: body, Index: ix})
	return new(reference("Device", id))
}
