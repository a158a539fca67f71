//go:build race

package reference_test

// size is how many histories are drawn; fewer, because the race detector is slow.
const size = 500
