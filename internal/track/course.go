package track

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record/zone"
	"cannulary/internal/track/rule"
	"cannulary/internal/track/trend"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// course is the folded state of one track.
type course struct {
	name    string
	patient string // the patient key of the first fact that names it
	access  string
	role    cannularyv1.NeedleRole
	there   bool // planned, taken over or needled; until then only named
	newest  time.Time
	plan    *cannularyv1.TrackPlan
	planned *cannularyv1.TrackPlanned
	planAt  time.Time
	taken   *cannularyv1.TrackTakenOver
	takenAt time.Time
	// takenOn is its local date. sinceTaken counts the sessions since.
	takenOn    string
	sinceTaken int
	basis      string // the fact of the latest plan or takeover
	basisAt    time.Time
	// basisDate is the local date of that fact. basisDay is its day if only the day is known.
	// basisIn is its place in the order.
	basisDate string
	basisDay  span
	basisIn   time.Time
	deputies  []*cannularyv1.StaffIdentifier
	rest      *rest
	retired   *retirement
	// retiredAt is zero while the track is not retired.
	retiredAt time.Time

	reference *float64
	founded   bool // founder is set: the first successful entry that is not blunt
	founder   attempt
	foundedOn string // the date of its session
	unused    unused
	creator   *cannularyv1.StaffIdentifier
	entered   bool   // a needle was used
	needledOn string // the access in which the last needle was used
	overruled string // how the takeover contradicts the sessions before it
	firstBy   *cannularyv1.StaffIdentifier
	seen      bool // a session was folded or a stage declared
	counted   int
	lastCount string // local date of the last counted session; see lastInDoubt
	// lastInDoubt tells that none has counted since the takeover: lastCount is the first session since, which is in doubt.
	lastInDoubt bool
	doubted     bool // a session since lastCount is in doubt
	extras      []Extra
	easy        []bool // of the last entries that count or are in doubt
	trial       bool
	streak      int
	best        int      // longest streak
	dates       []string // dates with a session that counts or is in doubt, the latest few
	// lengthened holds the dates on which the streak grew, the latest few.
	lengthened []string

	// The pegs since the latest session whose final entry was not blunt.
	previous  string // date of that session, empty before the first
	pegPlaced bool
	pegFound  bool
	foundNow  bool // since the latest session, whatever its needle
	peg       Peg

	gauge *uint32
	// stated is the gauge of the newest plan or takeover that states one.
	stated *uint32

	visits   []Visit   // the latest few, newest last
	life     []Session // all of them, kept only for FoldLives
	scab     string    // occasion of a preparation that left a scab, with no attempt since
	scabDate string
	scabOpen bool      // that occasion is a session by its reference, and has no end on record
	tried    []string  // occasions of the latest session
	angles   []float64 // the latest twelve
	stopping series    // haemostasis

	bluntSessions, bluntSuccessful int
	rescues                        int
	rescued                        []rescue // the latest, for the longest window that a protocol may ask for
	rescueSum                      float64
}

type rest struct{ until, reason string }

type retirement struct{ reason, replacedBy string }

type rescue struct{ date, ground string }

// keepDates is how many such dates are kept. Sessions are folded in order of time, so only a
// change of time zone can bring a date back, and only by a day.
const keepDates = 4

// keepEasy is the highest number of easy entries that a protocol can ask for.
const keepEasy = 5

// keepRescues is the longest rescue window that a protocol can ask for, days.
const keepRescues = 180

func (c *course) clone() *course {
	n := *c
	n.deputies, n.extras, n.easy, n.dates = slices.Clip(c.deputies), slices.Clip(c.extras), slices.Clip(c.easy), slices.Clip(c.dates)
	n.visits, n.angles, n.rescued = slices.Clone(c.visits), slices.Clip(c.angles), slices.Clip(c.rescued)
	n.stopping = c.stopping.clone()
	return &n
}

// last returns the list with x appended, cut to its last n values. It never writes into a shared
// array.
func last[T any](list []T, n int, x T) []T {
	if len(list) >= n {
		list = list[len(list)-n+1:]
	}
	return append(slices.Clip(list), x)
}

func (c *course) target(p *protocol.Parameters) int {
	t := max(protocol.Floor, p.FormingTarget)
	if c.plan != nil && c.plan.FormingSessionsTarget != nil {
		t = max(t, int(c.plan.GetFormingSessionsTarget()))
	}
	return t
}

// ready reports whether the track is ready by the protocol, whatever is held.
func (c *course) ready(p *protocol.Parameters) bool {
	return c.counted >= c.target(p)+len(c.extras) && c.lastEasy(p.EasyEntries)
}

// lastEasy reports whether each of the last n entries was easy.
func (c *course) lastEasy(n int) bool {
	if len(c.easy) < n {
		return false
	}
	return !slices.Contains(c.easy[len(c.easy)-n:], false)
}

func (c *course) isTaken(date string) bool { return slices.Contains(c.dates, date) }

func (c *course) take(date string) { c.dates = last(c.dates, keepDates, date) }

// restart starts counting again.
func (c *course) restart() {
	c.counted, c.extras, c.easy, c.lastCount = 0, c.kept(), nil, ""
}

// kept returns the extra sessions that stay where counting starts again. If a session in doubt lies in the gap, those for pegs
// stay: had that session counted, counting might not start again.
func (c *course) kept() []Extra {
	var kept []Extra
	for _, x := range c.extras {
		if c.doubted && x.Rule == rule.PegMissing {
			kept = append(kept, x)
		}
	}
	return kept
}

// found takes reference and creator from the first successful entry that is not blunt. What that
// entry does not record stays unknown. A track that was taken over keeps what the takeover
// declares.
func (c *course) found(s *session) {
	if c.taken != nil {
		return
	}
	for _, a := range s.attempts {
		if !a.successful() || a.blunt() {
			continue
		}
		if c.founded && !a.before(c.founder) { // it is earlier only if sessions overlap
			return
		}
		a.fact = nil // nobody asks for it, and it lies in the list of all facts, which would stay in memory
		c.founded, c.founder, c.foundedOn = true, a, s.date
		c.creator, c.reference = nil, nil
		if a.sharp() {
			c.creator, c.reference = a.GetCannulator(), a.AngleDegrees
		}
		return
	}
}

// listed reports whether the creator or a deputy made the attempt. known is false if the record
// cannot tell.
func (c *course) listed(a attempt) (listed, known bool) {
	who := a.GetCannulator()
	if who == nil {
		return false, false
	}
	if same(who, c.creator) {
		return true, true
	}
	for _, d := range c.deputies {
		if same(who, d) {
			return true, true
		}
	}
	return false, c.creator != nil
}

// off returns the angle in degrees by which an entry or a removal differs from the reference.
// known is false if either angle is not recorded.
func (c *course) off(angle *float64) (off float64, known bool) {
	if angle == nil || c.reference == nil {
		return 0, false
	}
	return math.Abs(*angle - *c.reference), true
}

// beyond reports whether an angle is out of tolerance; the boundary itself is in. The margin is
// for rounding: 30.1-25 is not exactly 5.1.
func beyond(off, tolerance float64) bool { return off > tolerance+1e-9 }

// against returns why a session does not count: the reasons that are known, and the details that
// are not recorded.
func (c *course) against(s *session, p *protocol.Parameters) (known, missing []string) {
	add := func(list *[]string, text string) {
		if !slices.Contains(*list, text) {
			*list = append(*list, text)
		}
	}
	switch f := s.final(); {
	case f.blunt():
		add(&known, "the needle that served was blunt")
	case !f.sharp():
		add(&missing, "whether the needle was sharp is not recorded")
	}
	switch s.final().GetOutcome() {
	case cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL:
	case cannularyv1.InsertionOutcome_INSERTION_OUTCOME_UNSPECIFIED: // the schema refuses it
		add(&missing, "whether the needle served is not recorded")
	default:
		add(&known, "no needle served")
	}
	if c.isTaken(s.date) {
		add(&known, "another session of that day is already on record")
	}
	switch {
	case s.held:
		add(&known, s.barred())
	case s.doubted:
		add(&missing, "whether a hold of that day came first is not recorded")
	}
	for _, a := range s.attempts {
		if p.NeedsListed {
			switch listed, sure := c.listed(a); {
			case listed:
			case sure:
				add(&known, "neither the creator nor a deputy inserted the needle")
			case a.GetCannulator() == nil:
				add(&missing, "the cannulator is not recorded")
			default:
				add(&missing, "the track's creator is not recorded")
			}
		}
		if c.seen && p.NeedsSameSpot {
			switch a.GetSameSpot() {
			case cannularyv1.Answer_ANSWER_YES:
			case cannularyv1.Answer_ANSWER_NO:
				add(&known, "not in the same spot")
			default:
				add(&missing, "same spot not recorded")
			}
		}
		if c.seen && p.NeedsSamePath {
			switch a.GetNewPath() {
			case cannularyv1.Answer_ANSWER_NO:
			case cannularyv1.Answer_ANSWER_YES:
				add(&known, "a new path was cut")
			default:
				add(&missing, "same path not recorded")
			}
		}
		if p.NeedsSameAngle {
			switch off, sure := c.off(a.AngleDegrees); {
			case sure && beyond(off, p.AngleTolerance):
				add(&known, fmt.Sprintf("more than %g° from the track's angle", p.AngleTolerance))
			case sure:
			case a.AngleDegrees == nil:
				add(&missing, "the angle is not recorded")
			default:
				add(&missing, "the track's own angle is not recorded")
			}
		}
	}
	return known, missing
}

// forming folds a session before the trial towards the target.
func (m *machine) forming(c *course, s *session, p, home *protocol.Parameters, v *Visit) {
	known, missing := c.against(s, p)
	v.WhyNot = append(known, missing...)
	switch {
	case len(known) > 0:
		return
	case len(missing) > 0:
		v.InDoubt = true
		if days := c.sinceCount(s.date); days > home.GapRestartDays {
			m.restarted(c, s, home, days)
		}
		if !s.easy() {
			c.easy = last(c.easy, keepEasy, false)
		}
		if c.lastCount == "" && c.counted > 0 {
			c.lastCount, c.lastInDoubt = s.date, true // declared sessions have no date, so the gap runs from here
		}
		c.doubted = true
		c.take(s.date)
		return
	}
	v.Counted = true
	switch days := c.sinceCount(s.date); {
	case days > home.GapRestartDays:
		m.restarted(c, s, home, days)
	case days > home.GapExtraDays:
		seen := fmt.Sprintf("%d days between %s", days, c.pause("the counted sessions of %s and %s", s.date))
		c.extras = append(slices.Clip(c.extras), Extra{rule.GapLong, fmt.Sprintf("%s (more than %d)", seen, home.GapExtraDays)})
		m.raise(Finding{Rule: rule.GapLong, Track: c.name, Access: c.access, Since: s.from, Facts: []string{s.ground()},
			Seen: seen + ", so one sharp session was added", Asked: fmt.Sprintf("at most %d days apart", home.GapExtraDays)}, home)
	}
	c.counted++
	c.lastCount, c.lastInDoubt, c.doubted = s.date, false, false
	c.take(s.date)
	c.easy = last(c.easy, keepEasy, s.easy())
	if !s.easy() {
		m.raise(Finding{Rule: rule.HardEntry, Track: c.name, Access: c.access, Since: s.from, Facts: []string{s.ground()},
			Seen:  "the entry on " + s.date + " was not recorded as easy",
			Asked: fmt.Sprintf("each of the last %d entries: one attempt, one pass, no resistance", home.EasyEntries)}, home)
	}
}

// pause names the two sessions between which a gap lies: by the format, if the first of them counts.
func (c *course) pause(counted, date string) string {
	if c.lastInDoubt {
		counted = "the session of %s, which is in doubt, and that of %s"
	}
	return fmt.Sprintf(counted, c.lastCount, date)
}

// lastKind says what the session of lastCount is.
func (c *course) lastKind() string {
	if c.lastInDoubt {
		return "first session since the takeover"
	}
	return "last session that counts"
}

// sinceCount returns the days since the last counted session, -1 before the first.
func (c *course) sinceCount(date string) int {
	if c.lastCount == "" {
		return -1
	}
	return between(c.lastCount, date)
}

// restarted starts counting again after a gap and raises the finding.
func (m *machine) restarted(c *course, s *session, p *protocol.Parameters, days int) {
	seen := fmt.Sprintf("%d days between %s, so counting started again", days,
		c.pause("the counted session of %s and that of %s", s.date))
	kept := c.doubted
	m.clear(s.from, "counting started again", func(x *Finding) bool {
		return x.Track == c.name && formingRule(x.Rule) && !(kept && x.Rule == rule.PegMissing)
	})
	c.restart()
	m.raise(Finding{Rule: rule.GapLong, Track: c.name, Access: c.access, Since: s.from, Facts: []string{s.ground()},
		Seen: seen, Asked: fmt.Sprintf("at most %d days apart", p.GapRestartDays)}, p)
}

func formingRule(code string) bool {
	return code == rule.GapLong || code == rule.PegMissing || code == rule.HardEntry
}

// pegs judges, when a session starts, the pegs since the session before it.
func (m *machine) pegs(c *course, s *session, p *protocol.Parameters) {
	if !p.UsesPegs || c.previous == "" {
		return
	}
	found := c.pegFound || s.found
	var text string
	switch {
	case c.pegPlaced && found:
		return
	case c.pegPlaced:
		text = "no peg is recorded as found at the session of " + s.date
	case found:
		text = "no peg is recorded as left after the session of " + c.previous
	default: // one of the two may lie where no pegs are used
		text = "no peg is recorded between the sessions of " + c.previous + " and " + s.date
	}
	c.extras = append(slices.Clip(c.extras), Extra{rule.PegMissing, text})
	m.raise(Finding{Rule: rule.PegMissing, Track: c.name, Access: c.access, Since: s.from, Facts: []string{s.ground()},
		Seen: text + ", so one sharp session was added", Asked: "a peg is left after each forming session and found at the next"}, p)
}

// routine folds a session of a track in trial or after. It reports whether the streak grew.
func (c *course) routine(s *session, home *protocol.Parameters) bool {
	ok := s.bluntSuccess()
	if home.SharpOnly {
		ok = s.final().successful() && (s.final().sharp() || s.final().blunt())
	}
	if home.SharpOnly && !ok || !home.SharpOnly &&
		slices.ContainsFunc(s.attempts, func(a attempt) bool { return a.used() && (!a.blunt() || !a.successful()) }) {
		c.endStreak()
	}
	return c.lengthen(s, ok && s.free())
}

// endStreak ends the streak and frees its dates.
func (c *course) endStreak() { c.streak, c.lengthened = 0, nil }

// sharpRoutine folds a session before the trial on a sharp-only day. The streak grows only while
// the track is ready. It can end at any time.
func (c *course) sharpRoutine(s *session, wasReady bool) {
	ok := s.final().sharp() && s.final().successful()
	if !ok {
		c.endStreak()
	}
	c.lengthen(s, ok && wasReady && s.free())
}

// lengthen adds one to the streak if ok, at most once for each local date. It reports whether it
// did.
func (c *course) lengthen(s *session, ok bool) bool {
	if !ok || slices.Contains(c.lengthened, s.date) {
		return false
	}
	c.lengthened = last(c.lengthened, keepDates, s.date)
	c.streak++
	c.best = max(c.best, c.streak)
	return true
}

// inserted folds an attempt. The first attempt of a session folds the whole session.
func (m *machine) inserted(e *env, b *cannularyv1.NeedleInserted, st step) {
	s := st.of
	if s == nil {
		m.underAccess(e, b, st.fact, st.place)
		return
	}
	a := s.attempts[slices.IndexFunc(s.attempts, func(a attempt) bool { return a.id == st.fact.ID })]
	c := m.course(s.track, st.fact)
	c.place(a)
	if c.retired == nil || c.basis == "" && a.GetAccess() != "" {
		m.onRetired(e, c, st.fact)
	}
	if a.used() {
		m.under(e, c, s, a, st.first)
	}
	if st.first {
		m.session(e, c, s)
	}
}

// session folds one session of a track. The protocol of the place judges what was done, the
// patient's home protocol judges whether the track was ready. See the package comment.
func (m *machine) session(e *env, c *course, s *session) {
	p, home := e.Book.On(s.facility, s.date), m.home(e, s.at)
	m.clear(s.from, "the session of "+s.date, func(x *Finding) bool {
		return x.Track == c.name && sessionRule(x.Rule) && (x.Rule != rule.ContactShort || !s.is(x.key))
	})
	m.scabEntry(c, s)

	was := atStart{inTrial: c.trial, first: !c.seen, count: !c.entered && c.taken == nil}
	was.wasReady = !c.trial && c.ready(&home) && !m.held(c)
	was.recent = c.sinceCount(s.date) <= home.GapExtraDays
	c.found(s)
	if !c.trial && !s.final().blunt() {
		m.pegs(c, s, &p)
	}
	v := c.visit(s)
	if !c.trial && !home.SharpOnly { // a streak of sharp-only days ends when those days end
		c.endStreak()
		c.best = 0
	}
	switch {
	case c.trial, was.wasReady && was.recent && s.bluntSuccess() && !home.SharpOnly && s.free():
		c.trial = true
		v.Counted = c.routine(s, &home)
		switch {
		case s.held:
			v.WhyNot = []string{s.barred()}
		case s.doubted:
			v.InDoubt, v.WhyNot = true, []string{"whether a hold of that day came first is not recorded"}
		}
	case home.SharpOnly:
		m.forming(c, s, &p, &home, &v)
		c.sharpRoutine(s, was.wasReady)
	default:
		m.forming(c, s, &p, &home, &v)
	}
	m.sessionRules(e, c, s, &p, &home, was, &v)
	c.figures(s, &home, was.inTrial, &v)
	asked := p.UsesPegs && !was.inTrial && c.previous != "" && !s.final().blunt()
	peg := c.pegBefore(s, asked)
	if !s.final().blunt() {
		c.previous, c.pegPlaced, c.pegFound = s.date, false, false
	}
	c.seen = true
	for _, a := range slices.Backward(s.attempts) {
		if a.used() {
			c.entered, c.needledOn = true, cmp.Or(a.GetAccess(), c.access)
			m.used(e, c, s, a)
			break
		}
	}
	c.peg, c.foundNow = PegUnknown, false
	c.visits = last(c.visits, recentVisits, v)
	c.sinceTaken++
	if f := s.final(); f.Gauge != nil && f.successful() && !s.held && (v.Counted || c.trial) {
		c.gauge = f.Gauge
	}
	m.settled(c, s, &home)
	if e.lives {
		m.live(c, s, &p, &home, v, peg, asked)
	}
}

// home returns the protocol of the unit where the patient belongs at a moment.
func (m *machine) home(e *env, t time.Time) protocol.Parameters {
	facility := m.stays.At(t).Facility
	return e.Book.On(facility, zone.Date(t, e.Zone(facility)))
}

// free reports that no hold keeps the session from counting.
func (s *session) free() bool { return !s.held && !s.doubted }

// place takes role and access from the needle if no plan states them.
func (c *course) place(a attempt) {
	if c.role == cannularyv1.NeedleRole_NEEDLE_ROLE_UNSPECIFIED {
		c.role = a.GetRole()
	}
	if c.access == "" {
		c.access = a.GetAccess()
	}
}

// settled clears the findings that a session has made void.
func (m *machine) settled(c *course, s *session, p *protocol.Parameters) {
	if c.trial || c.ready(p) {
		m.clear(s.from, "the track is ready", func(x *Finding) bool {
			return x.Track == c.name && (formingRule(x.Rule) || x.Rule == rule.FirstByNovice)
		})
	} else if c.lastEasy(p.EasyEntries) {
		m.end(s.from, "the last entries were easy", rule.HardEntry, "", c.name, "")
	}
}

func (c *course) visit(s *session) Visit {
	f := s.final()
	v := Visit{Date: s.date, At: s.at, Tip: tip(f), Attempts: len(s.attempts), Success: f.successful(),
		Angle: f.AngleDegrees, Gauge: f.Gauge,
		Passes: f.Passes, Resistance: f.GetResistance(), Pain: f.PainScore, Who: f.GetCannulator()}
	for _, k := range s.complications {
		v.Complications = append(v.Complications, complicationName(k))
	}
	return v
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

// figures updates the values that the trends rest on.
func (c *course) figures(s *session, p *protocol.Parameters, inTrial bool, v *Visit) {
	for _, a := range s.attempts {
		if a.used() && a.AngleDegrees != nil {
			c.angles = last(c.angles, angleSeries, *a.AngleDegrees)
		}
	}
	if !c.trial || s.firstUsed() == nil {
		return
	}
	c.bluntSessions++
	if s.clean() {
		c.bluntSuccessful++
	}
	if inTrial && !p.SharpOnly {
		c.rescueSum = trend.Rescue().Step(c.rescueSum, v.Rescue)
	}
}

// angleSeries is the number of entries over which the dispersion of angles is computed (ours).
const angleSeries = 12
