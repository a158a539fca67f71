package surveil

import (
	"fmt"
	"time"

	"cannulary/internal/record/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Day is a civil date: days since 1 January 1970.
type Day zone.Day

// never is later than every day, First earlier.
const (
	never     = Day(zone.Never)
	First Day = -never
)

// DayOf returns the date of a moment in a zone; a nil zone is UTC.
func DayOf(t time.Time, l *time.Location) Day { return Day(zone.DayOf(t, l)) }

// ParseDay reads a date as YYYY-MM-DD.
func ParseDay(s string) (Day, error) {
	d, err := zone.ParseDay(s)
	return Day(d), err
}

// Time returns the date's midnight in UTC.
func (d Day) Time() time.Time { return zone.Day(d).Time() }

func (d Day) String() string { return zone.Day(d).String() }

// Month returns the month of the date.
func (d Day) Month() Month {
	t := d.Time()
	return MonthOf(t.Year(), t.Month())
}

// Weekday returns the weekday of the date, as messages name it.
func (d Day) Weekday() cannularyv1.Weekday {
	if w := d.Time().Weekday(); w != time.Sunday {
		return cannularyv1.Weekday(w)
	}
	return cannularyv1.Weekday_WEEKDAY_SUNDAY
}

// Month is a civil month: the number of months since January of the year 0.
type Month int32

// MonthOf returns a month.
func MonthOf(year int, m time.Month) Month { return Month(year*12 + int(m) - 1) }

// ParseMonth reads a month as YYYY-MM.
func ParseMonth(s string) (Month, error) {
	t, err := time.Parse("2006-01", s)
	if err != nil {
		return 0, fmt.Errorf("%q is not a month; write YYYY-MM", s)
	}
	return MonthOf(t.Year(), t.Month()), nil
}

// First returns the month's first day.
func (m Month) First() Day {
	return DayOf(time.Date(int(m)/12, time.Month(int(m)%12+1), 1, 0, 0, 0, 0, time.UTC), nil)
}

// Last returns the month's last day.
func (m Month) Last() Day { return (m + 1).First() - 1 }

// Days returns the number of days in the month.
func (m Month) Days() int { return int(m.Last()-m.First()) + 1 }

func (m Month) String() string { return fmt.Sprintf("%04d-%02d", int(m)/12, int(m)%12+1) }
