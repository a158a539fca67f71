package record

import (
	"slices"
	"time"

	"cannulary/internal/record/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Day reports that only the local day of the fact is known. At is then any instant of that day.
func (f *Fact) Day() bool { return f.Precision == cannularyv1.TimePrecision_TIME_PRECISION_DAY }

// Span returns the time within which the fact happened. For a fact that is known to the day,
// from is the first instant of its local day and to the first instant of the next day, which is
// outside. l is the zone of its facility. For any other fact both are its time.
func (f *Fact) Span(l *time.Location) (from, to time.Time) {
	if !f.Day() {
		return f.At, f.At
	}
	y, m, d := f.At.In(l).Date()
	return zone.Midnight(f.At, l), zone.Midnight(time.Date(y, m, d+1, 12, 0, 0, 0, l), l)
}

// AtNoon returns the items in the order of Before, with every fact that is known to the day at
// the noon of that day in its facility. The sender may have given any time of that day. items
// stay as they are.
func AtNoon(items []Item, at func(facility string) *time.Location) []Item {
	known := func(it Item) bool {
		return it.Day() || slices.ContainsFunc(it.Superseded, func(f Fact) bool { return f.Day() })
	}
	if !slices.ContainsFunc(items, known) {
		return items
	}
	noon := func(f *Fact) {
		if f.Day() {
			y, m, d := f.At.In(at(f.Facility)).Date()
			f.At = time.Date(y, m, d, 12, 0, 0, 0, at(f.Facility)).UTC()
		}
	}
	out := slices.Clone(items)
	for i := range out {
		noon(&out[i].Fact)
		out[i].Superseded = slices.Clone(out[i].Superseded)
		for k := range out[i].Superseded {
			noon(&out[i].Superseded[k])
		}
	}
	Sort(out)
	return out
}
