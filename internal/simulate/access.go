package simulate

import (
	"fmt"

	v1 "cannulary/proto/cannulary/v1"
)

// beginAccess posts the access with which the patient comes, and its tracks if there are any.
func (p *patient) beginAccess(day int, h header) {
	c := newChance(p.u.s.Seed, streamCourse, p.key, 1)
	kind := v1.AccessKind_ACCESS_KIND_FISTULA
	switch p.slot.needling {
	case graftNeedling:
		kind = v1.AccessKind_ACCESS_KIND_GRAFT
	case catheterLine:
		kind = v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER
	}
	made := new(p.u.date(day - c.between(1300, 2400)))
	p.access = p.openAccess(kind, made, h)
	if p.slot.needling == constantSite {
		p.beginTracks(day, h, c)
	}
}

// openAccess posts a new or first known access.
func (p *patient) openAccess(kind v1.AccessKind, made *string, h header) *access {
	prefix, region := "F", v1.AccessRegion_ACCESS_REGION_FOREARM
	switch kind {
	case v1.AccessKind_ACCESS_KIND_FISTULA:
		if p.slot.no%3 == 0 {
			region = v1.AccessRegion_ACCESS_REGION_UPPER_ARM
		}
	case v1.AccessKind_ACCESS_KIND_GRAFT:
		prefix, region = "G", v1.AccessRegion_ACCESS_REGION_UPPER_ARM
	default:
		prefix, region = "C", v1.AccessRegion_ACCESS_REGION_NECK_OR_CHEST
	}
	side := v1.BodySide_BODY_SIDE_LEFT
	if p.slot.no%4 == 3 {
		side = v1.BodySide_BODY_SIDE_RIGHT
	}
	a := &access{name: fmt.Sprintf("%s%d", prefix, len(p.accesses)+1), kind: kind}
	p.accesses = append(p.accesses, a)
	a.created = &v1.AccessCreated{Access: a.name, Kind: kind, Side: side, Region: region, CreatedOn: made}
	a.posted = target{p.u.roster(p, h, accessCreatedFact(a.created)), 0}
	return a
}

func (p *patient) retireAccess(a *access, why v1.AccessRetirementReason, h header) {
	a.retired = true
	for _, t := range p.tracks {
		if t.access == a.name {
			t.stage = v1.TrackStage_TRACK_STAGE_RETIRED
		}
	}
	p.u.roster(p, h, accessRetiredFact(&v1.AccessRetired{Access: a.name, Reason: why}))
}

// bridge dialyses the patient through a catheter from day until another day. Then the catheter
// is taken out and then is called.
func (p *patient) bridge(day, until int, kind v1.AccessKind, then func(day int)) {
	h := header{at: p.u.local(day, 6, 5), by: p.u.staff.access}
	former := p.access
	line := p.openAccess(kind, nil, h)
	p.access = line
	p.plan(until, func(day int) {
		p.access = former
		then(day)
		p.retireAccess(line, v1.AccessRetirementReason_ACCESS_RETIREMENT_REASON_REMOVED,
			header{at: p.u.local(day, 6, 25), by: p.u.staff.access})
	})
}

// riskiest returns the open access that the census counts: the one with the highest risk of
// infection, even if unused (CDC NHSN form 57.503).
func (p *patient) riskiest() v1.AccessKind {
	order := []v1.AccessKind{
		v1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER, v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER,
		v1.AccessKind_ACCESS_KIND_OTHER, v1.AccessKind_ACCESS_KIND_GRAFT, v1.AccessKind_ACCESS_KIND_FISTULA,
	}
	for _, kind := range order {
		for _, a := range p.accesses {
			if !a.retired && a.kind == kind {
				return kind
			}
		}
	}
	return v1.AccessKind_ACCESS_KIND_UNSPECIFIED
}

// count enters the patient into the census when dialysed on one of its days.
func (p *patient) count(day int) {
	for _, d := range p.u.censusDays {
		if d != day {
			continue
		}
		p.slot.counted = p.riskiest()
		p.slot.countedConstant = p.slot.counted == v1.AccessKind_ACCESS_KIND_FISTULA && p.hasTrack()
	}
}

// hasTrack reports whether a track of the access in use has been needled and is not retired.
func (p *patient) hasTrack() bool {
	for _, t := range p.tracks {
		if t.access == p.access.name && t.stage > v1.TrackStage_TRACK_STAGE_PLANNED && t.stage < v1.TrackStage_TRACK_STAGE_RETIRED {
			return true
		}
	}
	return false
}
