package simulate

import (
	"time"

	v1 "cannulary/proto/cannulary/v1"
)

// examine posts look, listen and feel before needling. It returns false if a finding stops the
// treatment.
func (s *sitting) examine() bool {
	p := s.p
	exam := s.calmExam()
	if exam.GetFeel() != nil {
		if s.c.hit(0.015) && !p.steady {
			exam.Listen = nil // no stethoscope at hand: not recorded
		}
		s.show(exam)
		s.disturb(exam)
	}
	at := s.after(0)
	d := p.u.assessment(p, s.header(at), accessExaminedFact(exam))
	return s.judge(at, target{d, 0})
}

// calmExam is a whole examination that finds nothing; a catheter is only looked at.
func (s *sitting) calmExam() *v1.AccessExamined {
	exam := &v1.AccessExamined{Access: s.p.access.name, Examiner: s.by, Look: calmLook()}
	if !s.p.access.needled() {
		return exam
	}
	exam.Look.CollapseOnElevation = v1.Finding_FINDING_PRESENT
	if s.p.access.kind == v1.AccessKind_ACCESS_KIND_GRAFT {
		exam.Look.CollapseOnElevation = v1.Finding_FINDING_NOT_EXAMINED
	}
	exam.Listen = &v1.Listen{
		Bruit: v1.Finding_FINDING_PRESENT, HighPitchedBruit: v1.Finding_FINDING_ABSENT, ContinuousBruit: v1.Finding_FINDING_PRESENT,
	}
	exam.Feel = &v1.Feel{
		Thrill: v1.Finding_FINDING_PRESENT, DiscontinuousThrill: v1.Finding_FINDING_ABSENT, BoundingPulse: v1.Finding_FINDING_ABSENT,
		PulseAugmentation: v1.Finding_FINDING_PRESENT, Warmth: v1.Finding_FINDING_ABSENT, Tenderness: v1.Finding_FINDING_ABSENT,
	}
	exam.Sites = s.lookAtSites()
	return exam
}

func calmLook() *v1.Look {
	return &v1.Look{
		Redness: v1.Finding_FINDING_ABSENT, Swelling: v1.Finding_FINDING_ABSENT, Pus: v1.Finding_FINDING_ABSENT,
		ShinyOrThinSkin: v1.Finding_FINDING_ABSENT, NonHealingScab: v1.Finding_FINDING_ABSENT, Ulcer: v1.Finding_FINDING_ABSENT,
		Haematoma: v1.Finding_FINDING_ABSENT, Aneurysm: v1.Finding_FINDING_ABSENT,
	}
}

func (s *sitting) lookAtSites() []*v1.SiteLook {
	var sites []*v1.SiteLook
	for _, role := range roles() {
		t := s.p.track(role)
		if t == nil || !t.entered {
			continue
		}
		look := &v1.SiteLook{
			Track: t.name, Pus: v1.Finding_FINDING_ABSENT, Redness: v1.Finding_FINDING_ABSENT, Swelling: v1.Finding_FINDING_ABSENT,
			NonHealingScab: v1.Finding_FINDING_ABSENT, ShinyOrThinSkin: v1.Finding_FINDING_ABSENT,
		}
		if t.pegged {
			look.Peg = v1.Finding_FINDING_PRESENT
			if s.tw.pegMissing && role == v1.NeedleRole_NEEDLE_ROLE_ARTERIAL {
				look.Peg = v1.Finding_FINDING_ABSENT
			}
		}
		sites = append(sites, look)
	}
	return sites
}

// disturb adds the session's troubles to the examination.
func (s *sitting) disturb(exam *v1.AccessExamined) {
	if s.tw.doubt {
		exam.Feel.Thrill = v1.Finding_FINDING_ABSENT
	}
	if s.tw.thrillAbsent {
		exam.Listen = &v1.Listen{Bruit: v1.Finding_FINDING_ABSENT, HighPitchedBruit: v1.Finding_FINDING_UNSPECIFIED}
		exam.Feel.Thrill, exam.Feel.PulseAugmentation = v1.Finding_FINDING_ABSENT, v1.Finding_FINDING_NOT_EXAMINED
	}
	if s.tw.outflow {
		exam.Look.CollapseOnElevation = v1.Finding_FINDING_ABSENT
		exam.Feel.BoundingPulse = v1.Finding_FINDING_PRESENT
	}
	if s.tw.shiny && len(exam.Sites) > 0 {
		exam.Look.ShinyOrThinSkin = v1.Finding_FINDING_PRESENT
		exam.Sites[0].ShinyOrThinSkin = v1.Finding_FINDING_PRESENT
	}
	if s.tw.signs != nil {
		// Told at the site; what the whole access shows is left unsaid.
		exam.Look.Redness, exam.Look.Pus = v1.Finding_FINDING_UNSPECIFIED, v1.Finding_FINDING_UNSPECIFIED
		for _, site := range exam.Sites {
			if site.Track == s.tw.signs.name {
				site.Redness, site.Pus = v1.Finding_FINDING_PRESENT, v1.Finding_FINDING_PRESENT
			}
		}
		exam.Feel.Warmth = v1.Finding_FINDING_PRESENT
	}
	if s.tw.swollen {
		exam.Look.Haematoma, exam.Look.Swelling = v1.Finding_FINDING_PRESENT, v1.Finding_FINDING_UNSPECIFIED
	}
	if s.tw.reddened.d != nil {
		exam.Look.Redness = v1.Finding_FINDING_UNSPECIFIED // told by itself
	}
}

// judge acts on findings that stop the treatment of the day.
func (s *sitting) judge(at time.Time, exam target) bool {
	p := s.p
	switch {
	case s.tw.thrillAbsent:
		p.miss(s.day, at.Add(20*time.Minute), v1.MissedReason_MISSED_REASON_ACCESS_PROBLEM)
		p.withoutThrill(s.day, exam)
		return false
	case s.tw.shiny:
		p.miss(s.day, at.Add(25*time.Minute), v1.MissedReason_MISSED_REASON_ACCESS_PROBLEM)
		p.skinAtRisk(s, at, exam)
		return false
	case s.tw.doubt:
		s.doubt(exam)
	case s.tw.reddened.d != nil:
		s.redden()
	case s.tw.signs != nil:
		p.plan(s.day+11, func(day int) { p.lift(day, holdSiteInfection, exam, "Site dry and calm, tablets finished.") })
	}
	return true
}
