package simulate

import (
	"fmt"
	"time"

	v1 "cannulary/proto/cannulary/v1"
)

// liftNow posts that a hold is lifted at a moment, by the physician on call.
func (p *patient) liftNow(at time.Time, rule string, ground target, why string) {
	p.postLift(header{at: at, by: p.u.staff.lead}, rule, ground, why)
}

// delay lets the treatment begin later.
func (s *sitting) delay(minutes int) {
	s.start = s.after(minutes)
	s.end = s.end.Add(time.Duration(minutes) * time.Minute)
}

// doubt is a hold for want of a thrill that ultrasound clears within the hour: the treatment
// begins later and takes place.
func (s *sitting) doubt(exam target) {
	p := s.p
	again := s.calmExam()
	p.u.assessment(p, s.header(s.after(30)), accessExaminedFact(again))
	p.liftNow(s.after(34), holdThrillAbsent, exam, "Ultrasound: good flow. Thrill and bruit present at the second examination.")
	p.highlight(Highlight{
		What: LiftedAtOnce, Patient: p.identifier(), At: s.after(20),
		Text: fmt.Sprintf("no thrill was felt on %s; a physician looked and lifted the hold within the hour", p.u.date(s.day)),
	})
	s.delay(40)
}

// redden is redness over an access that is needled anywhere: a physician looks before the
// needles go in, away from it.
func (s *sitting) redden() {
	s.p.liftNow(s.after(28), holdSiteInfection, s.tw.reddened, "Seen: small, superficial, away from where the needles go. Swab taken.")
	s.delay(36)
}

// holdAfter is a person's hold at the end of a treatment that reaches the lead days later;
// until then the track is needled as ever.
func (p *patient) holdAfter(s *sitting) {
	t := p.track(v1.NeedleRole_NEEDLE_ROLE_ARTERIAL)
	if t == nil {
		return
	}
	held := target{p.u.cannulation(p, s.header(s.end.Add(18*time.Minute)), holdPlacedFact(&v1.HoldPlaced{
		Track: t.name, PlacedBy: s.by, Reason: "Scab with a red rim at the arterial site. Lead to look before the next needle.",
	})), 0}
	p.plan(s.day+answerLate, func(day int) {
		p.lift(day, holdPerson, held, "Seen by the lead: scab dry, skin sound. The shift was told to read holds before needling.")
	})
	p.highlight(Highlight{
		What: AnsweredLate, Patient: p.identifier(), At: p.u.local(s.day+answerLate-1, 5, 0),
		Text: fmt.Sprintf("a nurse's hold of %s was answered after %d days; the track was needled meanwhile", p.u.date(s.day), answerLate),
	})
}

// answerLate is how many days that hold waits: two treatments of three a week.
const answerLate = 6
