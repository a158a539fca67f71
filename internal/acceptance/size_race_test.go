//go:build race

package acceptance_test

// size is smaller under the race detector, which slows the embedded database down by an
// order of magnitude.
func size() (patients, months int) { return 6, 1 }

func seeds() []uint64 { return []uint64{1} }

// historySize is how many generated histories go through the store, and how often the
// program that projects them is killed.
func historySize() (histories, kills int) { return 12, 2 }

// facesSize is how many drawn patients every face is asked about at least, and how many of them at one
// time of the clock. So few do not tell every wrong reading.
func facesSize() (people, together int) { return 6, 3 }

const facesTellMutants = false
