//go:build race

package acceptance_test

// size is smaller under the race detector, which slows the embedded database down by an
// order of magnitude.
func size() (patients, months int) { return 6, 1 }

func seeds() []uint64 { return []uint64{1} }
