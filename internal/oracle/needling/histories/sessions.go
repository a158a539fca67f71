package histories

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	v1 "cannulary/proto/cannulary/v1"
)

// strays decides whether a detail strays from the protocol.
func (b *builder) strays() bool { return b.chance(b.stray) }

// nextSession goes on to the next treatment day and tells of it.
func (b *builder) nextSession() {
	b.sessionNo++
	step := pick(b, 2, 2, 2, 3)
	if b.loose && b.chance(0.12) || b.chance(0.01) {
		step = pick(b, 0, 1, 5, 6, 7, 8, 9, 13, 14, 15, 16, 21, 28, 29, 40)
	}
	if b.chance(0.02) {
		step = 20 + b.r.IntN(60)
		b.unneedled(step)
	}
	b.day = b.day.AddDate(0, 0, step)
	b.move()
	b.unitNo = b.homeNo
	if b.chance(b.strayUnit) {
		b.unitNo = b.r.IntN(3)
	}
	if b.session == "" || !b.chance(b.reuse) {
		b.session = fmt.Sprintf("s%d", b.sessionNo)
	}
	if b.chance(b.noRef) || b.late() && b.chance(0.2) {
		b.session = ""
	}
	if b.chance(0.02) {
		b.hour = pick(b, 7.0, 13.5, 23.7, 0.2)
	}
	at := b.local(b.hour)
	switch {
	case b.elsewhere > 0:
		b.elsewhere--
		b.rest(at)
		return
	case b.chance(0.02):
		b.say(at, &v1.SessionMissed{Reason: v1.MissedReason_MISSED_REASON_DID_NOT_ATTEND})
		return
	}
	b.between(at.Add(-2 * time.Hour))
	b.treat(at)
	b.measured(at.Add(5 * time.Hour))
}

// late tells that the patient comes shortly before midnight.
func (b *builder) late() bool { return b.hour > 23 }

// rest is a treatment after an infiltration, missed or through another access.
func (b *builder) rest(at time.Time) {
	if b.other == "" || b.chance(0.3) {
		b.say(at, &v1.SessionMissed{Reason: v1.MissedReason_MISSED_REASON_ACCESS_PROBLEM})
		return
	}
	b.say(at, &v1.SessionStarted{Access: b.other})
}

// treat tells of one treatment through the tracks in use.
func (b *builder) treat(at time.Time) {
	minute := time.Minute
	if b.chance(b.flat) {
		minute = 0 // told as one moment
	}
	started := &v1.SessionStarted{Access: b.access}
	if b.chance(0.6) {
		started.PumpSpeedMillilitresPerMinute = proto.Uint32(b.speed)
	}
	if b.chance(0.9) {
		b.say(at, started)
	}
	if b.chance(0.4) {
		b.noticed(b.say(at.Add(1*minute), b.examination()))
	}
	for i, t := range b.tracks {
		if t.retired && !b.chance(0.02) {
			continue
		}
		if t.idle > 0 {
			t.idle--
			if b.chance(0.05) {
				given := b.attempt(t, 1)
				given.Outcome = v1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED
				b.say(at.Add(time.Duration(5+20*i)*minute), given)
			}
			continue
		}
		if t.done > t.goal && b.chance(0.02) {
			t.idle = 5 + b.r.IntN(25)
		}
		b.needle(t, at.Add(time.Duration(5+20*i)*minute), minute)
	}
	if b.chance(0.015) {
		loose := b.attempt(b.anyTrack(), 1)
		loose.Track, loose.Access = "", b.access
		b.say(at.Add(50*minute), loose)
	}
	if b.chance(0.8) {
		b.readPressure(at.Add(60 * minute))
	}
	if b.chance(0.3) {
		ended := &v1.SessionEnded{TreatedMinutes: proto.Uint32(240)}
		if b.chance(0.7) {
			ended.PumpSpeedMillilitresPerMinute = proto.Uint32(b.speed + uint32(pick(b, 0, 0, 50, 100)))
		}
		b.say(at.Add(240*minute), ended)
	}
	for _, t := range b.tracks {
		if !t.retired {
			b.remove(t, at.Add(245*minute))
		}
	}
}

// needle prepares the site and inserts a needle, in several attempts if it must.
func (b *builder) needle(t *track, at time.Time, minute time.Duration) {
	t.done++
	if b.chance(0.9) {
		prepared := b.preparation(t)
		b.noticed(b.say(at, prepared))
		if (prepared.Scab == v1.Removal_REMOVAL_PARTLY || prepared.Scab == v1.Removal_REMOVAL_NOT_REMOVED) && b.chance(0.6) {
			if b.chance(0.15) {
				return // no needle today
			}
			again := b.preparation(t)
			again.Scab = pick(b, v1.Removal_REMOVAL_WHOLE, v1.Removal_REMOVAL_WHOLE, v1.Removal_REMOVAL_NONE_PRESENT,
				v1.Removal_REMOVAL_PARTLY)
			b.say(at.Add(2*minute), again)
		}
	}
	if b.pegs && t.done > 1 && t.done <= t.goal+1 {
		switch {
		case b.chance(0.03) || b.strays():
			b.say(at.Add(3*minute), &v1.PegFoundMissing{Track: t.name})
		case b.chance(0.7):
			b.say(at.Add(3*minute), &v1.PegRemoved{Track: t.name})
		}
	}
	attempts := 1
	for attempts < 5 && (b.chance(b.stray*1.5) || b.late() && b.chance(0.08) || attempts > 1 && b.chance(0.4)) {
		attempts++
	}
	for n := 1; n <= attempts; n++ {
		a := b.attempt(t, n)
		if n < attempts {
			a.Outcome = pick(b, v1.InsertionOutcome_INSERTION_OUTCOME_FAILED, v1.InsertionOutcome_INSERTION_OUTCOME_FAILED,
				v1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED, v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL)
		}
		late := time.Duration(0)
		if n > 1 && b.chance(0.03) {
			late = time.Duration(1+b.r.IntN(70)) * time.Hour // between or within later sessions
		}
		if n > 1 && (b.chance(0.15) || b.late() && b.chance(0.5)) {
			late = time.Duration(10+b.r.IntN(320)) * time.Minute // around midnight at times
		}
		session := b.session
		if b.chance(b.mixed) {
			b.session = ""
		}
		b.say(at.Add(time.Duration(4+2*n)*minute+late), a)
		b.session = session
		if n < attempts && b.chance(0.06) {
			b.session = ""
			b.placeHold(at.Add(time.Duration(5+2*n)*minute), t)
			b.session = session
		}
	}
	if b.pegs && t.done <= t.goal && !b.strays() && !b.chance(0.02) {
		b.say(at.Add(250*minute), &v1.PegPlaced{Track: t.name})
	}
}

// attempt is an insertion as it should be, but for what strays.
func (b *builder) attempt(t *track, n int) *v1.NeedleInserted {
	a := &v1.NeedleInserted{
		Track: t.name, Role: t.role, AttemptOrdinal: uint32(n), Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Gauge: proto.Uint32(t.gauge),
		AngleDegrees: proto.Float64(t.angle + float64(b.r.IntN(5)-2)), Passes: proto.Uint32(1), Resistance: v1.Resistance_RESISTANCE_NONE,
		SameSpot: v1.Answer_ANSWER_YES, NewPath: v1.Answer_ANSWER_NO, Cannulator: b.nurse(b.r.IntN(8) / 7),
		Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL,
	}
	if t.done == 1 {
		a.AngleDegrees, a.Cannulator = proto.Float64(t.angle), b.nurse(0)
	}
	if t.done > t.goal {
		a.Tip = v1.NeedleTip_NEEDLE_TIP_BLUNT
		if b.chance(b.rescues) || n > 2 && b.chance(0.5) {
			a.Tip = v1.NeedleTip_NEEDLE_TIP_SHARP
			a.RescueReason = pick(b, v1.RescueReason_RESCUE_REASON_UNSPECIFIED, v1.RescueReason_RESCUE_REASON_TRACK_UNUSED)
		}
	}
	if b.chance(0.5) && !b.unnamed {
		a.Access = t.access
	}
	if b.chance(0.6) {
		a.Direction, a.Bevel, a.DepthMillimetres = t.direction, v1.Bevel(b.r.IntN(3)), proto.Float64(t.depth)
	}
	if b.strays() {
		a.Direction, a.DepthMillimetres = v1.NeedleDirection(b.r.IntN(3)), proto.Float64(t.depth+1)
	}
	if b.strays() {
		a.Tip = pick(b, v1.NeedleTip_NEEDLE_TIP_UNSPECIFIED, v1.NeedleTip_NEEDLE_TIP_BLUNT, v1.NeedleTip_NEEDLE_TIP_SHARP)
	}
	if b.strays() {
		a.AngleDegrees = pick(b, nil, nil, proto.Float64(t.angle+5), proto.Float64(t.angle-5), proto.Float64(t.angle+5.5),
			proto.Float64(t.angle-8))
	}
	if b.strays() {
		a.Passes = pick(b, nil, proto.Uint32(2), proto.Uint32(3))
	}
	if b.strays() {
		a.Resistance = v1.Resistance(b.r.IntN(5))
	}
	if b.strays() {
		a.SameSpot = pick(b, v1.Answer_ANSWER_UNSPECIFIED, v1.Answer_ANSWER_NO, v1.Answer_ANSWER_UNKNOWN)
	}
	if b.strays() {
		a.NewPath = pick(b, v1.Answer_ANSWER_UNSPECIFIED, v1.Answer_ANSWER_YES, v1.Answer_ANSWER_UNKNOWN)
	}
	if b.strays() || b.chance(0.01) {
		a.Cannulator = pick(b, nil, b.nurse(1), b.nurse(2), b.nurse(3), b.nurse(9))
	}
	if b.strays() {
		a.Outcome = v1.InsertionOutcome(b.r.IntN(4))
	}
	if b.strays() {
		a.Gauge = pick(b, nil, proto.Uint32(13), proto.Uint32(18), proto.Uint32(17))
	}
	return a
}

// preparation is one as asked for, but for what strays.
func (b *builder) preparation(t *track) *v1.SitePrepared {
	p := &v1.SitePrepared{Track: t.name, Scab: v1.Removal_REMOVAL_WHOLE}
	for range pick(b, 2, 2, 2, 2, 2, 2, 1, 0, 3) {
		d := &v1.Disinfection{Agent: v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL,
			ContactSeconds: proto.Uint32(uint32(30 + 10*b.r.IntN(4)))}
		if b.chance(0.2) {
			d.Agent, d.ContactSeconds = v1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE, proto.Uint32(uint32(120+30*b.r.IntN(3)))
		}
		if b.chance(0.02) || b.strays() {
			d.ContactSeconds = pick(b, nil, proto.Uint32(5), proto.Uint32(20), proto.Uint32(29))
		}
		p.Disinfections = append(p.Disinfections, d)
	}
	p.DisinfectionsComplete = pick(b, v1.Answer_ANSWER_UNSPECIFIED, v1.Answer_ANSWER_YES, v1.Answer_ANSWER_NO, v1.Answer_ANSWER_UNKNOWN)
	if b.chance(0.05) || b.strays() {
		p.Scab = v1.Removal(b.r.IntN(6))
	}
	if b.pegs && b.chance(0.4) {
		p.Peg = v1.Removal(b.r.IntN(6))
	}
	return p
}

// remove tells of the needle's removal and how long the track bled.
func (b *builder) remove(t *track, at time.Time) {
	if b.chance(0.12) {
		return
	}
	r := &v1.NeedleRemoved{Track: t.name, Role: t.role}
	if b.chance(0.5) {
		r.AngleDegrees = proto.Float64(t.angle + float64(b.r.IntN(3)-1))
		if b.strays() {
			r.AngleDegrees = proto.Float64(t.angle + pick(b, 5.0, 6, -7))
		}
	}
	if b.chance(0.93) {
		minutes := t.bleeding + float64(b.r.IntN(5))/2
		if b.sessionNo >= b.runFrom && b.sessionNo < b.runFrom+b.runFor {
			minutes += 6 + float64(b.r.IntN(6))
		}
		if b.chance(0.01) {
			minutes += 15
		}
		r.HaemostasisMinutes = proto.Float64(minutes)
	}
	b.say(at, r)
	if b.chance(0.01) {
		b.say(at.Add(20*time.Minute), &v1.NeedleRemoved{Track: t.name, HaemostasisMinutes: proto.Float64(t.bleeding + 3)})
	}
}

func (b *builder) readPressure(at time.Time) {
	b.pressure += b.slope
	p := &v1.VenousPressureRead{
		Access: b.access, PressureMmhg: proto.Float64(b.pressure + float64(b.r.IntN(7)-3)),
		PumpSpeedMillilitresPerMinute: proto.Uint32(200), Gauge: proto.Uint32(15),
	}
	if b.chance(0.03) {
		p.PumpSpeedMillilitresPerMinute = pick(b, nil, proto.Uint32(201), proto.Uint32(0))
	}
	if b.chance(0.03) {
		p.Gauge = pick(b, nil, proto.Uint32(16), proto.Uint32(16))
	}
	b.say(at, p)
	if b.chance(0.05) {
		again, ok := proto.Clone(p).(*v1.VenousPressureRead)
		if ok {
			again.PressureMmhg = proto.Float64(b.pressure + 10)
			b.say(at.Add(30*time.Minute), again)
		}
	}
}
