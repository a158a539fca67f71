package track

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/rule"
	"cannulary/internal/trend"
	"cannulary/internal/zone"
)

// Fold judges the facts of one patient.
func Fold(in Input) Judgement {
	e, m := newEnv(in), &machine{}
	for _, st := range e.steps(in.Items) {
		m.apply(e, st)
	}
	return m.answer(e)
}

// answer is the judgement at the moment asked for, of the facts that were folded. It
// changes nothing.
func (m *machine) answer(e *env) Judgement {
	today := e.today()
	j := Judgement{AsOf: e.AsOf, Where: m.where}
	now := e.Book.On(e.Facility, today)
	due := dueDate{today: today}
	due.at(e.Book.Next(e.Facility, today))

	j.Holds = slices.Clone(m.holds)
	j.Findings = slices.Clone(m.over)
	for _, x := range m.standing {
		x.lapse(e.AsOf)
		if !x.lapses.IsZero() && x.Cleared.IsZero() {
			day := zone.Date(x.lapses, e.Zone(e.Facility))
			if e.midnight(day, e.Facility).Before(x.lapses) {
				day = after(day, 1)
			}
			due.at(day)
		}
		j.Findings = append(j.Findings, x)
	}
	j.Holds = append(j.Holds, fistulaHolds(j.Findings)...)
	for i := range e.Refused {
		j.Findings = append(j.Findings, refused(&e.Refused[i].Fact))
	}
	sort.SliceStable(j.Holds, func(a, b int) bool {
		x, y := &j.Holds[a], &j.Holds[b]
		return x.Since.Before(y.Since) || x.Since.Equal(y.Since) && x.ID < y.ID
	})
	sort.SliceStable(j.Findings, func(a, b int) bool {
		x, y := &j.Findings[a], &j.Findings[b]
		return x.Since.Before(y.Since) || x.Since.Equal(y.Since) && x.ID < y.ID
	})
	for _, c := range m.courses {
		if !c.there {
			continue
		}
		s := m.state(c, &now, today, &due, j.Holds)
		s.ID = record.TrackID(or(e.TrackKeys[c.name], c.patient), c.name)
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
		s.ID = record.AccessID(or(e.AccessKeys[a.name], a.patient), a.name)
		j.Accesses = append(j.Accesses, s)
	}
	j.Due = due.first
	return j
}

// dueDate gathers the first date after today on which the calendar may change the answer.
type dueDate struct{ today, first string }

func (d *dueDate) at(date string) {
	if date > d.today && (d.first == "" || date < d.first) {
		d.first = date
	}
}

// refused is the finding about a merge that had no effect.
func refused(f *record.Fact) Finding {
	r, _ := rule.Of(rule.MergeWithoutEffect)
	return Finding{ID: record.FindingID(r.Code, "patient", f.ID), Rule: r.Code, Severity: r.Severity, Since: f.At, Facts: []string{f.ID},
		Seen: "a merge of identities had no effect: it would close a cycle, or names an identity that is merged already", Asked: r.Asks, Clears: r.Clears}
}

// state is what one track is.
func (m *machine) state(c *course, now *protocol.Parameters, today string, due *dueDate, hs []Hold) State {
	s := State{
		Name: c.name, Access: c.access, Role: c.role,
		Counted: c.counted, Target: c.target(now), Extras: c.extras, Streak: c.streak,
		ReferenceAngle: c.reference, Creator: c.creator, FirstBy: c.firstBy, Entered: c.entered, Deputies: c.deputies, Plan: c.plan, Planned: c.planned, PlanAt: c.planAt,
		Taken: c.taken, TakenAt: c.takenAt, Protocol: *now, IdleDays: -1, Unserved: -1, UnderReview: m.underReview(c),
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
	if c.lastCount != "" {
		s.Unserved = between(c.lastCount, today)
	}
	for i := range hs {
		if hs[i].Lifted.IsZero() && hs[i].covers(c) {
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
	c.next(&s, now, today, due)
	return s
}

// stage is what the folded sessions make of the track.
func (c *course) stage(s *State, now *protocol.Parameters) Stage {
	switch {
	case c.trial && c.best >= now.TrialSessions:
		return Established
	case c.trial:
		return Trial
	case !c.seen:
		return Planned
	}
	if left := s.Target + len(c.extras) - c.counted; left > 0 {
		s.NotReady = append(s.NotReady, fmt.Sprintf("%d more sharp sessions must count", left))
	}
	if !c.lastEasy(now.EasyEntries) {
		s.NotReady = append(s.NotReady, fmt.Sprintf("each of the last %d entries must be easy: one attempt, one pass, no resistance", now.EasyEntries))
	}
	if len(s.Held) > 0 {
		s.NotReady = append(s.NotReady, "a hold is open")
	}
	switch {
	case len(s.NotReady) > 0:
		return Forming
	case now.SharpOnly && c.best >= now.TrialSessions:
		return Established
	}
	return Ready
}

// shape is where and how the needle goes: from the latest entry that recorded it, else from
// what was taken over, else from the plan.
func (c *course) shape(s *State) {
	if p := c.plan; p != nil {
		s.Direction, s.Bevel, s.Depth, s.Gauge, s.NeedleLength = p.GetDirection(), p.GetBevel(), p.DepthMillimetres, p.Gauge, p.NeedleLengthMillimetres
	}
	if t := c.taken; t != nil {
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
	if c.direction != 0 {
		s.Direction = c.direction
	}
	if c.bevel != 0 {
		s.Bevel = c.bevel
	}
	if c.depth != nil {
		s.Depth = c.depth
	}
	if c.gauge != nil {
		s.Gauge = c.gauge
	}
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
	s := AccessState{Name: a.name, Kind: a.kind, Side: a.side, Region: a.region, Retired: a.retired, Examined: a.examined, NotExamined: a.notExamined,
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

// next chooses the next needle and says why. The words hold dates, not numbers of days, so
// that they change only when the advice does.
func (c *course) next(s *State, now *protocol.Parameters, today string, due *dueDate) {
	needed := s.Target + len(s.Extras)
	n := &s.Next
	n.Needle = None
	switch {
	case s.Stage == Retired:
		n.Why = "the track was given up: " + or(s.Retired, "no reason recorded")
		if s.Replaced != "" {
			n.Why += "; track " + s.Replaced + " replaces it"
		}
		return
	case len(s.Held) > 0:
		n.Why = "a hold is open: no needle here until a person lifts it"
		return
	case s.Stage == Resting:
		n.Why = "the track rests " + or(s.Rest, "(no reason recorded)")
		return
	case c.scab != "" && c.scabDate == today:
		due.at(after(today, 1))
		n.Why = "the scab is not wholly removed: no blunt needle before it is; remove it, disinfect again and record it"
		return
	case s.Folded == Planned:
		n.Needle, n.Session = Sharp, 1
		n.Why = fmt.Sprintf("planned, no needle yet: the first insertion is sharp, by someone rated to create tracks, and sets angle, direction and depth for the %d sessions to come", needed)
	case s.Folded == Forming:
		n.Needle, n.Session = Sharp, s.Counted+1
		n.Why = fmt.Sprintf("forming: %d of %d sharp sessions count; not ready: %s", s.Counted, needed, strings.Join(s.NotReady, "; "))
	case now.SharpOnly && (s.Folded == Ready || s.Folded == Established):
		n.Needle, n.Session = Sharp, s.Counted+1
		n.Why = string(s.Folded) + "; the unit's protocol keeps tracks sharp"
		if s.Folded == Established {
			n.Session = 0
		}
	case now.SharpOnly:
		n.Needle = Sharp
		n.Why = "past forming; the unit's protocol keeps tracks sharp"
	case s.Folded == Ready:
		n.Needle, n.Session = Blunt, 1
		n.Why = fmt.Sprintf("ready: %d of %d sharp sessions count and the last entries were easy; this is the first blunt needle", s.Counted, needed)
	case s.Folded == Trial:
		n.Needle, n.Session = Blunt, s.Streak+1
		n.Why = fmt.Sprintf("blunt trial: %d of %d consecutive successful blunt sessions", s.Streak, now.TrialSessions)
	default:
		n.Needle = Blunt
		n.Why = "established: routine blunt use"
	}
	c.open(s, now, today, due)
}

// open looks at the gap that is still open: the fold judges it only when a session ends it.
func (c *course) open(s *State, now *protocol.Parameters, today string, due *dueDate) {
	n := &s.Next
	if s.Folded == Trial || s.Folded == Established {
		if len(s.Recent) == 0 {
			return
		}
		from := after(s.Recent[0].Date, now.GapExtraDays+1)
		due.at(from)
		if today >= from {
			n.Why += fmt.Sprintf("; CAUTION, last needled on %s, more than %d days ago", s.Recent[0].Date, now.GapExtraDays)
		}
		return
	}
	if c.lastCount == "" {
		return
	}
	extra, restart := after(c.lastCount, now.GapExtraDays+1), after(c.lastCount, now.GapRestartDays+1)
	due.at(extra)
	due.at(restart)
	switch {
	case today >= restart:
		n.Needle, n.Session = Sharp, 1
		n.Why += fmt.Sprintf("; CAUTION, the last session that counts was on %s, more than %d days ago: counting starts again, a sharp session now is number 1", c.lastCount, now.GapRestartDays)
	case today >= extra:
		n.Needle, n.Session = Sharp, s.Counted+1
		n.Why += fmt.Sprintf("; CAUTION, the last session that counts was on %s, more than %d days ago: one more sharp session is needed", c.lastCount, now.GapExtraDays)
	}
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
