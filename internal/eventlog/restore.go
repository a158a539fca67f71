package eventlog

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	logv1 "cannulary/proto/cannulary/log/v1"
)

// RepairKey is the key in a stream's metadata that names the repair that made it.
const RepairKey = "cannulary-repair"

// takenHeader is the header with the moment at which the log before a repair received an entry,
// RFC 3339 in UTC.
const takenHeader = "Cannulary-Taken"

// StreamName is that of a shard's stream.
func StreamName(shard string) string { return "CANNULARY_" + strings.ToUpper(shard) }

// TrailName is that of a shard's trail. No shard has an underscore in its name.
func TrailName(shard string) string { return StreamName(shard) + "_TRAIL" }

// Restorer fills a new stream with the entries of another log.
type Restorer struct {
	js      jetstream.JetStream
	log     *Log
	next    uint64
	pending []jetstream.PubAckFuture
}

// pendingMost is how many entries may wait for their acknowledgement.
const pendingMost = 256

// Restore makes the shard's stream, which must not be there yet, for the entries of another log. repair
// names the repair.
func Restore(ctx context.Context, nc *nats.Conn, cfg Config, repair string) (*Restorer, error) {
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(pendingMost))
	if err != nil {
		return nil, fmt.Errorf("open the log: %w", err)
	}
	want := streamConfig(cfg)
	want.Metadata = map[string]string{RepairKey: repair}
	if _, err := js.CreateStream(ctx, want); err != nil {
		return nil, fmt.Errorf("make stream %s: %w", want.Name, err)
	}
	return &Restorer{js: js, log: &Log{cfg: cfg, name: want.Name}, next: 1}, nil
}

// Append appends an entry, which must have the next number. Its bytes stay as they are.
func (r *Restorer) Append(ctx context.Context, e Entry) error {
	if e.Seq != r.next {
		return fmt.Errorf("entry %d comes where %d belongs", e.Seq, r.next)
	}
	r.next++
	var ev logv1.Event
	if err := proto.Unmarshal(e.Data, &ev); err != nil {
		ev.Reset() // the projectors set it aside, as before
	}
	// No message id: an event that stands twice in the log must do so again.
	msg := nats.NewMsg(r.log.subject(&ev))
	msg.Data = e.Data
	msg.Header.Set(takenHeader, e.Time.UTC().Format(time.RFC3339Nano))
	ack, err := r.js.PublishMsgAsync(msg, jetstream.WithExpectStream(r.log.name))
	if err != nil {
		return fmt.Errorf("append entry %d: %w", e.Seq, err)
	}
	if r.pending = append(r.pending, ack); len(r.pending) >= pendingMost {
		return r.settle(ctx)
	}
	return nil
}

// settle waits until all entries are on disk and have their numbers.
func (r *Restorer) settle(ctx context.Context) error {
	first := r.next - uint64(len(r.pending))
	for i, p := range r.pending {
		want := first + uint64(i)
		select {
		case ack := <-p.Ok():
			if ack.Sequence != want || ack.Duplicate {
				return fmt.Errorf("entry %d became number %d", want, ack.Sequence)
			}
		case err := <-p.Err():
			return fmt.Errorf("append entry %d: %w", want, err)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	r.pending = nil
	return nil
}

// Close waits for all entries, and keeps how far the log goes.
func (r *Restorer) Close(ctx context.Context, last Entry) error {
	if err := r.settle(ctx); err != nil || r.log.cfg.Head == "" {
		return err
	}
	h, err := openHeader(r.log.cfg.Head)
	if err != nil {
		return err
	}
	return errors.Join(h.reach(Head{last.Seq, HeadSum(last.Data)}), h.close())
}
