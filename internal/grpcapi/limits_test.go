package grpcapi_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/door"
	"cannulary/internal/grpcapi"
	"cannulary/internal/intake"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// counting counts how many messages are under way at once.
type counting struct{ now, most atomic.Int64 }

func (c *counting) Record(context.Context, intake.Message, ...func()) (intake.Answer, error) {
	n := c.now.Add(1)
	defer c.now.Add(-1)
	for most := c.most.Load(); n > most && !c.most.CompareAndSwap(most, n); most = c.most.Load() {
	}
	time.Sleep(5 * time.Millisecond) // so that others come in between, where they may
	return intake.Answer{}, nil
}

// served is a server that counts, with a client.
func served(t *testing.T) (*counting, string) {
	t.Helper()
	d, err := door.New(door.Config{Now: time.Now, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	lis, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &counting{}
	s := grpcapi.New(c, d, testkit.Discard(), nil)
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(lis) }()
	t.Cleanup(func() {
		s.Stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return c, lis.Addr().String()
}

// A feed may have many messages under way, but large ones only one by one: else a few feeds hold all memory.
func TestLargeMessagesOfAFeedAreTakenAlone(t *testing.T) {
	for size, alone := range map[int]bool{100: false, 100 << 10: true} {
		c, addr := served(t)
		f := testkit.Dial(t, addr).Feed(t)
		const n = 50
		go func() {
			for i := range n {
				m := proto.CloneOf(testkit.SampleOf("cannulation needle_inserted"))
				e := testkit.Envelope(m)
				e.SourceMessageId, e.Patient = fmt.Sprint(i), testkit.Patient(fmt.Sprint(i))
				e.Recorder.Value = strings.Repeat("x", size)
				if f.Send(m) != nil {
					return
				}
			}
			_ = f.CloseSend()
		}()
		answers := 0
		for {
			r, err := f.Recv()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil || r.GetOutcome() != v1.FeedOutcome_FEED_OUTCOME_ACCEPTED {
				t.Fatalf("%v %v", r, err)
			}
			answers++
		}
		if most := c.most.Load(); answers != n || (most == 1) != alone {
			t.Errorf("of %d messages of %d bytes up to %d were under way at once", answers, size, most)
		}
	}
}

// A connection that says nothing does not stay.
func TestAConnectionThatSaysNothingEnds(t *testing.T) {
	_, addr := served(t)
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if err := conn.SetReadDeadline(time.Now().Add(2 * time.Minute)); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if _, err := io.Copy(io.Discard, conn); err != nil {
		t.Errorf("the server did not end the connection: %v", err)
	}
	if took := time.Since(began); took > time.Minute {
		t.Errorf("it stayed for %s", took)
	}
}
