package surveil_test

import (
	"testing"
	"time"

	"cannulary/internal/surveil"
	v1 "cannulary/proto/cannulary/v1"
)

// A shift that ends after midnight is that of the day on which it began.
func TestANightShiftIsDueUntilItsEnd(t *testing.T) {
	c := surveil.Calendar{Days: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY}, Shifts: []surveil.Shift{{From: "21:30", To: "05:00"}}}
	for when, want := range map[string]bool{ // 2026-11-23 is a Monday
		"2026-11-23 04:59": false, "2026-11-23 21:29": false, "2026-11-23 21:30": true, "2026-11-24 00:00": true,
		"2026-11-24 04:59": true, "2026-11-24 05:00": false, "2026-11-24 21:30": false,
	} {
		at, err := time.Parse("2006-01-02 15:04", when)
		if err != nil {
			t.Fatal(err)
		}
		if got := c.Due(at, time.UTC); got != want {
			t.Errorf("at %s: %v, want %v", when, got, want)
		}
	}
}
