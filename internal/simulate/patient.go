package simulate

import (
	"fmt"
	"time"

	v1 "cannulary/proto/cannulary/v1"
)

// needling is how a patient is usually dialysed.
type needling int

const (
	constantSite needling = iota
	ropeLadder
	graftNeedling
	catheterLine
)

// slot is a place in the unit's schedule: one patient at a time, the next after a while.
type slot struct {
	u          *unit
	no         int
	needling   needling
	patient    *patient
	generation int
	admitOn    int // day on which the next patient comes

	counted         v1.AccessKind // in this month's census
	countedConstant bool
}

// newSlot spreads the kinds of access: every other patient has a constant-site fistula,
// the rest rope-ladder fistulas, grafts and tunneled catheters.
func newSlot(u *unit, no int) *slot {
	s := &slot{u: u, no: no}
	if no%2 == 1 {
		s.needling = [...]needling{ropeLadder, ropeLadder, ropeLadder, graftNeedling, catheterLine}[no/2%5]
	}
	if s.temporaryAtFirst() {
		// They come during the period: that is when a temporary identifier is needed.
		s.admitOn = newChance(u.s.Seed, streamCourse, uint64(u.no), uint64(no), 999).between(u.days/20, u.days/6)
	}
	return s
}

// temporaryAtFirst says whether the slot's first patient is posted under a temporary
// identifier for some days (in a scenario with merges).
func (s *slot) temporaryAtFirst() bool { return s.no%20 == 8 }

func (s *slot) step(day int) {
	if s.patient == nil {
		if day < s.admitOn {
			return
		}
		s.patient = s.admit(day)
		s.generation++
	}
	p := s.patient
	p.step(day)
	if p.left {
		s.patient = nil
		s.admitOn = day + newChance(s.u.s.Seed, streamCourse, p.key, 998).between(7, 14)
	}
}

// patient is one invented patient.
type patient struct {
	u          *unit
	slot       *slot
	key        uint64
	generation int
	identity   identity
	temporary  bool // is posted under the temporary identifier
	messages   uint64

	days     []v1.Weekday
	shift    int
	minute   int // usual local start, minutes after midnight
	pump     uint32
	gauge    uint32
	pressure float64 // usual venous pressure at 200 mL/min, mmHg
	stopping float64 // usual time to haemostasis, minutes
	flow     float64 // access flow, mL/min

	accesses  []*access
	access    *access // the one in use
	tracks    []*track
	sessions  int
	flowMonth time.Month // of the latest flow measurement
	agenda    map[int][]func(day int)

	hospitalUntil  int // day of discharge; -1: not in hospital
	leaveOn        int // day of leaving; -1: stays
	elsewhereUntil int // until then no track is used
	left           bool

	awayUntil int   // day of return from a holiday; -1: at home
	guest     *unit // where they are treated meanwhile; nil: outside this record
	visiting  bool  // is treated there now
	returned  bool  // the next needle is the first after weeks
	steady    bool  // nothing disturbs the course
	planAfter int   // day after whose treatment tracks are planned; -1: none
	sign      sign
	signOn    int // day on which it was found
	signLeft  int // examinations that still show it

	trouble  trouble
	statedBy target          // the first statement of the identity
	taken    map[string]bool // what happens once
}

// access is one vascular access of a patient.
type access struct {
	name    string
	kind    v1.AccessKind
	retired bool
	created *v1.AccessCreated
	posted  target
}

// needled says whether needles go into the access.
func (a *access) needled() bool {
	return a.kind == v1.AccessKind_ACCESS_KIND_FISTULA || a.kind == v1.AccessKind_ACCESS_KIND_GRAFT
}

// identifier is the identifier under which the patient is posted now.
func (p *patient) identifier() *v1.PatientIdentifier {
	if p.temporary {
		return p.identity.temporary
	}
	return p.identity.identifier
}

// draw gives the patient's chance of one use on one day.
func (p *patient) draw(s stream, day int) chance {
	return newChance(p.u.s.Seed, s, p.key, uint64(day))
}

// plan puts something on the patient's agenda; it is dropped when the patient has left.
func (p *patient) plan(day int, f func(day int)) { p.agenda[day] = append(p.agenda[day], f) }

// before is a moment of the day before the patient's usual start.
func (p *patient) before(day, minutes int) time.Time {
	return p.u.local(day, 0, p.minute-minutes)
}

// newPatient invents the next patient of a slot without posting anything.
func (s *slot) newPatient() *patient {
	u := s.u
	p := &patient{
		u: u, slot: s, generation: s.generation, hospitalUntil: -1, leaveOn: -1, elsewhereUntil: -1, awayUntil: -1, planAfter: -1,
		key:      mix(uint64(u.no)<<40 | uint64(s.no)<<20 | uint64(s.generation)),
		identity: newIdentity(u.s.Seed, u.no, s.no, s.generation),
		agenda:   map[int][]func(int){}, taken: map[string]bool{},
	}
	c := newChance(u.s.Seed, streamCourse, p.key)
	p.days = []v1.Weekday{1, 3, 5}
	if s.no/2%2 == 1 {
		p.days = []v1.Weekday{2, 4, 6}
	}
	p.shift = s.no / 4 % 3
	p.minute = shifts()[p.shift].start + c.between(0, 5)*5
	// The pump suits the needle: 15G from 350, 16G from 300 mL/min.
	p.gauge = []uint32{15, 15, 16}[c.IntN(3)]
	p.pump = []uint32{350, 350, 400}[c.IntN(3)]
	if p.gauge == 16 {
		p.pump = []uint32{300, 300, 320}[c.IntN(3)]
	}
	p.pressure = c.around(98, 9)
	p.stopping = c.around(8, 1.5)
	p.flow = c.around(1150, 150)
	if (s.no%12 == 5 || s.no%60 == 6 || s.no%60 == 18) && s.generation == 0 {
		p.leaveOn = u.days*3/10 + c.IntN(u.days/2+1)
	}
	u.identifying = append(u.identifying, p.identity.identifier.Value, p.identity.family, p.identity.given, p.identity.birth)
	return p
}

// admit brings the next patient of the slot into the unit and posts the identity.
func (s *slot) admit(day int) *patient {
	p := s.newPatient()
	u := s.u
	h := header{at: u.local(day, 6, 15), by: u.staff.lead}
	if day == 0 && s.generation == 0 {
		// The identity was known before the record began, and is posted when it begins.
		c := newChance(u.s.Seed, streamCourse, p.key, 997)
		h = header{at: u.local(-c.between(40, 1200), 12, 0), day: true, by: u.staff.lead, sent: u.local(0, 0, 40)}
	}
	p.temporary = u.s.Merges && s.temporaryAtFirst() && s.generation == 0
	if p.temporary {
		u.identifying = append(u.identifying, p.identity.temporary.Value)
		p.plan(day+newChance(u.s.Seed, streamCourse, p.key, 996).between(4, 9), p.mergeTemporary)
	}
	p.statedBy.d = u.roster(p, h, identityStatedFact(p.stated(p.mistypedBirth())),
		patientAdmittedFact(&v1.PatientAdmitted{FirstTreatmentOn: p.firstTreatment(day)}),
		scheduleSetFact(p.schedule()))
	p.beginAccess(day, h)
	p.planTrouble(day)
	p.planRosterCorrections(day)
	return p
}

// schedule gives a chair that no other patient of the same days and shift has.
func (p *patient) schedule() *v1.ScheduleSet {
	return &v1.ScheduleSet{Days: p.days, Shift: shifts()[p.shift].name, Chair: fmt.Sprint(p.slot.no/12*2 + p.slot.no%2 + 1)}
}

func (p *patient) firstTreatment(day int) *string {
	if day == 0 && p.generation == 0 {
		return nil
	}
	for d := day; d < day+8; d++ {
		if p.due(d) && p.u.working(d) {
			return new(p.u.date(d))
		}
	}
	return nil
}

// stated is the identity as it is posted now.
func (p *patient) stated(birth string) *v1.IdentityStated {
	return &v1.IdentityStated{
		Identifiers: []*v1.PatientIdentifier{p.identifier()},
		FamilyName:  p.identity.family, GivenNames: p.identity.given, BirthDate: birth,
	}
}

// mergeTemporary posts that the temporary identity is the patient's own.
func (p *patient) mergeTemporary(day int) {
	p.temporary = false
	h := header{at: p.before(day, 45), by: p.u.staff.lead}
	p.u.roster(p, h, identityStatedFact(p.stated(p.identity.birth)),
		patientsMergedFact(&v1.PatientsMerged{Retired: p.identity.temporary}))
}

// due says whether the patient's schedule has a treatment on that weekday.
func (p *patient) due(day int) bool {
	w := p.u.weekday(day)
	for _, d := range p.days {
		if d == w {
			return true
		}
	}
	return false
}

// step simulates one day of the patient.
func (p *patient) step(day int) {
	for i := 0; i < len(p.agenda[day]); i++ { // what is done may put more on the same day
		p.agenda[day][i](day)
	}
	delete(p.agenda, day)
	if p.leaveOn >= 0 && day >= p.leaveOn && p.hospitalUntil < 0 {
		p.leave(day)
		return
	}
	if p.hospitalUntil < 0 {
		if c := p.draw(streamPresence, day); c.hit(0.0011) && !p.steady {
			p.admitToHospital(day, c.between(3, 9), "Acute illness, not related to the access.")
		}
	}
	if p.due(day) {
		p.treat(day)
	}
	if day == p.hospitalUntil {
		p.hospitalUntil = -1
		p.u.roster(p, header{at: p.u.local(day, 23, 5), by: p.u.staff.lead},
			hospitalDischargeFact(&v1.HospitalDischarge{Outcome: "Home, treatment here continues."}))
	}
}

func (p *patient) admitToHospital(day, nights int, why string) {
	if p.hospitalUntil >= 0 {
		return
	}
	p.hospitalUntil = day + nights
	p.u.roster(p, header{at: p.u.local(day, 5, 20), by: p.u.staff.lead},
		hospitalAdmissionFact(&v1.HospitalAdmission{Reason: why}))
}

func (p *patient) leave(day int) {
	p.left = true
	reasons := []v1.LeavingReason{
		v1.LeavingReason_LEAVING_REASON_TRANSPLANT, v1.LeavingReason_LEAVING_REASON_DEATH,
		v1.LeavingReason_LEAVING_REASON_TRANSFER, v1.LeavingReason_LEAVING_REASON_OTHER_TREATMENT,
		v1.LeavingReason_LEAVING_REASON_DEATH,
	}
	p.u.roster(p, header{at: p.u.local(day, 12, 0), day: true, by: p.u.staff.lead, sent: p.u.local(day, 14, 0)},
		patientLeftFact(&v1.PatientLeft{Reason: reasons[p.slot.no/12%len(reasons)]}))
}

// treat simulates the patient's treatment of the day, or posts why it did not take place.
func (p *patient) treat(day int) {
	c := p.draw(streamPresence, day+1_000_000)
	missed := v1.MissedReason_MISSED_REASON_UNSPECIFIED
	switch {
	case !p.u.working(day):
		missed = v1.MissedReason_MISSED_REASON_UNIT_CLOSED
	case p.hospitalUntil >= 0:
		missed = v1.MissedReason_MISSED_REASON_IN_HOSPITAL
	case p.steady:
	case c.hit(0.012):
		missed = v1.MissedReason_MISSED_REASON_DID_NOT_ATTEND
	case c.hit(0.003):
		missed = v1.MissedReason_MISSED_REASON_TREATED_ELSEWHERE
	}
	if missed == v1.MissedReason_MISSED_REASON_UNSPECIFIED && day < p.awayUntil {
		p.away(day)
		return
	}
	if missed != v1.MissedReason_MISSED_REASON_UNSPECIFIED {
		p.miss(day, p.before(day, -30), missed)
		return
	}
	p.sit(day)
}

func (p *patient) miss(day int, at time.Time, why v1.MissedReason) {
	p.u.cannulation(p, header{at: at, by: p.u.staff.lead, session: p.reference(day)},
		sessionMissedFact(&v1.SessionMissed{Reason: why}))
}
