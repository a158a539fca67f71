package feed_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"cannulary/internal/feed"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

func TestAFeedToNobodySaysWhatToCheck(t *testing.T) {
	c := &feed.Client{Addr: "127.0.0.1:1", Patience: time.Nanosecond}
	tally, err := c.Send(context.Background(), func(emit func(*cannularyv1.FeedRequest) error) error {
		return emit(&cannularyv1.FeedRequest{})
	})
	if err == nil || tally.Accepted != 0 {
		t.Fatalf("%+v, %v", tally, err)
	}
	const begins, ends = "feed to 127.0.0.1:1 broke off: connection error: ",
		"; check that the service runs and that this is its gRPC address, then send the same messages again: none is stored twice"
	if said := err.Error(); !strings.HasPrefix(said, begins) || !strings.HasSuffix(said, ends) || strings.Contains(said, "rpc error") {
		t.Errorf("it says %q", said)
	}
}
