package simulate

import (
	"cannulary/internal/record"
	v1 "cannulary/proto/cannulary/v1"
)

// Codes under which a hold is placed: a rule's, or a person's own.
const (
	holdThrillAbsent  = "thrill-absent"
	holdSkinAtRisk    = "skin-at-risk"
	holdSiteInfection = "site-infection"
	holdBacteraemia   = "bacteraemia"
	holdPerson        = "person"
)

// lift posts that a hold is lifted: the one that a rule or a person placed on the ground
// of a fact. The card shows its id, which follows from that fact's.
func (p *patient) lift(day int, rule string, ground target, why string) {
	p.postLift(header{at: p.u.local(day, 6, 15), by: p.u.staff.access}, rule, ground, why)
}

func (p *patient) postLift(h header, rule string, ground target, why string) {
	f := &v1.HoldLifted{LiftedBy: p.u.staff.physician, Reason: why}
	d := p.u.cannulation(p, h, holdLiftedFact(f))
	d.resolve = append(d.resolve, func() {
		event := record.EventID(ground.d.env.GetSource(), ground.d.env.GetSourceMessageId())
		f.Hold = record.HoldID(rule, record.FactID(event, ground.ordinal))
	})
}
