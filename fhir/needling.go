package fhir

import (
	"strconv"

	cannularyv1 "cannulary/proto/cannulary/v1"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

func (r *rendering) sitePrepared(b *cannularyv1.SitePrepared) {
	by := r.doer(b.GetPreparedBy())
	p := r.procedure(r.f.ID, "category-site-care", "site-preparation", model.EventStatusCompleted, by)
	p.Extension = r.target(b.GetTrack(), "")
	r.addProcedure(p)
	part := []model.Reference{reference("Procedure", r.f.ID)}
	focus := r.places(b.GetTrack(), "")

	c := r.components(4)
	c.enum("washed", b.GetWashed())
	c.enum("scab-removal", b.GetScab())
	c.enum("peg-removal", b.GetPeg())
	c.enum("disinfections-complete", b.GetDisinfectionsComplete())
	if len(c.list) > 0 {
		o := r.observation(r.derived("preparation-details"), procedural, "preparation-details", focus, by)
		o.PartOf, o.Component = part, c.list
		r.addObservation(o)
	}
	for i, d := range b.GetDisinfections() {
		o := r.observation(r.derived("disinfection", strconv.Itoa(i)), procedural, "disinfection", focus, by)
		o.PartOf = part
		if o.ValueCodeableConcept = r.enum(d.GetAgent()); o.ValueCodeableConcept == nil {
			o.DataAbsentReason = notKnown()
		}
		c := r.components(3)
		c.integer("disinfection-ordinal", new(uint32(i+1)))
		c.enum("disinfection-moment", d.GetMoment())
		c.count("contact-time", d.ContactSeconds, unitSecond)
		o.Component = c.list
		r.addObservation(o)
	}
}

func (r *rendering) needleInserted(b *cannularyv1.NeedleInserted) {
	code, needle := "insertion", "needle"
	switch b.GetTip() {
	case cannularyv1.NeedleTip_NEEDLE_TIP_SHARP:
		code, needle = "insertion-sharp", "needle-tip-sharp"
	case cannularyv1.NeedleTip_NEEDLE_TIP_BLUNT:
		code, needle = "insertion-blunt", "needle-tip-blunt"
	}
	status := model.EventStatusUnknown
	switch b.GetOutcome() {
	case cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL:
		status = model.EventStatusCompleted
	case cannularyv1.InsertionOutcome_INSERTION_OUTCOME_FAILED:
		status = model.EventStatusStopped
	case cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED:
		status = model.EventStatusNotDone
	}
	p := r.procedure(r.f.ID, "category-needling", code, status, b.GetCannulator())
	p.Extension = r.target(b.GetTrack(), b.GetAccess())
	p.Outcome = r.enum(b.GetOutcome())
	if site := text(b.GetSite()); site != nil {
		p.BodySite = []model.CodeableConcept{{Text: site}}
	}
	if why := r.enum(b.GetRescueReason()); why != nil {
		p.ReasonCode = []model.CodeableConcept{*why}
	}
	p.UsedCode = []model.CodeableConcept{*r.Options.concept(needle)}
	if d := r.device("needle", b.GetDevice()); d != nil {
		focal := model.ProcedureFocalDevice{Manipulated: *d}
		if status != model.EventStatusNotDone {
			focal.Action = r.Options.concept("device-inserted")
		}
		p.FocalDevice = []model.ProcedureFocalDevice{focal}
	}
	r.addProcedure(p)

	c := r.components(16)
	c.enum("needle-role", b.GetRole())
	c.enum("needling-pattern", b.GetPattern())
	c.integer("attempt-ordinal", new(b.GetAttemptOrdinal()))
	c.enum("needle-tip", b.GetTip())
	c.integer("gauge", b.Gauge)
	c.quantity("insertion-angle", b.AngleDegrees, unitDegree)
	c.quantity("insertion-depth", b.DepthMillimetres, unitMillimetre)
	c.enum("needle-direction", b.GetDirection())
	c.enum("bevel", b.GetBevel())
	c.integer("passes", b.Passes)
	c.enum("resistance", b.GetResistance())
	c.enum("same-spot", b.GetSameSpot())
	c.enum("new-path", b.GetNewPath())
	c.enum("flashback", b.GetFlashback())
	c.count("pain-score", b.PainScore, unitScore)
	c.enum("hub-gap-left", b.GetHubGapLeft())
	o := r.observation(r.derived("attempt-details"), procedural, "attempt-details", r.places(b.GetTrack(), b.GetAccess()),
		b.GetCannulator())
	o.PartOf = []model.Reference{reference("Procedure", r.f.ID)}
	o.Component = c.list
	r.addObservation(o)
}

func (r *rendering) needleRemoved(b *cannularyv1.NeedleRemoved) {
	p := r.procedure(r.f.ID, "category-needling", "needle-removal", model.EventStatusCompleted, b.GetRemovedBy())
	p.Extension = r.target(b.GetTrack(), b.GetAccess())
	r.addProcedure(p)
	part := []model.Reference{reference("Procedure", r.f.ID)}
	focus := r.places(b.GetTrack(), b.GetAccess())

	if b.HaemostasisMinutes != nil {
		o := r.observation(r.derived("haemostasis-time"), procedural, "haemostasis-time", focus, b.GetRemovedBy())
		o.PartOf = part
		o.ValueQuantity = quantity(b.GetHaemostasisMinutes(), unitMinute)
		r.addObservation(o)
	}
	c := r.components(5)
	c.enum("needle-role", b.GetRole())
	c.quantity("removal-angle", b.AngleDegrees, unitDegree)
	c.enum("compressive-dressing", b.GetCompressiveDressing())
	c.enum("waterproof-dressing", b.GetWaterproofDressing())
	c.enum("topical-prophylaxis", b.GetTopicalProphylaxis())
	if len(c.list) > 0 {
		o := r.observation(r.derived("removal-details"), procedural, "removal-details", focus, b.GetRemovedBy())
		o.PartOf, o.Component = part, c.list
		r.addObservation(o)
	}
}

func (r *rendering) pegPlaced(b *cannularyv1.PegPlaced) {
	p := r.procedure(r.f.ID, "category-site-care", "peg-placement", model.EventStatusCompleted, b.GetPlacedBy())
	p.Extension = r.target(b.GetTrack(), "")
	if d := r.device("peg", b.GetDevice()); d != nil {
		p.FocalDevice = []model.ProcedureFocalDevice{{Action: r.Options.concept("device-inserted"), Manipulated: *d}}
	}
	p.UsedCode = []model.CodeableConcept{*r.Options.concept("peg")}
	r.addProcedure(p)

	c := r.components(1)
	c.enum("same-path", b.GetSamePath())
	if len(c.list) > 0 {
		o := r.observation(r.derived("peg-placement-details"), procedural, "peg-placement-details", r.places(b.GetTrack(), ""),
			b.GetPlacedBy())
		o.PartOf = []model.Reference{reference("Procedure", r.f.ID)}
		o.Component = c.list
		r.addObservation(o)
	}
}

func (r *rendering) pegRemoved(b *cannularyv1.PegRemoved) {
	p := r.procedure(r.f.ID, "category-site-care", "peg-removal", model.EventStatusCompleted, b.GetRemovedBy())
	p.Extension = r.target(b.GetTrack(), "")
	switch b.GetWhole() {
	case cannularyv1.Answer_ANSWER_YES:
		p.Outcome = r.Options.concept("peg-removed-whole")
	case cannularyv1.Answer_ANSWER_NO:
		p.Outcome = r.Options.concept("peg-removed-in-part")
	default:
		p.Outcome = r.enum(b.GetWhole())
	}
	p.UsedCode = []model.CodeableConcept{*r.Options.concept("peg")}
	r.addProcedure(p)
}

func (r *rendering) pegFoundMissing(b *cannularyv1.PegFoundMissing) {
	o := r.observation(r.f.ID, exam, "peg-in-place", r.places(b.GetTrack(), ""), nil)
	o.ValueCodeableConcept = r.Options.concept("missing")
	r.addObservation(o)
}

func (r *rendering) complicationSeen(b *cannularyv1.ComplicationSeen) {
	o := r.observation(r.f.ID, exam, "complication", r.places(b.GetTrack(), b.GetAccess()), nil)
	if o.ValueCodeableConcept = r.enum(b.GetKind()); o.ValueCodeableConcept == nil {
		o.DataAbsentReason = notKnown()
	}
	o.Note = note(b.GetNote())
	r.addObservation(o)
}
