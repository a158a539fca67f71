package simulate

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	v1 "cannulary/proto/cannulary/v1"
)

// correctionOf begins a correction of t, asserted at a moment; the caller hands the
// returned function to the draft that carries it.
func correctionOf(t target, revision uint32, asserted time.Time, why string) (*v1.Correction, func()) {
	ref, resolve := refer(t)
	return &v1.Correction{Fact: ref, Revision: revision, AssertedAt: timestamppb.New(asserted), Reason: why}, resolve
}

// desk returns a moment of a day at which records are corrected.
func (p *patient) desk(day, minute int) header {
	return header{at: p.u.local(day, 10, minute), by: p.u.staff.lead}
}

// afterSession is what follows a treatment: a deputy is named for tracks just begun.
func (p *patient) afterSession(s *sitting) {
	var fresh []*track
	for _, t := range p.tracks {
		if t.entered && !t.deputyNamed && t.stage != v1.TrackStage_TRACK_STAGE_RETIRED {
			fresh = append(fresh, t)
		}
	}
	if len(fresh) > 0 {
		p.u.roster(p, header{at: s.end.Add(20 * time.Minute), by: p.u.staff.lead}, deputyFacts(fresh[0].creator, fresh...)...)
	}
	if s.tw.held {
		p.holdAfter(s)
	}
	if s.tw.angleForgotten {
		p.plan(s.day+2, func(day int) { p.correctAngle(p.desk(day, 11), s, s.insertionAngle, 1) })
	}
	if s.day == p.planAfter {
		p.planPair(s.day)
	}
	p.returned = false
}

// correctAfter decides whether something of the session is corrected on a later day.
func (p *patient) correctAfter(s *sitting) {
	if !p.u.s.Corrections || p.steady || s.tw.angleForgotten {
		return
	}
	if no := p.slot.no; no >= 14 && no < 18 && p.sessions >= 20 && !p.counts(s.day) && p.once("session void") {
		p.voidSession(s, no-14)
		return
	}
	c := p.draw(streamCorrection, s.day)
	if !c.hit(0.014) || s.needles.d == nil || s.insertion == nil {
		return
	}
	wait := c.between(1, 4)
	switch c.IntN(7) {
	case 0:
		right := s.insertion.GetAngleDegrees()
		s.insertion.AngleDegrees = new(right + 9)
		p.plan(s.day+wait, func(day int) { p.correctAngle(p.desk(day, 11), s, right, 1) })
	case 1:
		right := s.pressure.GetPressureMmhg()
		s.pressure.PressureMmhg = new(right + 100)
		p.plan(s.day+wait, func(day int) { p.correctPressure(day, s, right) })
	case 2:
		p.correctTwice(s, wait)
	case 3:
		p.plan(s.day+wait, func(day int) {
			void(p, p.desk(day, 17), s.last, "Reading entered twice.", p.u.assessment, assessmentFactVoidedFact)
		})
	case 4:
		p.plan(s.day+wait, func(day int) {
			back := void(p, p.desk(day, 21), s.removal, "Thought to be another patient's.", p.u.cannulation, cannulationFactVoidedFact)
			p.plan(day+1, func(day int) {
				void(p, p.desk(day, 22), target{back, 0}, "It was this patient's after all.", p.u.cannulation, cannulationFactVoidedFact)
			})
		})
	case 5:
		p.plan(s.day+wait, func(day int) { p.correctTime(day, s) })
	case 6:
		if !p.counts(s.day) {
			p.voidSession(s, 0)
		}
	}
}

// counts reports whether the day is one of the census, whose sessions are left alone.
func (p *patient) counts(day int) bool {
	for _, d := range p.u.censusDays {
		if d == day {
			return true
		}
	}
	return false
}

// void posts that a fact is voided, through the service of post.
func void[F any](p *patient, h header, t target, why string, post func(*patient, header, ...F) *draft, wrap func(*v1.FactVoided) F) *draft {
	ref, resolve := refer(t)
	d := post(p, h, wrap(&v1.FactVoided{Fact: ref, Reason: why}))
	d.resolve = append(d.resolve, resolve)
	return d
}

// correctAngle corrects the angle of the entry.
func (p *patient) correctAngle(h header, s *sitting, right float64, revision uint32) {
	fixed := proto.Clone(s.insertion).(*v1.NeedleInserted)
	fixed.AngleDegrees = new(right)
	c, resolve := correctionOf(s.needles, revision, h.at, "Angle mistyped.")
	d := p.u.cannulation(p, h,
		cannulationFactCorrectedFact(&v1.CannulationFactCorrected{Correction: c, Replacement: needleInsertedFact(fixed)}))
	d.resolve = append(d.resolve, resolve)
}

// correctTwice posts the second revision before the first has arrived.
func (p *patient) correctTwice(s *sitting, wait int) {
	right := s.insertion.GetAngleDegrees()
	s.insertion.AngleDegrees = new(right + 7)
	p.plan(s.day+wait+1, func(day int) { p.correctAngle(p.desk(day, 31), s, right, 2) })
	p.plan(s.day+wait+2, func(day int) {
		h := p.desk(day-1, 5)
		h.sent = p.u.local(day, 9, 5)
		p.correctAngle(h, s, right+1, 1)
	})
}

func (p *patient) correctPressure(day int, s *sitting, right float64) {
	fixed := proto.Clone(s.pressure).(*v1.VenousPressureRead)
	fixed.PressureMmhg = new(right)
	h := p.desk(day, 13)
	c, resolve := correctionOf(s.pressures, 1, h.at, "One digit too many.")
	d := p.u.assessment(p, h,
		assessmentFactCorrectedFact(&v1.AssessmentFactCorrected{Correction: c, Replacement: venousPressureReadFact(fixed)}))
	d.resolve = append(d.resolve, resolve)
}

// correctTime moves the insertions' first one by some minutes.
func (p *patient) correctTime(day int, s *sitting) {
	h := p.desk(day, 41)
	c, resolve := correctionOf(s.needles, 1, h.at, "Clock of the terminal was slow.")
	c.CorrectedOccurredAt = timestamppb.New(s.after(17))
	c.CorrectedPrecision = v1.TimePrecision_TIME_PRECISION_MINUTE
	fixed := proto.Clone(s.insertion).(*v1.NeedleInserted)
	d := p.u.cannulation(p, h,
		cannulationFactCorrectedFact(&v1.CannulationFactCorrected{Correction: c, Replacement: needleInsertedFact(fixed)}))
	d.resolve = append(d.resolve, resolve)
}

// voidSession voids a whole session, through one of the four services.
func (p *patient) voidSession(s *sitting, service int) {
	p.plan(s.day+2, func(day int) {
		h := p.desk(day, 51)
		void := &v1.SessionVoided{Session: s.ref, Reason: "Entered for the wrong treatment; entered again on paper."}
		switch service {
		case 1:
			p.u.roster(p, h, rosterSessionVoidedFact(void))
		case 2:
			p.u.assessment(p, h, assessmentSessionVoidedFact(void))
		case 3:
			p.u.surveillance(p, h, surveillanceSessionVoidedFact(void))
		default:
			p.u.cannulation(p, h, cannulationSessionVoidedFact(void))
		}
	})
}

// planRosterCorrections plans corrections of roster facts and the mistaken merge.
func (p *patient) planRosterCorrections(day int) {
	if p.generation > 0 {
		return
	}
	if p.u.s.Merges && p.slot.no%30 == 19 {
		p.plan(max(day+1, p.u.days*2/5), p.mergeByMistake)
	}
	if !p.u.s.Corrections {
		return
	}
	switch p.slot.no % 30 {
	case 1:
		p.plan(day+20, p.correctAccess)
	case 2:
		p.plan(day+6, p.correctIdentity)
	case 4:
		p.plan(day+12, p.voidSchedule)
	}
}

// correctAccess states the access's side and date of creation anew.
func (p *patient) correctAccess(day int) {
	a := p.accesses[0]
	fixed := proto.Clone(a.created).(*v1.AccessCreated)
	fixed.CreatedOn = new(p.u.date(-900))
	h := p.desk(day, 27)
	c, resolve := correctionOf(a.posted, 1, h.at, "Date of operation taken from the surgeon's letter.")
	d := p.u.roster(p, h, rosterFactCorrectedFact(&v1.RosterFactCorrected{Correction: c, Replacement: accessCreatedFact(fixed)}))
	d.resolve = append(d.resolve, resolve)
}

// correctIdentity states the birth date that was mistyped at first.
func (p *patient) correctIdentity(day int) {
	h := p.desk(day, 33)
	c, resolve := correctionOf(p.statedBy, 1, h.at, "Birth date as in the passport.")
	d := p.u.roster(p, h,
		rosterFactCorrectedFact(&v1.RosterFactCorrected{Correction: c, Replacement: identityStatedFact(p.stated(p.identity.birth))}))
	d.resolve = append(d.resolve, resolve)
}

// mistypedBirth returns the birth date that is posted first if it will be corrected later.
func (p *patient) mistypedBirth() string {
	if !p.u.s.Corrections || p.generation > 0 || p.slot.no%30 != 2 {
		return p.identity.birth
	}
	b := []byte(p.identity.birth)
	b[2], b[3] = b[3], b[2]
	if b[2] == '0' || string(b) == p.identity.birth {
		b[2], b[3] = '5', '9'
	}
	wrong := string(b)
	p.u.identifying = append(p.u.identifying, wrong)
	return wrong
}

// voidSchedule posts a schedule by mistake and voids it.
func (p *patient) voidSchedule(day int) {
	wrong := p.u.roster(p, p.desk(day, 2), scheduleSetFact(&v1.ScheduleSet{Days: []v1.Weekday{1, 4}, Shift: shifts()[0].name}))
	void(p, p.desk(day, 44), target{wrong, 0}, "Meant for another patient.", p.u.roster, rosterFactVoidedFact)
}

// mergeByMistake merges the next slot's patient into this one and reverses it later.
func (p *patient) mergeByMistake(day int) {
	if p.slot.no+1 >= len(p.u.slots) {
		return
	}
	other := p.u.slots[p.slot.no+1].patient
	if other == nil || other.temporary || p.temporary {
		return
	}
	p.u.roster(p, p.desk(day, 8), patientsMergedFact(&v1.PatientsMerged{Retired: other.identity.identifier}))
	p.plan(day+3, func(day int) {
		p.u.roster(p, p.desk(day, 9), mergeReversedFact(&v1.MergeReversed{Retired: other.identity.identifier}))
	})
}
