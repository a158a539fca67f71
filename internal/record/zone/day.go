package zone

import (
	"fmt"
	"time"
)

// Day is a civil date: days since 1 January 1970.
type Day int32

// Never is later than every date.
const Never Day = 1 << 30

// DayOf returns the date of a moment in a zone; a nil zone is UTC.
func DayOf(t time.Time, l *time.Location) Day {
	if l == nil {
		l = time.UTC
	}
	_, east := t.In(l).Zone()
	seconds := t.Unix() + int64(east)
	d := Day(seconds / 86400)
	if seconds%86400 < 0 {
		d-- // before 1970
	}
	return d
}

// ParseDay reads a date as YYYY-MM-DD.
func ParseDay(s string) (Day, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return 0, fmt.Errorf("%q is not a date; write YYYY-MM-DD", s)
	}
	return Day(t.Unix() / 86400), nil
}

// Time returns the date's midnight in UTC.
func (d Day) Time() time.Time { return time.Unix(int64(d)*86400, 0).UTC() }

func (d Day) String() string { return d.Time().Format(time.DateOnly) }
