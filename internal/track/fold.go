package track

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/track/rule"
	"cannulary/internal/track/trend"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Fold returns the judgement of one patient's facts.
func Fold(in Input) Judgement {
	e := newEnv(in)
	return e.fold(e.begin(), in.Items).answer(e)
}

// answer returns the judgement at e.AsOf of the facts that were folded. It leaves m as it is.
func (m *machine) answer(e *env) Judgement {
	if m.waits(e.AsOf) {
		m = m.clone()
		m.pass(e, e.AsOf)
		m.freed(e.AsOf)
	}
	j := Judgement{AsOf: e.AsOf, Where: m.where(e.AsOf)}
	facility := j.Where.Facility
	today := zone.Date(e.AsOf, e.Zone(facility))
	now := e.Book.On(facility, today)
	due := dueDate{today: today}
	due.at(e.Book.Next(facility, today))
	m.stayDates(e, facility, &due)
	for _, w := range m.lifts {
		due.instant(e, facility, w.at)
	}

	j.Holds = slices.Clone(m.holds)
	j.Findings = slices.Clone(m.over)
	for _, x := range m.standing {
		x.lapse(e.AsOf)
		if !x.lapses.IsZero() && x.Cleared.IsZero() {
			due.instant(e, facility, x.lapses)
		}
		j.Findings = append(j.Findings, x)
	}
	j.Holds = append(j.Holds, fistulaHolds(j.Findings)...)
	for i := range e.Refused {
		j.Findings = append(j.Findings, refused(&e.Refused[i].Fact))
	}
	slices.SortStableFunc(j.Holds, func(x, y Hold) int { return cmp.Or(x.Since.Compare(y.Since), cmp.Compare(x.ID, y.ID)) })
	slices.SortStableFunc(j.Findings, func(x, y Finding) int { return cmp.Or(x.Since.Compare(y.Since), cmp.Compare(x.ID, y.ID)) })
	for _, c := range m.courses {
		if !c.there {
			continue
		}
		s := m.state(c, &now, today, &due, j.Holds)
		s.Next.Caution = sentences(slices.Concat(m.contradictions(c, &s, &j.Where), serious(&s, j.Findings), []string{s.Next.Caution})...)
		s.Next.Why = sentences(s.Next.Caution, s.Next.Why)
		s.ID = record.TrackID(cmp.Or(e.TrackKeys[c.name], c.patient), c.name)
		if e.lives {
			s.Life = m.lifeOf(c)
		}
		j.Tracks = append(j.Tracks, s)
	}
	sort.SliceStable(j.Tracks, func(a, b int) bool {
		if x, y := j.Tracks[a].Stage == Retired, j.Tracks[b].Stage == Retired; x != y {
			return y
		}
		return j.Tracks[a].Role < j.Tracks[b].Role
	})
	for _, a := range m.accesses {
		s := a.state()
		s.ID = record.AccessID(cmp.Or(e.AccessKeys[a.name], a.patient), a.name)
		j.Accesses = append(j.Accesses, s)
	}
	j.Due = due.first
	return j
}

// dueDate collects the first date after today on which the calendar can change the judgement.
type dueDate struct{ today, first string }

func (d *dueDate) at(date string) {
	if date > d.today && (d.first == "" || date < d.first) {
		d.first = date
	}
}

// instant adds a moment: the first date at a facility that begins at it or after it.
func (d *dueDate) instant(e *env, facility string, t time.Time) {
	day := zone.Date(t, e.Zone(facility))
	if e.midnight(day, facility).Before(t) {
		day = after(day, 1)
	}
	d.at(day)
}

// refused returns the finding about a merge, or the reversal of one, that had no effect.
func refused(f *record.Fact) Finding {
	r, _ := rule.Of(rule.MergeWithoutEffect)
	seen := "a merge of two identities had no effect: one of them was merged before, or the merge would go round in a circle"
	if f.Kind == record.KindMergeReversed {
		seen = "a reversal of a merge had no effect: no such merge stood then"
	}
	return Finding{ID: record.FindingID(r.Code, "patient", f.ID), Rule: r.Code, Severity: r.Severity, Since: f.At, Facts: []string{f.ID},
		Seen: seen, Asked: r.Asks, Clears: r.Clears}
}

// state returns what one track is at the moment asked for.
func (m *machine) state(c *course, now *protocol.Parameters, today string, due *dueDate, hs []Hold) State {
	s := State{
		Name: c.name, Access: c.access, Role: c.role,
		Counted: c.counted, Target: c.target(now), Extras: c.extras, Streak: c.streak,
		ReferenceAngle: c.reference, Creator: c.creator, Gauge: c.gauge, Mend: c.mend(now), FirstBy: c.firstBy, Entered: c.entered,
		Deputies: c.deputies, Plan: c.plan, Planned: c.planned, PlanAt: c.planAt,
		Taken: c.taken, TakenAt: c.takenAt, TakenOn: c.takenOn, SinceTaken: c.sinceTaken,
		Protocol: *now, IdleDays: -1, UnderReview: m.underReview(c),
		Peg: c.peg, Newest: c.newest,
	}
	if s.Peg == "" {
		s.Peg = PegUnknown
	}
	for i := len(c.visits) - 1; i >= 0; i-- {
		s.Recent = append(s.Recent, c.visits[i])
	}
	if len(s.Recent) > 0 {
		s.IdleDays = between(s.Recent[0].Date, today)
	}
	for i := range hs {
		if hs[i].Lifted.IsZero() && m.on(&hs[i], c) {
			s.Held = append(s.Held, hs[i].ID)
		}
	}
	c.shape(&s)
	c.trends(&s)
	s.Folded = c.stage(&s, now)
	s.Stage = s.Folded
	if r := c.rest; r != nil && (r.until == "" || today < r.until) {
		s.Stage, s.Rest = Resting, r.reason
		if r.until != "" {
			s.Rest = "until " + r.until
			if r.reason != "" {
				s.Rest += ": " + r.reason
			}
			due.at(r.until)
		}
	}
	if r := c.retired; r != nil {
		s.Stage, s.Retired, s.Replaced = Retired, r.reason, r.replacedBy
	}
	c.unusedNext(now, due)
	c.next(&s, now, today, due)
	return s
}

// stage returns the stage that the folded sessions give.
func (c *course) stage(s *State, now *protocol.Parameters) Stage {
	switch {
	case c.trial && c.best >= now.TrialSessions:
		return Established
	case c.trial:
		return Trial
	case !c.seen:
		return Planned
	}
	left := s.Target + len(c.extras) - c.counted
	if left <= 0 {
		s.Mend = ""
	}
	switch {
	case s.Mend != "":
		s.NotReady = append(s.NotReady, s.Mend)
	case left == 1:
		s.NotReady = append(s.NotReady, "1 more sharp session must count")
	case left > 1:
		s.NotReady = append(s.NotReady, fmt.Sprintf("%d more sharp sessions must count", left))
	}
	if !c.lastEasy(now.EasyEntries) {
		s.NotReady = append(s.NotReady, easyAsked(now.EasyEntries))
	}
	if len(s.Held) > 0 {
		s.NotReady = append(s.NotReady, "a hold is open")
	}
	switch {
	case left > 0 || len(s.NotReady) > 0:
		return Forming
	case now.SharpOnly && c.best >= now.TrialSessions:
		return Established
	}
	return Ready
}

// shape sets how the needle goes in: as the first insertion or the takeover states. What neither
// states comes from the plan, and FromPlan names it.
func (c *course) shape(s *State) {
	p := c.plan
	if p != nil {
		s.NeedleLength = p.NeedleLengthMillimetres
	}
	var set struct {
		direction cannularyv1.NeedleDirection
		bevel     cannularyv1.Bevel
		depth     *float64
	}
	known := true
	switch {
	case c.taken != nil:
		set.direction, set.depth = c.taken.GetDirection(), c.taken.DepthMillimetres
	case c.founded && c.founder.sharp():
		set.direction, set.bevel, set.depth = c.founder.GetDirection(), c.founder.GetBevel(), c.founder.DepthMillimetres
	default:
		known = c.founded
	}
	s.Direction, s.Bevel, s.Depth, s.Founded = set.direction, set.bevel, set.depth, known
	if p == nil || c.taken != nil {
		return
	}
	plan := func(missing bool, name string, take func()) {
		if missing {
			take()
			s.FromPlan = append(s.FromPlan, name)
		}
	}
	plan(!known && p.AngleDegrees != nil, "angle", func() {})
	plan(s.Direction == 0 && p.GetDirection() != 0, "direction", func() { s.Direction = p.GetDirection() })
	plan(s.Bevel == 0 && p.GetBevel() != 0, "bevel", func() { s.Bevel = p.GetBevel() })
	plan(s.Depth == nil && p.DepthMillimetres != nil, "depth", func() { s.Depth = p.DepthMillimetres })
	if !known {
		return
	}
	differs := func(yes bool, format string, a ...any) {
		if yes {
			s.PlanDiffers = append(s.PlanDiffers, fmt.Sprintf(format, a...))
		}
	}
	differs(p.AngleDegrees != nil && c.reference != nil && beyond(math.Abs(*p.AngleDegrees-*c.reference), 0),
		"angle %g°", p.GetAngleDegrees())
	differs(p.GetDirection() != 0 && p.GetDirection() != s.Direction, "%s", Words(p.GetDirection().String(), "NEEDLE_DIRECTION_"))
	differs(p.GetBevel() != 0 && p.GetBevel() != s.Bevel, "bevel %s", Words(p.GetBevel().String(), "BEVEL_"))
	differs(p.DepthMillimetres != nil && s.Depth != nil && *p.DepthMillimetres != *s.Depth, "%g mm deep", p.GetDepthMillimetres())
}

// mend returns what the first insertion lacks, without which no session can count; empty if it
// lacks nothing.
func (c *course) mend(now *protocol.Parameters) string {
	var missing []string
	if now.NeedsSameAngle && c.reference == nil {
		missing = append(missing, "its angle")
	}
	if now.NeedsListed && c.creator == nil {
		missing = append(missing, "who made it")
	}
	if c.trial || len(missing) == 0 {
		return ""
	}
	what := strings.Join(missing, " and ")
	switch {
	case c.taken != nil:
		return "the takeover does not state " + strings.NewReplacer("its angle", "the angle", "who made it", "who made the track").
			Replace(what) + ": no session counts until the takeover is corrected"
	case c.founded:
		return fmt.Sprintf("the first insertion (%s) does not record %s: no session counts until that is corrected", c.foundedOn, what)
	}
	return ""
}

func easyAsked(n int) string {
	if n == 1 {
		return "the last entry must be easy (one attempt, one pass, no resistance)"
	}
	return fmt.Sprintf("each of the last %d entries must be easy (one attempt, one pass, no resistance)", n)
}

func (c *course) trends(s *State) {
	t := &s.Trends
	t.Angles = trend.Circular(c.angles)
	t.Haemostasis, t.HaemostasisKnown = trend.Usual(c.stopping.before)
	t.HaemostasisRun = len(c.stopping.run)
	t.BluntSessions, t.BluntSuccessful = c.bluntSessions, c.bluntSuccessful
	if t.BluntSessions > 0 {
		t.BluntLower, t.BluntUpper = trend.Binomial(t.BluntSuccessful, t.BluntSessions, 0.95)
	}
	t.Rescues, t.RescueSum, t.RescueLimit = c.rescues, c.rescueSum, trend.Rescue().H
}

func (a *access) state() AccessState {
	s := AccessState{Name: a.name, Kind: a.kind, Side: a.side, Region: a.region, Retired: a.retired, Examined: a.examined,
		ExaminedOn: a.visit.date, NotExamined: a.leftOut(),
		Pressure: a.look, PressureKnown: !a.seen.IsZero(), PressureAt: a.seen}
	if n := len(a.flows); n > 0 {
		v := a.flows[n-1].value
		s.Flow, s.FlowAt = &v, a.flows[n-1].at
	}
	if n := len(a.block); n > 0 {
		s.PressureGauge = a.block[n-1].gauge
	}
	return s
}

// serious returns the cautions and stops that stand on a track or its access, gravest first. It
// leaves out holds, which are shown elsewhere.
func serious(s *State, findings []Finding) []string {
	var stops, cautions []string
	for i := range findings {
		x := &findings[i]
		mine := x.Track == s.Name || x.Track == "" && x.Access == s.Access && s.Access != ""
		if !mine || !x.Cleared.IsZero() || x.Hold != "" || s.Stage == Retired {
			continue
		}
		switch x.Severity {
		case rule.Stop:
			stops = append(stops, x.Seen)
		case rule.Caution:
			cautions = append(cautions, x.Seen)
		}
	}
	all := append(stops, cautions...)
	if more := len(all) - seriousMost; more > 0 {
		all = append(all[:seriousMost], fmt.Sprintf("there are %d more cautions", more))
		if more == 1 {
			all[seriousMost] = "there is 1 more caution"
		}
	}
	return all
}

// seriousMost is how many cautions are shown before the reason (ours). The card lists the rest.
const seriousMost = 3

// sentences joins parts into sentences, each with a capital and a full stop.
func sentences(parts ...string) string {
	var out []string
	for _, p := range parts {
		if p = strings.TrimSpace(p); p == "" {
			continue
		}
		if r := []rune(p); len(r) > 0 {
			p = strings.ToUpper(string(r[0])) + string(r[1:])
		}
		if !strings.ContainsAny(p[len(p)-1:], ".!?") {
			p += "."
		}
		out = append(out, p)
	}
	return strings.Join(out, " ")
}

// next chooses the next needle and says why. The text names dates and no numbers of days, so
// that it changes only when the advice does.
func (c *course) next(s *State, now *protocol.Parameters, today string, due *dueDate) {
	needed := s.Target + len(s.Extras)
	n := &s.Next
	n.Needle = None
	if s.Stage == Retired {
		n.Why = "the track was given up: " + strings.TrimSuffix(cmp.Or(s.Retired, "no reason recorded"), ".")
		if s.Replaced != "" {
			n.Why += ". Track " + s.Replaced + " replaces it"
		}
		if c.retiredAt.Before(c.planAt) {
			n.Why += ". A later plan names it again, but that does not bring it back: plan a new track"
		}
		return
	}
	c.gap(s, now, today, due)
	switch {
	case len(s.Held) > 0:
		n.Why = "a hold is open: do not needle here. The hold says what clears it"
		return
	case s.Stage == Resting:
		n.Why = "the track rests " + cmp.Or(s.Rest, "(no reason recorded)")
		if c.rest.until == "" && s.Rest != "" {
			n.Why = "the track rests: " + s.Rest
		}
		return
	case c.stopped():
		n.Why = "a track that was not used may have closed. Do not needle it before a review is closed. Ask the lead nurse"
		return
	case c.scab != "" && (c.scabDate == today || c.scabOpen && after(c.scabDate, 1) == today):
		due.at(after(today, 1))
		n.Why = "remove the whole scab, disinfect again and record it. No needle before that"
		return
	case s.Folded == Planned:
		n.Needle, n.Session = Sharp, 1
		n.Why = fmt.Sprintf("first insertion: sharp, by someone rated to create tracks. It sets angle, direction and depth for the %d "+
			"sharp sessions to come", needed)
	case s.Folded == Forming:
		n.Needle, n.Session = Sharp, s.Counted+1
		n.Why = c.forms(s, now, needed)
	case now.SharpOnly && (s.Folded == Ready || s.Folded == Established):
		n.Needle, n.Session = Sharp, s.Counted+1
		n.Why = string(s.Folded) + ": the unit's protocol keeps tracks sharp"
		if s.Folded == Established {
			n.Session = 0
		}
	case now.SharpOnly:
		n.Needle = Sharp
		n.Why = "past forming: the unit's protocol keeps tracks sharp"
	case s.Folded == Ready:
		n.Needle, n.Session = Blunt, 1
		n.Why = fmt.Sprintf("ready: %d of %d sharp sessions count, and the last entries were easy. This is the first blunt needle",
			s.Counted, needed)
	case s.Folded == Trial:
		n.Needle, n.Session = Blunt, s.Streak+1
		n.Why = fmt.Sprintf("blunt trial: %d of %d good blunt sessions in a row so far", s.Streak, now.TrialSessions)
	default:
		n.Needle = Blunt
		n.Why = "established: blunt needle"
	}
	c.afterGap(s, now)
}

// forms returns what a forming track still lacks, in words.
func (c *course) forms(s *State, now *protocol.Parameters, needed int) string {
	left := needed - s.Counted
	text := fmt.Sprintf("%d of %d sharp sessions count so far", s.Counted, needed)
	switch {
	case s.Mend != "":
		return text + ". " + sentences(s.Mend)
	case now.SharpOnly && left == 1:
		text = "1 more sharp session until the track is ready. " + text
	case now.SharpOnly && left > 1:
		text = fmt.Sprintf("%d more sharp sessions until the track is ready. %s", left, text)
	case left == 1:
		text = "1 more sharp session before the first blunt needle. " + text
	case left > 1:
		text = fmt.Sprintf("%d more sharp sessions before the first blunt needle. %s", left, text)
	}
	if left <= c.shortOfEasy(now.EasyEntries) && !c.lastEasy(now.EasyEntries) {
		text += ". Before that, " + easyAsked(now.EasyEntries)
	}
	return text
}

// shortOfEasy returns how many more easy entries make the last n easy.
func (c *course) shortOfEasy(n int) int {
	for i := len(c.easy) - 1; i >= 0 && len(c.easy)-i <= n; i-- {
		if !c.easy[i] {
			return n - (len(c.easy) - 1 - i)
		}
	}
	return max(0, n-len(c.easy))
}

// gap judges the gap that no session has ended yet, whether or not the track may be needled now. The fold judges a gap only
// when a session ends it.
func (c *course) gap(s *State, now *protocol.Parameters, today string, due *dueDate) {
	if s.Folded == Trial || s.Folded == Established || c.lastCount == "" {
		return
	}
	extra, restart := after(c.lastCount, now.GapExtraDays+1), after(c.lastCount, now.GapRestartDays+1)
	due.at(extra)
	due.at(restart)
	switch {
	case today >= restart:
		s.Again = s.Target + len(c.kept())
	case today >= extra:
		s.OneMore = true
	}
}

// afterGap says in the next needle what the gap asks for.
func (c *course) afterGap(s *State, now *protocol.Parameters) {
	n := &s.Next
	switch {
	case s.Again > 0:
		n.Needle, n.Session = Sharp, 1
		n.Caution = fmt.Sprintf("the %s was on %s, more than %d days ago. Counting starts again", c.lastKind(), c.lastCount,
			now.GapRestartDays)
		n.Why = fmt.Sprintf("the next sharp session is number 1 of %d", s.Again)
	case s.OneMore:
		n.Needle, n.Session = Sharp, s.Counted+1
		n.Caution = fmt.Sprintf("the %s was on %s, more than %d days ago. One more sharp session is needed",
			c.lastKind(), c.lastCount, now.GapExtraDays)
		n.Why = fmt.Sprintf("%d of %d sharp sessions count so far; 1 of the %d is added for the gap", s.Counted, s.Course(), s.Course())
	default:
		return
	}
	if s.Mend != "" {
		n.Why = sentences(n.Why, s.Mend)
	}
}
