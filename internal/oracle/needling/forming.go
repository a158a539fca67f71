package needling

import (
	"slices"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// condition of track after some of its sessions.
type condition struct {
	founded bool
	counted int
	lastDay string // date of the latest session that counted
	doubted bool   // a session since is in doubt
	extras  []string
	easy    []bool // of each entry that counts or stands as a hard one
	taken   map[string]bool

	trial        bool         // the trial has begun
	trialSince   *record.Fact // with this session's start, or by this takeover
	established  bool         // declared
	streak, best int
	streakDays   map[string]bool
	earlier      *session // the latest whose final entry was not blunt
}

// step is what one session, or one takeover, did.
type step struct {
	takeover *said[*cannularyv1.TrackTakenOver] // where it is a takeover
	*session
	reference   *float64
	creator     string
	readyBefore bool   // at its start, by the home protocol
	gapOpen     bool   // more than gap_extra_days had passed since the last counted session
	under       *entry // the first used attempt under a hold
	doubtful    bool   // in doubt because of a hold
	trialSince  *record.Fact
	inTrial     bool // it began the trial or came after
	pastTrial   bool // it began past the trial's beginning
	counted     bool
	wasEasy     bool
	pegExtra    bool
	gapExtra    bool
	restarted   bool
	pegsKept    bool // by that restart
	formed      bool // ready afterwards, holds aside
	lastEasy    bool // the last entries are easy afterwards
}

// fact is the moment at which the step happens.
func (st step) fact() *record.Fact {
	if st.takeover != nil {
		return st.takeover.Fact
	}
	return st.start()
}

// fold goes through the sessions of a track that began before until (nil: all), each whole
// at the moment of its first attempt.
// Reading: a session that began earlier is folded with those of its attempts that come
// later too, for every session after it. For a fact between attempts (a preparation, a
// culture) only what comes before that fact is looked at.
// Reading: a session lies before a takeover if its first attempt does, and is then wholly
// left behind by it; deputies, plans, rests and retirement are not.
func (w *world) fold(track string, until *record.Fact) (condition, []step) {
	c := condition{taken: map[string]bool{}, streakDays: map[string]bool{}}
	var steps []step
	var since []*session // those since the takeover
	takeOver := func(next *record.Fact) {
		for _, t := range w.takeovers(track) {
			last := len(steps) - 1
			done := last >= 0 && !before(steps[last].fact(), t.Fact)
			if !done && before(t.Fact, next) && before(t.Fact, until) {
				c, since = declared(t), nil
				steps = append(steps, step{takeover: &t, trialSince: c.trialSince})
			}
		}
	}
	for _, s := range w.sessions(track, until) {
		takeOver(s.start())
		since = append(since, s)
		steps = append(steps, w.take(&c, since, until))
	}
	takeOver(nil)
	return c, steps
}

// whole is a track's fold of all sessions.
type whole struct {
	condition
	steps []step
}

func (w *world) history(track string) whole {
	if _, ok := w.whole[track]; !ok {
		c, steps := w.fold(track, nil)
		w.whole[track] = whole{c, steps}
	}
	return w.whole[track]
}

// declared is where the fold starts after a takeover.
// Reading: the declared sharp sessions count for a track declared as forming only. Nothing
// is recorded of how easy they were or when, so they are no easy entries and begin no gap.
func declared(t said[*cannularyv1.TrackTakenOver]) condition {
	c := condition{founded: true, taken: map[string]bool{}, streakDays: map[string]bool{}}
	switch t.Says.GetStage() {
	case cannularyv1.TrackStage_TRACK_STAGE_FORMING:
		c.counted = int(t.Says.GetSharpSessions())
	case cannularyv1.TrackStage_TRACK_STAGE_TRIAL:
		c.trial = true
	case cannularyv1.TrackStage_TRACK_STAGE_ESTABLISHED:
		c.trial, c.established = true, true
	}
	if c.trial {
		c.trialSince = t.Fact
	}
	return c
}

// take folds the last of the sessions since the takeover.
// Reading: a session that a hold puts in doubt still counts for nothing if it would not
// have counted without it, and then takes no date.
func (w *world) take(c *condition, since []*session, until *record.Fact) step {
	s := since[len(since)-1]
	st := step{session: s}
	founder := w.founder(since)
	if founder != nil {
		c.founded = true
	}
	st.creator, st.reference = w.origin(since, founder)
	st.readyBefore = w.formed(c, s.track, s.home, s.start()) && (!w.held(s.track, s.start()) || w.mutant == ReadyIgnoresHolds)
	st.gapOpen = c.lastDay != "" && days(c.lastDay, s.date) > s.home.GapExtraDays && w.mutant != BluntAfterGapBegins
	st.under, st.doubtful = w.reach(s, c.trialSince, until)
	st.pastTrial = c.trial
	if !c.trial && !s.home.SharpOnly {
		c.endStreak() // a streak of sharp-only days ends with them
		c.best = 0
	}
	success := blunt(s.final()) && successful(s.final())
	begins := (st.readyBefore || w.mutant == BluntAnywhereTrial) && !st.gapOpen && w.serves(&st)
	if !c.trial && success && begins && !s.home.SharpOnly {
		c.trial, c.trialSince = true, s.start()
	}
	st.inTrial, st.trialSince = c.trial, c.trialSince
	if c.trial {
		w.takeInTrial(c, &st, success)
	} else {
		w.takeForming(c, s, &st)
	}
	st.formed = !c.trial && w.formed(c, s.track, s.home, s.final().Fact)
	st.lastEasy = w.lastEasy(c.easy, s.home.EasyEntries)
	return st
}

// serves tells that no hold keeps the session from counting for trial and streak.
func (w *world) serves(st *step) bool {
	return (st.under == nil || w.mutant == UnderHoldCounts) && (!st.doubtful || w.mutant == DayHoldIsNoDoubt)
}

// takeInTrial lengthens or ends the streak.
func (w *world) takeInTrial(c *condition, st *step, success bool) {
	s := st.session
	if s.home.SharpOnly {
		switch {
		case !successful(s.final()) || !sharp(s.final()) && !blunt(s.final()):
			c.endStreak()
		case w.serves(st):
			c.lengthen(s)
		}
		return
	}
	for _, a := range s.used() {
		if !blunt(a) || !successful(a) {
			if w.mutant == FailureIsIgnored && success && blunt(a) {
				continue
			}
			c.endStreak()
			if w.mutant == RescueBreaksStage && sharp(a) {
				c.trial, c.established, c.best = false, false, 0
			}
		}
	}
	if success && w.serves(st) {
		c.lengthen(s)
	}
}

// endStreak ends the streak; its dates are free again.
func (c *condition) endStreak() { c.streak, c.streakDays = 0, map[string]bool{} }

// lengthen is once per local date.
// Reading: that holds for sharp-only days too; only another lengthening takes the date, a
// session that counted does not, and a lengthening does not keep a session from counting.
func (c *condition) lengthen(s *session) {
	if c.streakDays[s.date] {
		return
	}
	c.streakDays[s.date] = true
	c.streak++
	c.best = max(c.best, c.streak)
}

// takeForming counts the session, or not.
func (w *world) takeForming(c *condition, s *session, st *step) {
	dateTaken := c.taken[s.date] && w.mutant != TwoOfOneDay

	// Reading: the peg is judged when the session starts, so before it counts: a restart by
	// the same session drops that extra with the earlier ones.
	if !blunt(s.final()) {
		if s.rules.UsesPegs && c.earlier != nil && w.pegMissing(c.earlier, s) {
			c.extras = append(c.extras, rule.PegMissing)
			if w.mutant == PegTwice && !w.pegPlaced(c.earlier, s) && !w.pegFound(c.earlier, s) {
				c.extras = append(c.extras, rule.PegMissing)
			}
			st.pegExtra = true
		}
		c.earlier = s
	}
	if s.home.SharpOnly {
		switch served := sharp(s.final()) && successful(s.final()); {
		case !served:
			c.endStreak()
		case st.readyBefore && w.serves(st):
			c.lengthen(s)
		}
	}

	easy := w.easy(s)
	verdict := w.countable(s, st)
	if st.doubtful && w.mutant != DayHoldIsNoDoubt {
		verdict = min(verdict, unknown)
	}
	if st.under != nil && w.mutant != UnderHoldCounts {
		verdict = no
	}
	if w.mutant == DoubtIsNothing && verdict == unknown {
		verdict = no
	}
	if w.mutant == DoubtCounts && verdict == unknown {
		verdict = yes
	}
	if dateTaken || verdict == no {
		return
	}
	c.taken[s.date] = true
	gap := 0
	if c.lastDay != "" {
		gap = days(c.lastDay, s.date)
	}
	extra, restart := s.home.GapExtraDays, s.home.GapRestartDays
	if w.mutant == GapOfSevenAsks {
		extra--
	}
	if w.mutant == GapOfFourteenRestarts {
		restart--
	}
	if gap > restart {
		st.restarted = true
		if w.mutant != RestartKeepsEntries {
			c.counted, c.easy = 0, nil
		}
		if w.mutant != RestartKeepsExtras {
			st.pegsKept = c.doubted
			c.extras = slices.DeleteFunc(slices.Clone(c.extras), func(x string) bool { return x != rule.PegMissing || !c.doubted })
		}
		c.lastDay = ""
	}
	if verdict == unknown {
		if !easy {
			c.easy = append(c.easy, false)
		}
		if c.lastDay == "" && c.counted > 0 {
			c.lastDay = s.date
		}
		c.doubted = true
		return
	}
	if gap > extra && gap <= restart {
		c.extras = append(c.extras, rule.GapLong)
		st.gapExtra = true
	}
	c.counted++
	c.easy = append(c.easy, easy)
	c.lastDay, c.doubted = s.date, false
	st.counted, st.wasEasy = true, easy
}

// easy is one attempt, one pass, no resistance. What is not recorded is not easy.
func (w *world) easy(s *session) bool {
	a := s.final().Says
	smooth := a.GetResistance() == cannularyv1.Resistance_RESISTANCE_NONE ||
		w.mutant == SlightIsEasy && a.GetResistance() == cannularyv1.Resistance_RESISTANCE_SLIGHT
	return len(s.attempts) == 1 && a.Passes != nil && a.GetPasses() == 1 && smooth
}

func (w *world) lastEasy(entries []bool, needed int) bool {
	if w.mutant == EasyLastOnly {
		needed = 1
	}
	if len(entries) < needed {
		return false
	}
	for _, e := range entries[len(entries)-needed:] {
		if !e {
			return false
		}
	}
	return true
}

// target is what protocol and plan ask for when at happens.
func (w *world) target(track string, p protocol.Parameters, at *record.Fact) int {
	return max(protocol.Floor, p.FormingTarget, int(w.plan(track, at).GetFormingSessionsTarget()))
}

// formed reports whether a track would be ready, holds aside.
func (w *world) formed(c *condition, track string, p protocol.Parameters, at *record.Fact) bool {
	return c.counted >= w.target(track, p, at)+len(c.extras) && w.lastEasy(c.easy, p.EasyEntries)
}

// founder is the first successful entry of these sessions that is not blunt; none founds a
// track taken over.
func (w *world) founder(since []*session) *entry {
	var first *entry
	for _, s := range since {
		for _, a := range s.attempts {
			if successful(a) && !blunt(a) && !s.takenOver && (first == nil || before(a.Fact, first.Fact)) {
				first = &a
			}
		}
	}
	return first
}

// since are the track's sessions since its latest takeover that begin before at (nil: all).
func (w *world) since(track string, at *record.Fact) ([]*session, *said[*cannularyv1.TrackTakenOver]) {
	t := w.takeover(track, at)
	var since []*session
	for _, s := range w.sessions(track, nil) {
		if before(s.start(), at) && (t == nil || before(t.Fact, s.start())) {
			since = append(since, s)
		}
	}
	return since, t
}

// creatorTaken is the creator of a track taken over.
func (w *world) creatorTaken(t *cannularyv1.TrackTakenOver, since []*session) string {
	if creator := staff(t.GetCreator()); creator != "" || w.mutant != TakeoverKeepsCreator || len(since) == 0 {
		return creator
	}
	for _, s := range w.sessions(since[0].track, nil) {
		for _, a := range s.attempts {
			if successful(a) && sharp(a) {
				return staff(a.Says.GetCannulator())
			}
		}
	}
	return ""
}

// origin is the creator and the reference angle by which session s is judged.
// Reading: one creator and one angle for the whole session: if it founds the track, also
// for attempts before the founding one.
func (w *world) origin(since []*session, founder *entry) (creator string, angle *float64) {
	s := since[len(since)-1]
	if w.mutant == LatestAngle && len(since) > 1 && since[len(since)-2].final().Says.AngleDegrees != nil {
		defer func() { angle = since[len(since)-2].final().Says.AngleDegrees }()
	}
	planned := w.plannedAngle(s.track, s.start())
	switch t := w.takeover(s.track, s.start()); {
	case t != nil:
		creator, angle = w.creatorTaken(t.Says, since), t.Says.AngleDegrees
		if angle == nil && w.mutant == EntryFoundsTakenOver {
			for _, a := range s.attempts {
				if successful(a) && angle == nil {
					angle = a.Says.AngleDegrees
				}
			}
		}
		return creator, angle
	case founder == nil:
		return "", planned
	case sharp(*founder):
		creator, angle = staff(founder.Says.GetCannulator()), founder.Says.AngleDegrees
	}
	if angle == nil && w.mutant == PlanAngleSteps {
		angle = planned
	}
	return creator, angle
}

// pegMissing reports whether between two sessions a peg was not placed, or not found.
func (w *world) pegMissing(earlier, s *session) bool {
	return !w.pegPlaced(earlier, s) || !w.pegFound(earlier, s)
}

func (w *world) pegPlaced(earlier, s *session) bool {
	for _, p := range all[*cannularyv1.PegPlaced](w) {
		if p.Says.GetTrack() == s.track && before(earlier.start(), p.Fact) && before(p.Fact, s.start()) {
			return true
		}
	}
	return false
}

func (w *world) pegFound(earlier, s *session) bool {
	during := func(f *record.Fact) bool {
		return before(earlier.start(), f) && notAfter(f, s.final().Fact)
	}
	for _, p := range all[*cannularyv1.PegRemoved](w) {
		if p.Says.GetTrack() == s.track && during(p.Fact) {
			return true
		}
	}
	for _, p := range all[*cannularyv1.SitePrepared](w) {
		if p.Says.GetTrack() != s.track || !during(p.Fact) {
			continue
		}
		switch p.Says.GetPeg() {
		case cannularyv1.Removal_REMOVAL_WHOLE, cannularyv1.Removal_REMOVAL_PARTLY, cannularyv1.Removal_REMOVAL_NOT_REMOVED:
			return true
		case cannularyv1.Removal_REMOVAL_NONE_PRESENT:
			if w.mutant == PegMissingIsFound {
				return true
			}
		}
	}
	return false
}
