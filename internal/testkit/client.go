package testkit

import (
	"context"
	"errors"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Client sends messages as a hospital's integration engine would.
type Client struct{ conn *grpc.ClientConn }

// Conn is the connection.
func (c *Client) Conn() *grpc.ClientConn { return c.conn }

// Reply is the answer of any of the four services.
type Reply struct {
	EventID   string
	Token     string
	Duplicate bool
	Notices   []string
}

type reply interface {
	GetEventId() string
	GetToken() string
	GetDuplicate() bool
	GetNotices() []string
}

// Send calls the service that the message is for.
func (c *Client) Send(ctx context.Context, m *cannularyv1.FeedRequest, opts ...grpc.CallOption) (Reply, error) {
	var r reply
	var err error
	switch x := m.GetMessage().(type) {
	case *cannularyv1.FeedRequest_Roster:
		r, err = cannularyv1.NewRosterServiceClient(c.conn).RecordRoster(ctx, x.Roster, opts...)
	case *cannularyv1.FeedRequest_Cannulation:
		r, err = cannularyv1.NewCannulationServiceClient(c.conn).RecordCannulation(ctx, x.Cannulation, opts...)
	case *cannularyv1.FeedRequest_Assessment:
		r, err = cannularyv1.NewAssessmentServiceClient(c.conn).RecordAssessment(ctx, x.Assessment, opts...)
	case *cannularyv1.FeedRequest_Surveillance:
		r, err = cannularyv1.NewSurveillanceServiceClient(c.conn).RecordSurveillance(ctx, x.Surveillance, opts...)
	default:
		return Reply{}, errors.New("the message is for no service")
	}
	if err != nil {
		return Reply{}, err
	}
	return Reply{r.GetEventId(), r.GetToken(), r.GetDuplicate(), r.GetNotices()}, nil
}

// Feed opens a feed.
func (c *Client) Feed(tb testing.TB) cannularyv1.FeedService_FeedClient {
	tb.Helper()
	f, err := cannularyv1.NewFeedServiceClient(c.conn).Feed(Context(tb))
	if err != nil {
		tb.Fatal(err)
	}
	return f
}

// Violations are the field violations in a status, field by field.
func Violations(err error) []*errdetails.BadRequest_FieldViolation {
	for _, d := range status.Convert(err).Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			return b.GetFieldViolations()
		}
	}
	return nil
}
