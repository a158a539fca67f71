package track

import (
	"fmt"
	"slices"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

func planRule(code string) bool {
	switch code {
	case rule.SpacingShort, rule.SpacingLong, rule.NearAnastomosis, rule.AngleUnusual:
		return true
	}
	return false
}

// plan folds a plan and judges it.
func (m *machine) plan(e *env, b *cannularyv1.TrackPlanned, f *record.Fact) {
	p := e.on(f)
	m.access(b.GetAccess()).there = true
	for _, t := range b.GetTracks() {
		c := m.course(t.GetTrack(), f)
		c.plan, c.planned, c.planAt, c.role, c.access = t, b, e.from(f), t.GetRole(), b.GetAccess()
		c.rests(e, f)
		if !c.founded && c.taken == nil {
			c.reference = t.AngleDegrees
		}
		if t.Gauge != nil {
			c.gauge, c.stated = t.Gauge, t.Gauge
		}
		m.replan(e, c, f)
		m.onRetired(e, c, f)
		m.spacing(e, c, b, f, &p)
		m.site(e, c, t.SiteFromAnastomosisMillimetres, f, &p)
		if a := t.AngleDegrees; a != nil && (*a < p.AngleMin || *a > p.AngleMax) {
			m.raise(Finding{Rule: rule.AngleUnusual, Track: c.name, Access: c.access, Since: e.from(f), Facts: []string{f.ID},
				Seen:  fmt.Sprintf("the planned angle is %g°, outside %g° to %g°", *a, p.AngleMin, p.AngleMax),
				Asked: fmt.Sprintf("%g° to %g°", p.AngleMin, p.AngleMax)}, &p)
		}
	}
	m.grounds(e, f, false)
}

// replan ends the findings of an earlier plan.
func (m *machine) replan(e *env, c *course, f *record.Fact) {
	m.clear(e.from(f), "a later plan", func(x *Finding) bool { return x.Track == c.name && planRule(x.Rule) })
}

func (m *machine) spacing(e *env, c *course, b *cannularyv1.TrackPlanned, f *record.Fact, p *protocol.Parameters) {
	if b.TipDistanceMillimetres == nil {
		return
	}
	d := int(b.GetTipDistanceMillimetres())
	x := Finding{Track: c.name, Access: c.access, Since: e.from(f), Facts: []string{f.ID}, Seen: spacingSeen(b)}
	switch {
	case d < p.TipStop:
		x.Rule, x.Severity, x.Asked, x.Hold = rule.SpacingShort, rule.Stop, fmt.Sprintf("at least %d mm; below %d mm is a stop", p.TipMin,
			p.TipStop), record.HoldID(rule.SpacingShort, f.ID)
	case d < p.TipMin:
		x.Rule, x.Asked = rule.SpacingShort, fmt.Sprintf("at least %d mm", p.TipMin)
	case d > p.TipMax:
		x.Rule, x.Asked = rule.SpacingLong, fmt.Sprintf("at most %d mm", p.TipMax)
	default:
		return
	}
	m.raise(x, p)
}

func (m *machine) site(e *env, c *course, millimetres *uint32, f *record.Fact, p *protocol.Parameters) {
	if millimetres == nil || int(*millimetres) >= p.AnastomosisMin {
		return
	}
	m.raise(Finding{Rule: rule.NearAnastomosis, Track: c.name, Access: c.access, Since: e.from(f), Facts: []string{f.ID},
		Seen:  fmt.Sprintf("the site lies only %d mm from the anastomosis", *millimetres),
		Asked: fmt.Sprintf("at least %d mm", p.AnastomosisMin)}, p)
}

// takeOver folds a takeover: the track starts anew at the declared stage.
func (m *machine) takeOver(e *env, b *cannularyv1.TrackTakenOver, f *record.Fact) {
	p := e.on(f)
	m.access(b.GetAccess()).there = true
	c := m.course(b.GetTrack(), f)
	m.clear(e.from(f), "the track was taken over", func(x *Finding) bool {
		return x.Track == c.name && (x.Hold == "" || planRule(x.Rule)) && !x.Since.After(f.At)
	})
	overruled := c.overrules(Stage(Words(b.GetStage().String(), "TRACK_STAGE_")), e.date(f))
	fresh := &course{name: c.name, patient: c.patient, there: true, newest: c.newest, plan: c.plan, planned: c.planned, planAt: c.planAt,
		deputies: c.deputies, rest: c.rest, retired: c.retired, retiredAt: c.retiredAt, peg: c.peg,
		visits: c.visits, life: c.life, angles: c.angles, stopping: c.stopping, rescued: c.rescued, rescues: c.rescues,
		rescueSum: c.rescueSum, bluntSessions: c.bluntSessions, bluntSuccessful: c.bluntSuccessful, tried: c.tried}
	fresh.gauge, fresh.stated = c.stated, c.stated // a gauge that an entry recorded before is dropped
	fresh.overruled = overruled
	*c = *fresh
	c.taken, c.takenAt, c.takenOn, c.role, c.access = b, e.from(f), e.date(f), b.GetRole(), b.GetAccess()
	c.rests(e, f)
	c.unused = unused{base: zone.DayOf(f.At, e.Zone(m.stays.At(f.At).Facility)), ground: f.ID, run: f.ID}
	if b.Gauge != nil {
		c.gauge, c.stated = b.Gauge, b.Gauge
	}
	c.seen, c.entered = true, true
	c.creator, c.reference = b.GetCreator(), b.AngleDegrees
	switch b.GetStage() {
	case cannularyv1.TrackStage_TRACK_STAGE_FORMING:
		c.counted = int(b.GetSharpSessions())
	case cannularyv1.TrackStage_TRACK_STAGE_TRIAL:
		c.trial = true
	case cannularyv1.TrackStage_TRACK_STAGE_ESTABLISHED:
		c.trial, c.best = true, declaredStreak
	}
	m.site(e, c, b.SiteFromAnastomosisMillimetres, f, &p)
	m.onRetired(e, c, f)
}

// rests sets the plan or takeover that a track rests on.
func (c *course) rests(e *env, f *record.Fact) {
	c.basis, c.basisAt, c.basisDate, c.basisIn, c.basisDay = f.ID, e.from(f), e.date(f), f.At, span{}
	if from, to, ok := e.day(f); ok {
		c.basisDay = span{from, to}
	}
}

// onRetired retires a track whose access is retired.
func (m *machine) onRetired(e *env, c *course, f *record.Fact) {
	if c.access == "" || !m.access(c.access).retired {
		return
	}
	reason := fmt.Sprintf("access %s was retired on %s, and a track on it is retired with it. If that was a mistake, have the retirement "+
		"voided. A new access needs a name of its own", c.access, m.access(c.access).retiredOn)
	m.retire(c, retirement{reason: reason}, e.from(f), "its access was retired")
}

// declaredStreak is the streak of a track that was declared established. It is longer than any
// that a protocol asks for.
const declaredStreak = 1 << 20

// notFistula returns the access of the track if it is known not to be a fistula, else nil.
func (m *machine) notFistula(c *course) *access {
	if c.access == "" || c.retired != nil || c.basis == "" {
		return nil
	}
	for _, a := range m.accesses {
		if a.name == c.access && a.noFistula() {
			return a
		}
	}
	return nil
}

// notFistulaDay returns the day on which the track became known to lie in no fistula, if only
// the day is known.
func (c *course) notFistulaDay(a *access) span {
	if a.kindIn.After(c.basisIn) {
		return a.kindDay
	}
	return c.basisDay
}

func spacingSeen(b *cannularyv1.TrackPlanned) string {
	return fmt.Sprintf("needle tips planned %d mm apart", b.GetTipDistanceMillimetres())
}

// fistulas judges after a fact whether each track lies on a fistula, as far as is known.
func (m *machine) fistulas(e *env, f *record.Fact) {
	r, _ := rule.Of(rule.NotAFistula)
	for _, c := range m.courses {
		a := m.notFistula(c)
		x := m.stands(r.Code, "", c.name, "")
		if x != nil && (a == nil || x.Facts[0] != c.basis) {
			by := "the kind of the access, or another plan"
			if c.retired != nil {
				by = "the track was retired"
			}
			m.end(e.from(f), by, r.Code, "", c.name, "")
			x = nil
		}
		if a == nil || x != nil {
			continue
		}
		since := c.basisAt
		if a.kindIn.After(c.basisIn) {
			since = a.kindAt
		}
		m.raise(Finding{Rule: r.Code, Track: c.name, Access: a.name, Since: since, Facts: []string{c.basis, a.kindFact},
			Hold: record.HoldID(r.Code, c.basis), date: c.basisDate,
			Seen: "access " + a.name + " is recorded as " + Words(a.kind.String(), "ACCESS_KIND_") + ", not as a native fistula"}, nil)
		m.doubt(c.notFistulaDay(a), func(x *course) bool { return x == c })
	}
}

// fistulaHolds returns the holds on tracks that lie, or lay, on an access that is no fistula.
// Such a hold lasts exactly as long as its finding.
func fistulaHolds(findings []Finding) []Hold {
	var out []Hold
	for i := range findings {
		x := &findings[i]
		if x.Rule != rule.NotAFistula {
			continue
		}
		k := slices.IndexFunc(out, func(h Hold) bool { return h.ID == x.Hold })
		if k < 0 {
			out = append(out, Hold{ID: x.Hold, Rule: x.Rule, Since: x.Since, Text: x.Seen, Asked: x.Asked, Clears: x.Clears,
				Ground: x.Facts[0], Lifted: x.Cleared, Reason: x.ClearedBy, Date: x.date})
			k = len(out) - 1
		}
		h := &out[k]
		switch {
		case x.Cleared.IsZero() && !h.Lifted.IsZero():
			// The hold ended for a time; the one that stands now is shown.
			h.Tracks, h.Since, h.Lifted, h.Reason, h.places, h.NeedledLast = []string{x.Track}, x.Since, x.Cleared, "", nil, ""
		case x.Cleared.IsZero() == h.Lifted.IsZero():
			h.Tracks = append(h.Tracks, x.Track)
			if x.Cleared.After(h.Lifted) {
				h.Lifted, h.Reason = x.Cleared, x.ClearedBy
			}
		}
		if h.Since.After(x.Since) {
			h.Since = x.Since
		}
		if x.Cleared.IsZero() != h.Lifted.IsZero() {
			continue
		}
		for _, place := range x.needled {
			if !slices.Contains(h.places, place) {
				h.places = append(slices.Clip(h.places), place)
			}
		}
		h.Needled, h.NeedledLast = len(h.places), max(h.NeedledLast, x.needledLast)
	}
	return out
}
