package eventlog

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

const (
	// checkBurst entries are read at once. Then Check pauses as long as they took. So a check
	// uses at most half of one core.
	checkBurst = 200
	// checkAgain is the wait after the server did not answer.
	checkAgain = time.Second
)

// Check reads every entry from 1 to the log's present end and calls saw with each sequence,
// missing or not. The server itself does not notice that a block on disk has changed: its counts
// stay as they were, and a reader gets the next whole entry. Check ends with ctx, without an
// error.
func (l *Log) Check(ctx context.Context, saw func(seq uint64, missing bool)) error {
	st, err := l.State(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	began := time.Now()
	for seq := uint64(1); seq <= st.LastSeq; seq++ {
		_, err := l.stream.GetMsg(ctx, seq)
		for err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
			if !rest(ctx, checkAgain) {
				return nil
			}
			_, err = l.stream.GetMsg(ctx, seq)
		}
		saw(seq, err != nil)
		if seq%checkBurst == 0 {
			if !rest(ctx, time.Since(began)) {
				return nil
			}
			began = time.Now()
		}
	}
	return nil
}

// rest waits. It returns false if ctx ended first.
func rest(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
