package simulate

import (
	"fmt"
	"math"
	"time"

	v1 "cannulary/proto/cannulary/v1"
)

// sitting is one treatment while it is simulated.
type sitting struct {
	p     *patient
	day   int
	c     chance
	tw    twist
	ref   *v1.SessionReference
	start time.Time
	end   time.Time
	by    *v1.StaffIdentifier

	slowed *uint32 // the pump's speed, once it is known
	posted
}

// posted are the facts of a session that later corrections may name.
type posted struct {
	insertion *v1.NeedleInserted
	needles   target
	pressure  *v1.VenousPressureRead
	pressures target
	removal   target

	insertionAngle float64 // of a first insertion that was posted without it
	last           target  // a second pressure reading
}

// chair is the name of the patient's place: shift and chair, nothing about the person.
func (p *patient) chair() string {
	place := "C"
	if p.visiting {
		place = "G"
	}
	return fmt.Sprintf("S%d%s%03d", p.shift+1, place, p.slot.no+1)
}

// reference is the sending system's name for the treatment of that day.
func (p *patient) reference(day int) *v1.SessionReference {
	return &v1.SessionReference{System: systemSession, Value: fmt.Sprintf("%s-%s-%s", p.u.letters, p.u.date(day), p.chair())}
}

func (s *sitting) header(at time.Time) header {
	return header{at: at, by: s.by, session: s.ref}
}

func (s *sitting) after(minutes int) time.Time {
	return s.start.Add(time.Duration(minutes) * time.Minute)
}

// sit simulates one treatment.
func (p *patient) sit(day int) {
	c := p.draw(streamSession, day)
	s := &sitting{p: p, day: day, c: c, ref: p.reference(day)}
	s.start = p.u.local(day, 0, p.minute+c.between(0, 12))
	s.end = s.after(c.between(228, 250))
	if !p.visiting {
		s.tw = p.troubleOf(day)
		p.infections(s)
	}
	s.by = s.cannulator()

	if !s.examine() {
		return
	}
	p.sessions++
	if !p.visiting {
		p.count(day)
	}
	p.u.cannulation(p, s.header(s.after(3)), sessionStartedFact(&v1.SessionStarted{
		Access: p.access.name, PumpSpeedMillilitresPerMinute: new(s.speed()),
	}))
	needled := p.access.needled()
	if needled {
		s.needle()
		s.measure()
	}
	s.finish(needled)
	p.afterSession(s)
	if !p.visiting {
		p.correctAfter(s)
	}
}

// speed is the pump's: in one treatment of two hundred it is slowed below what suits the
// needle, for the blood pressure.
func (s *sitting) speed() uint32 {
	if s.slowed == nil {
		s.slowed = new(s.p.pump)
		if c := s.p.draw(streamForgotten, s.day+1_000_000); c.hit(0.005) {
			s.slowed = new(s.p.pump - 100)
		}
	}
	return *s.slowed
}

// cannulator chooses who needles: creator or deputy while a track is forming.
func (s *sitting) cannulator() *v1.StaffIdentifier {
	p := s.p
	for _, role := range roles() {
		t := p.track(role)
		if t == nil || !t.usable(s.day) || !t.forming() {
			continue
		}
		switch {
		case s.tw.unlisted:
			return p.u.staff.unlisted(s.c)
		case t.deputyNamed && s.c.hit(0.25):
			return t.deputy
		}
		return t.creator
	}
	if p.returned {
		return p.u.staff.cannulators[p.slot.no%(creators-1)].id
	}
	return p.u.staff.follower(s.c)
}

func roles() []v1.NeedleRole {
	return []v1.NeedleRole{v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, v1.NeedleRole_NEEDLE_ROLE_VENOUS}
}

// usableTrack is the track that takes this session's needle of the role, or nil.
func (s *sitting) usableTrack(role v1.NeedleRole) *track {
	t := s.p.track(role)
	if t == nil || !t.usable(s.day) || s.day < s.p.elsewhereUntil {
		return nil
	}
	return t
}

// measure posts venous pressures and, once a month, the access flow.
func (s *sitting) measure() {
	p := s.p
	venous := s.usableTrack(v1.NeedleRole_NEEDLE_ROLE_VENOUS)
	read := func(speed uint32, mmhg float64) *v1.VenousPressureRead {
		r := &v1.VenousPressureRead{
			Access: p.access.name, PressureMmhg: new(tenth(mmhg)), PumpSpeedMillilitresPerMinute: new(speed), Gauge: new(p.gauge),
		}
		if venous != nil {
			r.Track = venous.name
		}
		return r
	}
	low := tenth(p.pressure + s.tw.pressure + s.c.around(0, 5))
	high := tenth(low + float64(float64(s.speed()-200)*0.32))
	s.pressure = read(200, low)
	early := p.u.assessment(p, s.header(s.after(23)), venousPressureReadFact(s.pressure),
		venousPressureReadFact(read(s.speed(), high+s.c.around(0, 4))))
	s.pressures, s.last = target{early, 0}, target{early, 1}
	if venous != nil {
		p.u.assessment(p, s.header(s.after(125)), venousPressureReadFact(read(s.speed(), high+s.c.around(2, 4))),
			venousPressureReadFact(read(0, 32+float64(s.tw.pressure/3)+s.c.around(0, 3))))
	}
	month := p.u.first.AddDate(0, 0, s.day).Month()
	if month != p.flowMonth && s.c.hit(0.6) {
		p.flowMonth = month
		method := v1.FlowMethod_FLOW_METHOD_ULTRASOUND_DILUTION
		if p.slot.no%5 == 2 {
			method = v1.FlowMethod_FLOW_METHOD_CONDUCTIVITY
		}
		p.u.assessment(p, s.header(s.after(60)), accessFlowMeasuredFact(&v1.AccessFlowMeasured{
			Access: p.access.name, FlowMillilitresPerMinute: new(max(150, math.Round(p.flow+s.c.around(0, 45)))), Method: method,
		}))
	}
}

// finish posts the end of treatment with the removal of the needles and the pegs left.
func (s *sitting) finish(needled bool) {
	p := s.p
	minutes := uint32(s.end.Sub(s.after(18)).Minutes())
	early := v1.Answer_ANSWER_NO
	if s.tw.infiltration {
		early, s.end = v1.Answer_ANSWER_YES, s.end.Add(-90*time.Minute)
		minutes -= 90
	}
	facts := []*v1.CannulationFact{sessionEndedFact(&v1.SessionEnded{
		TreatedMinutes: new(minutes), EndedEarly: early, Access: p.access.name, PumpSpeedMillilitresPerMinute: new(s.speed()),
	})}
	if needled {
		for _, role := range roles() {
			facts = append(facts, needleRemovedFact(s.removed(role)))
		}
		for _, role := range roles() {
			t := s.usableTrack(role)
			if t == nil || !p.u.pegs || t.stage > v1.TrackStage_TRACK_STAGE_READY {
				continue
			}
			t.pegged = true
			facts = append(facts, pegPlacedFact(&v1.PegPlaced{
				Track: t.name, SamePath: v1.Answer_ANSWER_YES, PlacedBy: s.by,
				Device: &v1.DeviceIdentity{Lot: fmt.Sprintf("PG-%03d", 100+s.day/30)},
			}))
		}
	}
	d := p.u.cannulation(p, s.header(s.end), facts...)
	s.removal = target{d, 1}
	often := 0.35
	if s.usableTrack(v1.NeedleRole_NEEDLE_ROLE_ARTERIAL) != nil {
		often = 0.9
	}
	if needled && s.c.hit(often) {
		p.u.assessment(p, s.header(s.end.Add(14*time.Minute)), accessExaminedFact(&v1.AccessExamined{
			Access: p.access.name, Examiner: s.by,
			Listen: &v1.Listen{Bruit: v1.Finding_FINDING_PRESENT, HighPitchedBruit: v1.Finding_FINDING_ABSENT},
			Feel:   &v1.Feel{Thrill: v1.Finding_FINDING_PRESENT},
		}))
	}
}

func (s *sitting) removed(role v1.NeedleRole) *v1.NeedleRemoved {
	p := s.p
	r := &v1.NeedleRemoved{
		Access: p.access.name, Role: role, CompressiveDressing: v1.Answer_ANSWER_YES,
		WaterproofDressing: v1.Answer_ANSWER_NO, RemovedBy: s.by,
		HaemostasisMinutes: new(max(2, s.c.around(p.stopping+s.tw.stopping, 1.1))),
	}
	if t := s.usableTrack(role); t != nil {
		r.Track = t.name
		r.AngleDegrees = new(t.entryAngle(s.c, false))
		if t.forming() {
			r.WaterproofDressing = v1.Answer_ANSWER_YES
		}
		r.TopicalProphylaxis = v1.Answer_ANSWER_NO
		if p.u.secondOn >= 0 && s.day >= p.u.secondOn {
			r.TopicalProphylaxis = v1.Answer_ANSWER_YES
		}
	}
	return r
}
