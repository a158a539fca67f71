package simulate

import (
	"fmt"

	v1 "cannulary/proto/cannulary/v1"
)

// sign is what an examination may find that stops nothing.
type sign int

const (
	noSign sign = iota
	haematoma
	tenderness
	swelling
	warmth
	boundingPulse
)

// String names the sign.
func (s sign) String() string {
	return [...]string{"nothing", "a haematoma", "tenderness", "swelling", "warmth", "a bounding pulse"}[s]
}

// signEvery is the chance of a sign to appear at an examination before needling: about once a
// year and patient. It is made up, as are the shares.
const signEvery = 0.006

// nextSign says what the examination of the day finds: a sign stays for one to three of them.
func (p *patient) nextSign(day int) sign {
	if p.signLeft > 0 {
		p.signLeft--
		return p.sign
	}
	if p.sign != noSign {
		p.tell(FindingCleared, day-1, fmt.Sprintf("%s at the examination of %s, found gone on %s", p.sign,
			p.u.date(p.signOn), p.u.date(day)))
		p.sign = noSign
	}
	c := p.draw(streamFinding, day)
	if p.steady || !p.u.s.Trouble || !c.hit(signEvery) {
		return noSign
	}
	p.signOn, p.signLeft = day, c.between(0, 2)
	switch x := c.Float64(); {
	case x < 0.4:
		p.sign = haematoma
	case x < 0.65:
		p.sign = tenderness
	case x < 0.85:
		p.sign = swelling
	case x < 0.95:
		p.sign = warmth
	default:
		p.sign = boundingPulse
	}
	return p.sign
}

// show puts the sign, and an aneurysm that stays, into an examination.
func (s *sitting) show(exam *v1.AccessExamined) {
	const present = v1.Finding_FINDING_PRESENT
	switch s.p.nextSign(s.day) {
	case noSign:
	case haematoma:
		exam.Look.Haematoma = present
	case tenderness:
		exam.Feel.Tenderness = present
	case swelling:
		exam.Look.Swelling = present
	case warmth:
		exam.Feel.Warmth = present
	case boundingPulse:
		exam.Feel.BoundingPulse = present
	}
	if s.p.aneurysm(s.day) {
		exam.Look.Aneurysm = present
	}
}

// aneurysm says whether the fistula has a bulge on that day: two of sixty patients have, and
// each has it reviewed within two weeks.
func (p *patient) aneurysm(day int) bool {
	if !p.u.s.Trouble || p.slot.no%30 != 3 || p.generation > 0 || p.access.kind != v1.AccessKind_ACCESS_KIND_FISTULA {
		return false
	}
	begins := p.u.days / 4
	if day >= begins && p.once("aneurysm") {
		p.review(day, "RVA", "A bulge over the fistula.", "Aneurysm measured, skin sound, flow good; measured again every half year.", 12)
	}
	return day >= begins
}
