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
	angleForgotten, doubt, held                               bool
	reddened                                                  target // redness over an access without tracks
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
	angleForgotten
	guestOfPartner
	brokenHip
	longHoliday
	lateCulture
	doubtedThrill
	heldAndNeedled
	restingAtEnd
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
	forming := []story{
		missingPeg, earlyBlunt, offAngle, hubPressed, hardEntries, longGap, angleForgotten, angleForgotten,
		unlistedCannulator, slowHaemostasis,
	}
	past := []story{
		repeatedRescue, infiltrated, thrillLost, shinySkin, falseTract, guestOfPartner, thrombosed, brokenHip,
		heldAndNeedled, lateCulture, risingPressure, doubtedThrill, longHoliday, restingAtEnd, scabLeft,
		hubPressed, untroubled, untroubled,
	}
	n := p.ordinal()
	sessions := max(6, (p.u.days-day)*3/7)
	p.trouble.from = newChance(p.u.s.Seed, streamTrouble, p.key).between(sessions/6, sessions/2)
	_, timed := p.ending()
	switch {
	case p.slot.needling == ropeLadder && n%4 == 1:
		p.trouble.story = areaPunctured
	case p.slot.needling == ropeLadder && n%10 == 2:
		p.trouble.story = fallingFlow
	case p.slot.needling != constantSite || timed || p.mover():
	case n%6 >= 3:
		p.trouble.story = forming[(n/6*3+n%6-3+5*p.u.no)%len(forming)]
	default:
		p.trouble.story = past[(n/6*3+n%6+9*p.u.no)%len(past)]
	}
	// The rest at the end must not be lost to something else.
	p.steady = p.steady || p.trouble.story == restingAtEnd
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

// whileForming makes the stories of forming tracks by their counted sessions.
func (p *patient) whileForming(day int, tw *twist) {
	t := p.track(v1.NeedleRole_NEEDLE_ROLE_ARTERIAL)
	if t != nil && !t.entered && p.trouble.story == angleForgotten && p.u.s.Corrections {
		tw.angleForgotten = true
	}
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

// pastForming makes the other stories by the number of sessions since they began.
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
	case guestOfPartner:
		if p.holidayMonth(day+1) && once() {
			p.goAsGuest(day)
		}
	case longHoliday:
		if once() {
			p.awayUntil = day + 1 + holidayNights
			p.tell(LongUnused, day+holidayNights, "treated elsewhere on a holiday; nobody here knows what was needled")
		}
	case brokenHip:
		tw.bluntFails = p.returned
		if once() {
			p.breakHip(day)
		}
	case heldAndNeedled:
		tw.held = once()
	case doubtedThrill:
		tw.doubt = once()
	case restingAtEnd:
		if day >= p.u.days-6 && once() {
			tw.infiltration = true
			p.rest(day, "Infiltration at the venous needle.", 14)
		}
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
	p.openReview(p.before(day, 20), name, why)
	p.closeReview(day+days, name, outcome)
}

func (p *patient) openReview(at time.Time, name, why string) {
	p.u.cannulation(p, header{at: at, by: p.u.staff.access}, reviewOpenedFact(&v1.ReviewOpened{
		Review: name, Access: p.access.name, OpenedBy: p.u.staff.access, Reason: why,
	}))
}

func (p *patient) closeReview(day int, name, outcome string) {
	p.plan(day, func(day int) {
		p.u.cannulation(p, header{at: p.u.local(day, 6, 35), by: p.u.staff.access}, reviewClosedFact(&v1.ReviewClosed{
			Review: name, ClosedBy: p.u.staff.physician, Outcome: outcome,
		}))
	})
}

// rest rests both tracks from the day after the session for some days.
func (p *patient) rest(day int, why string, days int) {
	p.plan(day+1, func(day int) { p.restNow(day, p.u.local(day, 6, 20), why, days) })
}

// restNow rests both tracks from a moment for some days.
func (p *patient) restNow(day int, at time.Time, why string, days int) {
	var rested []*track
	var facts []*v1.CannulationFact
	for _, role := range roles() {
		if t := p.track(role); t != nil && t.entered {
			t.restUntil = day + days
			rested = append(rested, t)
			facts = append(facts, trackRestedFact(&v1.TrackRested{
				Track: t.name, Until: new(p.u.date(day + days)), Reason: why, DecidedBy: p.u.staff.access,
			}))
		}
	}
	if len(facts) == 0 {
		return
	}
	p.u.cannulation(p, header{at: at, by: p.u.staff.access}, facts...)
	p.plan(day+days, func(day int) {
		var facts []*v1.CannulationFact
		for _, t := range rested {
			if t.stage != v1.TrackStage_TRACK_STAGE_RETIRED {
				facts = append(facts, trackResumedFact(&v1.TrackResumed{Track: t.name, DecidedBy: p.u.staff.access}))
			}
		}
		if len(facts) > 0 {
			p.u.cannulation(p, header{at: p.u.local(day, 6, 20), by: p.u.staff.access}, facts...)
		}
	})
}

// withoutThrill is either a thrombosis, which ends the access, or a passing stop.
func (p *patient) withoutThrill(day int, exam target) {
	u := p.u
	if p.trouble.story != thrombosed {
		p.plan(day+2, func(day int) {
			p.lift(day, holdThrillAbsent, exam, "Clot removed, thrill and bruit present on ultrasound. Catheter until the arm is calm.")
		})
		p.bridge(day+1, day+1+catheterNights, v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER, func(day int) { p.returned = true })
		return
	}
	clotted := p.access
	p.plan(day+1, func(day int) {
		p.retireAccess(clotted, v1.AccessRetirementReason_ACCESS_RETIREMENT_REASON_THROMBOSIS,
			header{at: u.local(day, 12, 0), day: true, by: u.staff.access, sent: u.local(day, 15, 0)})
	})
	p.plan(day+2, func(day int) {
		p.lift(day, holdThrillAbsent, exam, "The fistula is clotted and given up; a catheter is in use.")
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
