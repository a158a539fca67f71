package fhir

import (
	"time"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

const (
	day    = cannularyv1.TimePrecision_TIME_PRECISION_DAY
	minute = cannularyv1.TimePrecision_TIME_PRECISION_MINUTE
)

// moment is a clinical time with the precision it is known to.
type moment struct {
	at        time.Time
	precision cannularyv1.TimePrecision
}

// local is the moment on the facility's clock. FHIR's offsets have whole minutes: where
// a zone's had seconds (some did until the 1970s) the moment is told in UTC.
func (m moment) local(zone *time.Location) time.Time {
	if zone == nil {
		zone = time.UTC
	}
	t := m.at.In(zone)
	if _, offset := t.Zone(); offset%60 != 0 && m.precision != day {
		return t.UTC()
	}
	return t
}

// dateTime renders the moment as a FHIR dateTime: a date where only the day is known, else
// with seconds, which R4 asks for (00 where the minute is known), and the zone's offset.
func (m moment) dateTime(zone *time.Location) *string {
	t := m.local(zone)
	layout := "2006-01-02T15:04:05Z07:00"
	switch m.precision {
	case day:
		layout = "2006-01-02"
	case minute:
		t = t.Truncate(time.Minute)
	}
	return new(t.Format(layout))
}

// instant renders the moment as a FHIR instant, nil where only the day is known.
func (m moment) instant(zone *time.Location) *string {
	if m.precision == day {
		return nil
	}
	return m.dateTime(zone)
}

// bounds is the half-open interval in which the moment lies, on the clock on which dateTime
// writes it.
func (m moment) bounds(zone *time.Location) (low, high time.Time) {
	t := m.local(zone)
	if m.precision == day {
		y, mon, d := t.Date()
		return midnight(y, mon, d, t.Location()), midnight(y, mon, d+1, t.Location())
	}
	width := time.Second
	if m.precision == minute {
		width = time.Minute
	}
	// The offset that is written holds for the end too, also where the clocks change there.
	t = onClock(t.Truncate(width))
	return t, t.Add(width)
}

// onClock is the moment on a clock that keeps the offset which it has then.
func onClock(t time.Time) time.Time {
	_, offset := t.Zone()
	return t.In(time.FixedZone("", offset))
}

// midnight is when a local day begins, on a clock that shows 00:00 then. Where clocks are
// put forward at midnight (Egypt's and Chile's are, tz database), the day begins with the
// change and the zone's own clock shows 01:00.
func midnight(year int, month time.Month, d int, zone *time.Location) time.Time {
	t := time.Date(year, month, d, 0, 0, 0, 0, zone)
	wall := time.Date(year, month, d, 0, 0, 0, 0, time.UTC).Unix()
	_, offset := t.Zone()
	early := wall - t.Unix() - int64(offset) // time.Date gives either side of the change
	if early == 0 {
		return t
	}
	t = t.Add(time.Duration(max(0, early)) * time.Second)
	return t.In(time.FixedZone("", int(wall-t.Unix())))
}

// period is the search value of the moment: the interval of what dateTime renders. R4 lets
// a receiver pass over seconds that are filled in; clients search with what they read, so
// the seconds are taken as told.
func (m moment) period(param string, zone *time.Location) Period {
	low, high := m.bounds(zone)
	if m.precision == minute {
		high = low.Add(time.Second)
	}
	return Period{Param: param, Low: low, High: high}
}

// stamp reads a dateTime that a judgement gave: one that is known to the minute, or a date, which
// is one of UTC. Without one it is all of time.
func stamp(param string, s *string) Period {
	if t, err := time.Parse(time.RFC3339, deref(s)); err == nil {
		t = onClock(t)
		return moment{t, minute}.period(param, t.Location())
	}
	if t, err := time.Parse(time.DateOnly, deref(s)); err == nil {
		return moment{t, day}.period(param, time.UTC)
	}
	return Period{Param: param, Low: BeginningOfTime(), High: EndOfTime()}
}
