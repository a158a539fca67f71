package surveillance_test

import "cannulary/internal/testkit/tier"

// patients is how many histories of a patient are drawn.
func patients() int { return tier.Of(500, 10000) }

// wards are the facilities whose histories are drawn. The few show every situation and tell
// every mutant; where they do so no more, a run of the many names others that do.
func wards() []uint64 {
	many := make([]uint64, 2000)
	for i := range many {
		many[i] = uint64(i)
	}
	few := []uint64{0, 1, 3, 5, 7, 11, 14, 24, 36, 40, 48, 49, 69, 95, 106, 199, 385, 393, 518, 1364}
	return tier.Of(few, many)
}
