package simulate

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	v1 "cannulary/proto/cannulary/v1"
)

// sessionsPerMonth turns a monthly risk into one per session of three a week.
const sessionsPerMonth = 13.0

// risks are the invented unit's events per 100 patient-months. Bloodstream levels are the
// national ones of 2014 (Nguyen and others, CJASN 2017;12:1139), for constant-site
// patients times 2.6 (Lyman and others, AJKD 2020;76:82); the other figures are made up.
func (p *patient) risks() (bloodstream, local float64) {
	switch {
	case p.access.kind == v1.AccessKind_ACCESS_KIND_GRAFT:
		return 0.39, 0.5
	case p.access.kind != v1.AccessKind_ACCESS_KIND_FISTULA:
		return 2.16, 1
	case p.hasTrack():
		return 0.26 * 2.6, 0.9
	}
	return 0.26, 0.5
}

// infections decides what the session brings: signs at a site, a culture, antimicrobials.
func (p *patient) infections(s *sitting) {
	if !p.u.s.Infections || p.steady {
		return
	}
	c := p.draw(streamInfection, s.day)
	bloodstream, local := p.risks()
	if p.hasTrack() && s.day >= p.u.days*3/4 {
		bloodstream *= p.u.s.OutbreakFactor
		local *= p.u.s.OutbreakFactor
	}
	// A higher risk adds events on its days and does not move events of other days.
	forced := func(slot, session int) bool { return p.slot.no == slot && p.generation == 0 && p.sessions == session }
	switch {
	case forced(0, 20) && p.trouble.story != lateCulture && p.once("aureus"):
		p.bloodstream(s, c, v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS, resultCorrected)
	case p.trouble.story == lateCulture && p.hasTrack() && p.sessions >= p.trouble.from && p.once("late"):
		p.bloodstream(s, c, v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS, resultLate)
	case forced(0, 10) && p.once("negative"):
		p.negativeCulture(s, true)
	case forced(12, 15) && p.once("local"):
		p.localInfection(s, c)
	case c.hit(bloodstream / 100 / sessionsPerMonth):
		p.bloodstream(s, c, organism(c), resultUsual)
	case c.hit(local / 100 / sessionsPerMonth):
		p.localInfection(s, c)
	case c.hit(3.0 / 100 / sessionsPerMonth):
		p.negativeCulture(s, false)
	case c.hit(1.0 / 100 / sessionsPerMonth):
		p.course(s, v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS, false, c.between(5, 10))
	}
}

// once returns true the first time that it is called with a name.
func (p *patient) once(name string) bool {
	if p.taken[name] {
		return false
	}
	p.taken[name] = true
	return true
}

func organism(c chance) v1.OrganismGroup {
	switch x := c.Float64(); {
	case x < 0.35:
		return v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS
	case x < 0.45:
		return v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS_METICILLIN_RESISTANT
	case x < 0.75:
		return v1.OrganismGroup_ORGANISM_GROUP_COAGULASE_NEGATIVE_STAPHYLOCOCCUS
	case x < 0.85:
		return v1.OrganismGroup_ORGANISM_GROUP_ENTEROCOCCUS
	}
	return v1.OrganismGroup_ORGANISM_GROUP_GRAM_NEGATIVE
}

func isAureus(g v1.OrganismGroup) bool {
	return g == v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS ||
		g == v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS_METICILLIN_RESISTANT
}

func culture(collected time.Time, specimen v1.CultureSpecimen) *v1.CultureResulted {
	return &v1.CultureResulted{
		CollectedAt: timestamppb.New(collected), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
		Specimen: specimen, Setting: v1.CollectionSetting_COLLECTION_SETTING_OUTPATIENT,
		Growth: v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE,
	}
}

// course is an antimicrobial course that begins in this session; for a fever it is
// vancomycin, and blood is taken first.
func (p *patient) course(s *sitting, route v1.AntimicrobialRoute, fever bool, days int) {
	name := "AB-" + p.u.date(s.day)
	started := &v1.AntimicrobialStarted{Course: name, Route: route, ContinuedFromHospital: v1.Answer_ANSWER_NO}
	if route == v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS {
		started.Vancomycin, started.BloodCultureTaken = answer(fever), answer(fever)
	}
	p.u.surveillance(p, header{at: s.after(95), by: p.u.staff.lead, session: s.ref}, antimicrobialStartedFact(started))
	p.plan(s.day+days, func(day int) {
		p.u.surveillance(p, header{at: p.u.local(day, 12, 0), day: true, by: p.u.staff.lead, sent: p.u.local(day, 17, 0)},
			antimicrobialEndedFact(&v1.AntimicrobialEnded{Course: name, LastDoseOn: new(p.u.date(day))}))
	})
}

// result is how the laboratory sends what grew.
type result int

const (
	resultUsual     result = iota
	resultCorrected        // the sensitivity follows two days later
	resultLate             // the line to the laboratory is down for three days
)

const daysLate = 3

func answer(yes bool) v1.Answer {
	if yes {
		return v1.Answer_ANSWER_YES
	}
	return v1.Answer_ANSWER_NO
}

// tested is how such an organism answers in the invented unit's laboratory.
func tested(g v1.OrganismGroup) []*v1.Susceptibility {
	of := func(code, display string, r v1.SusceptibilityResult) *v1.Susceptibility {
		return &v1.Susceptibility{Agent: &v1.Coding{System: systemAgent, Code: code, Display: display}, Result: r}
	}
	oxacillin := v1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_RESISTANT
	switch g {
	case v1.OrganismGroup_ORGANISM_GROUP_GRAM_NEGATIVE:
		return []*v1.Susceptibility{of("CAZ", "Ceftazidime", v1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_SUSCEPTIBLE)}
	case v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS:
		oxacillin = v1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_SUSCEPTIBLE
	case v1.OrganismGroup_ORGANISM_GROUP_ENTEROCOCCUS:
		oxacillin = v1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_NOT_TESTED
	}
	return []*v1.Susceptibility{of("OXA", "Oxacillin", oxacillin), of("VAN", "Vancomycin",
		v1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_SUSCEPTIBLE)}
}

// outcomeAfter is the days after which the unit says what an event led to.
const outcomeAfter = 14

// assessOutcome says what an event led to. The invented unit loses no access and no patient.
func (p *patient) assessOutcome(day int, event target, stay bool) {
	ref, resolve := refer(event)
	d := p.u.surveillance(p, header{at: p.u.local(day, 13, 50), by: p.u.staff.physician}, eventOutcomeAssessedFact(&v1.EventOutcomeAssessed{
		Event: ref, HospitalStay: answer(stay), AccessLost: v1.Answer_ANSWER_NO, Death: v1.Answer_ANSWER_NO,
	}))
	d.resolve = append(d.resolve, resolve)
}

// bloodstream is a fever in the session, a positive blood culture and what follows.
func (p *patient) bloodstream(s *sitting, c chance, group v1.OrganismGroup, how result) {
	u := p.u
	collected := s.after(70)
	p.course(s, v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS, true, c.between(14, 28))
	constant := p.hasTrack()
	source := v1.SuspectedSource_SUSPECTED_SOURCE_ACCESS
	switch x := c.Float64(); {
	case how != resultUsual:
	case x < 0.15:
		source = v1.SuspectedSource_SUSPECTED_SOURCE_UNCERTAIN
	case x < 0.3:
		source = v1.SuspectedSource_SUSPECTED_SOURCE_OTHER_SITE
	case x < 0.37 && group == v1.OrganismGroup_ORGANISM_GROUP_COAGULASE_NEGATIVE_STAPHYLOCOCCUS:
		source = v1.SuspectedSource_SUSPECTED_SOURCE_CONTAMINATION
	}
	stay := c.hit(0.4) && how == resultUsual
	p.plan(s.day+2, func(day int) {
		found := culture(collected, v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD)
		found.Growth = v1.CultureGrowth_CULTURE_GROWTH_POSITIVE
		found.Organisms = []*v1.Organism{{Group: group}}
		if how != resultCorrected { // else the laboratory reports it later
			found.Organisms[0].Susceptibilities = tested(group)
		}
		h := header{at: u.local(day, 6, 2), by: u.staff.lead}
		known := h.at
		if how == resultLate {
			day += daysLate
			h.sent = u.local(day, 8, 30)
			known = h.sent
			p.highlight(Highlight{
				What: LateCulture, Patient: p.identifier(), At: known.Add(-3 * time.Hour),
				Text: fmt.Sprintf("a blood culture of %s became known on %s; the access was needled in between", u.date(day-daysLate),
					u.date(day)),
			})
		}
		result := target{u.surveillance(p, h, cultureResultedFact(found)), 0}
		if stay {
			p.admitToHospital(day, c.between(4, 8), "Bloodstream infection.")
		}
		p.plan(day+1, func(day int) { p.assessSource(day, result, source) })
		p.plan(day+outcomeAfter, func(day int) { p.assessOutcome(day, result, stay) })
		if how == resultCorrected && u.s.Corrections {
			p.plan(day+2, func(day int) { p.correctCulture(day, result, found) })
		}
		if isAureus(group) && constant {
			p.reviewTechnique(day, known, result)
		}
	})
}

func (p *patient) assessSource(day int, result target, source v1.SuspectedSource) {
	ref, resolve := refer(result)
	d := p.u.surveillance(p, header{at: p.u.local(day, 13, 40), by: p.u.staff.physician},
		suspectedSourceAssessedFact(&v1.SuspectedSourceAssessed{
			Culture: ref, SuspectedSource: source, Assessor: p.u.staff.physician,
		}))
	d.resolve = append(d.resolve, resolve)
}

// reviewTechnique follows S. aureus in the blood of a constant-site patient, from a moment on
// which the result is known: a physician looks before the next needle and lifts the hold, the
// tracks rest, and how they are prepared is observed meanwhile.
func (p *patient) reviewTechnique(day int, known time.Time, ground target) {
	const days = 12
	p.elsewhereUntil = day + days
	name := "RVI-" + p.u.date(day)
	p.openReview(known.Add(15*time.Minute), name, "Staphylococcus aureus in blood with a track in use.")
	p.liftNow(known.Add(35*time.Minute), holdBacteraemia, ground,
		"Seen. The tracks rest, the vessel is needled elsewhere. Preparation is observed and taught again.")
	p.restNow(day, known.Add(38*time.Minute), "Staphylococcus aureus in blood.", days)
	p.closeReview(day+days, name, "Preparation observed and taught again, cultures since negative. The technique goes on.")
}

// correctCulture adds the sensitivity that the laboratory reported later.
func (p *patient) correctCulture(day int, result target, found *v1.CultureResulted) {
	fixed := proto.Clone(found).(*v1.CultureResulted)
	const resistant = v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS_METICILLIN_RESISTANT
	fixed.Organisms = []*v1.Organism{{Group: resistant, Susceptibilities: tested(resistant)}}
	at := p.u.local(day, 6, 3)
	c, resolve := correctionOf(result, 1, at, "Sensitivity reported by the laboratory.")
	d := p.u.surveillance(p, header{at: at, by: p.u.staff.lead}, surveillanceFactCorrectedFact(&v1.SurveillanceFactCorrected{
		Correction: c, Replacement: cultureResultedFact(fixed),
	}))
	d.resolve = append(d.resolve, resolve)
}

// negativeCulture is a blood culture without growth. A mistaken one is voided.
func (p *patient) negativeCulture(s *sitting, mistaken bool) {
	collected := s.after(45)
	p.plan(s.day+3, func(day int) {
		result := p.u.surveillance(p, header{at: p.u.local(day, 6, 4), by: p.u.staff.lead},
			cultureResultedFact(culture(collected, v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD)))
		if mistaken && p.u.s.Corrections {
			p.plan(day+1, func(day int) {
				void(p, p.desk(day, 15), target{result, 0}, "Result of another patient, filed here by mistake.", p.u.surveillance,
					surveillanceFactVoidedFact)
			})
		}
	})
}

// localInfection is pus or redness at a site, a swab and tablets.
func (p *patient) localInfection(s *sitting, c chance) {
	signs := &v1.SiteSignsSeen{
		Access: p.access.name, Pus: v1.Finding_FINDING_ABSENT, Redness: v1.Finding_FINDING_PRESENT, Swelling: v1.Finding_FINDING_ABSENT,
	}
	for _, role := range roles() {
		if t := p.track(role); t != nil && t.entered && (s.tw.signs == nil || c.hit(0.4)) {
			s.tw.signs = t
			signs.Track, signs.Pus = t.name, v1.Finding_FINDING_PRESENT
		}
	}
	swab := culture(s.after(5), v1.CultureSpecimen_CULTURE_SPECIMEN_ACCESS_SITE)
	swab.Track = signs.Track
	if c.hit(0.6) {
		swab.Growth = v1.CultureGrowth_CULTURE_GROWTH_POSITIVE
		swab.Organisms = []*v1.Organism{{Group: v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS}}
	}
	seen := p.u.surveillance(p, header{at: s.after(1), by: p.u.staff.lead, session: s.ref}, siteSignsSeenFact(signs))
	p.course(s, v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_ORAL, false, 10)
	p.plan(s.day+2, func(day int) {
		p.u.surveillance(p, header{at: p.u.local(day, 6, 6), by: p.u.staff.lead}, cultureResultedFact(swab))
	})
	switch t := s.tw.signs; {
	case t != nil:
		t.restUntil = s.day + 11
		p.plan(s.day+11, func(day int) {
			p.lift(day, holdSiteInfection, target{seen, 0}, "Site dry and calm, tablets finished.")
		})
	case p.access.needled():
		s.tw.reddened = target{seen, 0}
	default:
		p.plan(s.day+5, func(day int) { p.lift(day, holdSiteInfection, target{seen, 0}, "Exit site dry and calm.") })
	}
}
