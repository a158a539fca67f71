package surveil

import (
	"slices"
	"time"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Calendar is when the unit dialyses.
type Calendar struct {
	Days     []cannularyv1.Weekday // every day if empty
	Holidays []string              // YYYY-MM-DD
	Shifts   []Shift               // not stated if empty
}

// Shift is the local time of day of a shift. A shift that ends before it begins ends on the next
// day.
type Shift struct{ From, To string } // HH:MM

// CalendarOf returns the calendar of a registration.
func CalendarOf(b *cannularyv1.FacilityRegistered) Calendar {
	c := Calendar{Days: b.GetDialysisDays(), Holidays: b.GetHolidays()}
	for _, s := range b.GetShifts() {
		c.Shifts = append(c.Shifts, Shift{s.GetStartsAt(), s.GetEndsAt()})
	}
	return c
}

// Works reports whether the unit dialyses on a day.
func (c Calendar) Works(d Day) bool {
	return (len(c.Days) == 0 || slices.Contains(c.Days, d.Weekday())) && !slices.Contains(c.Holidays, d.String())
}

// CensusDays returns the first two working days of a month; fewer if the month has fewer.
func (c Calendar) CensusDays(m Month) []Day {
	var out []Day
	for d := m.First(); d <= m.Last() && len(out) < 2; d++ {
		if c.Works(d) {
			out = append(out, d)
		}
	}
	return out
}

// Due reports whether patients are dialysed at a moment, as far as the calendar says: on a
// working day within a shift, or without shifts from 8 to 18 hours (ours).
func (c Calendar) Due(t time.Time, zone *time.Location) bool {
	if zone == nil {
		zone = time.UTC
	}
	now, today := t.In(zone).Format("15:04"), DayOf(t, zone)
	shifts := c.Shifts
	if len(shifts) == 0 {
		shifts = []Shift{{"08:00", "18:00"}}
	}
	for _, s := range shifts {
		if s.From <= s.To {
			if c.Works(today) && s.From <= now && now < s.To {
				return true
			}
			continue
		}
		if c.Works(today) && s.From <= now || c.Works(today-1) && now < s.To {
			return true
		}
	}
	return false
}
