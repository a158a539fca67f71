// Package feed is the sender's side of the feed. It streams messages to an ingest service. It
// sends again what was not answered when the connection breaks, and what was refused for a
// while. It counts what became of each message. The simulator and `load` send through it, and
// use nothing else of the program's inside.
package feed

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Tally is what became of the messages: sent = accepted + duplicates + refused. If sending ended
// early, those without a final answer are counted apart.
type Tally struct {
	Sent       int `json:"sent"`
	Accepted   int `json:"accepted"`
	Duplicates int `json:"duplicates"`
	Refused    int `json:"refused"`
	Unanswered int `json:"unanswered,omitempty"`
}

// Client sends messages to one address.
type Client struct {
	Addr string
	// Answered is called with every final answer, in order; it may be nil.
	Answered func(*cannularyv1.FeedRequest, *cannularyv1.FeedResponse)
	// TLS is how the connection is encrypted; nil sends in the clear. Token is the bearer token to
	// show; empty shows none.
	TLS   *tls.Config
	Token string
	// Patience is how long Send goes on without any progress after the connection broke or
	// messages were refused for a while; 0 is 30 seconds.
	Patience time.Duration
}

// window is how many messages may be unanswered.
const window = 256

// pause is the wait before a reconnect or a resend.
const pause = 250 * time.Millisecond

// Source calls emit for each message and stops at its first error.
type Source func(emit func(*cannularyv1.FeedRequest) error) error

// Send sends all messages of the source and returns once each has a final answer.
func (c *Client) Send(ctx context.Context, source Source) (Tally, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	transport := insecure.NewCredentials()
	if c.TLS != nil {
		transport = credentials.NewTLS(c.TLS)
	}
	conn, err := grpc.NewClient(c.Addr, grpc.WithTransportCredentials(transport))
	if err != nil {
		return Tally{}, fmt.Errorf("connect to %s: %w", c.Addr, err)
	}
	defer func() { _ = conn.Close() }()
	if c.Token != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+c.Token)
	}
	next := make(chan *cannularyv1.FeedRequest)
	sourceErr := make(chan error, 1)
	go func() {
		defer close(next)
		sourceErr <- source(func(r *cannularyv1.FeedRequest) error {
			select {
			case next <- r:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	}()
	s := &sending{client: c, api: cannularyv1.NewFeedServiceClient(conn), next: next}
	patience := cmp.Or(c.Patience, 30*time.Second)
	deadline := time.Now().Add(patience)
	for {
		answered := s.answered
		err := s.stream(ctx)
		if err == nil {
			break
		}
		if ctx.Err() != nil {
			return s.early(), ctx.Err()
		}
		if s.answered > answered {
			deadline = time.Now().Add(patience)
		}
		if st, _ := status.FromError(err); !errors.Is(err, errAgain) && st.Code() != codes.Unavailable && st.Code() != codes.Internal &&
			st.Code() != codes.Unknown || time.Now().After(deadline) {
			if errors.Is(err, errAgain) {
				return s.early(), fmt.Errorf("feed to %s: %w and none was taken for %s; the service says of %q: %s",
					c.Addr, err, patience, s.refused.GetSourceMessageId(), reasons(s.refused))
			}
			return s.early(), fmt.Errorf("feed to %s broke off: %s; check that the service runs and that this is its gRPC address, "+
				"then send the same messages again: none is stored twice", c.Addr, status.Convert(err).Message())
		}
		time.Sleep(pause)
	}
	return s.tally, <-sourceErr
}

// errAgain ends a stream with refusals that are only for a while, so that the messages are sent
// again.
var errAgain = errors.New("messages were refused for the moment")

// sending is the state across streams.
type sending struct {
	client   *Client
	api      cannularyv1.FeedServiceClient
	next     <-chan *cannularyv1.FeedRequest
	pending  []*cannularyv1.FeedRequest // sent without a final answer, in order
	tally    Tally
	answered int
	drained  bool
	refused  *cannularyv1.FeedResponse // the latest refusal that is only for a while
}

// early returns the tally of a feed that ended before all answers came.
func (s *sending) early() Tally {
	t := s.tally
	t.Unanswered = len(s.pending)
	return t
}

// reasons returns a refusal's own words.
func reasons(a *cannularyv1.FeedResponse) string {
	parts := make([]string, 0, len(a.GetReasons()))
	for _, r := range a.GetReasons() {
		parts = append(parts, strings.TrimPrefix(r.GetField()+": "+r.GetDescription(), ": "))
	}
	if len(parts) == 0 {
		return "no reason"
	}
	return strings.Join(parts, "; ")
}

// stream runs one stream until every message is answered (nil) or it breaks.
func (s *sending) stream(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := s.api.Feed(ctx)
	if err != nil {
		return err
	}
	inflight := make(chan *cannularyv1.FeedRequest, window)
	// left holds, in order, what this stream sent without a final answer.
	sendDone := make(chan []*cannularyv1.FeedRequest, 1)
	stop := make(chan struct{})
	go func() { sendDone <- s.send(ctx, st, inflight, stop) }()
	var left []*cannularyv1.FeedRequest
	var failed error
	for r := range inflight {
		if failed != nil {
			left = append(left, r)
			continue
		}
		a, err := st.Recv()
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = status.Error(codes.Unavailable, "the server ended the stream early")
			}
			failed = err
			cancel()
			left = append(left, r)
			continue
		}
		if a.GetRetry() {
			if s.refused = a; len(left) == 0 {
				close(stop)
			}
			left = append(left, r)
			continue
		}
		s.count(r, a)
	}
	s.pending = append(left, <-sendDone...)
	switch {
	case failed != nil:
		return failed
	case len(s.pending) > 0:
		return errAgain
	}
	return nil
}

// send sends what is pending from the stream before, then what is new. It returns what it could
// not send. After stop it sends nothing more: messages that were refused for a while go first,
// and the source may be waiting for their answers.
func (s *sending) send(
	ctx context.Context, st cannularyv1.FeedService_FeedClient, inflight chan<- *cannularyv1.FeedRequest, stop <-chan struct{},
) (unsent []*cannularyv1.FeedRequest) {
	defer close(inflight)
	again := s.pending
	for i, r := range again {
		if closed(stop) {
			_ = st.CloseSend()
			return again[i:]
		}
		if err := st.Send(r); err != nil {
			return again[i:]
		}
		select {
		case inflight <- r:
		case <-ctx.Done():
			return again[i:]
		}
	}
	for !s.drained && !closed(stop) {
		select {
		case <-stop:
		case r, ok := <-s.next:
			if !ok {
				s.drained = true
				break
			}
			if err := st.Send(r); err != nil {
				return []*cannularyv1.FeedRequest{r}
			}
			select {
			case inflight <- r:
			case <-ctx.Done():
				return []*cannularyv1.FeedRequest{r}
			}
		case <-ctx.Done():
			return nil
		}
	}
	// The server answers what it has; an error shows on the receiving side.
	_ = st.CloseSend()
	return nil
}

func closed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

func (s *sending) count(r *cannularyv1.FeedRequest, a *cannularyv1.FeedResponse) {
	s.answered++
	s.tally.Sent++
	switch a.GetOutcome() {
	case cannularyv1.FeedOutcome_FEED_OUTCOME_ACCEPTED:
		s.tally.Accepted++
	case cannularyv1.FeedOutcome_FEED_OUTCOME_DUPLICATE:
		s.tally.Duplicates++
	default:
		s.tally.Refused++
	}
	if s.client.Answered != nil {
		s.client.Answered(r, a)
	}
}
