package define

import (
	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/fhir"
)

const (
	categories   = terminology + "observation-category"
	absentReason = terminology + "data-absent-reason"
)

// observation is one kind of observation as the tables tell it.
type observation struct {
	category string
	code     option
	// partOf is the profile of the procedure that it is always part of; empty for the
	// session, where there is one.
	partOf string
	// focus are the profiles of what is observed, between least and most of them.
	focus       []string
	least, most string
	before      []model.ElementDefinition // before partOf
	value       []model.ElementDefinition // from issued to dataAbsentReason
	rest        []model.ElementDefinition // from note on
}

func (o observation) elements() []model.ElementDefinition {
	part := el("partOf", card(0, "1"), must(), refs("session"))
	if o.partOf != "" {
		part = el("partOf", card(1, "1"), must(), refs(o.partOf))
	}
	focus := el("focus", never())
	if len(o.focus) > 0 {
		focus = el("focus", card(map[string]int{"0": 0, "1": 1}[o.least], o.most), must(), refs(o.focus...))
	}
	return join(o.before,
		[]model.ElementDefinition{part, el("status", must()), el("category", card(1, "1"), is(categories, o.category)),
			el("code", must(), o.code),
			el("subject", card(1, "1"), must(), refs("patient")), focus},
		encounter(),
		[]model.ElementDefinition{el("effective[x]", card(1, "1"), must(), types("dateTime"))},
		o.value, o.rest)
}

// The values of an observation.

func noValue() []model.ElementDefinition { return []model.ElementDefinition{el("value[x]", never())} }

// always is a value that is never missing.
func always(typ string, options ...option) []model.ElementDefinition {
	return []model.ElementDefinition{
		performer(),
		el("value[x]", append([]option{card(1, "1"), must(), types(typ)}, options...)...),
		el("dataAbsentReason", never()),
	}
}

// orUnknown is a value, or the statement that it is not known.
func orUnknown(typ string, options ...option) []model.ElementDefinition {
	return []model.ElementDefinition{
		performer(),
		el("value[x]", append([]option{card(0, "1"), must(), types(typ)}, options...)...),
		el("dataAbsentReason", card(0, "1"), must(), is(absentReason, "unknown")),
	}
}

// details are observations that are all components.
func details() []model.ElementDefinition {
	return append([]model.ElementDefinition{performer()}, append(noValue(), el("dataAbsentReason", never()))...)
}

func performer() model.ElementDefinition {
	return el("performer", card(0, "1"), refs("practitioner"))
}

// part is one component.
type part struct {
	code, max string
	min       int
	finding   bool // may be looked for or not
	value     []option
}

func maybe(code string, value ...option) part { return part{code: code, max: "1", value: value} }

func once(code string, value ...option) part { return part{code: code, max: "1", min: 1, value: value} }

func coded(valueSet string) []option { return []option{types("CodeableConcept"), of(valueSet)} }

func measured(ucum string) []option { return []option{types("Quantity"), unit(ucum)} }

func whole() []option { return []option{types("integer")} }

// findings are components that say present, absent, or not looked for.
func findings(codes ...string) []part {
	var out []part
	for _, c := range codes {
		out = append(out, part{code: c, max: "1", finding: true, value: coded("finding")})
	}
	return out
}

// components slices the components by their code; there are no others. min is the least
// number of components.
func components(min int, parts ...part) []model.ElementDefinition {
	out := []model.ElementDefinition{el("component", sliced(model.DiscriminatorTypePattern, "code", model.SlicingRulesClosed),
		card(min, "*"), must())}
	for _, p := range parts {
		id := "component:" + p.code
		least := 1
		absent := el(id+".dataAbsentReason", never())
		if p.finding {
			least = 0
			absent = el(id+".dataAbsentReason", card(0, "1"), is(absentReason, "not-performed"))
		}
		out = append(out,
			el(id, slice(), card(p.min, p.max), short(display(p.code))),
			el(id+".code", is(fhir.System, p.code)),
			el(id+".value[x]", append([]option{card(least, "1")}, p.value...)...),
			absent)
	}
	return out
}

// Rules of observations.

var (
	observed = rule{"observed", "It is final, amended or corrected, or entered in error.",
		oneOf("final", "amended", "corrected", "entered-in-error")}
	valueOrNot = rule{"value-or-reason", "There is a value or the reason why there is none, not both.",
		"value.exists() xor dataAbsentReason.exists()"}
	foundOrNot = rule{"finding-or-reason", "A finding that was not looked for has no value, and says so.",
		"component.all(value.exists() xor dataAbsentReason.exists())"}
	notNegative = rule{"not-negative", "What is measured is not negative.", "(value as Quantity).value.all($this >= 0)"}
)

// within bounds a measured component.
func within(key, human, code, low, high string) rule {
	return rule{key, human, "component.where(" + has("code.coding", code) + ").value.all(value > " + low + " and value <= " + high + ")"}
}

func observations() []profile {
	local := func(code string) option { return is(fhir.System, code) }
	track, access, either := []string{"track"}, []string{"access"}, []string{"track", "access"}
	var out []profile
	add := func(id, title, about string, o observation, rules ...rule) {
		if o.partOf == "" {
			rules = append([]rule{inSession}, rules...)
		}
		out = append(out, profile{id: id, typ: "Observation", title: title, about: about, elements: o.elements(),
			rules: append([]rule{observed}, rules...)})
	}

	// Examination.
	add("access-examination", "Examination of the access",
		"The panel of one examination before needling. Its members are what inspection, auscultation and palpation gave; nothing is said "+
			"of what was not examined.",
		observation{category: "exam", code: local("access-examination"), focus: access, least: "1", most: "1",
			value: []model.ElementDefinition{performer(), el("value[x]", never()),
				el("dataAbsentReason", card(0, "1"), is(absentReason, "unknown"))},
			rest: []model.ElementDefinition{el("hasMember", must(), refs("look", "listen", "feel", "site-look")),
				el("component", never())}},
		rule{"examined", "An examination has members, or says that its findings are not known: it never stands for a normal result.",
			"hasMember.exists() xor dataAbsentReason.exists()"})
	member := func(id, title, about string, focus []string, parts []part) {
		add(id, title, about, observation{category: "exam", code: local(id), focus: focus, least: "1", most: "1", value: details(),
			rest: components(1, parts...)}, foundOrNot)
	}
	member("look", "Inspection of the access", "What inspection of the whole access shows.", access,
		findings("redness", "swelling", "pus", "shiny-or-thin-skin", "non-healing-scab", "ulcer", "haematoma", "aneurysm",
			"collapse-on-elevation"))
	member("listen", "Auscultation of the access", "What auscultation shows.", access,
		findings("bruit", "high-pitched-bruit", "continuous-bruit"))
	member("feel", "Palpation of the access", "What palpation shows.", access,
		findings("thrill", "discontinuous-thrill", "bounding-pulse", "pulse-augmentation", "warmth", "tenderness"))
	member("site-look", "Inspection of a needle site", "What inspection of one track's site shows.", track,
		findings("pus", "redness", "swelling", "non-healing-scab", "shiny-or-thin-skin", "peg-in-place"))
	add("site-signs", "Signs of infection at the access site", "Pus, redness or increased swelling, as infection surveillance counts it.",
		observation{category: "exam", code: local("site-signs"), focus: either, least: "1", most: "2", value: details(),
			rest: components(1, findings("pus", "redness", "swelling")...)},
		foundOrNot, rule{"signs-seen", "At least one of the signs was seen.", has("component.value.coding", "present")})
	add("peg-in-place", "Peg found missing", "A peg that should be in a track is not there.",
		observation{category: "exam", code: local("peg-in-place"), focus: track, least: "1", most: "1",
			value: always("CodeableConcept", is(fhir.System, "missing"))})
	add("complication", "Complication of needling", "Something went wrong at a track or an access; the value says what.",
		observation{category: "exam", code: local("complication"), focus: either, least: "1", most: "2",
			value: orUnknown("CodeableConcept", of("complication")),
			rest:  []model.ElementDefinition{el("note", card(0, "1"), short("What was seen and done, as sent"))}}, valueOrNot)

	// Needling.
	add("attempt-details", "Details of an insertion attempt",
		"What was recorded of one attempt beside its outcome. What was not recorded gives no component.",
		observation{category: "procedure", code: local("attempt-details"), partOf: "insertion", focus: either, least: "1", most: "2",
			value: details(),
			rest: components(1,
				maybe("needle-role", coded("needle-role")...), maybe("needling-pattern", coded("needling-pattern")...),
				once("attempt-ordinal", whole()...),
				maybe("needle-tip", coded("needle-tip")...), maybe("gauge", whole()...), maybe("insertion-angle", measured("deg")...),
				maybe("insertion-depth", measured("mm")...), maybe("needle-direction", coded("needle-direction")...),
				maybe("bevel", coded("bevel")...),
				maybe("passes", whole()...), maybe("resistance", coded("resistance")...), maybe("same-spot", coded("answer")...),
				maybe("new-path", coded("answer")...),
				maybe("flashback", coded("answer")...), maybe("pain-score", measured("{score}")...),
				maybe("hub-gap-left", coded("answer")...))},
		within("angle", "An angle is more than 0 and at most 90 degrees.", "insertion-angle", "0", "90"),
		rule{"pain", "Pain is scored from 0 to 10.", "component.where(" + has("code.coding", "pain-score") +
			").value.all(value >= 0 and value <= 10)"},
		rule{"counted-from-one", "Attempts and passes are counted from 1.", "component.where(" + has("code.coding", "attempt-ordinal",
			"passes") + ").value.all($this >= 1)"})
	add("haemostasis-time", "Time to haemostasis", "Minutes from the removal of the needle until bleeding stopped.",
		observation{category: "procedure", code: local("haemostasis-time"), partOf: "needle-removal", focus: either, least: "1", most: "2",
			value: always("Quantity", unit("min"))}, notNegative)
	add("removal-details", "Details of a needle removal", "What was recorded of a needle's removal beside the time to haemostasis.",
		observation{category: "procedure", code: local("removal-details"), partOf: "needle-removal", focus: either, least: "1", most: "2",
			value: details(),
			rest: components(1, maybe("needle-role", coded("needle-role")...), maybe("removal-angle", measured("deg")...),
				maybe("compressive-dressing", coded("answer")...),
				maybe("waterproof-dressing", coded("answer")...), maybe("topical-prophylaxis", coded("answer")...))},
		within("angle", "An angle is more than 0 and at most 90 degrees.", "removal-angle", "0", "90"))
	add("preparation-details", "Details of a site's preparation", "What was recorded of the preparation beside its disinfections.",
		observation{category: "procedure", code: local("preparation-details"), partOf: "site-preparation", focus: track, least: "1",
			most: "1", value: details(),
			rest: components(1, maybe("washed", coded("answer")...), maybe("scab-removal", coded("removal")...),
				maybe("peg-removal", coded("removal")...), maybe("disinfections-complete", coded("answer")...))})
	add("disinfection", "Disinfection of a site", "One disinfection; the value is the agent.",
		observation{category: "procedure", code: local("disinfection"), partOf: "site-preparation", focus: track, least: "1", most: "1",
			value: orUnknown("CodeableConcept", of("antiseptic")),
			rest: components(1, once("disinfection-ordinal", whole()...), maybe("disinfection-moment", coded("disinfection-moment")...),
				maybe("contact-time", measured("s")...))},
		valueOrNot, rule{"counted-from-one", "Disinfections are counted from 1.",
			"component.where(" + has("code.coding", "disinfection-ordinal") + ").value.all($this >= 1)"})
	add("peg-placement-details", "Details of a peg placement", "What was recorded of a peg's placement.",
		observation{category: "procedure", code: local("peg-placement-details"), partOf: "peg-placement", focus: track, least: "1",
			most: "1", value: details(),
			rest: components(1, maybe("same-path", coded("answer")...))})

	// Measurements.
	add("venous-pressure", "Venous pressure at the machine",
		"Pressure in the venous line as the machine shows it, with the pump speed and the gauge at which it was read. It may be negative.",
		observation{category: "procedure", code: local("venous-pressure"), focus: either, least: "1", most: "2",
			value: orUnknown("Quantity", unit("mm[Hg]")),
			rest:  components(0, maybe("blood-pump-speed", measured("mL/min")...), maybe("gauge", whole()...))}, valueOrNot)
	add("access-flow", "Access flow", "Blood flow through the access.",
		observation{category: "procedure", code: local("access-flow"), focus: access, least: "1", most: "1",
			value: orUnknown("Quantity", unit("mL/min")),
			rest:  []model.ElementDefinition{el("method", card(0, "1"), of("flow-method"))}}, valueOrNot, notNegative)
	add("blood-pump-speed", "Blood pump speed", "Speed set at the blood pump for a session.",
		observation{category: "therapy", code: local("blood-pump-speed"), focus: access, least: "0", most: "1",
			value: always("Quantity", unit("mL/min"))}, notNegative)
	add("treatment-details", "Details of a treatment", "What was recorded of a treatment as a whole.",
		observation{category: "therapy", code: local("treatment-details"), focus: access, least: "0", most: "1", value: details(),
			rest: components(1, maybe("treated-time", measured("min")...), maybe("ended-early", coded("answer")...))})

	// Infection surveillance.
	add("culture", "Culture",
		"The result of one culture, effective when the specimen was taken and issued with the result. The laboratory's own code of an "+
			"organism comes first.",
		observation{category: "laboratory", code: of("culture"), focus: track, least: "0", most: "1",
			before: []model.ElementDefinition{el("identifier", card(1, "1"), must(), identifiedBy(fhir.FactSystem))},
			value:  orUnknown("CodeableConcept", of("culture-growth")),
			rest: components(0, maybe("collection-setting", coded("collection-setting")...),
				part{code: "organism", max: "*",
					value: []option{types("CodeableConcept"), bound("organism-group", model.BindingStrengthPreferred)}})},
		valueOrNot, rule{"organism-grew", "An organism is named only where something grew.",
			"component.where(" + has("code.coding", "organism") + ").exists() implies " + has("value.coding", "culture-growth-positive")})
	add("susceptibility", "Susceptibility of an organism",
		"How one organism of a culture answered to one antimicrobial, effective when the specimen was taken. Of organism and agent the "+
			"laboratory's own code comes first.",
		observation{category: "laboratory", code: local("susceptibility"), value: orUnknown("CodeableConcept", of("susceptibility-result")),
			rest: join([]model.ElementDefinition{el("derivedFrom", card(1, "1"), must(), refs("culture"))},
				components(2, part{code: "organism", min: 1, max: "1",
					value: []option{types("CodeableConcept"), bound("organism-group", model.BindingStrengthPreferred)}},
					once("antimicrobial-agent", types("CodeableConcept"))))}, valueOrNot)
	add("event-outcome", "Outcome of an infection event",
		"What an event of infection surveillance led to. The event is named by its fact, since it may not have arrived.",
		observation{category: "exam", code: local("event-outcome"), value: details(),
			rest: join(ofFact(), components(1, maybe("hospital-stay", coded("answer")...), maybe("access-lost", coded("answer")...),
				maybe("death", coded("answer")...)))})
	add("antimicrobial-started", "Antimicrobial course started",
		"A course of an antimicrobial began; the value is the agent as the sender coded it.",
		observation{category: "therapy", code: local("antimicrobial-started"), value: orUnknown("CodeableConcept"),
			rest: components(2, once("antimicrobial-course", types("string")), once("antimicrobial-route", coded("antimicrobial-route")...),
				maybe("continued-from-hospital", coded("answer")...),
				maybe("vancomycin", coded("answer")...), maybe("blood-culture-taken", coded("answer")...))}, valueOrNot)
	add("antimicrobial-ended", "Antimicrobial course ended",
		"A course of an antimicrobial ended; the value is the date or time of the last dose.",
		observation{category: "therapy", code: local("antimicrobial-ended"), value: always("dateTime"),
			rest: components(1, once("antimicrobial-course", types("string")))})
	add("suspected-source", "Suspected source of a positive blood culture",
		"Where a bloodstream infection is thought to come from. The culture is named by its fact, since it may not have arrived.",
		observation{category: "laboratory", code: local("suspected-source"), value: orUnknown("CodeableConcept", of("suspected-source")),
			rest: ofFact()}, valueOrNot)
	return out
}

// ofFact is the Observation of another fact, by its identifier.
func ofFact() []model.ElementDefinition {
	return []model.ElementDefinition{
		el("derivedFrom", card(1, "1"), must()), el("derivedFrom.reference", never()),
		el("derivedFrom.type", card(1, "1"), fixedURI("Observation")),
		el("derivedFrom.identifier", card(1, "1"), identifiedBy(fhir.FactSystem))}
}
