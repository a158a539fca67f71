package record_test

import (
	"testing"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	v1 "cannulary/proto/cannulary/v1"
)

func zoneOf(t *testing.T, name string) *time.Location {
	t.Helper()
	l, err := zone.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func instant(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// A fact known to the day stands at the noon of its unit, wherever in the day its sender put it.
func TestADayStandsAtItsNoon(t *testing.T) {
	at := func(facility string) *time.Location {
		return zoneOf(t, map[string]string{"north": "Europe/Lisbon", "south": "America/Lima"}[facility])
	}
	item := func(id, facility, when string, p v1.TimePrecision) record.Item {
		return record.Item{Fact: record.Fact{ID: id, Facility: facility, At: instant(t, when), Precision: p,
			Kind: record.KindNeedleInserted}}
	}
	const day, minute = v1.TimePrecision_TIME_PRECISION_DAY, v1.TimePrecision_TIME_PRECISION_MINUTE
	items := []record.Item{
		item("midnight", "north", "2025-02-03T00:00:00Z", day),
		item("morning", "north", "2025-02-03T08:00:00Z", minute),
		item("afternoon", "north", "2025-02-03T12:01:00Z", minute),
		item("lima", "south", "2025-02-04T04:59:00Z", day), // 23:59 of 3 February there
		item("evening", "north", "2025-02-03T23:59:00Z", day),
	}
	record.Sort(items)
	got := ""
	for _, it := range record.AtNoon(items, at) {
		got += it.ID + " " + it.At.Format(time.RFC3339) + "\n"
	}
	const want = "morning 2025-02-03T08:00:00Z\nevening 2025-02-03T12:00:00Z\nmidnight 2025-02-03T12:00:00Z\n" +
		"afternoon 2025-02-03T12:01:00Z\nlima 2025-02-03T17:00:00Z\n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}
