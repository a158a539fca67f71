package feed_test

import (
	"fmt"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"cannulary/internal/feed"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// moody is a feed that refuses each message once for the moment, and all that come after it on
// the same stream.
type moody struct {
	cannularyv1.UnimplementedFeedServiceServer
	mu      sync.Mutex
	refused map[string]bool
	taken   []string
}

func (m *moody) Feed(st cannularyv1.FeedService_FeedServer) error {
	bad := false
	for {
		r, err := st.Recv()
		if err != nil {
			return nil
		}
		id := r.GetRoster().GetEnvelope().GetSourceMessageId()
		m.mu.Lock()
		bad = bad || !m.refused[id]
		a := &cannularyv1.FeedResponse{SourceMessageId: id, Outcome: cannularyv1.FeedOutcome_FEED_OUTCOME_ACCEPTED}
		if bad {
			a.Outcome, a.Retry = cannularyv1.FeedOutcome_FEED_OUTCOME_REFUSED, true
			m.refused[id] = true
		} else {
			m.taken = append(m.taken, id)
		}
		m.mu.Unlock()
		if err := st.Send(a); err != nil {
			return err
		}
	}
}

// TestWhatIsRefusedForTheMomentGoesFirst: a source that waits for the answers of what it sent
// gets them, though nothing new comes and the stream could stay open; messages are taken in
// their order.
func TestWhatIsRefusedForTheMomentGoesFirst(t *testing.T) {
	lis, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	service := &moody{refused: map[string]bool{}}
	server := grpc.NewServer()
	cannularyv1.RegisterFeedServiceServer(server, service)
	go func() { _ = server.Serve(lis) }()
	defer server.Stop()
	answers := make(chan string, 10)
	c := &feed.Client{Addr: lis.Addr().String(), Answered: func(_ *cannularyv1.FeedRequest, a *cannularyv1.FeedResponse) {
		answers <- a.GetSourceMessageId()
	}}
	var want []string
	tally, err := c.Send(t.Context(), func(emit func(*cannularyv1.FeedRequest) error) error {
		for batch := range 2 {
			for i := range 3 {
				id := fmt.Sprint(batch, i)
				want = append(want, id)
				if err := emit(&cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Roster{Roster: &cannularyv1.RecordRosterRequest{
					Envelope: &cannularyv1.Envelope{SourceMessageId: id},
				}}}); err != nil {
					return err
				}
			}
			for range 3 {
				select {
				case <-answers:
				case <-time.After(time.Minute):
					return fmt.Errorf("batch %d has no answers", batch)
				}
			}
		}
		return nil
	})
	if err != nil || tally.Accepted != 6 || !slices.Equal(service.taken, want) {
		t.Errorf("%+v, %v, taken %v, want %v", tally, err, service.taken, want)
	}
}
