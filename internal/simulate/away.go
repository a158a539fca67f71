package simulate

import (
	"fmt"

	v1 "cannulary/proto/cannulary/v1"
)

const (
	guestNights    = 13 // a holiday with treatment in the partner unit
	holidayNights  = 27 // one with treatment outside this record: over 21 days without a needle
	fractureNights = 47 // in hospital, dialysed through a catheter: over 42 days
	catheterNights = 25 // after a clot was removed: over 21 days
)

// goAsGuest sends the patient to the partner unit for some treatments. Without a partner unit
// they take place outside this record.
func (p *patient) goAsGuest(day int) {
	p.awayUntil = day + 1 + guestNights
	p.guest = p.u.partner
	if p.guest != nil {
		p.tell(GuestTreated, day+3, fmt.Sprintf("treated as a guest in %s from %s", p.guest.facility, p.u.date(day+1)))
	}
}

// holidayMonth reports whether a holiday from that day on has no census in it. A guest belongs
// to the census of neither unit.
func (p *patient) holidayMonth(day int) bool {
	d := p.u.first.AddDate(0, 0, day).Day()
	return d >= 5 && d <= 28-guestNights
}

// away posts at home that a treatment takes place elsewhere. It simulates the treatment if the
// other unit posts it.
func (p *patient) away(day int) {
	p.miss(day, p.before(day, -30), v1.MissedReason_MISSED_REASON_TREATED_ELSEWHERE)
	if p.guest == nil {
		return
	}
	home := p.u
	p.u, p.visiting = p.guest, true
	p.sit(day)
	p.u, p.visiting = home, false
}

// breakHip is a long stay in hospital. The tracks are examined before they are used again.
func (p *patient) breakHip(day int) {
	p.plan(day+1, func(day int) {
		p.admitToHospital(day, fractureNights, "Fall at home, fracture of the hip.")
		p.plan(day+fractureNights+1, p.lookAtTracks)
	})
	p.tell(LongUnused, day+1+fractureNights/2, "in hospital for weeks; the tracks were not needled, and looked at before the next needle")
}

// lookAtTracks reviews tracks that nobody has needled for weeks, before they are needled again.
func (p *patient) lookAtTracks(day int) {
	name := "RVU-" + p.u.date(day)
	p.openReview(p.u.local(day, 5, 40), name, "Tracks not needled for weeks.")
	p.closeReview(day, name, "Scars closed but soft. A track creator may try a blunt needle.")
	p.returned = true
}

// mover says whether the patient moves to the partner unit: one of each unit.
func (p *patient) mover() bool {
	return p.ordinal() == 11 && p.generation == 0 && p.u.partner != nil && p.u.days >= shortestForEndings
}

// planMove moves the patient to the partner unit between two treatments. From the unit that asks
// for six sessions the move comes when six are done, one treatment before the end. From the
// other unit it comes in the last fifth of the period, with established tracks.
func (p *patient) planMove(day int) {
	p.steady = true
	days := p.treatments(day + 1)
	last := len(days) - 2
	if p.u.formingTarget(p.u.days-1) < p.u.partner.formingTarget(p.u.days-1) {
		p.plan(days[max(0, len(days)-7)], p.planPair)
	} else {
		p.plan(days[min(3, len(days)-1)], p.planPair)
		last = len(days) * 5 / 6
	}
	if last < 7 {
		return
	}
	// The patient leaves the unit on the day before the first treatment elsewhere.
	p.plan(days[last+1]-1, func(day int) {
		p.u.roster(p, header{at: p.u.local(day, 12, 0), day: true, by: p.u.staff.lead, sent: p.u.local(day, 14, 0)},
			patientLeftFact(&v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSFER}))
		p.u.transfers = append(p.u.transfers, p)
	})
}

// transfer moves, when the day is over, the patients who left for the partner unit.
func (u *unit) transfer(day int) {
	for _, p := range u.transfers {
		p.move(day + 1)
	}
	u.transfers = nil
}

// move admits the patient to the partner unit.
func (p *patient) move(day int) {
	from, to := p.u, p.u.partner
	p.slot.patient, p.slot.admitOn = nil, day+p.draw(streamCourse, day).between(7, 14)
	p.slot = &slot{u: to, no: len(to.slots), needling: p.slot.needling, patient: p, generation: 1, admitOn: from.days}
	to.slots = append(to.slots, p.slot)
	p.u, p.agenda = to, map[int][]func(int){}
	if day >= to.days {
		return
	}
	h := header{at: to.local(day, 6, 20), by: to.staff.lead}
	to.roster(p, h, identityStatedFact(p.stated(p.identity.birth)),
		patientAdmittedFact(&v1.PatientAdmitted{FirstTreatmentOn: p.firstTreatment(day)}),
		scheduleSetFact(p.schedule()))
	_, deputy := to.staff.creatorFor(p.slot.no)
	for _, t := range p.tracks {
		// The creator of the track works elsewhere, so the deputy needles from now on.
		t.creator, t.deputy = deputy, deputy
		if t.stage == v1.TrackStage_TRACK_STAGE_READY && t.counted < t.target(to, day) {
			t.stage = v1.TrackStage_TRACK_STAGE_FORMING
		}
	}
	if len(p.tracks) > 0 {
		to.roster(p, header{at: to.local(day, 6, 30), by: to.staff.lead}, deputyFacts(to.staff.access, p.tracks...)...)
	}
	p.highlight(Highlight{
		What: Moved, Patient: p.identifier(), At: from.local(day-1, 6, 0),
		Text: fmt.Sprintf("moved on %s from %s, which asks for %d sharp sessions, to %s, which asks for %d",
			from.date(day), from.facility, from.formingTarget(day), to.facility, to.formingTarget(day)),
	})
}
