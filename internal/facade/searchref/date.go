package searchref

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

// within tells whether s fully contains x.
func (s span) contains(x span) bool {
	return (s.low.IsZero() || !x.low.IsZero() && !x.low.Before(s.low)) && (s.high.IsZero() || !x.high.IsZero() && !x.high.After(s.high))
}

// reachesAbove tells whether any part of x lies at or after t.
func (s span) reachesAbove(t time.Time) bool { return s.high.IsZero() || s.high.After(t) }

// reachesBelow tells whether any part of x lies before t.
func (s span) reachesBelow(t time.Time) bool { return s.low.IsZero() || s.low.Before(t) }

// form is a date's or a time's text: populated from the left, minutes with the hour.
var form = regexp.MustCompile(`^([0-9]{4})(?:-([0-9]{2})(?:-([0-9]{2})(?:T([0-9]{2}):([0-9]{2})(?::([0-9]{2})(\.[0-9]+)?)?(Z|[+-][0-9]{2}:[0-9]{2})?)?)?)?$`)

// span reads a text; one without a zone is on the clock of the corpus.
func (c *Corpus) span(s string) (span, error) {
	m := form.FindStringSubmatch(s)
	if m == nil {
		return span{}, fmt.Errorf("%q is no date", s)
	}
	zone := c.Zone
	if zone == nil || c.Mutant == ZoneIsUTC {
		zone = time.UTC
	}
	if m[8] != "" {
		t, err := time.Parse("Z07:00", m[8])
		if err != nil {
			return span{}, fmt.Errorf("%q is no date: %w", s, err)
		}
		zone = t.Location()
	}
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
	if y < 1 || mon < 1 || mon > 12 || d < 1 || time.Date(y, time.Month(mon), d, 12, 0, 0, 0, time.UTC).Day() != d || h > 23 || minute > 59 || sec > 59 {
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
func (c *Corpus) of(r *Resource, p *param, e item) (span, bool) {
	if e.el.as == asPeriod {
		m, _ := e.v.(map[string]any)
		var out span
		if s := str(m, "start"); s != "" {
			x, err := c.known(r, p, s)
			if err != nil {
				return span{}, false
			}
			out.low = x.low
			if c.Mutant == OpenEndIsStart {
				out.high = x.high
			}
		}
		if s := str(m, "end"); s != "" {
			x, err := c.known(r, p, s)
			if err != nil {
				return span{}, false
			}
			out.high = x.high
		}
		return out, true
	}
	out, err := c.known(r, p, plain(e.v))
	if err == nil && e.el.as == asInstant {
		out.high = out.low.Add(1)
	}
	return out, err == nil
}

// spanKey is what an element's span depends on.
type spanKey struct {
	param, text string
	mutant      Mutant
}

// known is an element's span, wider than its text where less is known.
func (c *Corpus) known(r *Resource, p *param, s string) (span, error) {
	key := spanKey{p.name, s, c.Mutant}
	if x, ok := r.spans[key]; ok {
		return x, nil
	}
	x, err := c.span(s)
	defer func() {
		if err == nil && c.Mutant == None {
			r.spans[key] = x
		}
	}()
	if err == nil && c.Readings.Known != nil && strings.Contains(s, "T") {
		if width := c.Readings.Known(r, p.name, s); width > x.high.Sub(x.low) {
			x.high = x.low.Add(width)
		}
	}
	return x, err
}

// date matches [prefix]date by R4's table of ranges.
//
// Reading: the range above the search value begins where the value's own range ends, and
// the range below ends where it begins; else ge would say no more than gt, whose row lacks
// "or the range of the search value fully contains the range of the target value".
func (c *Corpus) date(p *param, s string) (matcher, error) {
	if _, err := split(s, ','); err != nil {
		return nil, err
	}
	op, text := prefix(s)
	want, err := c.span(text)
	if err != nil {
		return nil, err
	}
	test := func(has span) bool {
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
