package track

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// atStart is how a track stood when a session of it began.
type atStart struct {
	inTrial  bool
	wasReady bool
	recent   bool // no more than gap_extra_days after the last session that counts
	first    bool // the session is the first one
	count    bool // no needle was used before, and the track was not taken over
}

// sessionRule reports whether findings of the rule are about one session and end with the next.
func sessionRule(code string) bool {
	switch code {
	case rule.AngleDrift, rule.UnlistedCannulator, rule.OffSite, rule.OffPath, rule.EarlyBlunt, rule.Rescue,
		rule.AttemptsExceeded, rule.SingleDisinfection, rule.ContactShort, rule.GaugeFlow, rule.ReferenceReused:
		return true
	}
	return false
}

// sessionRules judges one session.
func (m *machine) sessionRules(e *env, c *course, s *session, p, home *protocol.Parameters, was atStart, v *Visit) {
	found := func(code string, at time.Time, seen, asked string, facts ...string) {
		m.raise(Finding{Rule: code, Track: c.name, Access: c.access, Since: at, Facts: facts, Seen: seen, Asked: asked}, p)
	}
	if was.count {
		m.firstEntry(e, c, s, p)
	}
	m.entries(c, s, p, was, found)
	m.needles(e, c, s, p, home, was, v)
	if s.reused {
		a := s.attempts[0]
		found(rule.ReferenceReused, a.from, "the session number of "+s.date+
			" was used on an earlier day too: each day is counted by itself", "one reference, one treatment", a.id)
	}
	if facts, first, who, n := exceeding(s, p.AttemptsMax); n > 0 {
		found(rule.AttemptsExceeded, first, fmt.Sprintf("%d attempts by %s on %s", n, who, s.date),
			fmt.Sprintf("at most %d by one cannulator", p.AttemptsMax), facts...)
	}
	if first := s.firstUsed(); first != nil && !was.first {
		m.disinfections(c, s, p, first)
	}
	for _, f := range s.preps {
		if seen, asked := short(f.Body.(*cannularyv1.SitePrepared), p); seen != "" {
			// Attempts without a session reference share the preparations of their day.
			if x := m.stands(rule.ContactShort, "", c.name, ""); x == nil || x.Facts[0] != f.ID {
				m.raise(Finding{Rule: rule.ContactShort, Track: c.name, Access: c.access, Since: e.from(f), Facts: []string{f.ID},
					Seen: seen, Asked: asked, key: s.places[0]}, p)
			}
			break
		}
	}
	if gauge := s.final().Gauge; gauge != nil && s.final().used() && s.speed > 0 {
		if asked, ok := suits(*gauge, s.speed); !ok {
			found(rule.GaugeFlow, s.final().from, fmt.Sprintf("a %dG needle at %d mL/min on %s", *gauge, s.speed, s.date), asked,
				s.final().id, s.speedOf)
		}
	}
}

// firstEntry judges who made the first insertion.
func (m *machine) firstEntry(e *env, c *course, s *session, p *protocol.Parameters) {
	a := s.firstUsed()
	if a == nil {
		return
	}
	c.firstBy = a.GetCannulator()
	seen := e.unrated(a, s, p)
	if seen == "" {
		return
	}
	m.raise(Finding{Rule: rule.FirstByNovice, Track: c.name, Access: c.access, Since: a.from, Facts: []string{a.id}, Seen: seen,
		Asked: fmt.Sprintf("rated to create tracks within the last %d months", p.RatingMonths)}, p)
}

// unrated returns why a cannulator may not create a track, empty if the rating is valid.
func (e *env) unrated(a *attempt, s *session, p *protocol.Parameters) string {
	who := a.GetCannulator()
	if who == nil {
		return "who made the first insertion is not recorded"
	}
	var rating *record.Fact
	for _, r := range e.ratings[record.StaffID(who)] {
		if !r.At.After(a.at) {
			rating = r
		}
	}
	if rating == nil {
		return "no rating of " + who.GetValue() + ", who made the first insertion, is recorded"
	}
	if rating.Body.(*cannularyv1.CannulatorRated).GetLevel() != cannularyv1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR {
		return who.GetValue() + ", who made the first insertion, is not rated to create tracks"
	}
	rated := e.date(rating)
	if t, err := time.Parse(time.DateOnly, rated); err == nil && s.date > t.AddDate(0, p.RatingMonths, 0).Format(time.DateOnly) {
		return fmt.Sprintf("the rating of %s, who made the first insertion, dates from %s", who.GetValue(), rated)
	}
	return ""
}

// entries judges angle, spot, path and cannulator of the attempts.
func (m *machine) entries(c *course, s *session, p *protocol.Parameters, was atStart,
	found func(code string, at time.Time, seen, asked string, facts ...string)) {
	said := map[string]bool{}
	once := func(code, seen, asked string, a *attempt) {
		if !said[code] {
			said[code] = true
			found(code, a.from, seen, asked, a.id)
		}
	}
	for i := range s.attempts {
		a := &s.attempts[i]
		if !a.used() {
			continue
		}
		if off, known := c.off(a.AngleDegrees); p.NeedsSameAngle && known && beyond(off, p.AngleTolerance) {
			once(rule.AngleDrift, fmt.Sprintf("inserted at %g° on %s; the track's angle is %g°", a.GetAngleDegrees(), s.date, *c.reference),
				fmt.Sprintf("within %g°", p.AngleTolerance), a)
		}
		if c.trial || !a.sharp() {
			continue
		}
		if listed, known := c.listed(*a); p.NeedsListed && known && !listed {
			once(rule.UnlistedCannulator, "inserted on "+s.date+" by "+a.GetCannulator().
				GetValue()+", who is neither the creator nor a deputy", "by creator or deputy: "+strings.Join(c.who(), ", "), a)
		}
		if was.first {
			continue
		}
		if p.NeedsSameSpot && a.GetSameSpot() == cannularyv1.Answer_ANSWER_NO {
			once(rule.OffSite, "not inserted in the same spot on "+s.date, "the same spot each time", a)
		}
		if p.NeedsSamePath && a.GetNewPath() == cannularyv1.Answer_ANSWER_YES {
			once(rule.OffPath, "a new path was cut on "+s.date, "the same path each time", a)
		}
	}
}

// needles judges blunt needles that come too early and sharp ones that come too late.
func (m *machine) needles(e *env, c *course, s *session, p, home *protocol.Parameters, was atStart, v *Visit) {
	for i := range s.attempts {
		a := &s.attempts[i]
		switch {
		case !a.used():
			continue
		case a.blunt() && !was.inTrial && (!was.wasReady || !was.recent || home.SharpOnly):
			if s.doubted && !s.held {
				continue
			}
			m.earlyBlunt(c, s, home, was, a)
		case a.sharp() && was.inTrial && !home.SharpOnly:
			m.rescue(e, c, s, p, a)
			v.Rescue = true
		default:
			continue
		}
		return
	}
}

// earlyBlunt raises a finding for a blunt needle that came too early.
func (m *machine) earlyBlunt(c *course, s *session, home *protocol.Parameters, was atStart, a *attempt) {
	x := Finding{Rule: rule.EarlyBlunt, Track: c.name, Access: c.access, Since: a.from, Facts: []string{a.id},
		Seen: "a blunt needle on " + s.date + ", before the track was ready", Asked: "no blunt needle before"}
	switch {
	case home.SharpOnly:
		x.Seen = "a blunt needle on " + s.date + ", although the unit keeps tracks sharp"
	case was.wasReady:
		x.Seen = fmt.Sprintf("a blunt needle on %s, more than %d days after the %s (%s)", s.date,
			home.GapExtraDays, c.lastKind(), c.lastCount)
	}
	m.raise(x, home)
}

// rescue raises a finding for a sharp needle in a track past forming.
func (m *machine) rescue(e *env, c *course, s *session, p *protocol.Parameters, a *attempt) {
	x := Finding{Rule: rule.Rescue, Track: c.name, Access: c.access, Since: a.from, Facts: []string{a.id}, Severity: rule.Caution,
		Seen: "a rescue with a sharp needle on " + s.date + ", and no reason recorded", Asked: "a last resort that needs a reason"}
	if a.GetRescueReason() != cannularyv1.RescueReason_RESCUE_REASON_UNSPECIFIED {
		x.Severity = rule.Note
		x.Seen = "a rescue with a sharp needle on " + s.date + ": " + rescueName(a.GetRescueReason())
	}
	m.raise(x, p)
	c.rescues++
	c.rescued = append(slices.Clip(c.rescued), rescue{s.date, a.id})
	for len(c.rescued) > 0 && between(c.rescued[0].date, s.date) > keepRescues {
		c.rescued = c.rescued[1:]
	}
	facts := []string{a.id}
	var dates []string
	for i := len(c.rescued) - 1; i >= 0; i-- {
		if between(c.rescued[i].date, s.date) > p.RescueWindowDays {
			continue
		}
		dates = append(dates, c.rescued[i].date)
		if c.rescued[i].ground != a.id {
			facts = append(facts, c.rescued[i].ground)
		}
	}
	if len(dates) < p.RescueRepeatCount {
		m.stillRepeated(e, c, s)
		return
	}
	m.end(s.from, "the rescue of "+s.date, rule.RescueRepeat, "", c.name, "")
	slices.Reverse(dates)
	// The calendar ends the finding on the first date whose window holds too few rescues. That
	// is the day after the last window with this rescue in it.
	leaves := dates[len(dates)-p.RescueRepeatCount]
	m.raise(Finding{Rule: rule.RescueRepeat, Track: c.name, Access: c.access, Since: a.from, Facts: facts,
		Seen: fmt.Sprintf("%d rescues within %d days (%s): the track needs a review", len(dates), p.RescueWindowDays,
			strings.Join(dates, ", ")),
		Asked: fmt.Sprintf("a review after %d or more rescues within %d days", p.RescueRepeatCount, p.RescueWindowDays),
		key:   s.facility, needs: p.RescueRepeatCount, window: p.RescueWindowDays,
		lapses: e.midnight(after(leaves, p.RescueWindowDays+1), s.facility)}, p)
}

// stillRepeated moves the day on which the calendar ends a finding of repeated rescues. It is
// called when another rescue is not a repetition by its own protocol.
func (m *machine) stillRepeated(e *env, c *course, s *session) {
	m.clear(s.from, "", func(x *Finding) bool {
		return x.Rule == rule.RescueRepeat && x.Track == c.name && !s.at.Before(x.lapses)
	})
	if x := m.stands(rule.RescueRepeat, "", c.name, ""); x != nil {
		leaves := c.rescued[len(c.rescued)-x.needs].date
		x.lapses = e.midnight(after(leaves, x.window+1), x.key)
	}
}

// exceeding returns the first cannulator who made more attempts than allowed.
func exceeding(s *session, most int) (facts []string, first time.Time, who string, n int) {
	for i := range s.attempts {
		a := s.attempts[i].GetCannulator()
		if a == nil {
			continue
		}
		var own []int
		for k := range s.attempts {
			if same(a, s.attempts[k].GetCannulator()) {
				own = append(own, k)
			}
		}
		if len(own) <= most || own[most] != i {
			continue
		}
		for _, k := range own {
			facts = append(facts, s.attempts[k].id)
		}
		return facts, s.attempts[own[0]].from, a.GetValue(), len(own)
	}
	return nil, first, "", 0
}

// disinfections judges how often the site was disinfected.
func (m *machine) disinfections(c *course, s *session, p *protocol.Parameters, first *attempt) {
	n, complete := 0, false
	facts := []string{first.id}
	for _, f := range s.preps {
		b := f.Body.(*cannularyv1.SitePrepared)
		n += len(b.GetDisinfections())
		complete = complete || b.GetDisinfectionsComplete() == cannularyv1.Answer_ANSWER_YES
		facts = append(facts, f.ID)
	}
	if n >= p.DisinfectionsMin {
		return
	}
	x := Finding{Rule: rule.SingleDisinfection, Track: c.name, Access: c.access, Since: first.from, Facts: facts,
		Seen: disinfected(n, "recorded", s.date), Asked: fmt.Sprintf("at least %d", p.DisinfectionsMin)}
	if complete {
		x.Severity = rule.Caution
		x.Seen = disinfected(n, "done", s.date)
	}
	m.raise(x, p)
}

func disinfected(n int, how, date string) string {
	switch n {
	case 0:
		return "no disinfection " + how + " on " + date
	case 1:
		return "only 1 disinfection " + how + " on " + date
	}
	return fmt.Sprintf("only %d disinfections %s on %s", n, how, date)
}

// short returns what was seen and asked if a disinfection was not left to act long enough.
func short(b *cannularyv1.SitePrepared, p *protocol.Parameters) (seen, asked string) {
	for _, d := range b.GetDisinfections() {
		least := p.Contact(d.GetAgent())
		if least > 0 && d.ContactSeconds != nil && int(d.GetContactSeconds()) < least {
			return fmt.Sprintf("%s was left to act for only %d s, not %d s", AntisepticName(d.GetAgent()), d.GetContactSeconds(), least),
				fmt.Sprintf("at least %d s", least)
		}
	}
	return "", ""
}

// suits reports whether gauge and pump speed (mL/min) suit each other by either of two published
// tables (from memory; see rule.GaugeFlow). A gauge without a row is not judged.
func suits(gauge, speed uint32) (asked string, ok bool) {
	switch gauge {
	case 17:
		return "17G below 300 mL/min", speed < 300
	case 16:
		return "16G from 250 to 350 mL/min", speed >= 250 && speed <= 350
	case 15:
		return "15G from 350 to 450 mL/min", speed >= 350 && speed <= 450
	case 14:
		return "14G above 450 mL/min", speed > 450
	}
	return "", true
}

// prepared folds a preparation: what became of the peg and the scab.
func (m *machine) prepared(e *env, b *cannularyv1.SitePrepared, st step) {
	f, where := st.fact, st.place
	c := m.course(b.GetTrack(), f)
	switch {
	case pegFound(b):
		c.pegFound, c.foundNow, c.peg = true, true, PegOut
		if b.GetPeg() != cannularyv1.Removal_REMOVAL_WHOLE {
			c.peg = PegIn
		}
	case b.GetPeg() == cannularyv1.Removal_REMOVAL_NONE_PRESENT:
		c.peg = PegOut
	}
	m.clear(e.from(f), "the preparation of another session", func(x *Finding) bool {
		return x.Rule == rule.ScabIncomplete && x.Track == c.name && x.key != where
	})
	if c.scab != where {
		c.scab = ""
	}
	switch b.GetScab() {
	case cannularyv1.Removal_REMOVAL_WHOLE, cannularyv1.Removal_REMOVAL_NONE_PRESENT:
		m.end(e.from(f), "a later preparation", rule.ScabIncomplete, "", c.name, "")
		c.scab = ""
	case cannularyv1.Removal_REMOVAL_PARTLY, cannularyv1.Removal_REMOVAL_NOT_REMOVED:
		p := m.home(e, f.At)
		if p.SharpOnly || !c.trial && !c.ready(&p) {
			return
		}
		what := "was removed only in part"
		if b.GetScab() == cannularyv1.Removal_REMOVAL_NOT_REMOVED {
			what = "was not removed"
		}
		if m.stands(rule.ScabIncomplete, "", c.name, "") == nil {
			m.raise(Finding{Rule: rule.ScabIncomplete, Track: c.name, Access: c.access, Since: e.from(f), Facts: []string{f.ID},
				Seen: "the scab " + what, Asked: "the scab is wholly removed before a blunt needle goes in", key: where}, &p)
		}
		if !slices.Contains(c.tried, where) {
			c.scab, c.scabDate, c.scabOpen = where, e.date(f), f.HasSession()
		}
	}
}

// scabEntry ends the stop of a scab when a needle goes in. A scab of another session is over.
// One of this session stays on record, because a needle went in anyway.
func (m *machine) scabEntry(c *course, s *session) {
	m.clear(s.from, "the session of "+s.date, func(x *Finding) bool {
		return x.Rule == rule.ScabIncomplete && x.Track == c.name && !s.is(x.key)
	})
	if x := m.stands(rule.ScabIncomplete, "", c.name, ""); x != nil && s.attempts[0].blunt() && s.attempts[0].used() {
		x.Seen += "; a blunt needle was used nevertheless"
	}
	c.scab, c.tried = "", s.places
}

// removed folds the removal of a needle: its angle, and the haemostasis of the session.
func (m *machine) removed(e *env, b *cannularyv1.NeedleRemoved, st step) {
	if b.GetTrack() == "" {
		return
	}
	f := st.fact
	c, p := m.course(b.GetTrack(), f), e.on(f)
	if off, known := c.off(b.AngleDegrees); p.NeedsSameAngle && known && beyond(off, p.AngleTolerance) {
		m.raise(Finding{Rule: rule.AngleDrift, aspect: "removal", Track: c.name, Access: c.access, Since: e.from(f), Facts: []string{f.ID},
			Seen:  fmt.Sprintf("taken out at %g°; the track's angle is %g°", b.GetAngleDegrees(), *c.reference),
			Asked: fmt.Sprintf("within %g°", p.AngleTolerance)}, &p)
	}
	if st.value {
		m.bled(e, c, m.g.key(b.GetTrack(), st.place), *b.HaemostasisMinutes)
		m.haemostasis(e, c, *b.HaemostasisMinutes, f, &p, zone.Date(f.At, e.Zone(f.Facility)))
	}
}
