//go:build race

package incidence_test

import "time"

// The race detector makes the arithmetic some twenty times slower.
const thresholdWithin = 2 * time.Second
