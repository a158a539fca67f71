//go:build !linux

package intake

import "time"

// Passed is Go's monotonic clock.
func (m machine) Passed() time.Duration { return time.Since(m.start) }
