package fhir_test

import (
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/testkit/fhirtest"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// TestSearchValuesKeepTheClock checks that the interval by which a fact is found is what its
// dateTime says, digit for digit, in zones far from UTC and on days when clocks change. When
// they do is from the tz database: Cairo 2024-04-26 00:00 to 01:00, Santiago 2024-09-08
// 00:00 to 01:00, New York 2026-03-08 02:00 to 03:00, Lisbon 2026-10-25 02:00 to 01:00.
func TestSearchValuesKeepTheClock(t *testing.T) {
	const day, minute, second = cannularyv1.TimePrecision_TIME_PRECISION_DAY, cannularyv1.TimePrecision_TIME_PRECISION_MINUTE, cannularyv1.TimePrecision_TIME_PRECISION_SECOND
	for _, c := range []struct {
		zone      string
		at        string
		precision cannularyv1.TimePrecision
		written   string
		low, high string // with the offset of the clock
	}{
		{"Asia/Tokyo", "2026-07-10T23:30:00Z", day, "2026-07-11", "2026-07-11T00:00:00+09:00", "2026-07-12T00:00:00+09:00"},
		{"America/New_York", "2026-07-12T01:00:00Z", day, "2026-07-11", "2026-07-11T00:00:00-04:00", "2026-07-12T00:00:00-04:00"},
		{"America/New_York", "2026-07-12T01:00:00Z", minute, "2026-07-11T21:00:00-04:00", "2026-07-11T21:00:00-04:00", "2026-07-11T21:00:01-04:00"},
		{"America/New_York", "2026-03-08T12:00:00Z", day, "2026-03-08", "2026-03-08T00:00:00-05:00", "2026-03-09T00:00:00-04:00"},
		{"America/New_York", "2026-03-08T06:59:59Z", second, "2026-03-08T01:59:59-05:00", "2026-03-08T01:59:59-05:00", "2026-03-08T02:00:00-05:00"},
		{"Europe/Lisbon", "2026-10-25T12:00:00Z", day, "2026-10-25", "2026-10-25T00:00:00+01:00", "2026-10-26T00:00:00Z"},
		{"Europe/Lisbon", "2026-10-25T00:59:59Z", second, "2026-10-25T01:59:59+01:00", "2026-10-25T01:59:59+01:00", "2026-10-25T02:00:00+01:00"},
		// The day begins when the clocks jump from 00:00 to 01:00.
		{"Africa/Cairo", "2024-04-26T12:00:00Z", day, "2024-04-26", "2024-04-26T00:00:00+02:00", "2024-04-27T00:00:00+03:00"},
		{"Africa/Cairo", "2024-04-25T12:00:00Z", day, "2024-04-25", "2024-04-25T00:00:00+02:00", "2024-04-26T00:00:00+02:00"},
		{"America/Santiago", "2024-09-08T12:00:00Z", day, "2024-09-08", "2024-09-08T00:00:00-04:00", "2024-09-09T00:00:00-03:00"},
	} {
		zone, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		when, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		x := ctx()
		x.Zone = zone
		rs, err := fhir.Session(x, effective(t, fhirtest.Event("m", "", when, c.precision, fhirtest.Wrap(insertion(1)))))
		if err != nil {
			t.Fatal(err)
		}
		if got := at(one(t, rs, "Procedure", "insertion-blunt"), "performedDateTime"); got != c.written {
			t.Errorf("%s %s: written %v, want %s", c.zone, c.at, got, c.written)
		}
		for _, r := range rs {
			d := r.Index.Dates
			if len(d) != 1 || d[0].Low.Format(time.RFC3339) != c.low || d[0].High.Format(time.RFC3339) != c.high {
				t.Errorf("%s %s: %s is found by %v, want [%s,%s)", c.zone, c.at, r.Type, d, c.low, c.high)
			}
		}
	}
}
