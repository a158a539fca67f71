//go:build !race

package acceptance_test

// size is the scenario's: patients and months.
func size() (patients, months int) { return 12, 2 }

// seeds are those of the shuffled feeds.
func seeds() []uint64 { return []uint64{1, 2, 3} }
