package simulate_test

import (
	"testing"
	"time"

	"cannulary/internal/simulate"
)

// TestWholeMonths: a unit of whole months begins on the first of a month, whatever the last
// day is, and as many months as were asked for end by then.
func TestWholeMonths(t *testing.T) {
	for _, c := range []struct {
		until        string
		months       int
		first, whole string
	}{
		{"2026-10-31", 12, "2025-11-01", "2025-11-01"},
		{"2026-11-24", 12, "2025-11-25", "2025-11-01"},
		{"2026-11-30", 12, "2025-12-01", "2025-12-01"},
		{"2027-01-01", 12, "2026-01-02", "2026-01-01"},
		{"2026-03-30", 1, "2026-03-03", "2026-02-01"},
	} {
		until, err := time.Parse(time.DateOnly, c.until)
		if err != nil {
			t.Fatal(err)
		}
		s := simulate.Default()
		s.Months, s.Until = c.months, until
		if got := s.FirstDate().Format(time.DateOnly); got != c.first {
			t.Errorf("%d months to %s begin on %s, not %s", c.months, c.until, got, c.first)
		}
		if s.WholeMonths = true; s.FirstDate().Format(time.DateOnly) != c.whole {
			t.Errorf("%d whole months to %s begin on %s, not %s", c.months, c.until, s.FirstDate().Format(time.DateOnly), c.whole)
		}
	}
}
