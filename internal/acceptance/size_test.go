package acceptance_test

import "cannulary/internal/testkit/tier"

// size is the scenario's: patients and months.
func size() (patients, months int) { return tier.Of(6, 12), tier.Of(1, 2) }

// seeds are those of the shuffled feeds.
func seeds() []uint64 { return tier.Of([]uint64{1}, []uint64{1, 2, 3}) }

// historySize is how many generated histories go through the store, and how often the
// program that projects them is killed.
func historySize() (histories, kills int) { return tier.Of(12, 200), tier.Of(2, 10) }

// facesSize is how many drawn patients every face is asked about at least, and how many of them at one
// time of the clock.
func facesSize() (people, together int) { return tier.Of(5, 8), tier.Of(3, 5) }
