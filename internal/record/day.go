package record

import (
	"time"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Day reports that only the local day of the fact is known. At is then any instant of that day.
func (f *Fact) Day() bool { return f.Precision == cannularyv1.TimePrecision_TIME_PRECISION_DAY }

// AtNoon puts every fact that is known to the day at the noon of that day in its facility: the sender may have given any time
// of that day. It changes items, and returns them in the order of Before.
func AtNoon(items []Item, at func(facility string) *time.Location) []Item {
	moved := false
	noon := func(f *Fact) {
		if f.Day() {
			y, m, d := f.At.In(at(f.Facility)).Date()
			f.At = time.Date(y, m, d, 12, 0, 0, 0, at(f.Facility)).UTC()
			moved = true
		}
	}
	for i := range items {
		noon(&items[i].Fact)
		for k := range items[i].Superseded {
			noon(&items[i].Superseded[k])
		}
	}
	if moved {
		Sort(items)
	}
	return items
}
