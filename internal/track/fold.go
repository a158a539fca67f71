package track

import (
	"fmt"
	"math"
	"sort"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Stage is how far a track has come.
type Stage string

// The stages.
const (
	Planned     Stage = "planned"
	Forming     Stage = "forming"
	Ready       Stage = "ready"
	Trial       Stage = "trial"
	Established Stage = "established"
	Resting     Stage = "resting"
	Retired     Stage = "retired"
)

// Needle is the needle that comes next.
type Needle string

// The needles.
const (
	Sharp Needle = "sharp"
	Blunt Needle = "blunt"
	None  Needle = "none"
)

// Extra is one more forming session that a rule asks for.
type Extra struct {
	Rule string // the rule's code: gap-long or peg-missing
	Text string
}

// State is what one track is.
type State struct {
	ID     string // record.TrackID
	Name   string // the sender's name
	Access string
	Role   cannularyv1.NeedleRole
	Stage  Stage
	// Counted are the sharp sessions that count; Target is what the protocol and the plan
	// ask for, Extras come on top.
	Counted int
	Target  int
	Extras  []Extra
	// Streak is the number of consecutive successful blunt sessions.
	Streak int
	// ReferenceAngle in degrees, of the first successful sharp entry, else the plan's; nil
	// if not known.
	ReferenceAngle *float64
	Direction      cannularyv1.NeedleDirection
	Depth          *float64 // millimetres
	Gauge          *uint32
	Creator        *cannularyv1.StaffIdentifier
	Deputies       []*cannularyv1.StaffIdentifier
	// IdleDays are the local calendar days since the latest session in the track; -1 where
	// there was none. A gap is counted when the next session ends it, so that until then
	// only this shows it.
	IdleDays int
	// NotReady says, for a forming track, what is missing beside the count.
	NotReady []string
	// Held are the ids of the open holds on the track or its access.
	Held     []string
	Rest     string // why it rests, and until when
	Retired  string // why it was given up
	Replaced string // the track that replaces it
	Plan     *cannularyv1.TrackPlan
	Planned  *cannularyv1.TrackPlanned
	Taken    *cannularyv1.TrackTakenOver
	TakenAt  time.Time
	Recent   []Visit // newest first, at most five
	Protocol protocol.Parameters
}

// Visit is one session in a track, as the card shows it.
type Visit struct {
	Date     string // local
	Tip      Needle
	Attempts int
	Success  bool
	Counted  bool
	// WhyNot names, for a sharp session before the trial, each condition that kept it from
	// counting.
	WhyNot []string
	Angle  *float64
	Gauge  *uint32
	Who    *cannularyv1.StaffIdentifier
}

// recentVisits is how many sessions the card shows.
const recentVisits = 5

// Hold is an open hold.
type Hold struct {
	ID     string
	Rule   string // "person": placed by a person
	Track  string // the track held, empty when the access is
	Access string
	Since  time.Time
	Text   string
	By     *cannularyv1.StaffIdentifier
	// GroundWithdrawn tells that the fact it rests on was taken back since; the hold stays
	// until a person lifts it.
	GroundWithdrawn bool
}

// Fold judges every track that the facts mention: arterial before venous, tracks in use
// before retired ones, older before newer. It also answers the open holds, oldest first.
func Fold(in Input) ([]State, []Hold) {
	holds := in.holds()
	var out []State
	for _, h := range in.histories() {
		out = append(out, in.fold(h, holds))
	}
	sort.SliceStable(out, func(i, j int) bool {
		if a, b := out[i].Stage == Retired, out[j].Stage == Retired; a != b {
			return b
		}
		return out[i].Role < out[j].Role
	})
	return out, holds.open(in.AsOf)
}

// course is the fold's running state over one track's sessions.
type course struct {
	in        Input
	h         *history
	holds     holds
	reference *float64
	creator   *cannularyv1.StaffIdentifier
	founded   bool // the first successful sharp entry was seen
	counted   int
	lastCount string // local date of the last counted session
	extras    []Extra
	easy      []bool // of counted sessions
	trial     bool
	streak    int
	best      int      // longest streak
	prev      *session // the latest forming session: an early blunt one is none
	seen      bool     // a session was folded or a stage declared
	dates     map[string]bool
	visits    []Visit
}

func (in Input) fold(h *history, hs holds) State {
	c := &course{in: in, h: h, holds: hs, dates: map[string]bool{}}
	today := zone.Date(in.AsOf, in.Zone(in.Facility))
	now := in.Book.On(in.Facility, today)
	if h.plan != nil && h.plan.AngleDegrees != nil {
		c.reference = h.plan.AngleDegrees
	}
	planAngle := c.reference
	if t := h.takeover; t != nil {
		c.declared(t)
	}
	for _, s := range h.sessions {
		if h.takeover != nil && s.at.Before(h.takenAt) {
			continue
		}
		c.session(s, planAngle)
	}
	return c.state(now, today)
}

// declared starts the fold at the stage that was declared for a track made before this
// record began.
func (c *course) declared(t *cannularyv1.TrackTakenOver) {
	c.seen = true
	c.creator = t.GetCreator()
	if t.AngleDegrees != nil {
		c.reference = t.AngleDegrees
	}
	switch t.GetStage() {
	case cannularyv1.TrackStage_TRACK_STAGE_FORMING:
		c.counted = int(t.GetSharpSessions())
	case cannularyv1.TrackStage_TRACK_STAGE_TRIAL:
		c.trial = true
	case cannularyv1.TrackStage_TRACK_STAGE_ESTABLISHED:
		c.trial = true
		c.best = math.MaxInt
	}
}

// session folds one session by the protocol of its day.
func (c *course) session(s *session, planAngle *float64) {
	p := c.in.Book.On(s.facility, s.date)
	if !c.founded {
		c.found(s, planAngle)
	}
	v := Visit{Date: s.date, Attempts: len(s.attempts), Success: s.final().successful(), Angle: s.final().AngleDegrees, Gauge: s.final().Gauge, Who: s.final().GetCannulator(), Tip: tip(s.final())}
	if !c.trial && !s.final().blunt() {
		c.pegs(s, p)
	}
	wasReady := !c.trial && c.ready(p, c.target(p)) && !c.heldAt(s.at)
	switch {
	case c.trial || wasReady && s.bluntSuccess() && !p.SharpOnly:
		c.trial = true
		c.routine(s)
		v.Counted = s.bluntSuccess()
	case wasReady && p.SharpOnly:
		c.sharpRoutine(s)
		v.WhyNot = c.forming(s, p)
		v.Counted = len(v.WhyNot) == 0
	default:
		v.WhyNot = c.forming(s, p)
		v.Counted = len(v.WhyNot) == 0
	}
	if !s.final().blunt() {
		c.prev = s
	}
	c.seen = true
	c.visits = append(c.visits, v)
}

func tip(a attempt) Needle {
	switch {
	case a.sharp():
		return Sharp
	case a.blunt():
		return Blunt
	}
	return None
}

func (s *session) bluntSuccess() bool { return s.final().blunt() && s.final().successful() }

// found takes reference angle and creator from the first successful sharp entry, also when
// it does not tell them: nobody later becomes the creator. Of a track that was taken over
// the creator is the one declared, and the angle too where it was declared.
func (c *course) found(s *session, planAngle *float64) {
	for _, a := range s.attempts {
		if !a.sharp() || !a.successful() {
			continue
		}
		c.founded = true
		if c.h.takeover == nil {
			c.creator = a.GetCannulator()
		} else if c.h.takeover.AngleDegrees != nil {
			return
		}
		c.reference = planAngle
		if a.AngleDegrees != nil {
			c.reference = a.AngleDegrees
		}
		return
	}
}

// routine folds a session of a track past forming: a blunt success lengthens the streak, a
// rescue or a blunt failure ends it.
func (c *course) routine(s *session) {
	for _, a := range s.attempts {
		if a.sharp() || a.blunt() && !a.successful() && a.GetOutcome() != cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
			c.streak = 0
		}
	}
	c.lengthen(s, s.bluntSuccess())
}

// sharpRoutine is routine on the sharp-only pathway.
func (c *course) sharpRoutine(s *session) {
	if !s.final().successful() {
		c.streak = 0
	}
	c.lengthen(s, s.final().sharp() && s.final().successful())
}

func (c *course) lengthen(s *session, ok bool) {
	if !ok || c.dates[s.date] {
		return
	}
	c.dates[s.date] = true
	c.streak++
	c.best = max(c.best, c.streak)
}

// forming counts a session towards the target, or says why it does not count.
func (c *course) forming(s *session, p protocol.Parameters) []string {
	why := c.against(s, p)
	if len(why) > 0 {
		return why
	}
	c.gap(s, p)
	c.counted++
	c.lastCount = s.date
	c.dates[s.date] = true
	c.easy = append(c.easy, s.easy())
	return nil
}

// against names each condition that keeps a session from counting. Unknown does not count.
func (c *course) against(s *session, p protocol.Parameters) []string {
	var why []string
	note := func(broken bool, text string) {
		if broken && !contains(why, text) {
			why = append(why, text)
		}
	}
	note(!s.final().sharp(), "the needle that served was not sharp")
	note(!s.final().successful(), "no needle served")
	note(c.dates[s.date], "another session of that day counts already")
	for _, a := range s.attempts {
		if p.NeedsListed {
			note(a.GetCannulator() == nil, "the cannulator is not recorded")
			note(a.GetCannulator() != nil && !c.listed(a), "neither creator nor deputy inserted")
		}
		// The first session makes the spot and the path: there is none before to keep to.
		if c.seen {
			if p.NeedsSameSpot {
				note(a.GetSameSpot() == cannularyv1.Answer_ANSWER_NO, "not in the same spot")
				note(a.GetSameSpot() != cannularyv1.Answer_ANSWER_NO && a.GetSameSpot() != cannularyv1.Answer_ANSWER_YES, "same spot not recorded")
			}
			if p.NeedsSamePath {
				note(a.GetNewPath() == cannularyv1.Answer_ANSWER_YES, "a new path was cut")
				note(a.GetNewPath() != cannularyv1.Answer_ANSWER_NO && a.GetNewPath() != cannularyv1.Answer_ANSWER_YES, "same path not recorded")
			}
		}
		if p.NeedsSameAngle {
			note(a.AngleDegrees == nil || c.reference == nil, "the angle is not recorded")
			if a.AngleDegrees != nil && c.reference != nil {
				off := math.Abs(a.GetAngleDegrees() - *c.reference)
				note(off > p.AngleTolerance+1e-9, fmt.Sprintf("more than %g° from the track's angle", p.AngleTolerance))
			}
		}
	}
	return why
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}

// listed tells whether the attempt was made by the creator or a deputy named by then.
func (c *course) listed(a attempt) bool {
	if same(a.GetCannulator(), c.creator) {
		return true
	}
	for _, d := range c.h.deputies {
		if !d.at.After(a.at) && same(a.GetCannulator(), d.who) {
			return true
		}
	}
	return false
}

func same(a, b *cannularyv1.StaffIdentifier) bool {
	return a != nil && b != nil && a.GetSystem() == b.GetSystem() && a.GetValue() == b.GetValue()
}

// gap looks at the local calendar days since the last counted session.
func (c *course) gap(s *session, p protocol.Parameters) {
	if c.lastCount == "" {
		return
	}
	days := between(c.lastCount, s.date)
	switch {
	case days > p.GapRestartDays:
		c.counted, c.extras, c.easy = 0, nil, nil
	case days > p.GapExtraDays:
		c.extras = append(c.extras, Extra{"gap-long", fmt.Sprintf("%d days between the counted sessions of %s and %s (more than %d)", days, c.lastCount, s.date, p.GapExtraDays)})
	}
}

func between(a, b string) int {
	ta, errA := time.Parse(time.DateOnly, a)
	tb, errB := time.Parse(time.DateOnly, b)
	if errA != nil || errB != nil {
		return 0
	}
	return int(tb.Sub(ta) / (24 * time.Hour))
}

// pegs judges, when a forming session starts, the interval since the one before it: one more
// session if a peg was not placed after that one or not found at this one. Unknown is
// missing. There is at most one extra per interval.
func (c *course) pegs(s *session, p protocol.Parameters) {
	if !p.UsesPegs || c.prev == nil {
		return
	}
	placed, found, missing := false, false, false
	from, last := c.prev.at, s.final().at
	for _, g := range c.h.pegs {
		switch {
		case g.what == pegPlaced && !g.at.Before(from) && g.at.Before(s.at):
			placed = true
		case g.what == pegFound && g.at.After(from) && !g.at.After(last):
			found = true
		case g.what == pegMissing && g.at.After(from) && !g.at.After(last):
			missing = true
		}
	}
	if placed && found && !missing {
		return
	}
	text := "no peg is recorded as left after the session of " + c.prev.date
	switch {
	case missing:
		text = "the peg was not there at the session of " + s.date
	case placed:
		text = "nobody recorded whether the peg was there at the session of " + s.date
	}
	c.extras = append(c.extras, Extra{"peg-missing", text})
}

func (c *course) target(p protocol.Parameters) int {
	t := max(protocol.Floor, p.FormingTarget)
	if c.h.plan != nil && c.h.plan.FormingSessionsTarget != nil {
		t = max(t, int(c.h.plan.GetFormingSessionsTarget()))
	}
	return t
}

func (c *course) ready(p protocol.Parameters, target int) bool {
	return c.counted >= target+len(c.extras) && c.lastEasy(p.EasyEntries)
}

// lastEasy tells whether each of the last n counted entries was easy.
func (c *course) lastEasy(n int) bool {
	if len(c.easy) < n {
		return false
	}
	for _, e := range c.easy[len(c.easy)-n:] {
		if !e {
			return false
		}
	}
	return true
}

func (c *course) heldAt(t time.Time) bool {
	return len(c.holds.on(c.h.name, c.h.access, t)) > 0
}

// state is the fold's answer for the moment asked.
func (c *course) state(now protocol.Parameters, today string) State {
	h := c.h
	s := State{
		ID: record.TrackID(h.patient, h.name), Name: h.name, Access: h.access, Role: h.role,
		Counted: c.counted, Target: c.target(now), Extras: c.extras, Streak: c.streak,
		ReferenceAngle: c.reference, Creator: c.creator, Plan: h.plan, Planned: h.planned,
		Taken: h.takeover, TakenAt: h.takenAt, Protocol: now, IdleDays: -1,
	}
	if n := len(c.visits); n > 0 {
		s.IdleDays = between(c.visits[n-1].Date, today)
	}
	for _, d := range h.deputies {
		s.Deputies = append(s.Deputies, d.who)
	}
	for _, x := range c.holds.on(h.name, h.access, c.in.AsOf) {
		s.Held = append(s.Held, x.ID)
	}
	c.geometry(&s)
	for i := len(c.visits) - 1; i >= 0 && len(s.Recent) < recentVisits; i-- {
		s.Recent = append(s.Recent, c.visits[i])
	}
	s.Stage = c.stage(&s, now)
	if rests, why := h.resting(c.in.AsOf, today); rests {
		s.Stage, s.Rest = Resting, why
	}
	if h.retired != nil {
		s.Stage, s.Retired, s.Replaced = Retired, h.retired.reason, h.retired.replacedBy
	}
	return s
}

func (c *course) stage(s *State, now protocol.Parameters) Stage {
	switch {
	case c.trial && c.best >= now.TrialSessions:
		return Established
	case c.trial:
		return Trial
	case now.SharpOnly && c.best >= now.TrialSessions && c.ready(now, s.Target):
		return Established
	case !c.seen:
		return Planned
	}
	if left := s.Target + len(c.extras) - c.counted; left > 0 {
		s.NotReady = append(s.NotReady, fmt.Sprintf("%d more sharp sessions must count", left))
	}
	if !c.lastEasy(now.EasyEntries) {
		s.NotReady = append(s.NotReady, fmt.Sprintf("each of the last %d counted entries must be easy: one attempt, one pass, no resistance", now.EasyEntries))
	}
	if len(s.Held) > 0 {
		s.NotReady = append(s.NotReady, "a hold is open")
	}
	if len(s.NotReady) > 0 {
		return Forming
	}
	return Ready
}

// geometry takes direction, depth and gauge from the latest entry that recorded them,
// else from the plan or what was taken over.
func (c *course) geometry(s *State) {
	if p := c.h.plan; p != nil {
		s.Direction, s.Depth, s.Gauge = p.GetDirection(), p.DepthMillimetres, p.Gauge
	}
	if t := c.h.takeover; t != nil {
		if t.GetDirection() != 0 {
			s.Direction = t.GetDirection()
		}
		if t.DepthMillimetres != nil {
			s.Depth = t.DepthMillimetres
		}
		if t.Gauge != nil {
			s.Gauge = t.Gauge
		}
	}
	for _, x := range c.h.sessions {
		a := x.final()
		if !a.successful() {
			continue
		}
		if a.GetDirection() != 0 {
			s.Direction = a.GetDirection()
		}
		if a.DepthMillimetres != nil {
			s.Depth = a.DepthMillimetres
		}
		if a.Gauge != nil {
			s.Gauge = a.Gauge
		}
	}
}

// resting tells whether the track rests: the latest of rest and resume decides; a rest
// with a date ends on that local day.
func (h *history) resting(asOf time.Time, today string) (bool, string) {
	var last *rest
	for i := range h.rests {
		if !h.rests[i].at.After(asOf) {
			last = &h.rests[i]
		}
	}
	if last == nil || last.resume || last.until != "" && today >= last.until {
		return false, ""
	}
	why := last.reason
	if last.until != "" {
		why = fmt.Sprintf("until %s: %s", last.until, last.reason)
	}
	return true, why
}
