package grpcapi_test

import (
	"errors"
	"fmt"
	"io"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/eventlog"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

const (
	accepted  = v1.FeedOutcome_FEED_OUTCOME_ACCEPTED
	duplicate = v1.FeedOutcome_FEED_OUTCOME_DUPLICATE
	refusedIs = v1.FeedOutcome_FEED_OUTCOME_REFUSED
)

// numbered is a sample under another id.
func numbered(sample, id string) *v1.FeedRequest {
	return change(sample, func(_ *v1.FeedRequest, e *v1.Envelope) { e.SourceMessageId = id })
}

// feed sends all messages on one stream and returns all answers.
func feed(t testing.TB, c *testkit.Client, messages ...*v1.FeedRequest) []*v1.FeedResponse {
	t.Helper()
	f := c.Feed(t)
	sent := make(chan error, 1)
	go func() {
		for _, m := range messages {
			if err := f.Send(m); err != nil {
				sent <- err
				return
			}
		}
		sent <- f.CloseSend()
	}()
	var out []*v1.FeedResponse
	for {
		r, err := f.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("after %d answers: %v", len(out), err)
		}
		out = append(out, r)
	}
	if err := <-sent; err != nil {
		t.Fatal(err)
	}
	if len(out) != len(messages) {
		t.Fatalf("%d answers to %d messages", len(out), len(messages))
	}
	return out
}

// TestFeedAnswersInOrder sends far more than is taken at once, a bad one now and then.
func TestFeedAnswersInOrder(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	var messages []*v1.FeedRequest
	for i := range 500 {
		m := numbered("cannulation needle_inserted", fmt.Sprintf("m-%d", i))
		if i%7 == 3 {
			m.GetCannulation().GetFacts()[0].GetNeedleInserted().Gauge = proto.Uint32(3)
		}
		messages = append(messages, m)
	}
	tokens := map[string]bool{}
	for i, r := range feed(t, n.Client, messages...) {
		want := accepted
		if i%7 == 3 {
			want = refusedIs
		}
		if id := fmt.Sprintf("m-%d", i); r.GetSourceMessageId() != id || r.GetOutcome() != want {
			t.Fatalf("answer %d: %v", i, r)
		}
		switch {
		case want == accepted && (r.GetCode() != 0 || r.GetEventId() == "" || tokens[r.GetToken()]):
			t.Errorf("answer %d: %v", i, r)
		case want == refusedIs && (r.GetCode() != uint32(codes.InvalidArgument) || r.GetRetry() || r.GetToken() != "" ||
			len(r.GetReasons()) != 1 || r.GetReasons()[0].GetField() != "facts[0].needle_inserted.gauge"):
			t.Errorf("answer %d: %v", i, r)
		}
		tokens[r.GetToken()] = true
	}
	if got := n.Outcomes.Of("cannulation", "refused"); got != 71 {
		t.Errorf("%d refusals counted, want 71", got)
	}
}

// TestFeedRegistrationFollowedByItsFacts sends a facility's registration and, without
// waiting for the answer, messages about that facility; again and again, as a new unit's
// engine would.
func TestFeedRegistrationFollowedByItsFacts(t *testing.T) {
	n := testkit.Start(t, testkit.Options{Unregistered: true})
	var messages []*v1.FeedRequest
	for unit := range 10 {
		facility := fmt.Sprintf("invented-%d", unit)
		for i := range 8 {
			m := numbered("cannulation needle_inserted", fmt.Sprintf("%s-%d", facility, i))
			if i == 0 {
				m = numbered("roster facility_registered", facility)
			}
			testkit.Envelope(m).Facility = facility
			messages = append(messages, m)
		}
	}
	for i, r := range feed(t, n.Client, messages...) {
		if r.GetOutcome() != accepted {
			t.Errorf("message %d: %v", i, r)
		}
	}
}

// TestFeedWithoutRegistrationIsRefused is the other side: the messages alone are refused
// as something that does not exist yet.
func TestFeedWithoutRegistrationIsRefused(t *testing.T) {
	n := testkit.Start(t, testkit.Options{Unregistered: true})
	r := feed(t, n.Client, numbered("cannulation needle_inserted", "m"), numbered("roster facility_registered", "f"), numbered("cannulation needle_inserted", "m"))
	if r[0].GetCode() != uint32(codes.FailedPrecondition) || r[1].GetOutcome() != accepted || r[2].GetOutcome() != accepted {
		t.Errorf("%v", r)
	}
	if reasons := r[0].GetReasons(); len(reasons) != 2 || reasons[1].GetField() != "envelope.facility" {
		t.Errorf("reasons: %v", reasons)
	}
}

// TestFeedSameMessage64Times sends one message 64 times at once: one event, one accepted
// answer, 63 duplicates with the same event and token; and a clash among them is told.
func TestFeedSameMessage64Times(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	before := n.LastSeq(t)
	var messages []*v1.FeedRequest
	for range 64 {
		messages = append(messages, numbered("cannulation needle_inserted", "once"))
	}
	answers := feed(t, n.Client, messages...)
	count := map[v1.FeedOutcome]int{}
	for _, r := range answers {
		count[r.GetOutcome()]++
		if r.GetToken() != answers[0].GetToken() || r.GetEventId() != answers[0].GetEventId() {
			t.Errorf("%v differs from %v", r, answers[0])
		}
	}
	if count[accepted] != 1 || count[duplicate] != 63 {
		t.Errorf("outcomes %v", count)
	}
	if got := n.LastSeq(t); got != before+1 {
		t.Errorf("%d events, want 1", got-before)
	}
	clash := numbered("cannulation needle_inserted", "once")
	clash.GetCannulation().GetFacts()[0].GetNeedleInserted().Gauge = proto.Uint32(17)
	if r := feed(t, n.Client, clash)[0]; r.GetCode() != uint32(codes.AlreadyExists) || r.GetRetry() {
		t.Errorf("%v", r)
	}
}

// TestFeedAndUnaryAreOne sends a message first on the one, then on the other.
func TestFeedAndUnaryAreOne(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	m := testkit.SampleOf("assessment access_examined")
	first := feed(t, n.Client, m)[0]
	r, err := n.Client.Send(testkit.Context(t), m)
	if err != nil || !r.Duplicate || r.EventID != first.GetEventId() || r.Token != first.GetToken() {
		t.Errorf("%+v, %v; first %v", r, err, first)
	}
}

// TestFeedLagging asks while the service does not know how far its log is: the answer is
// "again later" on the feed, UNAVAILABLE with a delay on the call, and it passes by itself.
func TestFeedLagging(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	m := testkit.SampleOf("assessment access_examined")
	testkit.Envelope(m).OccurredAt = testkit.At("2025-01-07T08:00:00Z")
	// The index learns every second how far it is, so the first try may come just after.
	testkit.Eventually(t, "a refusal for lag", func() bool {
		n.Clock.Advance(eventlog.DuplicateWindow/2 + time.Second)
		r := feed(t, n.Client, testkit.ValidateOnly(m))[0]
		if r.GetOutcome() != refusedIs {
			return false
		}
		const want = "the service is 1m1s behind its log and cannot tell a resend from a new message. Send the message again in a moment"
		if r.GetCode() != uint32(codes.Unavailable) || !r.GetRetry() || r.GetReasons()[0].GetDescription() != want {
			t.Errorf("%v", r)
		}
		return true
	})
	testkit.Eventually(t, "the index to know where it is", func() bool {
		_, err := n.Client.Send(testkit.Context(t), m)
		if err != nil && status.Code(err) != codes.Unavailable {
			t.Fatal(err)
		}
		return err == nil
	})
}

// TestHealth asks the standard health service, for the server and for each service.
func TestHealth(t *testing.T) {
	n := testkit.Start(t, testkit.Options{Unregistered: true})
	h := healthpb.NewHealthClient(n.Client.Conn())
	for _, serving := range []bool{true, false, true} {
		n.API.Serving(serving)
		want := healthpb.HealthCheckResponse_NOT_SERVING
		if serving {
			want = healthpb.HealthCheckResponse_SERVING
		}
		for _, name := range []string{"", "cannulary.v1.FeedService", "cannulary.v1.RosterService", "cannulary.v1.CannulationService", "cannulary.v1.AssessmentService", "cannulary.v1.SurveillanceService"} {
			r, err := h.Check(testkit.Context(t), &healthpb.HealthCheckRequest{Service: name})
			if err != nil || r.GetStatus() != want {
				t.Errorf("%q: %v, %v", name, r.GetStatus(), err)
			}
		}
	}
}
