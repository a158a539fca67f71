package zone_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"cannulary/internal/record/zone"
)

func TestLoadTakesIANANamesOnly(t *testing.T) {
	for _, name := range []string{"Europe/Lisbon", "America/Sao_Paulo", "UTC", "Etc/GMT+5"} {
		if l, err := zone.Load(name); err != nil || l.String() != name {
			t.Errorf("%s: %v, %v", name, l, err)
		}
	}
	for _, name := range []string{"", "Local", "Factory", "Europe/Atlantis", "../../etc/passwd", "/etc/localtime",
		"Europe/Lisbon ", "+01:00", "CEST5"} {
		if l, err := zone.Load(name); err == nil {
			t.Errorf("%q is taken as %v", name, l)
		}
	}
}

// TestMidnight checks when local days begin. The rules of the zones are those of the IANA
// time zone database.
func TestMidnight(t *testing.T) {
	for _, c := range []struct{ zone, at, date, begins, why string }{
		{"UTC", "2025-03-03T12:00:00Z", "2025-03-03", "2025-03-03T00:00:00Z", "no rule"},
		{"Europe/Lisbon", "2025-01-15T23:59:59Z", "2025-01-15", "2025-01-15T00:00:00Z", "winter"},
		{"Europe/Lisbon", "2025-07-15T23:00:00Z", "2025-07-16", "2025-07-15T23:00:00Z", "summer"},
		{"Europe/Lisbon", "2025-03-30T12:00:00Z", "2025-03-30", "2025-03-30T00:00:00Z", "clocks go forward at 01:00"},
		{"Europe/Lisbon", "2025-10-26T12:00:00Z", "2025-10-26", "2025-10-25T23:00:00Z", "clocks go back at 02:00"},
		{"America/Sao_Paulo", "2018-11-04T12:00:00Z", "2018-11-04", "2018-11-04T03:00:00Z", "midnight is skipped: the day begins at 01:00"},
		{"America/Havana", "2020-11-01T12:00:00Z", "2020-11-01", "2020-11-01T04:00:00Z", "00:00 to 01:00 comes twice"},
		{"Asia/Amman", "2021-10-29T12:00:00Z", "2021-10-29", "2021-10-28T21:00:00Z", "00:00 to 01:00 comes twice"},
		{"Asia/Beirut", "2021-10-31T12:00:00Z", "2021-10-31", "2021-10-30T22:00:00Z",
			"at midnight clocks go back to 23:00 of the day before"},
		{"Pacific/Apia", "2011-12-30T12:00:00Z", "2011-12-31", "2011-12-30T10:00:00Z", "30 December was left out"},
		{"Asia/Kathmandu", "2025-01-01T00:00:00Z", "2025-01-01", "2024-12-31T18:15:00Z", "a quarter of an hour"},
		{"Pacific/Kiritimati", "2025-01-01T09:59:59Z", "2025-01-01", "2024-12-31T10:00:00Z", "fourteen hours ahead"},
	} {
		l, err := zone.Load(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		at, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		if got := zone.Date(at, l); got != c.date {
			t.Errorf("%s at %s (%s): date %s, want %s", c.zone, c.at, c.why, got, c.date)
		}
		m := zone.Midnight(at, l)
		if got := m.UTC().Format(time.RFC3339); got != c.begins {
			t.Errorf("%s at %s (%s): begins %s, want %s", c.zone, c.at, c.why, got, c.begins)
		}
	}
}

// TestMidnightIsTheFirstInstantOfItsDay walks through two years of zones with odd rules:
// the instant before belongs to another day.
func TestMidnightIsTheFirstInstantOfItsDay(t *testing.T) {
	for _, name := range []string{"Europe/Lisbon", "America/Sao_Paulo", "America/Havana", "Asia/Amman", "Asia/Beirut", "Africa/Cairo",
		"Atlantic/Azores", "Australia/Lord_Howe", "Asia/Gaza", "America/Asuncion", "Asia/Tehran"} {
		l, err := zone.Load(name)
		if err != nil {
			t.Fatal(err)
		}
		for at := time.Date(2017, 1, 1, 6, 0, 0, 0, time.UTC); at.Year() < 2019; at = at.Add(8 * time.Hour) {
			m := zone.Midnight(at, l)
			if zone.Date(m, l) != zone.Date(at, l) || m.After(at) {
				t.Errorf("%s: %s begins at %s, which is no earlier instant of that day", name, at.In(l), m.In(l))
			}
			if zone.Date(m.Add(-time.Nanosecond), l) == zone.Date(m, l) {
				t.Errorf("%s: the instant before %s is the same day", name, m.In(l))
			}
		}
	}
}

// The date that Go's own calendar shows at a moment in a zone is the day, before 1970 and on days of 23 and 25 hours too.
func TestADayIsTheDateInTheZone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, err := zone.Load(rapid.SampledFrom([]string{"UTC", "Europe/Lisbon", "Pacific/Apia", "Asia/Kathmandu", "America/St_Johns",
			"Australia/Lord_Howe"}).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		at := time.Unix(rapid.Int64Range(-3_000_000_000, 8_000_000_000).Draw(t, "second"), rapid.Int64Range(0, 999_999_999).Draw(t, "part"))
		if got, want := zone.DayOf(at, l).String(), at.In(l).Format(time.DateOnly); got != want {
			t.Errorf("%s in %s is on %s, want %s", at.UTC(), l, got, want)
		}
	})
}
