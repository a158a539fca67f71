//go:build !race

package surveillance_test

// size is how many histories of a patient are drawn, wards how many of a facility.
const (
	size  = 10000
	wards = 2000
)
