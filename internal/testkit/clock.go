package testkit

import (
	"sync"
	"time"
)

// Clock is a clock that moves only when it is told to. It is safe for concurrent use.
type Clock struct {
	mu  sync.Mutex
	now time.Time
}

// Noon is where a node's clock stands at start: after everything in the samples.
func Noon() time.Time { return time.Date(2025, 3, 3, 12, 0, 0, 0, time.UTC) }

// NewClock makes a clock that stands at t.
func NewClock(t time.Time) *Clock { return &Clock{now: t} }

// Now is the clock's time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Advance moves the clock by d.
func (c *Clock) Advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}
