package simulate

import (
	"fmt"

	v1 "cannulary/proto/cannulary/v1"
)

// needle posts the preparation of the sites and both insertions in one message.
func (s *sitting) needle() {
	p := s.p
	var facts []*v1.CannulationFact
	for _, role := range roles() {
		if t := s.usableTrack(role); t != nil {
			facts = append(facts, s.prepare(t)...)
		}
	}
	for _, role := range roles() {
		t := s.usableTrack(role)
		var tries []*v1.NeedleInserted
		if t != nil {
			tries = s.enter(t)
		} else {
			tries = s.enterElsewhere(role)
		}
		for _, n := range tries {
			if s.insertion == nil {
				s.insertion, s.needles.ordinal = n, len(facts)
			}
			facts = append(facts, needleInsertedFact(n))
		}
	}
	facts = append(facts, s.complications()...)
	s.needles.d = p.u.cannulation(p, s.header(s.after(14)), facts...)
}

// prepare is washing, disinfection and the removal of scab or peg at one track.
func (s *sitting) prepare(t *track) []*v1.CannulationFact {
	prep := &v1.SitePrepared{
		Track: t.name, Washed: v1.Answer_ANSWER_YES, DisinfectionsComplete: v1.Answer_ANSWER_YES,
		Scab: v1.Removal_REMOVAL_NONE_PRESENT, Peg: v1.Removal_REMOVAL_NONE_PRESENT, PreparedBy: s.by,
	}
	if !t.entered {
		prep.Disinfections = []*v1.Disinfection{s.disinfection(v1.DisinfectionMoment_DISINFECTION_MOMENT_NOTHING_TO_REMOVE)}
		return []*v1.CannulationFact{sitePreparedFact(prep)}
	}
	prep.Disinfections = []*v1.Disinfection{
		s.disinfection(v1.DisinfectionMoment_DISINFECTION_MOMENT_BEFORE_REMOVAL),
		s.disinfection(v1.DisinfectionMoment_DISINFECTION_MOMENT_AFTER_REMOVAL),
	}
	if s.c.hit(0.01) {
		// The second disinfection was not done, or nobody recorded it.
		prep.Disinfections = prep.Disinfections[:1]
		prep.DisinfectionsComplete = v1.Answer_ANSWER_UNSPECIFIED
	}
	missing := s.tw.pegMissing && t.pegged && t.role == v1.NeedleRole_NEEDLE_ROLE_ARTERIAL
	switch {
	case t.pegged && !missing:
		prep.Peg = v1.Removal_REMOVAL_WHOLE
	case !t.forming():
		prep.Scab = v1.Removal_REMOVAL_WHOLE
	case !t.pegged:
		prep.Scab = v1.Removal_REMOVAL_WHOLE
	}
	facts := []*v1.CannulationFact{sitePreparedFact(prep)}
	if s.tw.scab && t.role == v1.NeedleRole_NEEDLE_ROLE_VENOUS {
		prep.Scab = v1.Removal_REMOVAL_PARTLY
		if s.tw.scabAgain {
			facts = append(facts, sitePreparedFact(&v1.SitePrepared{
				Track: t.name, Washed: v1.Answer_ANSWER_YES, DisinfectionsComplete: v1.Answer_ANSWER_YES,
				Disinfections: prep.Disinfections, Scab: v1.Removal_REMOVAL_WHOLE,
				Peg: v1.Removal_REMOVAL_NONE_PRESENT, PreparedBy: s.by,
			}))
		}
	}
	if missing {
		t.extras++
		t.pegged = false
		return append(facts, pegFoundMissingFact(&v1.PegFoundMissing{Track: t.name}))
	}
	if t.pegged {
		t.pegged = false
		facts = append(facts, pegRemovedFact(&v1.PegRemoved{Track: t.name, Whole: v1.Answer_ANSWER_YES, RemovedBy: s.by}))
	}
	return facts
}

func (s *sitting) disinfection(m v1.DisinfectionMoment) *v1.Disinfection {
	agent, seconds := s.p.antiseptic(), s.c.between(30, 45)
	if agent == v1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE {
		seconds = s.c.between(120, 150)
	}
	if s.c.hit(0.008) {
		seconds /= 2
	}
	return &v1.Disinfection{Moment: m, Agent: agent, ContactSeconds: new(uint32(seconds))}
}

// attempt returns one needle in one track that goes well.
func (s *sitting) attempt(t *track, ordinal uint32, tip v1.NeedleTip) *v1.NeedleInserted {
	n := &v1.NeedleInserted{
		Track: t.name, Access: t.access, Role: t.role, Pattern: v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE,
		AttemptOrdinal: ordinal, Tip: tip, Gauge: new(s.p.gauge),
		AngleDegrees: new(t.entryAngle(s.c, false)), DepthMillimetres: new(t.depth),
		Direction: t.direction, Bevel: v1.Bevel_BEVEL_UP, Passes: new(uint32(1)), Resistance: v1.Resistance_RESISTANCE_NONE,
		SameSpot: v1.Answer_ANSWER_YES, NewPath: v1.Answer_ANSWER_NO, Flashback: v1.Answer_ANSWER_YES,
		Cannulator: s.by, Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL,
	}
	pain := s.c.between(1, 4)
	if tip == v1.NeedleTip_NEEDLE_TIP_BLUNT {
		pain = s.c.between(0, 2)
		n.HubGapLeft = v1.Answer_ANSWER_YES
	}
	n.PainScore = new(uint32(pain))
	if s.c.hit(0.2) {
		n.Device = &v1.DeviceIdentity{Lot: fmt.Sprintf("ND-%d-%03d", s.p.gauge, 200+s.day/20)}
	}
	return n
}

// enter makes every attempt at a track in this session and advances the track.
func (s *sitting) enter(t *track) []*v1.NeedleInserted {
	arterial := t.role == v1.NeedleRole_NEEDLE_ROLE_ARTERIAL
	if t.forming() {
		return s.form(t, arterial && s.tw.earlyBlunt)
	}
	return s.follow(t, !arterial && s.tw.bluntFails, !arterial && s.tw.rescue)
}

// form is a session of a forming track: sharp, unless a blunt needle is taken too early.
func (s *sitting) form(t *track, early bool) []*v1.NeedleInserted {
	tip := v1.NeedleTip_NEEDLE_TIP_SHARP
	if early {
		tip = v1.NeedleTip_NEEDLE_TIP_BLUNT
	}
	n := s.attempt(t, 1, tip)
	easy, counts := true, !s.tw.unlisted
	arterial := t.role == v1.NeedleRole_NEEDLE_ROLE_ARTERIAL
	if t.entered && !s.remembers(n) {
		counts = false
	}
	if s.tw.offAngle && arterial {
		n.AngleDegrees, counts = new(t.entryAngle(s.c, true)), false
	}
	if s.tw.offSpot && arterial {
		n.SameSpot, n.NewPath, counts = v1.Answer_ANSWER_NO, v1.Answer_ANSWER_YES, false
	}
	if hard := s.c.hit(0.04) && !s.p.steady; s.tw.hard || hard {
		n.Passes, n.Resistance, easy = new(uint32(2)), v1.Resistance_RESISTANCE_MODERATE, false
	}
	if !t.entered {
		t.angle = n.GetAngleDegrees()
		if s.tw.angleForgotten && arterial {
			s.insertionAngle, n.AngleDegrees = t.angle, nil
		}
	}
	t.entered = true
	t.advance(s.p.u, s.day, tip, counts, easy, false)
	return []*v1.NeedleInserted{n}
}

// remembers leaves a detail out of one entry in three hundred, as a person in a hurry does. It
// returns whether the entry still states all that a counted session needs.
func (s *sitting) remembers(n *v1.NeedleInserted) bool {
	c := newChance(s.p.u.s.Seed, streamForgotten, s.p.key, uint64(s.day), uint64(n.GetRole()))
	if s.p.steady || !s.p.u.s.Trouble || !c.hit(1.0/300) {
		return true
	}
	switch c.IntN(3) {
	case 0:
		n.AngleDegrees = nil
	case 1:
		n.SameSpot = v1.Answer_ANSWER_UNKNOWN
	default:
		n.DepthMillimetres = nil
		return true
	}
	return false
}

// follow is a session of a formed track: blunt, a new blunt needle after a failure, sharp
// as a last resort.
func (s *sitting) follow(t *track, fails, rescue bool) []*v1.NeedleInserted {
	n := s.attempt(t, 1, v1.NeedleTip_NEEDLE_TIP_BLUNT)
	if s.tw.hub {
		n.HubGapLeft = v1.Answer_ANSWER_NO
	}
	stuck := s.c.hit(0.01) && s.p.u.s.Trouble // drawn either way: the session's other chances stay
	s.remembers(n)
	if !fails && !rescue && !stuck {
		if s.c.hit(0.05) {
			n.Resistance = v1.Resistance_RESISTANCE_SLIGHT
		}
		t.advance(s.p.u, s.day, n.Tip, true, true, true)
		return []*v1.NeedleInserted{n}
	}
	spoil(n)
	second := s.attempt(t, 2, v1.NeedleTip_NEEDLE_TIP_BLUNT)
	second.Resistance = v1.Resistance_RESISTANCE_SLIGHT
	t.blunts = 0
	if !rescue {
		t.advance(s.p.u, s.day, second.Tip, true, false, true)
		return []*v1.NeedleInserted{n, second}
	}
	spoil(second)
	third := s.attempt(t, 3, v1.NeedleTip_NEEDLE_TIP_SHARP)
	third.RescueReason = v1.RescueReason_RESCUE_REASON_BLUNT_WOULD_NOT_PASS
	if s.tw.noReason {
		third.RescueReason = v1.RescueReason_RESCUE_REASON_UNSPECIFIED
	}
	third.PainScore = new(uint32(5))
	t.advance(s.p.u, s.day, third.Tip, true, false, false)
	return []*v1.NeedleInserted{n, second, third}
}

// spoil makes an attempt a failed one.
func spoil(n *v1.NeedleInserted) {
	n.Outcome = v1.InsertionOutcome_INSERTION_OUTCOME_FAILED
	n.Passes, n.Resistance = new(uint32(3)), v1.Resistance_RESISTANCE_HARD
	n.Flashback, n.HubGapLeft = v1.Answer_ANSWER_NO, v1.Answer_ANSWER_UNSPECIFIED
}

// enterElsewhere needles the vessel outside any track.
func (s *sitting) enterElsewhere(role v1.NeedleRole) []*v1.NeedleInserted {
	p := s.p
	n := &v1.NeedleInserted{
		Access: p.access.name, Role: role, Pattern: v1.NeedlingPattern_NEEDLING_PATTERN_ROPE_LADDER, AttemptOrdinal: 1,
		Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Gauge: new(p.gauge), AngleDegrees: new(float64(s.c.between(22, 34))),
		Direction: v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE, Bevel: v1.Bevel_BEVEL_UP, Passes: new(uint32(1)),
		Resistance: v1.Resistance_RESISTANCE_NONE, SameSpot: v1.Answer_ANSWER_NO, NewPath: v1.Answer_ANSWER_YES,
		Flashback: v1.Answer_ANSWER_YES, PainScore: new(uint32(s.c.between(1, 5))), Cannulator: s.by,
		Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL,
	}
	n.Site = s.step(role)
	if s.tw.area {
		n.Pattern = v1.NeedlingPattern_NEEDLING_PATTERN_AREA_PUNCTURE
		n.Site = "in the usual area"
	}
	if !s.c.hit(0.03) {
		return []*v1.NeedleInserted{n}
	}
	again := s.c.between(22, 34)
	spoil(n)
	second := &v1.NeedleInserted{
		Access: p.access.name, Role: role, Pattern: n.Pattern, AttemptOrdinal: 2, Tip: n.Tip, Gauge: new(p.gauge),
		AngleDegrees: new(float64(again)), Direction: n.Direction, Passes: new(uint32(1)), SameSpot: v1.Answer_ANSWER_NO, Site: n.Site,
		NewPath: v1.Answer_ANSWER_YES, Flashback: v1.Answer_ANSWER_YES, Cannulator: s.by,
		Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL,
	}
	return []*v1.NeedleInserted{n, second}
}

// step is the next step of the ladder, as a nurse would write it. On some days nobody wrote it down.
func (s *sitting) step(role v1.NeedleRole) string {
	if s.day%10 == 0 {
		return ""
	}
	from := "anastomosis"
	if role == v1.NeedleRole_NEEDLE_ROLE_VENOUS {
		from = "upper end"
	}
	return fmt.Sprintf("step %d of 6 from the %s", s.day/2%6+1, from)
}

// complications returns the complications, which are posted with the insertions.
func (s *sitting) complications() []*v1.CannulationFact {
	p := s.p
	var facts []*v1.CannulationFact
	add := func(kind v1.ComplicationKind, t *track, note string) {
		c := &v1.ComplicationSeen{Kind: kind, Access: p.access.name, Note: note}
		if t != nil {
			c.Track = t.name
		}
		facts = append(facts, complicationSeenFact(c))
	}
	venous := s.usableTrack(v1.NeedleRole_NEEDLE_ROLE_VENOUS)
	for _, kind := range s.tw.seen {
		add(kind, venous, "Seen at needling; lead told.")
	}
	if s.tw.area && s.tw.areaSeen {
		add(v1.ComplicationKind_COMPLICATION_KIND_AREA_PUNCTURE, nil, "Sites within two centimetres of each other.")
	}
	if s.tw.infiltration {
		add(v1.ComplicationKind_COMPLICATION_KIND_INFILTRATION, venous, "Needle out, cold pack, treated on through the other stretch.")
		add(v1.ComplicationKind_COMPLICATION_KIND_HAEMATOMA, venous, "Four centimetres across.")
	}
	return facts
}
