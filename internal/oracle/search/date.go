package search

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// span is the half-open range [low, high) of a date's text. The zero low is before all
// dates, the zero high after all. An instant has a width of one nanosecond, which stands
// for R4's "effective width of 0".
type span struct{ low, high time.Time }

// within reports whether s fully contains x.
func (s span) contains(x span) bool {
	return (s.low.IsZero() || !x.low.IsZero() && !x.low.Before(s.low)) && (s.high.IsZero() || !x.high.IsZero() && !x.high.After(s.high))
}

// reachesAbove reports whether any part of x lies at or after t.
func (s span) reachesAbove(t time.Time) bool { return s.high.IsZero() || s.high.After(t) }

// reachesBelow reports whether any part of x lies before t.
func (s span) reachesBelow(t time.Time) bool { return s.low.IsZero() || s.low.Before(t) }

// form is a date's or a time's text: populated from the left, minutes with the hour.
var form = regexp.MustCompile(
	`^([0-9]{4})(?:-([0-9]{2})(?:-([0-9]{2})(?:T([0-9]{2}):([0-9]{2})(?::([0-9]{2})(\.[0-9]+)?)?(Z|[+-][0-9]{2}:[0-9]{2})?)?)?)?$`)

// dated is a text as moments, and as what the clock shows on which it is written, given as
// if that were UTC.
type dated struct {
	moments, clock span
	zoned          bool // the text has a zone
}

// dated reads a text; one without a zone is on the clock of zone.
func (c *Corpus) dated(s string, zone *time.Location) (out dated, err error) {
	m := form.FindStringSubmatch(s)
	if m == nil {
		return dated{}, fmt.Errorf("%q is no date", s)
	}
	if out.clock, err = c.span(s, m, time.UTC); err != nil {
		return dated{}, err
	}
	if zone == nil {
		zone = time.UTC
	}
	if out.zoned = m[8] != ""; out.zoned {
		t, err := time.Parse("Z07:00", m[8])
		if err != nil {
			return dated{}, fmt.Errorf("%q is no date: %w", s, err)
		}
		zone = t.Location()
	}
	out.moments, err = c.span(s, m, zone)
	return out, err
}

// span is the range of a text's digits on a clock.
func (c *Corpus) span(s string, m []string, zone *time.Location) (span, error) {
	n := func(i, otherwise int) int {
		if m[i] == "" {
			return otherwise
		}
		v, _ := strconv.Atoi(m[i])
		return v
	}
	y, mon, d, h, minute, sec := n(1, 1), n(2, 1), n(3, 1), n(4, 0), n(5, 0), n(6, 0)
	low := time.Date(y, time.Month(mon), d, h, minute, sec, 0, zone)
	// 31 June is no date, and in the hour that a zone skips there is no time; the latter is
	// read as the moment at which the clock was put forward.
	if y < 1 || mon < 1 || mon > 12 || d < 1 || time.Date(y, time.Month(mon), d, 12, 0, 0, 0, time.UTC).Day() != d || h > 23 ||
		minute > 59 || sec > 59 {
		return span{}, fmt.Errorf("%q is no date", s)
	}
	var high time.Time
	switch {
	case m[2] == "":
		high = time.Date(y+1, 1, 1, 0, 0, 0, 0, zone)
	case m[3] == "":
		high = time.Date(y, time.Month(mon)+1, 1, 0, 0, 0, 0, zone)
	case m[4] == "":
		high = time.Date(y, time.Month(mon), d+1, 0, 0, 0, 0, zone)
		if c.Mutant == DayIsTwentyFourHrs {
			high = low.Add(24 * time.Hour)
		}
	case m[6] == "":
		high = low.Add(time.Minute)
		if c.Mutant == MinutesAreSeconds {
			high = low.Add(time.Second)
		}
	case m[7] == "":
		high = low.Add(time.Second)
	default:
		// Reading: a system's precision bounds that of a value; this one keeps milliseconds.
		millis, _ := strconv.Atoi((m[7][1:] + "000")[:3])
		low = low.Add(time.Duration(millis) * time.Millisecond)
		unit := time.Second
		for range min(len(m[7])-1, 3) {
			unit /= 10
		}
		high = low.Add(unit)
	}
	return span{low, high}, nil
}

// of is the range of an element's value.
func (c *Corpus) of(r *Resource, p *param, e item) (dated, bool) {
	if e.el.as == asPeriod {
		m, _ := e.v.(map[string]any)
		var out dated
		if s := str(m, "start"); s != "" {
			x, err := c.known(r, p, s)
			if err != nil {
				return dated{}, false
			}
			out.moments.low, out.clock.low = x.moments.low, x.clock.low
			if c.Mutant == OpenEndIsStart {
				out.moments.high, out.clock.high = x.moments.high, x.clock.high
			}
		}
		if s := str(m, "end"); s != "" {
			x, err := c.known(r, p, s)
			if err != nil {
				return dated{}, false
			}
			out.moments.high, out.clock.high = x.moments.high, x.clock.high
		}
		return out, true
	}
	out, err := c.known(r, p, plain(e.v))
	if err == nil && e.el.as == asInstant {
		out.moments.high, out.clock.high = out.moments.low.Add(1), out.clock.low.Add(1)
	}
	return out, err == nil
}

// spanKey is what an element's span depends on.
type spanKey struct {
	param, text string
	mutant      Mutant
}

// known is an element's span, wider than its text where less is known.
func (c *Corpus) known(r *Resource, p *param, s string) (dated, error) {
	key := spanKey{p.name, s, c.Mutant}
	if x, ok := r.spans[key]; ok {
		return x, nil
	}
	zone := time.UTC
	if c.Zone != nil && c.Mutant != DaysAreOfUTC {
		zone = c.Zone(r)
	}
	x, err := c.dated(s, zone)
	defer func() {
		if err == nil && c.Mutant == None {
			r.spans[key] = x
		}
	}()
	if err == nil && c.Readings.Known != nil && strings.Contains(s, "T") {
		if width := c.Readings.Known(r, p.name, s); width > x.moments.high.Sub(x.moments.low) {
			x.moments.high, x.clock.high = x.moments.low.Add(width), x.clock.low.Add(width)
		}
	}
	return x, err
}

// date matches [prefix]date by R4's table of ranges.
//
// Reading: the range above the search value begins where the value's own range ends, and
// the range below ends where it begins; else ge would say no more than gt, whose row lacks
// "or the range of the search value fully contains the range of the target value".
//
// Reading: "Dates do not have time zones, and time zones should not be considered": a search
// value without one is compared with the digits of the element, on whatever clock they are.
// R4 says it of dates; it is read the same for a time without a zone, which names a time of
// day and no moment. A value with a zone names moments, and a day that an element states is
// compared with those of the day where it was.
func (c *Corpus) date(p *param, s string) (matcher, error) {
	if _, err := split(s, ','); err != nil {
		return nil, err
	}
	op, text := prefix(s)
	asked, err := c.dated(text, time.UTC)
	if err != nil {
		return nil, err
	}
	want := asked.clock
	if asked.zoned || c.Mutant == ZoneIsUTC {
		want = asked.moments
	}
	test := func(is dated) bool {
		has := is.clock
		if asked.zoned && c.Mutant != ZonesIgnored || !asked.zoned && c.Mutant == ZoneIsUTC {
			has = is.moments
		}
		in := want.contains(has)
		if c.Mutant == EqualOverlaps {
			in = has.reachesAbove(want.low) && has.reachesBelow(want.high)
		}
		above, below := has.reachesAbove(want.high), has.reachesBelow(want.low)
		switch op {
		case "eq":
			return in
		case "ne":
			return !in
		case "gt":
			return above
		case "lt":
			return below
		case "ge":
			return above || in && c.Mutant != GEIsGT
		case "le":
			return below || in && c.Mutant != LEIsLT
		case "sa":
			if c.Mutant == AfterOverlaps {
				return !has.reachesBelow(want.low) && !in
			}
			return !has.reachesBelow(want.high)
		}
		return !has.reachesAbove(want.low)
	}
	return func(r *Resource, e item) bool {
		has, ok := c.of(r, p, e)
		return ok && test(has)
	}, nil
}
