package cli

import (
	"context"
	"sync"
	"time"

	"cannulary/internal/simulate"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// calendar gives the dates of the demo's year. Each message arrives when the simulator says.
// Each day begins at its midnight, after everything that arrived before.
type calendar struct {
	real func() time.Time

	mu       sync.Mutex
	now      time.Time            // midnight, UTC, of the simulated day; zero once the year is over
	begins   time.Time            // of the log
	arrivals map[string]time.Time // by source and message id, of messages under way
	waiting  int                  // messages without an answer
	moved    chan struct{}        // holds one value after an answer
}

// newCalendar returns a calendar that begins at a midnight before the first message.
func newCalendar(begins time.Time, real func() time.Time) *calendar {
	return &calendar{real: real, now: begins, begins: begins, arrivals: map[string]time.Time{}, moved: make(chan struct{}, 1)}
}

// arrived returns when an event of the year arrived; zero for events after the year.
func (c *calendar) arrived(ev *logv1.Event) time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(ev.GetFacts()) == 1 {
		switch f := ev.GetFacts()[0]; {
		case f.GetGenesis() != nil:
			return c.begins
		case f.GetDayStarted() != nil && !c.now.IsZero():
			return ev.GetOccurredAt().AsTime()
		}
	}
	return c.arrivals[ev.GetSource()+"\x00"+ev.GetSourceMessageId()]
}

// today returns a moment of the simulated day, and the real time after the year.
func (c *calendar) today() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.now.IsZero() {
		return c.real()
	}
	return c.now
}

// sends records when a message arrives. Sending it again does not change that.
func (c *calendar) sends(d simulate.Delivery) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.waiting++
	if key := messageKey(d.Message); c.arrivals[key].IsZero() {
		c.arrivals[key] = d.Arrival
	}
}

func (c *calendar) answered(m *cannularyv1.FeedRequest) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.waiting--
	delete(c.arrivals, messageKey(m))
	select {
	case c.moved <- struct{}{}:
	default:
	}
}

func messageKey(m *cannularyv1.FeedRequest) string {
	e := envelopeOf(m)
	return e.GetSource() + "\x00" + e.GetSourceMessageId()
}

// turnTo begins the days up to that of a moment, one after the other.
func (c *calendar) turnTo(ctx context.Context, to time.Time, start func(context.Context) error) error {
	for {
		c.mu.Lock()
		next := c.now.AddDate(0, 0, 1)
		c.mu.Unlock()
		if next.After(to) {
			return nil
		}
		if err := c.drain(ctx); err != nil {
			return err
		}
		c.mu.Lock()
		c.now = next
		c.mu.Unlock()
		if err := begin(ctx, start); err != nil {
			return err
		}
	}
}

const (
	dayPatience = 30 * time.Second       // for a log that does not answer for a moment, as in a feed
	dayPause    = 250 * time.Millisecond // before the next try
)

// begin starts a day, and tries again if the log does not answer for a moment. A day has one id,
// so trying again is safe.
func begin(ctx context.Context, start func(context.Context) error) error {
	for deadline := time.Now().Add(dayPatience); ; {
		err := start(ctx)
		if err == nil || ctx.Err() != nil || time.Now().After(deadline) {
			return err
		}
		select {
		case <-time.After(dayPause):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// over ends the year: from now on the real day counts.
func (c *calendar) over(ctx context.Context, start func(context.Context) error) error {
	if err := c.drain(ctx); err != nil {
		return err
	}
	c.mu.Lock()
	c.now = time.Time{}
	c.mu.Unlock()
	return begin(ctx, start)
}

// drain waits until every message has an answer.
func (c *calendar) drain(ctx context.Context) error {
	for {
		c.mu.Lock()
		n := c.waiting
		c.mu.Unlock()
		if n == 0 {
			return nil
		}
		select {
		case <-c.moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
