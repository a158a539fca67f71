package track

import (
	"fmt"
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/rule"
	"cannulary/internal/zone"
)

// unused is what the rule unused-long knows of a track: a tunnel that is not used closes.
type unused struct {
	base    zone.Day // of the last used needle, else of the takeover
	ground  string   // its fact
	judged  zone.Day // the date that was judged last
	review  zone.Day // on which the review was closed that ended the last stop; 0 for none since the base
	caution began
	stop    began
}

// began is an aspect that has begun, zero if it has not. shown tells that nothing silences it.
type began struct {
	on    zone.Day
	since time.Time
	// ground and seen are those of when it began.
	ground, seen string
	protocol     string
	shown        bool
}

// leastUnused is the fewest days that a protocol may ask for.
const leastUnused = 7

// stopped tells that no needle may go in before a review, because the track was not used.
func (c *course) stopped() bool { return c.unused.stop.on != 0 && c.unused.stop.shown }

// pass lets time pass up to a moment: lifts that wait, and days on which a track goes unused.
func (m *machine) pass(e *env, t time.Time) {
	for len(m.lifts) > 0 && !m.lifts[0].at.After(t) {
		w := m.lifts[0]
		m.lifts = m.lifts[1:]
		m.unused(e, w.at, time.Time{})
		m.lift(w.body, w.fact, w.at)
		m.freed(w.at)
	}
	m.unused(e, t, time.Time{})
}

// waits tells whether time that passes to a moment could change anything.
func (m *machine) waits(t time.Time) bool {
	if len(m.lifts) > 0 && !m.lifts[0].at.After(t) {
		return true
	}
	return slices.ContainsFunc(m.courses, func(c *course) bool {
		return c.trial && (c.unused.caution.on != 0 || c.unused.stop.on != 0 || t.Sub(c.unused.base.Time()) > (leastUnused-1)*24*time.Hour)
	})
}

// unused judges the days up to a moment of every track that is in blunt use. What a fact
// silences ends at that fact, silenced; what the calendar does with the day.
func (m *machine) unused(e *env, t, silenced time.Time) {
	if !m.waits(t) {
		return
	}
	today := zone.DayOf(t, e.Zone(m.stays.At(t).Facility))
	for _, c := range m.courses {
		if !c.trial {
			continue
		}
		u := &c.unused
		for d := max(u.judged, u.base); d <= today; d++ {
			m.unusedOn(e, c, d, t, silenced)
		}
		u.judged = max(u.judged, today)
	}
}

// unusedOn judges one date.
func (m *machine) unusedOn(e *env, c *course, d zone.Day, t, silenced time.Time) {
	u := &c.unused
	facility, p, silent := m.silent(e, c, d, t)
	if !silent {
		days := int(d - u.base)
		start := func(b *began, seen string) {
			*b = began{on: d, since: e.midnight(d.String(), facility), ground: u.ground, seen: seen, protocol: p.Version}
		}
		if u.caution.on == 0 && days > p.UnusedCaution {
			start(&u.caution, fmt.Sprintf("not needled since %s", u.base))
		}
		if u.stop.on == 0 && days > p.UnusedStop && (u.review == 0 || int(d-u.review) > p.UnusedStop) {
			start(&u.stop, fmt.Sprintf("not needled for more than %d days after %s", p.UnusedStop, u.base))
		}
	}
	at := later(silenced, earlier(t, e.midnight(d.String(), facility)))
	for _, x := range []struct {
		aspect string
		*began
	}{{aspectCaution, &u.caution}, {aspectStop, &u.stop}} {
		aspect, b := x.aspect, x.began
		switch show := b.on != 0 && !silent; {
		case show && !b.shown:
			b.shown = true
			x := Finding{Rule: rule.UnusedLong, aspect: aspect, Track: c.name, Access: c.access, Since: b.since, Facts: []string{b.ground}, Seen: b.seen}
			if aspect == aspectStop {
				x.Severity = rule.Stop
			}
			m.raise(x, &protocol.Parameters{Version: b.protocol})
		case !show && b.shown:
			b.shown = false
			m.end(at, "the track is not in use", rule.UnusedLong, aspect, c.name, "")
		}
	}
}

// silent tells whether a track is not judged on a date: it rests, is retired, stays sharp, or the
// patient is away. facility is that of the stay in force, p its protocol.
func (m *machine) silent(e *env, c *course, d zone.Day, t time.Time) (facility string, p protocol.Parameters, silent bool) {
	in, open := m.stays.On(d)
	facility = in.Facility
	if !open {
		facility = m.stays.At(t).Facility
	}
	p = e.Book.On(facility, d.String())
	away := !open && len(m.stays.List()) > 0
	resting := c.rest != nil && (c.rest.until == "" || d.String() < c.rest.until)
	return facility, p, away || resting || c.retired != nil || p.SharpOnly
}

// used notes a needle that went in: what it is, and on which date where the patient belongs.
func (m *machine) used(e *env, c *course, a attempt) {
	u := &c.unused
	d := zone.DayOf(a.at, e.Zone(m.stays.At(a.at).Facility))
	u.base, u.ground, u.review, u.judged = d, a.id, 0, max(u.judged, d)
	u.caution = began{}
	m.end(a.from, "a needle was used on "+d.String(), rule.UnusedLong, aspectCaution, c.name, "")
}

// reviewedUnused ends a stop with the closing of a review.
func (m *machine) reviewedUnused(e *env, c *course, r review, f *record.Fact) {
	u := &c.unused
	if u.stop.on == 0 {
		return
	}
	u.stop, u.review = began{}, zone.DayOf(f.At, e.Zone(m.stays.At(f.At).Facility))
	m.end(e.from(f), "the review "+r.name+" was closed", rule.UnusedLong, aspectStop, c.name, "")
}

// unusedNext gathers the dates on which the rule may find something.
func (c *course) unusedNext(p *protocol.Parameters, due *dueDate) {
	u := &c.unused
	if !c.trial || u.base == 0 {
		return
	}
	due.at((u.base + zone.Day(p.UnusedCaution) + 1).String())
	due.at((max(u.base, u.review) + zone.Day(p.UnusedStop) + 1).String())
}
