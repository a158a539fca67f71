package metrics

import (
	"testing"
	"time"

	"cannulary/internal/record/zone"
	"cannulary/internal/surveil"
)

// An evening session far from Greenwich belongs to the day on which it took place there, and
// 28 days are 28 dates also over a change of the clocks.
func TestTheLastFourWeeksAreThoseOfTheFacility(t *testing.T) {
	for _, c := range []struct {
		zone, asOf, from, middle, to string
	}{
		{"UTC", "2027-03-28", "2027-03-01T00:00:00Z", "2027-02-01T00:00:00Z", "2027-03-29T00:00:00Z"},
		{"America/Los_Angeles", "2027-03-28", "2027-03-01T00:00:00-08:00", "2027-02-01T00:00:00-08:00", "2027-03-29T00:00:00-07:00"},
		{"Europe/Berlin", "2027-03-28", "2027-03-01T00:00:00+01:00", "2027-02-01T00:00:00+01:00", "2027-03-29T00:00:00+02:00"},
		{"Pacific/Auckland", "2027-01-10", "2026-12-14T00:00:00+13:00", "2026-11-16T00:00:00+13:00", "2027-01-11T00:00:00+13:00"},
	} {
		z, err := zone.Load(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		day, err := surveil.ParseDay(c.asOf)
		if err != nil {
			t.Fatal(err)
		}
		w := &surveil.Watch{Zone: z, Unit: surveil.Unit{AsOf: day}}
		var got []string
		for _, s := range fourWeeks(w) {
			got = append(got, s.window, s.from.Format(time.RFC3339), s.to.Format(time.RFC3339))
		}
		want := []string{"28d", c.from, c.to, "previous-28d", c.middle, c.from}
		for i := range want {
			if got[i] != want[i] {
				t.Errorf("%s: %v, want %v", c.zone, got, want)
				break
			}
		}
	}
}
