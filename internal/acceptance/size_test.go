//go:build !race

package acceptance_test

// size is the scenario's: patients and months.
func size() (patients, months int) { return 12, 2 }

// seeds are those of the shuffled feeds.
func seeds() []uint64 { return []uint64{1, 2, 3} }

// historySize is how many generated histories go through the store, and how often the
// program that projects them is killed.
func historySize() (histories, kills int) { return 200, 10 }

// facesSize is how many drawn patients every face is asked about at least, and how many of them at one
// time of the clock.
func facesSize() (people, together int) { return 8, 5 }

// facesTellMutants tells that so many tell each wrong reading.
const facesTellMutants = true
