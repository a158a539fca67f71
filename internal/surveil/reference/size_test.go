//go:build !race

package reference_test

// size is how many histories are drawn.
const size = 10000
