package simulate

import (
	"fmt"
	"math"

	v1 "cannulary/proto/cannulary/v1"
)

// track is a constant-site track as the simulated cannulators see it. The stages follow the
// protocol closely enough for a believable course. Nothing is judged here.
type track struct {
	name   string
	access string
	role   v1.NeedleRole
	stage  v1.TrackStage

	site      uint32 // from the anastomosis, mm
	angle     float64
	direction v1.NeedleDirection
	depth     float64

	creator, deputy *v1.StaffIdentifier
	deputyNamed     bool

	own         int // the plan's target where more than the protocol's
	counted     int
	extras      int
	easy        [2]bool // the latest two counted entries
	lastCounted int     // day; -1: none
	blunts      int     // consecutive successful blunt sessions
	entered     bool    // some needle has been in it
	pegged      bool
	restUntil   int // first day of use again; -1: does not rest
}

// target is the number of sharp sessions that the track must have on that day.
func (t *track) target(u *unit, day int) int {
	return max(6, u.formingTarget(day), t.own) + t.extras
}

// usable reports whether the track may be needled on that day.
func (t *track) usable(day int) bool {
	return t.stage < v1.TrackStage_TRACK_STAGE_RESTING && t.stage != v1.TrackStage_TRACK_STAGE_UNSPECIFIED && day >= t.restUntil
}

// forming reports whether the track is still being formed with sharp needles.
func (t *track) forming() bool { return t.stage <= v1.TrackStage_TRACK_STAGE_FORMING }

// track is the patient's track of one role in the access in use, or nil.
func (p *patient) track(role v1.NeedleRole) *track {
	for _, t := range p.tracks {
		if t.role == role && t.access == p.access.name && t.stage != v1.TrackStage_TRACK_STAGE_RETIRED {
			return t
		}
	}
	return nil
}

// newTrack lays out a track; the next free number of its role names it.
func (p *patient) newTrack(role v1.NeedleRole, site uint32, c chance) *track {
	letter, direction := "A", v1.NeedleDirection_NEEDLE_DIRECTION_RETROGRADE
	if role == v1.NeedleRole_NEEDLE_ROLE_VENOUS || c.hit(0.5) {
		direction = v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE
	}
	if role == v1.NeedleRole_NEEDLE_ROLE_VENOUS {
		letter = "V"
	}
	n := 1
	for _, t := range p.tracks {
		if t.role == role && t.access == p.access.name {
			n++
		}
	}
	t := &track{
		name: fmt.Sprintf("%s-%s%d", p.access.name, letter, n), access: p.access.name, role: role, site: site,
		angle: float64(c.between(22, 33)), direction: direction, depth: float64(c.between(6, 14)) / 2,
		lastCounted: -1, restUntil: -1,
	}
	t.creator, t.deputy = p.u.staff.creatorFor(p.slot.no / 2)
	p.tracks = append(p.tracks, t)
	return t
}

// ordinal is the patient's number among the unit's constant-site patients. It decides how tracks
// begin and which trouble comes.
func (p *patient) ordinal() int { return p.slot.no / 2 }

// beginTracks takes over what a constant-site patient brings: an established pair (half of
// them), a forming or trial pair (a sixth), or nothing yet and a plan to come (a third).
func (p *patient) beginTracks(day int, h header, c chance) {
	stage := v1.TrackStage_TRACK_STAGE_ESTABLISHED
	switch p.ordinal() % 6 {
	case 3:
		stage = v1.TrackStage_TRACK_STAGE_FORMING
		if p.ordinal()%12 == 9 {
			stage = v1.TrackStage_TRACK_STAGE_TRIAL
		}
	case 4, 5:
		wait := c.between(4, max(5, p.u.days/2))
		if day > 0 {
			wait = c.between(14, 40)
		}
		if stage, timed := p.ending(); timed {
			p.planEnding(day, stage)
		} else if p.mover() {
			p.planMove(day)
		} else {
			p.plan(day+wait, p.planPair)
		}
		return
	}
	arterial := p.newTrack(v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, uint32(c.between(50, 80)), c)
	venous := p.newTrack(v1.NeedleRole_NEEDLE_ROLE_VENOUS, arterial.site+uint32(c.between(66, 80)), c)
	var facts []*v1.CannulationFact
	for _, t := range []*track{arterial, venous} {
		t.stage, t.entered, t.deputyNamed = stage, true, true
		taken := &v1.TrackTakenOver{
			Track: t.name, Access: t.access, Role: t.role, Stage: stage,
			AngleDegrees: new(t.angle), Direction: t.direction, DepthMillimetres: new(t.depth), Gauge: new(p.gauge),
			Creator: t.creator, DeclaredBy: p.u.staff.access, Evidence: "Paper needling log of the unit and examination at the chair.",
			SiteFromAnastomosisMillimetres: new(t.site), Landmarks: p.landmarks(t),
		}
		switch stage {
		case v1.TrackStage_TRACK_STAGE_FORMING:
			t.counted, t.lastCounted, t.easy = c.between(2, 4), day, [2]bool{true, true}
			t.pegged = p.u.pegs
			taken.SharpSessions = new(uint32(t.counted))
			taken.InUseSince = new(p.u.date(day - 3*t.counted))
		case v1.TrackStage_TRACK_STAGE_TRIAL:
			t.blunts = 1
			taken.InUseSince = new(p.u.date(day - 25))
		default:
			t.blunts = 50
			taken.InUseSince = new(p.u.date(day - c.between(200, 1100)))
		}
		facts = append(facts, trackTakenOverFact(taken))
	}
	at := header{at: p.u.local(day, 6, 30), by: p.u.staff.access}
	if !h.sent.IsZero() {
		at = header{at: p.u.local(day, 0, 50), by: p.u.staff.access, sent: p.u.local(day, 0, 50)}
	}
	p.u.cannulation(p, at, facts...)
	if stage == v1.TrackStage_TRACK_STAGE_FORMING {
		p.u.roster(p, at, deputyFacts(p.u.staff.access, arterial, venous)...)
	}
}

func deputyFacts(by *v1.StaffIdentifier, tracks ...*track) []*v1.RosterFact {
	var facts []*v1.RosterFact
	for _, t := range tracks {
		t.deputyNamed = true
		facts = append(facts, deputyNamedFact(&v1.DeputyNamed{Track: t.name, Deputy: t.deputy, NamedBy: by}))
	}
	return facts
}

func (p *patient) landmarks(t *track) string {
	return fmt.Sprintf("%d mm from the anastomosis, along the inner border of the straight stretch.", t.site)
}

// planPair plans both tracks of the fistula in use; the next session makes them.
func (p *patient) planPair(day int) {
	if p.access.kind != v1.AccessKind_ACCESS_KIND_FISTULA {
		p.plan(day+7, p.planPair)
		return
	}
	c := p.draw(streamCourse, day)
	arterial := p.newTrack(v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, uint32(c.between(50, 85)), c)
	venous := p.newTrack(v1.NeedleRole_NEEDLE_ROLE_VENOUS, arterial.site+uint32(c.between(68, 84)), c)
	if p.slowHealer() {
		arterial.own, venous.own = slowTarget, slowTarget
	}
	p.postPlan(day, c, arterial, venous)
}

// slowTarget is a poor healer's number of sharp sessions (a unit's needling log form).
const slowTarget = 12

// slowHealer reports whether this patient's tracks are planned with more sharp sessions.
func (p *patient) slowHealer() bool { return p.ordinal()%12 == 4 }

// postPlan posts a plan before the treatment of the day, or after it if it is the last one.
func (p *patient) postPlan(day int, c chance, tracks ...*track) {
	plan := &v1.TrackPlanned{
		Access: p.access.name, TipDistanceMillimetres: new(uint32(c.between(62, 77))),
		Engorgement: v1.Engorgement_ENGORGEMENT_TOURNIQUET, ArmPosition: "Abducted on the arm board, palm up.",
		OperatorPosition: "Seated on the side of the access.", Antiseptic: p.antiseptic(),
		PlannedBy: tracks[0].creator,
	}
	if p.antiseptic() == v1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE {
		plan.AllergyNotes = "Skin reaction to chlorhexidine."
	}
	for _, t := range tracks {
		t.stage = v1.TrackStage_TRACK_STAGE_PLANNED
		one := &v1.TrackPlan{
			Track: t.name, Role: t.role, SiteFromAnastomosisMillimetres: new(t.site), AngleDegrees: new(t.angle),
			Direction: t.direction, DepthMillimetres: new(t.depth), Bevel: v1.Bevel_BEVEL_UP, Gauge: new(p.gauge),
			NeedleLengthMillimetres: new(uint32(25)), Landmarks: p.landmarks(t),
			PictureReference: "https://cannulary.example/pictures/" + p.u.date(day) + "-" + p.chair(),
			Fallback:         "Rope ladder above the venous site.",
		}
		if t.own > 0 {
			one.FormingSessionsTarget = new(uint32(t.own))
		}
		plan.Tracks = append(plan.Tracks, one)
	}
	at := p.before(day, 25)
	if day == p.planAfter {
		at = p.before(day, -300)
	}
	p.u.cannulation(p, header{at: at, by: tracks[0].creator}, trackPlannedFact(plan))
}

// antiseptic is the agent used for this patient.
func (p *patient) antiseptic() v1.Antiseptic {
	if p.slot.no%11 == 4 {
		return v1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE
	}
	return v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL
}

// advance adds the final entry of a session to the track. counts reports whether a forming entry
// was made by a listed person, in the spot, on the path and at the angle.
func (t *track) advance(u *unit, day int, tip v1.NeedleTip, counts, easy, blunt bool) {
	if tip == v1.NeedleTip_NEEDLE_TIP_SHARP {
		switch {
		case t.stage > v1.TrackStage_TRACK_STAGE_READY:
			t.blunts = 0
			return
		case t.stage == v1.TrackStage_TRACK_STAGE_PLANNED:
			t.stage = v1.TrackStage_TRACK_STAGE_FORMING
		}
		if !counts {
			return
		}
		t.count(day, easy)
		if t.counted >= t.target(u, day) && t.easy[0] && t.easy[1] {
			t.stage = v1.TrackStage_TRACK_STAGE_READY
		}
		return
	}
	if !blunt || t.stage < v1.TrackStage_TRACK_STAGE_READY {
		return
	}
	t.blunts++
	t.stage = v1.TrackStage_TRACK_STAGE_TRIAL
	if t.blunts >= 3 {
		t.stage = v1.TrackStage_TRACK_STAGE_ESTABLISHED
	}
}

// count adds one counted sharp session. A long gap asks for one more session; a longer gap
// starts the count again.
func (t *track) count(day int, easy bool) {
	if t.lastCounted >= 0 {
		switch gap := day - t.lastCounted; {
		case gap > 14:
			t.counted, t.extras = 0, 0
		case gap > 7:
			t.extras++
		}
	}
	t.counted++
	t.lastCounted = day
	t.easy[0], t.easy[1] = t.easy[1], easy
}

// entryAngle draws the angle of an entry: the first successful one sets the track's.
func (t *track) entryAngle(c chance, off bool) float64 {
	a := t.angle + math.Round((c.Float64()*4-2)*2)/2
	if off {
		a = t.angle + 8
	}
	return a
}
