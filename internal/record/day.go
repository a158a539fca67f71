package record

import (
	"slices"
	"time"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Day reports that only the local day of the fact is known. At is then any instant of that day.
func (f *Fact) Day() bool { return f.Precision == cannularyv1.TimePrecision_TIME_PRECISION_DAY }

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
