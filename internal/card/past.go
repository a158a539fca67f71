package card

import (
	"strings"
	"time"
)

// Unrecorded says that nothing is on record at the card's moment; it is empty if something is.
// It stands in place of the holds, because "no hold recorded" would read like an all-clear.
func (c *Card) Unrecorded() string {
	switch {
	case c.LastFactAt != nil || len(c.Tracks)+len(c.Accesses) > 0:
		return ""
	case c.Past != "":
		return "Nothing was on record then. That is not an all-clear."
	}
	return "Nothing is on record. That is not an all-clear."
}

// Past says for which moment a card was asked, if that differs from the present by more than a
// minute; else it is empty. A zero asOf or knownAt was not asked for.
func Past(asOf, knownAt, now time.Time, l *time.Location) string {
	var parts []string
	if !asOf.IsZero() && now.Sub(asOf).Abs() > time.Minute {
		parts = append(parts, "as of "+asOf.In(l).Format(minutes))
		if asOf.After(now) {
			parts = append(parts, "which has not come yet")
		}
	}
	if !knownAt.IsZero() && now.Sub(knownAt) > time.Minute {
		parts = append(parts, "as the record stood on "+knownAt.In(l).Format(minutes))
	}
	return strings.Join(parts, ", ")
}
