package intake

import (
	"time"

	"golang.org/x/sys/unix"
)

// Passed counts the time in which the machine was suspended, too, which Go's own monotonic clock does not.
func (m machine) Passed() time.Duration {
	var ts unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts) != nil {
		return time.Since(m.start)
	}
	return time.Duration(ts.Nano())
}
