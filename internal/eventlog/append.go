package eventlog

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/chain"
	"cannulary/internal/fault"
	logv1 "cannulary/proto/cannulary/log/v1"
)

const (
	// batchFrom is how many waiting events are written as one atomic batch. A batch costs some 2 ms, whatever
	// its size, since the server stages it in a file of its own; single events cost 0.2 ms each (measured on
	// one node). All events of a batch share one sync.
	batchFrom = 10
	// batchMost and batchBytes bound a batch. The server takes 1,000 events.
	batchMost  = 500
	batchBytes = 8 << 20
	// openFrom is how many waiting events promise a batch, so that it stays open for more. lull is how long it does for the next
	// one: about what it takes to check one. openMost is how long it does in all (measured with 64 messages under way).
	openFrom = batchFrom / 2
	lull     = 500 * time.Microsecond
	openMost = 20 * time.Millisecond
	// appendTimeout is how long the server may take for a write.
	appendTimeout = 10 * time.Second
)

// Codes of the server's errors.
const (
	codeFull      = 10077 // maximum bytes exceeded
	codeTooLarge  = 10054 // message size exceeds maximum allowed
	codeDuplicate = 10201 // a batch holds an event that the server knows
)

// Append writes the event and returns its sequence once it is safe. duplicate reports that the
// server knew the event's id within its window; seq is then that of the first one. Errors are
// faults: Full, TooLarge or Unavailable. After Unavailable the event may or may not be in the
// log. Append it again: its id keeps it single.
func (l *Log) Append(ctx context.Context, ev *logv1.Event) (seq uint64, duplicate bool, err error) {
	p, err := l.Place(ctx, ev)
	if err != nil {
		return 0, false, err
	}
	return p.Wait(ctx)
}

// Placed is an event that has its place in the log and may not be safe yet.
type Placed struct {
	log *Log
	*waiting
}

// Place gives the event its place: where it is stored, it stands before every event that this Log places after Place
// returned. Wait must be called. Errors are as Append's.
func (l *Log) Place(ctx context.Context, ev *logv1.Event) (*Placed, error) {
	data, err := marshal(ev)
	if err != nil {
		return nil, err
	}
	w := l.waiting(ev, data)
	return &Placed{l, w}, l.place(ctx, w)
}

// Wait returns the event's sequence once it is safe. Results and errors are as Append's.
func (p *Placed) Wait(ctx context.Context) (seq uint64, duplicate bool, err error) {
	return p.log.wait(ctx, p.waiting)
}

// AppendEntry writes an entry that is no event, as the trail has them, under an id that keeps it single within
// DuplicateWindow. data must be a message whose field 14 is not set: the link comes there. Errors are as
// Append's.
func (l *Log) AppendEntry(ctx context.Context, id string, data []byte) (seq uint64, err error) {
	w := &waiting{id: id, subject: l.cfg.prefix() + ".entry", data: data, done: make(chan struct{})}
	if err := l.place(ctx, w); err != nil {
		return 0, err
	}
	seq, _, err = l.wait(ctx, w)
	return seq, err
}

func (l *Log) place(ctx context.Context, w *waiting) error {
	select {
	case l.writer.in <- w:
		return nil
	case <-l.writer.stopped:
		return appendFault(errClosed)
	case <-ctx.Done():
		return appendFault(ctx.Err())
	}
}

func (l *Log) wait(ctx context.Context, w *waiting) (seq uint64, duplicate bool, err error) {
	select {
	case <-w.done:
	case <-l.writer.stopped:
		select {
		case <-w.done:
		default: // it came behind the last one that was served
			return 0, false, appendFault(errClosed)
		}
	case <-ctx.Done():
		return 0, false, appendFault(ctx.Err())
	}
	if w.err != nil {
		return 0, false, appendFault(w.err)
	}
	if l.head != nil {
		if err := l.head.reach(w.head); err != nil {
			return 0, false, appendFault(err)
		}
	}
	return w.seq, w.duplicate, nil
}

var errClosed = errors.New("the log is being closed")

func marshal(ev *logv1.Event) ([]byte, error) {
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(ev)
	if err != nil {
		return nil, fmt.Errorf("encode event: %w", err)
	}
	return data, nil
}

// waiting is an event that is to be written.
func (l *Log) waiting(ev *logv1.Event, data []byte) *waiting {
	w := &waiting{id: ev.GetId(), subject: l.subject(ev), data: data, done: make(chan struct{})}
	if l.cfg.Arrived != nil {
		w.arrived = l.cfg.Arrived(ev)
	}
	return w
}

// message is what the server is given of an entry, whose data has its link.
func (l *Log) message(w *waiting, data []byte) *nats.Msg {
	msg := nats.NewMsg(w.subject)
	msg.Data = data
	msg.Header.Set(jetstream.MsgIDHeader, w.id)
	if !w.arrived.IsZero() {
		msg.Header.Set(arrivedHeader, w.arrived.UTC().Format(time.RFC3339Nano))
	}
	return msg
}

// writer is the one goroutine that appends. An entry is linked when the one before it is stored, so there is
// one write at a time; whoever comes meanwhile waits and shares the next one.
type writer struct {
	log     *Log
	in      chan *waiting
	closing chan struct{}
	stopped chan struct{}
	once    sync.Once
	timer   *time.Timer // of more

	end    chain.Writer
	linked bool // there is a chain to go on with
	batch  bool // the stream takes atomic batches
}

// waiting is an entry that is to be written, and then its result.
type waiting struct {
	id, subject string
	arrived     time.Time // in an invented log; else zero
	data        []byte

	done      chan struct{} // closed when the rest is set
	seq       uint64
	duplicate bool
	head      Head // what must be marked as acknowledged before the event is
	err       error
}

func (w *waiting) finish(seq uint64, head Head, err error) {
	w.seq, w.head, w.err = seq, head, err
	close(w.done)
}

func startWriter(l *Log) *writer {
	w := &writer{log: l, in: make(chan *waiting, batchMost), closing: make(chan struct{}), stopped: make(chan struct{}),
		timer: time.NewTimer(lull), batch: l.stream.CachedInfo().Config.AllowAtomicPublish}
	go w.run()
	return w
}

// stop ends the writer after what it is at; whoever still waits is answered that the log is being closed.
func (w *writer) stop() {
	w.once.Do(func() { close(w.closing) })
	<-w.stopped
}

func (w *writer) run() {
	defer close(w.stopped)
	for {
		select {
		case <-w.closing:
			w.refuse()
			return
		case first := <-w.in:
			w.write(w.more(first))
		}
	}
}

func (w *writer) refuse() {
	for {
		select {
		case p := <-w.in:
			p.finish(0, Head{}, errClosed)
		default:
			return
		}
	}
}

// more takes what waits already. Where many wait, senders are quick: it goes on for a while, as long as another one
// comes within the lull, because a batch costs the same for many. A few senders never wait for others.
func (w *writer) more(first *waiting) []*waiting {
	list, size := []*waiting{first}, len(first.data)
	until := time.Now().Add(openMost)
	for len(list) < batchMost && size < batchBytes {
		var next *waiting
		select {
		case next = <-w.in:
		default:
			left := time.Until(until)
			if len(list) < openFrom || left <= 0 {
				return list
			}
			w.timer.Reset(min(lull, left))
			select {
			case next = <-w.in:
			case <-w.timer.C:
				return list
			}
		}
		list, size = append(list, next), size+len(next.data)
	}
	return list
}

func (w *writer) write(list []*waiting) {
	ctx, cancel := context.WithTimeout(context.Background(), appendTimeout)
	defer cancel()
	if err := w.begin(ctx); err != nil {
		for _, p := range list {
			p.finish(0, Head{}, err)
		}
		return
	}
	if w.batch && len(list) >= batchFrom && w.together(ctx, list) {
		return
	}
	for _, p := range list {
		w.one(p)
	}
}

// begin begins a chain behind the log's last entry, where there is none to go on with.
func (w *writer) begin(ctx context.Context) error {
	if w.linked {
		return nil
	}
	var name [chain.WriterSize]byte
	_, _ = rand.Read(name[:]) // it never fails
	st, err := w.log.State(ctx)
	if err != nil {
		return err
	}
	last, err := w.log.Get(ctx, st.LastSeq)
	if err != nil {
		return fmt.Errorf("read entry %d: %w", st.LastSeq, err)
	}
	w.end, w.linked = chain.NewWriter(name, last.Seq, chain.SumOf(last.Data)), true
	return nil
}

// one writes one event.
func (w *writer) one(p *waiting) {
	ctx, cancel := context.WithTimeout(context.Background(), appendTimeout)
	defer cancel()
	if err := w.begin(ctx); err != nil {
		p.finish(0, Head{}, err)
		return
	}
	data, next, err := w.end.Link(p.data)
	if err != nil {
		p.finish(0, Head{}, err)
		return
	}
	ack, err := w.log.js.PublishMsg(ctx, w.log.message(p, data), jetstream.WithExpectStream(w.log.name))
	switch {
	case err != nil:
		w.linked = w.linked && refused(err)
		p.finish(0, Head{}, err)
	case ack.Duplicate:
		p.duplicate = true
		first, err := w.log.Get(ctx, ack.Sequence)
		p.finish(ack.Sequence, Head{ack.Sequence, HeadSum(first.Data)}, err)
	default:
		w.end = next
		p.finish(ack.Sequence, Head{ack.Sequence, HeadSum(data)}, nil)
	}
}

// together writes the events as one atomic batch. It returns false where the server took none of them and
// each must be tried by itself: to find out which is known or too much.
func (w *writer) together(ctx context.Context, list []*waiting) bool {
	b, err := jetstreamext.NewBatchPublisher(w.log.js, jetstreamext.BatchFlowControl{})
	if err != nil {
		return false
	}
	end := w.end
	var ack *jetstreamext.BatchAck
	var data []byte
	for i, p := range list {
		if data, end, err = end.Link(p.data); err != nil {
			return false
		}
		msg := w.log.message(p, data)
		msg.Header.Set(jetstream.ExpectedStreamHeader, w.log.name)
		if i < len(list)-1 {
			err = b.AddMsg(msg)
		} else {
			ack, err = b.CommitMsg(ctx, msg)
		}
		if err != nil {
			break
		}
	}
	if err != nil && refused(err) {
		return false
	}
	if err != nil {
		w.linked = false
		for _, p := range list {
			p.finish(0, Head{}, err)
		}
		return true
	}
	w.end = end
	// All are marked as acknowledged by the last one.
	head := Head{ack.Sequence, HeadSum(data)}
	first := ack.Sequence - uint64(len(list)) + 1
	for i, p := range list {
		p.finish(first+uint64(i), head, nil)
	}
	return true
}

// refused reports that the server said no: nothing was stored. After any other error nobody can say.
func refused(err error) bool {
	var api *jetstream.APIError
	if !errors.As(err, &api) {
		return errors.Is(err, nats.ErrMaxPayload)
	}
	return api.ErrorCode == codeFull || api.ErrorCode == codeTooLarge || api.ErrorCode == codeDuplicate
}

func appendFault(err error) error {
	var api *jetstream.APIError
	switch {
	case errors.As(err, &api) && api.ErrorCode == codeFull:
		return fault.Wrap(fault.Full, err, "the log is full: nothing was stored",
			"ask the operator to raise the log's limit, then send the message again")
	case errors.Is(err, nats.ErrMaxPayload), errors.As(err, &api) && api.ErrorCode == codeTooLarge:
		return fault.Wrap(fault.TooLarge, err, "the message is larger than the log accepts", "send its facts in several messages")
	}
	return fault.Wrap(fault.Unavailable, err, "the log did not confirm the message: it may or may not be stored",
		"send the same message again; a resend never makes a second fact")
}
