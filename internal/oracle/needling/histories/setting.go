package histories

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	v1 "cannulary/proto/cannulary/v1"
)

// unit tells of the facilities, their protocols and their people.
func (b *builder) unit() {
	b.hour = pick(b, 7.0, 7.0, 13.5, 19.0, 23.6, 23.9, 0.1)
	b.sharpOnly = b.chance(0.12)
	b.pegs = b.chance(0.3)
	before := b.first.AddDate(0, 0, -30)
	for i, name := range b.facilities {
		b.about(i, before, &v1.FacilityRegistered{Name: name, TimeZone: b.zones[i].String(),
			DialysisDays: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY}})
	}
	if b.pegs || b.sharpOnly || b.chance(0.5) {
		b.adopt(0, before, b.first.AddDate(0, 0, -10))
	}
	pegs, sharpOnly := b.pegs, b.sharpOnly
	for other := 1; other < 3; other++ {
		if b.chance(0.5) {
			b.pegs, b.sharpOnly = b.chance(0.3), b.chance(0.15)
			b.adopt(other, before, b.first.AddDate(0, 0, b.r.IntN(60)-20))
		}
	}
	b.pegs, b.sharpOnly = pegs, sharpOnly
	for b.chance(0.3) { // changed on the way
		if b.chance(0.3) {
			b.sharpOnly = !b.sharpOnly
		}
		b.adopt(b.r.IntN(3), b.first.AddDate(0, 0, b.r.IntN(60)), b.first.AddDate(0, 0, 5+b.r.IntN(90)))
	}
	for n := range 4 {
		b.rate(n)
	}
}

// rate reports how a nurse is rated: well, or too low, long ago, late, not at all.
func (b *builder) rate(n int) {
	level, ago := v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR, 20+b.r.IntN(300)
	switch {
	case b.chance(0.08):
		return
	case b.chance(0.08):
		level = pick(b, v1.CannulatorLevel_CANNULATOR_LEVEL_SUPERVISED, v1.CannulatorLevel_CANNULATOR_LEVEL_INDEPENDENT)
	case b.chance(0.1):
		ago = 350 + b.r.IntN(60)
	case b.chance(0.05):
		ago = -5
	}
	at := b.first.AddDate(0, 0, -ago).Add(11 * time.Hour)
	b.about(b.r.IntN(3), at, &v1.CannulatorRated{Cannulator: b.nurse(n), Level: level})
	if b.chance(0.1) {
		level := pick(b, v1.CannulatorLevel_CANNULATOR_LEVEL_SUPERVISED, v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR)
		b.about(b.r.IntN(3), at.AddDate(0, 0, b.r.IntN(30)), &v1.CannulatorRated{Cannulator: b.nurse(n), Level: level})
	}
}

// adopt adopts a protocol that says a few things by itself.
func (b *builder) adopt(unitNo int, at, from time.Time) {
	p := &v1.Protocol{}
	if b.pegs {
		p.UsesPegs = proto.Bool(true)
	}
	if b.sharpOnly {
		p.SharpOnly = proto.Bool(true)
	}
	some := func(chance float64, set func()) {
		if b.chance(chance) {
			set()
		}
	}
	some(0.25, func() { p.FormingSessionsTarget = proto.Uint32(uint32(6 + b.r.IntN(4))) })
	some(0.15, func() { p.CountNeedsListedCannulator = proto.Bool(b.chance(0.3)) })
	some(0.15, func() { p.CountNeedsSameSpot = proto.Bool(b.chance(0.3)) })
	some(0.15, func() { p.CountNeedsSamePath = proto.Bool(b.chance(0.3)) })
	some(0.15, func() { p.CountNeedsSameAngle = proto.Bool(b.chance(0.3)) })
	some(0.15, func() { p.AngleToleranceDegrees = proto.Float64(float64(3 + b.r.IntN(6))) })
	some(0.2, func() { p.EasyEntriesNeeded = proto.Uint32(uint32(1 + b.r.IntN(3))) })
	some(0.2, func() { p.TrialSessions = proto.Uint32(uint32(1 + b.r.IntN(4))) })
	some(0.15, func() {
		p.GapExtraDays, p.GapRestartDays = proto.Uint32(uint32(4+b.r.IntN(4))), proto.Uint32(uint32(9+b.r.IntN(10)))
	})
	some(0.2, func() {
		p.UnusedCautionDays, p.UnusedStopDays = proto.Uint32(uint32(7+b.r.IntN(14))), proto.Uint32(uint32(21+b.r.IntN(30)))
	})
	some(0.15, func() { p.RescueRepeatCount = proto.Uint32(uint32(2 + b.r.IntN(2))) })
	some(0.15, func() { p.RescueWindowDays = proto.Uint32(uint32(7 + b.r.IntN(30))) })
	some(0.15, func() { p.AttemptsMax = proto.Uint32(uint32(1 + b.r.IntN(3))) })
	some(0.15, func() { p.DisinfectionsMin = proto.Uint32(uint32(1 + b.r.IntN(3))) })
	some(0.1, func() { p.ChlorhexidineAlcoholContactSeconds = proto.Uint32(uint32(10 * (2 + b.r.IntN(4)))) })
	some(0.5, func() { p.VenousPressureLimitMmhg = proto.Float64(float64(130 + 10*b.r.IntN(5))) })
	some(0.15, func() { p.ConsecutiveSessions = proto.Uint32(uint32(2 + b.r.IntN(3))) })
	some(0.1, func() { p.HaemostasisLongMinutes = proto.Float64(float64(12 + b.r.IntN(10))) })
	some(0.1, func() { p.FlowLowMillilitresPerMinute = proto.Uint32(uint32(100 * (4 + b.r.IntN(4)))) })
	some(0.15, func() { p.InfiltrationRestSessions = proto.Uint32(uint32(1 + b.r.IntN(3))) })
	some(0.1, func() { p.TipDistanceStopMillimetres = proto.Uint32(uint32(40 + b.r.IntN(20))) })
	some(0.1, func() { p.RatingValidMonths = proto.Uint32(uint32(6 + b.r.IntN(12))) })
	b.about(unitNo, at, &v1.ProtocolAdopted{Version: fmt.Sprintf("v%d", b.messages),
		EffectiveFrom: from.Format(time.DateOnly), Protocol: p})
}

// patient tells of the access and its tracks, and decides how the patient fares.
func (b *builder) patient() {
	b.access, b.kind = "F1", v1.AccessKind_ACCESS_KIND_FISTULA
	if b.chance(0.06) {
		b.kind = pick(b, v1.AccessKind_ACCESS_KIND_GRAFT, v1.AccessKind_ACCESS_KIND_OTHER)
	}
	b.noRef = pick(b, 0, 0.05, 0.15, 1)
	if b.noRef == 1 && b.chance(0.7) {
		b.noRef = 0.02
	}
	b.strayUnit = pick(b, 0, 0, 0.1, 0.3)
	b.vague, b.mixed, b.reuse = pick(b, 0, 0.01, 0.03, 0.06), pick(b, 0, 0, 0.05, 0.3), pick(b, 0, 0, 0.02, 0.1)
	b.moves, b.unnamed = pick(b, 0, 0, 0.02, 0.06), b.chance(0.3)
	b.arrives()
	b.loose = b.chance(0.35)
	b.rescues = pick(b, 0.02, 0.1, 0.3)
	b.flat = pick(b, 0, 0.2, 0.6)
	b.pressure, b.slope, b.speed = float64(100+b.r.IntN(60)), pick(b, 0, 0, 1.5, 4), pick(b, uint32(250), 300, 350, 400)
	b.runFrom, b.runFor = 6+b.r.IntN(14), b.r.IntN(6)
	if b.chance(0.97) {
		b.say(b.local(0), &v1.AccessCreated{Access: b.access, Kind: b.kind, Side: b.side()})
	}
	if b.chance(0.4) {
		b.other = "X1"
		b.say(b.local(0), &v1.AccessCreated{Access: b.other, Kind: pick(b, v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER,
			v1.AccessKind_ACCESS_KIND_FISTULA)})
	}
	a := b.newTrack("A", v1.NeedleRole_NEEDLE_ROLE_ARTERIAL)
	v := b.newTrack("B", v1.NeedleRole_NEEDLE_ROLE_VENOUS)
	switch {
	case b.chance(0.15):
		b.takeOver(a)
		b.takeOver(v)
	case b.chance(0.1):
		b.planTracks(a)
		b.takeOver(v)
	case b.chance(0.2):
		b.planTracks(a)
		b.planTracks(v)
	case b.chance(0.8):
		b.planTracks(a, v)
	default: // nobody planned them, and mostly nobody says where they lie
		b.unnamed = b.chance(0.7)
	}
	if b.chance(0.5) {
		b.say(b.local(1), &v1.DeputyNamed{Track: "A", Deputy: b.nurse(1)}, &v1.DeputyNamed{Track: "B", Deputy: b.nurse(1)})
	}
}

func (b *builder) newTrack(name string, role v1.NeedleRole) *track {
	t := &track{
		name: name, access: b.access, role: role, angle: float64(22 + b.r.IntN(10)), goal: 6 + b.r.IntN(4) + pick(b, 0, 0, 3, 6),
		bleeding: float64(6 + b.r.IntN(5)), gauge: pick(b, uint32(15), 15, 16, 16, 17, 14, 18),
		direction: v1.NeedleDirection(b.r.IntN(3)), depth: float64(3 + b.r.IntN(5)),
	}
	if b.sharpOnly {
		t.goal = 1000
	}
	b.tracks = append(b.tracks, t)
	return t
}

// planTracks tells of a plan for one or two tracks.
func (b *builder) planTracks(tracks ...*track) {
	p := &v1.TrackPlanned{Access: tracks[0].access}
	if b.chance(0.8) {
		p.TipDistanceMillimetres = proto.Uint32(uint32(60 + b.r.IntN(21)))
		if b.chance(0.15) {
			p.TipDistanceMillimetres = pick(b, proto.Uint32(45), proto.Uint32(49), proto.Uint32(50), proto.Uint32(55), proto.Uint32(81),
				proto.Uint32(95))
		}
	}
	for _, t := range tracks {
		plan := &v1.TrackPlan{Track: t.name, Role: t.role}
		if b.chance(0.8) {
			plan.AngleDegrees = proto.Float64(t.angle)
			if b.chance(0.1) {
				plan.AngleDegrees = proto.Float64(pick(b, 15.0, 19, 20, 35, 36, 50))
			}
		}
		if b.chance(0.5) {
			plan.Direction, plan.Bevel = v1.NeedleDirection(b.r.IntN(3)), v1.Bevel(b.r.IntN(3))
		}
		if b.chance(0.5) {
			plan.DepthMillimetres = proto.Float64(float64(3 + b.r.IntN(6)))
		}
		if b.chance(0.3) {
			plan.Gauge = proto.Uint32(uint32(14 + b.r.IntN(4)))
		}
		if b.chance(0.7) {
			plan.SiteFromAnastomosisMillimetres = proto.Uint32(uint32(35 + b.r.IntN(100)))
		}
		if b.chance(0.15) {
			plan.FormingSessionsTarget = proto.Uint32(uint32(6 + b.r.IntN(4)))
		}
		p.Tracks = append(p.Tracks, plan)
	}
	b.noticed(b.say(b.local(pick(b, 1.0, b.hour-0.5)), p))
}

func (b *builder) takeOver(t *track) {
	o := &v1.TrackTakenOver{
		Track: t.name, Access: t.access, Role: t.role, Evidence: "invented", DeclaredBy: b.nurse(0),
		Stage: pick(b, v1.TrackStage_TRACK_STAGE_FORMING, v1.TrackStage_TRACK_STAGE_FORMING, v1.TrackStage_TRACK_STAGE_TRIAL,
			v1.TrackStage_TRACK_STAGE_ESTABLISHED),
	}
	if b.chance(0.7) {
		o.Creator = b.nurse(0)
	}
	if b.chance(0.7) {
		o.AngleDegrees = proto.Float64(t.angle)
	}
	if b.chance(0.4) {
		o.Direction, o.DepthMillimetres, o.Gauge = t.direction, proto.Float64(t.depth), proto.Uint32(t.gauge)
	}
	if b.chance(0.5) {
		o.SharpSessions = proto.Uint32(uint32(b.r.IntN(8)))
	}
	if b.chance(0.5) {
		o.SiteFromAnastomosisMillimetres = proto.Uint32(uint32(30 + b.r.IntN(60)))
	}
	t.done = int(o.GetSharpSessions())
	if o.Stage != v1.TrackStage_TRACK_STAGE_FORMING {
		t.done = t.goal
	}
	b.say(b.local(pick(b, 1.0, b.hour)), o)
}
