//go:build !race

package incidence_test

import "time"

const thresholdWithin = 200 * time.Millisecond
