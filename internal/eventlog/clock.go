package eventlog

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// WrongClock says that entries were dated by a clock that was wrong. Whoever reads the log gets the time that is
// right.
type WrongClock struct {
	First, Last uint64        // entries
	Ahead       time.Duration // how far the clock was ahead; negative where it was behind
	Seq         uint64        // the entry that says so
}

// Covers reports whether the entry was dated by that clock.
func (w WrongClock) Covers(seq uint64) bool { return w.First <= seq && seq <= w.Last }

// WrongClocks are those that were declared before the log was opened. One that is declared later counts from the
// next opening on.
func (l *Log) WrongClocks() []WrongClock { return l.wrong }

// ByWrongClock reports whether the entry was dated by a clock that was declared wrong.
func (l *Log) ByWrongClock(seq uint64) bool {
	return slices.ContainsFunc(l.wrong, func(w WrongClock) bool { return w.Covers(seq) })
}

// WrongClocksText is the list as text, for whoever has to know later which ones he went by.
func WrongClocksText(list []WrongClock) string {
	parts := make([]string, 0, len(list))
	for _, w := range list {
		parts = append(parts, fmt.Sprintf("%d-%d %s", w.First, w.Last, w.Ahead))
	}
	return strings.Join(parts, ", ")
}

// rightTime is when an entry was received, by a clock that was right.
func (l *Log) rightTime(seq uint64, t time.Time) time.Time {
	for _, w := range l.wrong {
		if w.Covers(seq) {
			t = t.Add(-w.Ahead)
		}
	}
	return t
}

// readWrongClocks finds the declarations. They are about no facility and no patient, so their subject has few
// entries.
func (l *Log) readWrongClocks(ctx context.Context) error {
	about := l.subject(&logv1.Event{})
	for seq := uint64(1); ; {
		m, err := l.stream.GetMsg(ctx, seq, jetstream.WithGetMsgSubject(about))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("look for clocks that were declared wrong: %w", err)
		}
		seq = m.Sequence + 1
		var ev logv1.Event
		if proto.Unmarshal(m.Data, &ev) != nil {
			continue // the projectors set it aside
		}
		for _, f := range ev.GetFacts() {
			if c := f.GetClockCorrected(); c != nil {
				l.wrong = append(l.wrong, WrongClock{First: c.GetFirstSequence(), Last: c.GetLastSequence(),
					Ahead: time.Duration(c.GetAheadSeconds()) * time.Second, Seq: m.Sequence})
			}
		}
	}
}

// Declare appends that the clock was wrong. It counts from the next opening of the log on.
func (l *Log) Declare(ctx context.Context, w WrongClock, reason string) (seq uint64, err error) {
	message := fmt.Sprintf("clock/%d-%d/%d", w.First, w.Last, int64(w.Ahead/time.Second))
	seq, _, err = l.Append(ctx, &logv1.Event{
		Id: record.EventID(ServiceSource, message), Source: ServiceSource, SourceMessageId: message, ContentHash: []byte(message),
		OccurredAt: timestamppb.New(l.cfg.Now()), Precision: cannularyv1.TimePrecision_TIME_PRECISION_SECOND,
		Facts: []*logv1.Fact{{Fact: &logv1.Fact_ClockCorrected{ClockCorrected: &logv1.ClockCorrected{
			FirstSequence: w.First, LastSequence: w.Last, AheadSeconds: int64(w.Ahead / time.Second), Reason: reason}}}},
	})
	return seq, err
}
