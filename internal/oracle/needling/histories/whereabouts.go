package histories

import (
	"time"

	"google.golang.org/protobuf/proto"

	v1 "cannulary/proto/cannulary/v1"
)

// arrives tells, mostly, that the patient is admitted.
func (b *builder) arrives() {
	if b.chance(0.25) {
		return
	}
	b.admit(b.homeNo, b.local(0))
}

// admit tells of an admission, at times days before the first treatment.
func (b *builder) admit(unitNo int, at time.Time) {
	was, session := b.unitNo, b.session
	b.unitNo, b.session = unitNo, ""
	a := &v1.PatientAdmitted{}
	if b.chance(0.3) {
		a.FirstTreatmentOn = proto.String(b.day.AddDate(0, 0, b.r.IntN(12)-1).Format(time.DateOnly))
	}
	b.say(at, a)
	b.unitNo, b.session = was, session
}

func (b *builder) leave(unitNo int, at time.Time) {
	was, session := b.unitNo, b.session
	b.unitNo, b.session = unitNo, ""
	b.say(at, &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSFER})
	b.unitNo, b.session = was, session
}

// move lets the patient move, or leave, at times told by the wrong facility.
func (b *builder) move() {
	if !b.chance(b.moves) {
		return
	}
	at := b.local(pick(b, 2.0, b.hour-1, b.hour+3))
	other := (b.homeNo + 1 + b.r.IntN(2)) % 3
	switch n := b.r.IntN(6); n {
	case 0: // leaves elsewhere: without effect
		b.leave(other, at)
		return
	case 1: // leaves, and comes all the same
		b.leave(b.homeNo, at)
		return
	case 2: // comes as a guest from now on, nobody admits
	case 3: // the former facility is late
		b.admit(other, at)
		b.leave(b.homeNo, at.Add(time.Duration(b.r.IntN(100))*time.Hour))
	default:
		b.leave(b.homeNo, at)
		b.admit(other, at.Add(time.Duration(b.r.IntN(40))*time.Hour))
	}
	b.homeNo = other
}

// side is what is stated of the side of an access.
func (b *builder) side() v1.BodySide {
	return pick(b, v1.BodySide_BODY_SIDE_LEFT, v1.BodySide_BODY_SIDE_LEFT, v1.BodySide_BODY_SIDE_LEFT, v1.BodySide_BODY_SIDE_LEFT,
		v1.BodySide_BODY_SIDE_UNSPECIFIED, v1.BodySide_BODY_SIDE_RIGHT)
}

// unneedled tells of days without a needle, which have begun: the patient is away, the track
// rests or is reviewed.
func (b *builder) unneedled(days int) {
	session := b.session
	b.session, b.unitNo = "", b.homeNo
	defer func() { b.session = session }()
	in := func(day int) time.Time {
		return b.local(9).AddDate(0, 0, day).Add(time.Duration(b.r.IntN(600)) * time.Minute)
	}
	for range b.r.IntN(4) {
		t, on := b.anyTrack(), b.r.IntN(days)
		switch b.r.IntN(8) {
		case 0, 1:
			r := &v1.TrackRested{Track: t.name}
			if b.chance(0.6) {
				r.Until = proto.String(in(on + 1 + b.r.IntN(30)).Format(time.DateOnly))
			}
			b.say(in(on), r)
			if b.chance(0.5) {
				b.say(in(on+b.r.IntN(30)), &v1.TrackResumed{Track: t.name})
			}
		case 2, 3, 4:
			if b.chance(0.5) {
				b.review(in(on), "", t.access, max(1, days-on))
			} else {
				b.review(in(on), t.name, "", max(1, days-on))
			}
		case 5, 6:
			b.leave(b.homeNo, in(on))
			if b.chance(0.6) {
				b.admit(b.homeNo, in(on+b.r.IntN(30)))
			}
		case 7:
			a := b.attempt(t, 1)
			a.Outcome = v1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED
			b.say(in(on), a)
		}
	}
}
