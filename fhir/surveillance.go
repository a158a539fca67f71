package fhir

import (
	"strconv"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// cultureResulted is effective when the specimen was taken and issued with the result.
func (r *rendering) cultureResulted(b *cannularyv1.CultureResulted) {
	code := "culture-other"
	switch b.GetSpecimen() {
	case cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD:
		code = "culture-blood"
	case cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_ACCESS_SITE:
		code = "culture-access-site"
	}
	taken := moment{b.GetCollectedAt().AsTime(), b.GetCollectedPrecision()}
	o := r.observation(r.f.ID, laboratory, code, r.places(b.GetTrack(), ""), nil)
	o.Identifier = identifier(FactSystem, r.f.ID)
	o.EffectiveDateTime = taken.dateTime(r.Zone)
	o.Issued = r.moment().instant(r.Zone)
	if o.ValueCodeableConcept = r.enum(b.GetGrowth()); o.ValueCodeableConcept == nil {
		o.DataAbsentReason = notKnown()
	}
	c := r.components(2)
	c.enum("collection-setting", b.GetSetting())
	for _, g := range b.GetOrganisms() {
		c.concept("organism", r.organism(g))
	}
	o.Component = c.list
	r.addObservationAt(o, taken)
	for i, g := range b.GetOrganisms() {
		for k, s := range g.GetSusceptibilities() {
			r.susceptibility(r.derived("susceptibility", strconv.Itoa(i), strconv.Itoa(k)), g, s, taken)
		}
	}
}

// susceptibility is an Observation of its own, as FHIR has it for each isolate and agent; it
// is derived from the culture's.
func (r *rendering) susceptibility(id string, g *cannularyv1.Organism, s *cannularyv1.Susceptibility, taken moment) {
	o := r.observation(id, laboratory, "susceptibility", nil, nil)
	o.EffectiveDateTime = taken.dateTime(r.Zone)
	o.Issued = r.moment().instant(r.Zone)
	if o.ValueCodeableConcept = r.enum(s.GetResult()); o.ValueCodeableConcept == nil {
		o.DataAbsentReason = notKnown()
	}
	o.DerivedFrom = []model.Reference{reference("Observation", r.f.ID)}
	c := r.components(2)
	c.concept("organism", r.organism(g))
	c.concept("antimicrobial-agent", r.foreign(s.GetAgent(), nil))
	o.Component = c.list
	r.addObservationAt(o, taken)
}

// organism has the laboratory's coding first, as it was sent, and the group second.
func (r *rendering) organism(g *cannularyv1.Organism) *model.CodeableConcept {
	return r.foreign(g.GetCoding(), r.enum(g.GetGroup()))
}

// foreign puts a sender's coding before our own concept, which may be nil. The text is the
// sender's display where there is one.
func (r *rendering) foreign(k *cannularyv1.Coding, own *model.CodeableConcept) *model.CodeableConcept {
	system, code, display := text(k.GetSystem()), text(k.GetCode()), text(k.GetDisplay())
	if system == nil || code == nil {
		return own
	}
	out := &model.CodeableConcept{Coding: []model.Coding{{System: system, Code: code, Display: display}}, Text: display}
	if own != nil {
		out.Coding = append(out.Coding, own.Coding...)
		if out.Text == nil {
			out.Text = own.Text
		}
	}
	if out.Text == nil {
		out.Text = code
	}
	return out
}

func (r *rendering) antimicrobialStarted(b *cannularyv1.AntimicrobialStarted) {
	o := r.observation(r.f.ID, therapy, "antimicrobial-started", nil, nil)
	if o.ValueCodeableConcept = r.foreign(b.GetAgent(), nil); o.ValueCodeableConcept == nil {
		o.DataAbsentReason = notKnown()
	}
	c := r.components(5)
	c.course(b.GetCourse())
	c.enum("antimicrobial-route", b.GetRoute())
	c.enum("continued-from-hospital", b.GetContinuedFromHospital())
	c.enum("vancomycin", b.GetVancomycin())
	c.enum("blood-culture-taken", b.GetBloodCultureTaken())
	o.Component = c.list
	r.addObservation(o)
}

func (r *rendering) antimicrobialEnded(b *cannularyv1.AntimicrobialEnded) {
	o := r.observation(r.f.ID, therapy, "antimicrobial-ended", nil, nil)
	// The last dose is the value: on its own date where one is given, else at the fact's time.
	o.ValueDateTime = r.moment().dateTime(r.Zone)
	if d := text(b.GetLastDoseOn()); d != nil {
		o.ValueDateTime = d
	}
	c := r.components(2)
	c.course(b.GetCourse())
	o.Component = c.list
	r.addObservation(o)
}

// course is the sender's name for a course of an antimicrobial.
func (c *components) course(name string) {
	if t := text(name); t != nil {
		c.add("antimicrobial-course").ValueString = t
	}
}

func (r *rendering) siteSignsSeen(b *cannularyv1.SiteSignsSeen) {
	o := r.observation(r.f.ID, exam, "site-signs", r.places(b.GetTrack(), b.GetAccess()), nil)
	c := r.components(3)
	c.finding("pus", b.GetPus())
	c.finding("redness", b.GetRedness())
	c.finding("swelling", b.GetSwelling())
	o.Component = c.list
	r.addObservation(o)
}

// suspectedSourceAssessed names its culture by identifier: the culture may not have
// arrived, and a literal reference would then lead nowhere.
func (r *rendering) suspectedSourceAssessed(b *cannularyv1.SuspectedSourceAssessed) {
	o := r.observation(r.f.ID, laboratory, "suspected-source", nil, r.doer(b.GetAssessor()))
	if o.ValueCodeableConcept = r.enum(b.GetSuspectedSource()); o.ValueCodeableConcept == nil {
		o.DataAbsentReason = notKnown()
	}
	o.DerivedFrom = r.factNamed(b.GetCulture())
	r.addObservation(o)
}

// factNamed names a fact's Observation by identifier.
func (r *rendering) factNamed(ref *cannularyv1.FactReference) []model.Reference {
	return []model.Reference{{Type: new("Observation"), Identifier: &identifier(FactSystem, record.ReferencedFactID(r.f.Source, ref))[0]}}
}

// eventOutcomeAssessed names its event as suspectedSourceAssessed does its culture.
func (r *rendering) eventOutcomeAssessed(b *cannularyv1.EventOutcomeAssessed) {
	o := r.observation(r.f.ID, exam, "event-outcome", nil, r.doer(b.GetAssessor()))
	o.DerivedFrom = r.factNamed(b.GetEvent())
	c := r.components(3)
	c.enum("hospital-stay", b.GetHospitalStay())
	c.enum("access-lost", b.GetAccessLost())
	c.enum("death", b.GetDeath())
	o.Component = c.list
	r.addObservation(o)
}
