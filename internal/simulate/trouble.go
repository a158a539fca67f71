package simulate

import (
	"time"

	v1 "cannulary/proto/cannulary/v1"
)

// twist is what is out of the ordinary in one session.
type twist struct {
	earlyBlunt, offAngle, offSpot, unlisted, hard, pegMissing bool // while forming
	bluntFails, rescue, noReason, scab, scabAgain, hub        bool // past forming
	infiltration, swollen, thrillAbsent, shiny, outflow       bool
	area, areaSeen                                            bool
	seen                                                      []v1.ComplicationKind
	pressure, stopping                                        float64 // above the patient's usual
	signs                                                     *track  // infected site
}

// story is one patient's trouble.
type story int

const (
	untroubled story = iota
	earlyBlunt
	offAngle
	unlistedCannulator
	hardEntries
	missingPeg
	offSpot
	longGap
	repeatedRescue
	infiltrated
	thrillLost
	shinySkin
	scabLeft
	falseTract
	thrombosed
	risingPressure
	fallingFlow
	slowHaemostasis
	hubPressed
	areaPunctured
)

// trouble is a patient's story and how far it has come.
type trouble struct {
	story story
	from  int // session number at which it begins, for tracks past forming
	told  int // sessions of it that have been told
}

// planTrouble deals out the stories: while forming to those whose tracks are made within
// the period, past forming to those who brought tracks, area puncture to some others.
func (p *patient) planTrouble(day int) {
	if !p.u.s.Trouble {
		return
	}
	forming := []story{earlyBlunt, hardEntries, missingPeg, offAngle, unlistedCannulator, offSpot, untroubled, longGap, earlyBlunt, untroubled}
	past := []story{
		repeatedRescue, infiltrated, thrillLost, shinySkin, falseTract, untroubled, thrombosed, risingPressure,
		scabLeft, slowHaemostasis, fallingFlow, hubPressed, untroubled, untroubled,
	}
	n := p.ordinal()
	sessions := max(6, (p.u.days-day)*3/7)
	p.trouble.from = newChance(p.u.s.Seed, streamTrouble, p.key).between(sessions/6, sessions/2)
	switch {
	case p.slot.needling != constantSite:
		if p.slot.needling == ropeLadder && n%4 == 1 {
			p.trouble.story = areaPunctured
		}
	case n%6 >= 3:
		p.trouble.story = forming[(n/6*3+n%6-3)%len(forming)]
	default:
		p.trouble.story = past[(n/6*3+n%6)%len(past)]
	}
}

// troubleOf is the twist of the session that is about to begin.
func (p *patient) troubleOf(day int) twist {
	var tw twist
	if p.trouble.story == untroubled || p.access.retired {
		return tw
	}
	if p.access.kind != v1.AccessKind_ACCESS_KIND_FISTULA {
		return tw
	}
	p.whileForming(day, &tw)
	k := p.sessions - p.trouble.from
	if k >= 0 {
		p.pastForming(day, k, &tw)
	}
	return tw
}

// whileForming tells the stories of forming tracks by their counted sessions.
func (p *patient) whileForming(day int, tw *twist) {
	t := p.track(v1.NeedleRole_NEEDLE_ROLE_ARTERIAL)
	if t == nil || t.stage != v1.TrackStage_TRACK_STAGE_FORMING || p.trouble.told >= 2 {
		return
	}
	at := func(counted int) bool {
		if t.counted >= counted && p.trouble.told == 0 {
			p.trouble.told++
			return true
		}
		return false
	}
	switch p.trouble.story {
	case earlyBlunt:
		tw.earlyBlunt = at(3)
	case offAngle:
		tw.offAngle = at(3)
	case unlistedCannulator:
		tw.unlisted = at(2)
	case offSpot:
		tw.offSpot = at(4)
	case missingPeg:
		tw.pegMissing = t.pegged && at(3)
	case hardEntries:
		if t.counted >= t.target(p.u, day)-2 {
			p.trouble.told++
			tw.hard = true
		}
	case longGap:
		if at(4) {
			p.plan(day+1, func(day int) { p.admitToHospital(day, 17, "Pneumonia.") })
		}
	}
}

// pastForming tells the other stories by the number of sessions since they began.
func (p *patient) pastForming(day, k int, tw *twist) {
	first := p.trouble.told == 0
	once := func() bool {
		if first {
			p.trouble.told++
		}
		return first
	}
	switch p.trouble.story {
	case repeatedRescue:
		tw.bluntFails = k == 0
		tw.rescue = k == 2 || k == 7
		tw.noReason = k == 7
		if k == 8 && once() {
			p.review(day, "RV1", "Two rescues within four weeks.", "Technique observed, blunt needles of another length.", 18)
		}
	case infiltrated:
		tw.infiltration, tw.swollen = k == 0, k == 1
		if k == 0 && once() {
			p.rest(day, "Infiltration at the venous needle.", 6)
		}
	case thrillLost:
		tw.thrillAbsent = once()
	case shinySkin:
		tw.shiny = once()
	case scabLeft:
		tw.scab, tw.scabAgain = k == 0 || k == 9, k == 0
	case falseTract:
		p.tellFalseTract(day, k, tw)
	case thrombosed:
		if once() {
			tw.thrillAbsent = true
		}
	case risingPressure:
		tw.pressure = tenth(min(float64(k)*1.6, 80))
		if k > 50 {
			tw.pressure = 0
		}
		tw.outflow = k > 38 && k <= 50
		if k == 42 && once() {
			p.review(day, "RV1", "Rising venous pressure, fistula does not collapse.", "Stenosis dilated.", 17)
		}
	case fallingFlow:
		if k%6 == 0 && p.flow > 520 {
			p.flow *= 0.94
		}
	case slowHaemostasis:
		if k < 5 {
			tw.stopping = 11 + 2*float64(k)
		}
	case hubPressed:
		tw.hub = k == 0
		if k == 0 {
			tw.seen = []v1.ComplicationKind{v1.ComplicationKind_COMPLICATION_KIND_HUB_PRESSED_IN}
		}
		if k == 6 {
			tw.seen = []v1.ComplicationKind{v1.ComplicationKind_COMPLICATION_KIND_TRAMPOLINING}
		}
	case areaPunctured:
		tw.area, tw.areaSeen = k%9 < 4, k%9 == 3 && k < 20
	}
}

// tellFalseTract ends in the venous track's being retired and replaced.
func (p *patient) tellFalseTract(day, k int, tw *twist) {
	switch k {
	case 0:
		tw.bluntFails = true
		tw.seen = []v1.ComplicationKind{v1.ComplicationKind_COMPLICATION_KIND_FALSE_TRACT}
	case 1:
		tw.rescue = true
		tw.seen = []v1.ComplicationKind{v1.ComplicationKind_COMPLICATION_KIND_FLAP}
	case 2:
		if old := p.track(v1.NeedleRole_NEEDLE_ROLE_VENOUS); old != nil && p.trouble.told == 0 {
			p.trouble.told++
			p.replace(day, old)
		}
	}
}

// replace retires a track and plans the one that takes its place.
func (p *patient) replace(day int, old *track) {
	old.stage = v1.TrackStage_TRACK_STAGE_RETIRED
	c := p.draw(streamTrouble, day)
	fresh := p.newTrack(old.role, old.site+25, c)
	p.u.cannulation(p, header{at: p.before(day, 35), by: old.creator}, trackRetiredFact(&v1.TrackRetired{
		Track: old.name, Reason: "False tract; blunt needles do not pass.", ReplacedBy: fresh.name, DecidedBy: p.u.staff.access,
	}))
	p.postPlan(day, c, fresh)
}

// review opens a review before the session and closes it some days later.
func (p *patient) review(day int, name, why, outcome string, days int) {
	u := p.u
	u.cannulation(p, header{at: p.before(day, 20), by: u.staff.access}, reviewOpenedFact(&v1.ReviewOpened{
		Review: name, Access: p.access.name, OpenedBy: u.staff.access, Reason: why,
	}))
	p.plan(day+days, func(day int) {
		u.cannulation(p, header{at: p.u.local(day, 6, 35), by: u.staff.access}, reviewClosedFact(&v1.ReviewClosed{
			Review: name, ClosedBy: u.staff.physician, Outcome: outcome,
		}))
	})
}

// rest rests both tracks from the end of the session for some days.
func (p *patient) rest(day int, why string, days int) {
	u := p.u
	p.plan(day+1, func(day int) {
		var facts []*v1.CannulationFact
		for _, role := range roles() {
			if t := p.track(role); t != nil {
				t.restUntil = day + days
				facts = append(facts, trackRestedFact(&v1.TrackRested{Track: t.name, Until: new(u.date(day + days)), Reason: why, DecidedBy: u.staff.access}))
			}
		}
		if len(facts) > 0 {
			u.cannulation(p, header{at: u.local(day, 6, 20), by: u.staff.access}, facts...)
		}
	})
	p.plan(day+1+days, func(day int) {
		var facts []*v1.CannulationFact
		for _, role := range roles() {
			if t := p.track(role); t != nil {
				facts = append(facts, trackResumedFact(&v1.TrackResumed{Track: t.name, DecidedBy: u.staff.access}))
			}
		}
		if len(facts) > 0 {
			u.cannulation(p, header{at: u.local(day, 6, 20), by: u.staff.access}, facts...)
		}
	})
}

// withoutThrill is either a thrombosis, which ends the access, or a passing stop.
func (p *patient) withoutThrill(day int, exam target) {
	u := p.u
	if p.trouble.story != thrombosed {
		p.bridge(day+1, day+5, v1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER, func(day int) {
			p.lift(day, holdThrillAbsent, exam, "Clot removed, thrill and bruit present on ultrasound.")
		})
		return
	}
	clotted := p.access
	p.plan(day+1, func(day int) {
		p.retireAccess(clotted, v1.AccessRetirementReason_ACCESS_RETIREMENT_REASON_THROMBOSIS,
			header{at: u.local(day, 12, 0), day: true, by: u.staff.access, sent: u.local(day, 15, 0)})
	})
	p.bridge(day+1, day+64, v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER, func(day int) {
		p.access = p.openAccess(v1.AccessKind_ACCESS_KIND_FISTULA, new(u.date(day-50)), header{at: u.local(day, 6, 10), by: u.staff.access})
		p.plan(day+16, p.planPair)
	})
}

// skinAtRisk is a person's hold beside the rule's, until a surgeon has looked.
func (p *patient) skinAtRisk(s *sitting, at time.Time, exam target) {
	u := p.u
	t := p.track(v1.NeedleRole_NEEDLE_ROLE_ARTERIAL)
	if t == nil {
		return
	}
	held := u.cannulation(p, s.header(at.Add(10*time.Minute)), holdPlacedFact(&v1.HoldPlaced{
		Track: t.name, PlacedBy: u.staff.lead, Reason: "Shiny skin over the arterial site; surgeon to see today.",
	}))
	p.bridge(s.day+1, s.day+8, v1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER, func(day int) {
		p.lift(day, holdSkinAtRisk, exam, "Seen by surgeon: skin sound, no ulcer.")
		p.lift(day, holdPerson, target{held, 0}, "Seen by surgeon: skin sound, no ulcer.")
	})
}
