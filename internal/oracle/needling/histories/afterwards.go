package histories

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// afterwards merges identities, corrects and voids.
func (b *builder) afterwards() {
	b.session, b.unitNo = "", 0
	if b.chance(0.22) {
		b.merge()
	}
	if b.chance(0.5) {
		posted := len(b.events)
		for range 1 + b.r.IntN(5) {
			b.amend()
		}
		b.corrected = len(b.events) > posted
	}
}

// merge posts a part of the messages for a second identity and merges the two.
func (b *builder) merge() {
	b.merged = true
	p := pick(b, 0.2, 0.5, 0.8)
	until := b.first.Add(time.Duration(b.r.Float64() * float64(b.last.Sub(b.first))))
	byTime := b.chance(0.5)
	moved := map[string]bool{}
	for _, e := range b.events {
		if e.PatientKey == "" {
			continue
		}
		if byTime && e.OccurredAt.AsTime().Before(until) || !byTime && b.chance(p) {
			e.PatientKey = b.keyB
			moved[e.SourceMessageId] = true
		}
	}
	for i := range b.told {
		if moved[b.told[i].message] {
			b.told[i].key = b.keyB
		}
	}
	survivor, retired := b.keyA, b.keyB
	if b.chance(0.3) {
		survivor, retired = b.keyB, b.keyA
	}
	at := b.first.Add(time.Duration(b.r.Float64() * float64(b.last.Sub(b.first))))
	post := func(key string, at time.Time, m proto.Message) told {
		b.key = key
		defer func() { b.key = b.keyA }()
		return b.say(at, m)[0]
	}
	m := post(survivor, at, &logv1.IdentitiesMerged{RetiredPatientKey: retired})
	switch {
	case b.chance(0.12):
		post(survivor, at.Add(time.Hour), &logv1.IdentityMergeReversed{RetiredPatientKey: retired})
		if b.chance(0.5) {
			post(survivor, at.Add(2*time.Hour), &logv1.IdentitiesMerged{RetiredPatientKey: retired})
		}
	case b.chance(0.06):
		post(survivor, at.Add(time.Hour), b.void(m))
	case b.chance(0.06): // closes a cycle
		post(retired, at.Add(time.Hour), &logv1.IdentitiesMerged{RetiredPatientKey: survivor})
	}
}

func reference(t told) *v1.FactReference {
	return &v1.FactReference{SourceMessageId: t.message, Ordinal: uint32(t.ordinal)}
}

func (b *builder) void(t told) *v1.FactVoided {
	return &v1.FactVoided{Fact: reference(t), Reason: "invented"}
}

// amend corrects or takes back something.
func (b *builder) amend() {
	t := b.told[b.r.IntN(len(b.told))]
	if b.chance(0.15) { // what held something, if there is any
		for _, f := range b.told[b.r.IntN(len(b.told)):] {
			if _, held := f.body.(*v1.HoldPlaced); held {
				t = f
				break
			}
		}
	}
	b.key = t.key
	defer func() { b.key = b.keyA }()
	at := t.at.Add(time.Duration(b.r.IntN(48)) * time.Hour)
	switch n := b.r.IntN(10); {
	case n < 2:
		void := b.say(at, b.void(t))[0]
		if b.chance(0.3) {
			again := b.say(at, b.void(void))[0]
			if b.chance(0.3) {
				b.say(at, b.void(again))
			}
		}
	case n == 2 && t.session != "":
		void := b.say(at, &v1.SessionVoided{Session: &v1.SessionReference{System: system, Value: t.session}, Reason: "invented"})[0]
		if b.chance(0.3) {
			b.say(at, b.void(void))
		}
	default:
		if _, plain := b.changed(t.body); !plain {
			return
		}
		first := 1 + b.r.IntN(2)
		b.correct(t, at, uint32(first))
		if b.chance(0.35) { // another revision, higher, lower or the same
			c := b.correct(t, at, uint32(b.r.IntN(3)+1))
			if b.chance(0.4) {
				b.say(at, b.void(c))
			}
		}
	}
}

// correct replaces t by something else, at another time at times.
func (b *builder) correct(t told, at time.Time, revision uint32) told {
	c := &v1.Correction{Fact: reference(t), Revision: revision,
		AssertedAt: timestamppb.New(at.Add(time.Duration(b.r.IntN(3)) * time.Hour)), Reason: "invented"}
	body, _ := b.changed(t.body)
	if b.chance(0.3) {
		shift := time.Duration(b.r.IntN(240)-120) * time.Hour
		if b.chance(0.4) {
			shift = time.Duration(b.r.IntN(120)-60) * time.Minute
		}
		c.CorrectedOccurredAt, c.CorrectedPrecision = timestamppb.New(t.at.Add(shift)), v1.TimePrecision_TIME_PRECISION_MINUTE
		if b.chance(b.vague * 5) {
			c.CorrectedOccurredAt = timestamppb.New(noon(t.at.Add(shift), b.zones[t.unitNo]))
			c.CorrectedPrecision = v1.TimePrecision_TIME_PRECISION_DAY
		}
		if b.chance(0.5) {
			body = t.body
		}
	}
	if b.chance(0.03) { // another kind of fact: without effect
		body = &v1.PegPlaced{Track: "A"}
	}
	return b.say(at, correcting(c, body))[0]
}

// changed is other content of the same kind; false for what is not corrected.
func (b *builder) changed(body proto.Message) (proto.Message, bool) {
	t := b.anyTrack()
	switch m := proto.Clone(body).(type) {
	case *v1.NeedleInserted:
		stray := b.stray
		b.stray = 0.15
		a := b.attempt(t, int(m.AttemptOrdinal))
		b.stray = stray
		if b.chance(0.9) {
			a.Track = m.Track
		}
		return a, true
	case *v1.AccessExamined:
		e := b.examination()
		e.Access = m.Access
		if b.chance(0.2) && e.Feel != nil {
			e.Feel.Thrill = v1.Finding_FINDING_ABSENT
		}
		return e, true
	case *v1.SitePrepared:
		p := b.preparation(t)
		p.Track, p.Scab = m.Track, v1.Removal(b.r.IntN(6))
		return p, true
	case *v1.TrackPlanned:
		m.TipDistanceMillimetres = proto.Uint32(uint32(40 + b.r.IntN(60)))
		m.Tracks[0].FormingSessionsTarget = proto.Uint32(uint32(6 + b.r.IntN(4)))
		return m, true
	case *v1.NeedleRemoved:
		m.HaemostasisMinutes = proto.Float64(float64(5 + b.r.IntN(20)))
		return m, true
	case *v1.AccessCreated:
		m.Kind, m.Side = pick(b, v1.AccessKind_ACCESS_KIND_FISTULA, v1.AccessKind_ACCESS_KIND_GRAFT), b.side()
		return m, true
	case *v1.HoldPlaced:
		m.Access, m.Track = "", t.name
		return m, true
	case *v1.CultureResulted:
		m.Growth, m.Organisms = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE, nil
		return m, true
	case *v1.VenousPressureRead:
		m.PressureMmhg = proto.Float64(float64(80 + b.r.IntN(120)))
		return m, true
	case *v1.AccessFlowMeasured:
		m.FlowMillilitresPerMinute = proto.Float64(float64(300 + b.r.IntN(1000)))
		return m, true
	case *v1.TrackTakenOver:
		m.Stage = v1.TrackStage_TRACK_STAGE_FORMING
		return m, true
	case *v1.SiteSignsSeen:
		m.Track = t.name
		return m, true
	case *v1.SessionStarted, *v1.SessionEnded, *v1.PegPlaced, *v1.PegRemoved, *v1.DeputyNamed, *v1.HoldLifted,
		*v1.TrackRested, *v1.TrackResumed, *v1.PatientAdmitted, *v1.PatientLeft, *v1.TrackRetired, *v1.ComplicationSeen, *v1.ReviewClosed,
		*v1.ReviewOpened:
		return m, true
	}
	return nil, false
}
