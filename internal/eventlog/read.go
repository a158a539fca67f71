package eventlog

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// ErrGap says that entries are missing that the log once held. It is an alarm and never skipped.
var ErrGap = errors.New("the log has a gap")

// readAhead is how many entries may wait for a slow reader.
const readAhead = 2048

// Partial reports false: each entry is a whole event.
func (l *Log) Partial() bool { return false }

// Read hands over every entry from sequence from on, in order, in batches of at most max. It
// follows the log until ctx ends or handle fails. A batch holds whatever has arrived, so a
// reader that has caught up gets single entries at once. The error is handle's, ErrGap, or nil
// if ctx ended.
func (l *Log) Read(ctx context.Context, from uint64, max int, handle func(context.Context, []Entry) error) error {
	if from == 0 {
		from = 1
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	entries := make(chan Entry, readAhead)
	fetchErr := make(chan error, 1)
	go func() {
		defer close(entries)
		fetchErr <- l.fetch(ctx, from, entries)
	}()
	next := from
	batch := make([]Entry, 0, max)
	for {
		batch = batch[:0]
		e, ok := <-entries
		if !ok {
			return <-fetchErr
		}
		batch = append(batch, e)
	more:
		for len(batch) < max {
			select {
			case e, ok := <-entries:
				if !ok {
					break more
				}
				batch = append(batch, e)
			default:
				break more
			}
		}
		for _, e := range batch {
			if e.Seq != next {
				return fmt.Errorf("%w: after %d comes %d; the log is damaged and cannot be repaired in place: keep the data folder as it "+
					"is, above all the view, which holds copies of what was projected, and restore a copy of the log (runbook "+
					"CannularyLogDamaged)", ErrGap, next-1, e.Seq)
			}
			next++
		}
		if ctx.Err() != nil {
			return nil
		}
		if err := handle(ctx, batch); err != nil {
			return err
		}
	}
}

// fetch sends entries into the channel. The ordered consumer restarts where it stopped when the
// connection or its server comes back.
func (l *Log) fetch(ctx context.Context, from uint64, out chan<- Entry) error {
	cons, err := l.js.OrderedConsumer(ctx, l.name, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: from,
		MaxResetAttempts: -1, InactiveThreshold: 5 * time.Minute,
	})
	if err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return fmt.Errorf("read the log from %d: %w", from, err)
	}
	it, err := cons.Messages(jetstream.PullMaxMessages(1000))
	if err != nil {
		return fmt.Errorf("read the log from %d: %w", from, err)
	}
	defer it.Stop()
	stop := context.AfterFunc(ctx, it.Stop)
	defer stop()
	for {
		m, err := it.Next()
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("read the log: %w", err)
		}
		md, err := m.Metadata()
		if err != nil {
			return fmt.Errorf("read the log: %w", err)
		}
		select {
		case out <- Entry{Seq: md.Sequence.Stream, Time: l.taken(md.Sequence.Stream, md.Timestamp, m.Headers()), Data: m.Data()}:
		case <-ctx.Done():
			return nil
		}
	}
}
