//go:build race

package surveillance_test

// size is how many histories of a patient are drawn, wards how many of a facility; fewer,
// because the race detector is slow.
const (
	size  = 500
	wards = 60
)
