package fhir

import (
	"strconv"

	cannularyv1 "cannulary/proto/cannulary/v1"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// accessExamined renders the panel and one member for each of look, listen, feel and
// each site of which something is recorded.
func (r *rendering) accessExamined(b *cannularyv1.AccessExamined) {
	by := r.doer(b.GetExaminer())
	focus := r.places("", b.GetAccess())
	panel := r.observation(r.f.ID, exam, "access-examination", focus, by)
	member := func(id, code string, focus []model.Reference, list []model.ObservationComponent) {
		if len(list) == 0 {
			return
		}
		o := r.observation(id, exam, code, focus, by)
		o.Component = list
		r.addObservation(o)
		panel.HasMember = append(panel.HasMember, reference("Observation", id))
	}
	member(r.derived("look"), "look", focus, r.look(b.GetLook()))
	member(r.derived("listen"), "listen", focus, r.listen(b.GetListen()))
	member(r.derived("feel"), "feel", focus, r.feel(b.GetFeel()))
	sites := map[string]int{}
	for _, s := range b.GetSites() {
		// A site that is named twice in one examination gives two members.
		id := r.derived("site-look", s.GetTrack(), strconv.Itoa(sites[s.GetTrack()]))
		sites[s.GetTrack()]++
		member(id, "site-look", r.places(s.GetTrack(), ""), r.siteLook(s))
	}
	if len(panel.HasMember) == 0 {
		// Somebody examined, and nothing that was found is recorded: never a normal result.
		panel.DataAbsentReason = notKnown()
	}
	r.addObservation(panel)
}

func (r *rendering) look(b *cannularyv1.Look) []model.ObservationComponent {
	c := r.components(9)
	c.finding("redness", b.GetRedness())
	c.finding("swelling", b.GetSwelling())
	c.finding("pus", b.GetPus())
	c.finding("shiny-or-thin-skin", b.GetShinyOrThinSkin())
	c.finding("non-healing-scab", b.GetNonHealingScab())
	c.finding("ulcer", b.GetUlcer())
	c.finding("haematoma", b.GetHaematoma())
	c.finding("aneurysm", b.GetAneurysm())
	c.finding("collapse-on-elevation", b.GetCollapseOnElevation())
	return c.list
}

func (r *rendering) listen(b *cannularyv1.Listen) []model.ObservationComponent {
	c := r.components(3)
	c.finding("bruit", b.GetBruit())
	c.finding("high-pitched-bruit", b.GetHighPitchedBruit())
	c.finding("continuous-bruit", b.GetContinuousBruit())
	return c.list
}

func (r *rendering) feel(b *cannularyv1.Feel) []model.ObservationComponent {
	c := r.components(6)
	c.finding("thrill", b.GetThrill())
	c.finding("discontinuous-thrill", b.GetDiscontinuousThrill())
	c.finding("bounding-pulse", b.GetBoundingPulse())
	c.finding("pulse-augmentation", b.GetPulseAugmentation())
	c.finding("warmth", b.GetWarmth())
	c.finding("tenderness", b.GetTenderness())
	return c.list
}

func (r *rendering) siteLook(b *cannularyv1.SiteLook) []model.ObservationComponent {
	c := r.components(6)
	c.finding("pus", b.GetPus())
	c.finding("redness", b.GetRedness())
	c.finding("swelling", b.GetSwelling())
	c.finding("non-healing-scab", b.GetNonHealingScab())
	c.finding("shiny-or-thin-skin", b.GetShinyOrThinSkin())
	c.finding("peg-in-place", b.GetPeg())
	return c.list
}

func (r *rendering) venousPressureRead(b *cannularyv1.VenousPressureRead) {
	o := r.observation(r.f.ID, procedural, "venous-pressure", r.places(b.GetTrack(), b.GetAccess()), nil)
	r.measured(o, b.PressureMmhg, unitPressure)
	c := r.components(2)
	c.count("blood-pump-speed", b.PumpSpeedMillilitresPerMinute, unitFlow)
	c.integer("gauge", b.Gauge)
	o.Component = c.list
	r.addObservation(o)
}

func (r *rendering) accessFlowMeasured(b *cannularyv1.AccessFlowMeasured) {
	o := r.observation(r.f.ID, procedural, "access-flow", r.places("", b.GetAccess()), nil)
	r.measured(o, b.FlowMillilitresPerMinute, unitFlow)
	o.Method = r.enum(b.GetMethod())
	r.addObservation(o)
}

// measured sets a measured value. Without one it says so: never a zero.
func (r *rendering) measured(o *model.Observation, v *float64, unit string) {
	if v == nil {
		o.DataAbsentReason = notKnown()
		return
	}
	o.ValueQuantity = quantity(*v, unit)
}
