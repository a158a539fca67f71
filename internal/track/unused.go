package track

import (
	"fmt"
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/track/rule"
)

// unused is what the rule unused-long knows of a track. A track that is not used closes.
type unused struct {
	base    zone.Day // date of the last used needle, else of the takeover
	ground  string   // its fact
	run     string   // the takeover, or the used needle that ended the caution before, else the first one: it names what is found
	judged  zone.Day // the date that was judged last
	review  zone.Day // date of the review that ended the last stop; 0 if none did since base
	caution began
	stop    began
}

// began is an aspect that has begun, zero if it has not. shown reports that nothing silences it.
type began struct {
	on    zone.Day
	since time.Time
	// ground, run and seen are those of the moment at which it began.
	ground, run, seen string
	protocol          string
	shown             bool
}

// leastUnused is the fewest days that a protocol can ask for.
const leastUnused = 7

// stopped reports that the track was not used for so long that a review must come before the
// next needle.
func (c *course) stopped() bool { return c.unused.stop.on != 0 && c.unused.stop.shown }

// pass folds the time up to a moment: lifts that wait, and days on which a track is not used.
func (m *machine) pass(e *env, t time.Time) {
	for len(m.lifts) > 0 && !m.lifts[0].at.After(t) {
		w := m.lifts[0]
		m.lifts = m.lifts[1:]
		m.unused(e, w.at, time.Time{})
		m.lift(w.body, w.at)
		m.freed(w.at)
	}
	m.unused(e, t, time.Time{})
}

// waits reports whether the time up to a moment can change anything.
func (m *machine) waits(t time.Time) bool {
	if len(m.lifts) > 0 && !m.lifts[0].at.After(t) {
		return true
	}
	return slices.ContainsFunc(m.courses, func(c *course) bool {
		return c.trial && (c.unused.caution.on != 0 || c.unused.stop.on != 0 || t.Sub(c.unused.base.Time()) > (leastUnused-1)*24*time.Hour)
	})
}

// unused judges the days up to a moment for every track in blunt use. If a fact silences a
// finding, the finding ends at the moment of that fact, silenced. If the calendar does, it ends
// with the day.
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
		for d := max(u.judged, u.base); d <= today; {
			p := m.unusedOn(e, c, d, t, silenced)
			if d == today {
				break
			}
			d = m.nextUnused(e, c, d, p)
		}
		u.judged = max(u.judged, today)
	}
}

// unusedOn judges one date, and returns the facility and the protocol by which it did.
func (m *machine) unusedOn(e *env, c *course, d zone.Day, t, silenced time.Time) judgedBy {
	u := &c.unused
	facility, p, silent := m.silent(e, c, d, t)
	if !silent {
		days := int(d - u.base)
		start := func(b *began, seen string) {
			*b = began{on: d, since: e.midnight(d.String(), facility), ground: u.ground, run: u.run, seen: seen, protocol: p.Version}
		}
		if u.caution.on == 0 && days > p.UnusedCaution {
			start(&u.caution, fmt.Sprintf("not needled since %s", u.base))
		}
		if u.stop.on == 0 && days > p.UnusedStop && (u.review == 0 || int(d-u.review) > p.UnusedStop) {
			start(&u.stop, fmt.Sprintf("not needled for more than %d days after %s", p.UnusedStop, u.base))
		}
	}
	for _, x := range []struct {
		aspect string
		*began
	}{{aspectCaution, &u.caution}, {aspectStop, &u.stop}} {
		aspect, b := x.aspect, x.began
		switch show := b.on != 0 && !silent; {
		case show && !b.shown:
			b.shown = true
			x := Finding{Rule: rule.UnusedLong, aspect: aspect, Track: c.name, Access: c.access, Since: b.since, Facts: []string{b.ground},
				named: b.run, Seen: b.seen}
			if aspect == aspectStop {
				x.Severity = rule.Stop
			}
			m.raise(x, &protocol.Parameters{Version: b.protocol})
		case !show && b.shown:
			b.shown = false
			at := later(silenced, earlier(t, e.midnight(d.String(), facility)))
			m.end(at, "the track is not in use", rule.UnusedLong, aspect, c.name, "")
		}
	}
	return judgedBy{facility, p}
}

// judgedBy is by which facility's protocol a date was judged.
type judgedBy struct {
	facility string
	protocol protocol.Parameters
}

// nextUnused returns the first date after one on which the answer may be another: the first facts of some patients are
// years old.
func (m *machine) nextUnused(e *env, c *course, d zone.Day, by judgedBy) zone.Day {
	u, p := &c.unused, &by.protocol
	next := zone.Never
	for _, s := range m.stays.List() {
		next = nearer(next, d, s.From, s.To)
	}
	if c.rest != nil {
		next = nearer(next, d, dated(c.rest.until))
	}
	next = nearer(next, d, dated(e.Book.Next(by.facility, d.String())))
	return nearer(next, d, u.base+zone.Day(p.UnusedCaution)+1, max(u.base, u.review)+zone.Day(p.UnusedStop)+1)
}

// nearer returns the earliest of next and those dates that come after d.
func nearer(next, d zone.Day, dates ...zone.Day) zone.Day {
	for _, o := range dates {
		if o > d {
			next = min(next, o)
		}
	}
	return next
}

// dated returns a local date; 0 if the text is none.
func dated(s string) zone.Day {
	d, err := zone.ParseDay(s)
	if err != nil {
		return 0
	}
	return d
}

// silent reports whether a track is not judged on a date: it rests, is retired or stays sharp,
// or the patient is away. facility is that of the stay in force, p is its protocol.
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

// used records a session's last used needle, dated where the patient belongs.
func (m *machine) used(e *env, c *course, s *session, a attempt) {
	u := &c.unused
	d := zone.DayOf(a.at, e.Zone(m.stays.At(a.at).Facility))
	u.base, u.ground, u.review, u.judged = d, a.id, 0, max(u.judged, d)
	if u.run == "" || u.caution.on != 0 {
		u.run = s.attempts[slices.IndexFunc(s.attempts, func(a attempt) bool { return a.used() })].id
	}
	u.caution = began{}
	m.end(a.from, "a needle was used on "+d.String(), rule.UnusedLong, aspectCaution, c.name, "")
}

// reviewedUnused ends a stop when a review is closed.
func (m *machine) reviewedUnused(e *env, c *course, r review, f *record.Fact) {
	u := &c.unused
	if u.stop.on == 0 {
		return
	}
	u.stop, u.review = began{}, zone.DayOf(f.At, e.Zone(m.stays.At(f.At).Facility))
	m.end(e.from(f), "the review "+r.name+" was closed", rule.UnusedLong, aspectStop, c.name, "")
}

// unusedNext adds the dates on which the rule can raise a finding.
func (c *course) unusedNext(p *protocol.Parameters, due *dueDate) {
	u := &c.unused
	if !c.trial || u.base == 0 {
		return
	}
	due.at((u.base + zone.Day(p.UnusedCaution) + 1).String())
	due.at((max(u.base, u.review) + zone.Day(p.UnusedStop) + 1).String())
}
