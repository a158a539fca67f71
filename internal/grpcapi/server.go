package grpcapi

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"runtime/debug"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/door"
	"cannulary/internal/fault"
	"cannulary/internal/intake"
	"cannulary/internal/trail"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

const (
	// retryDelay is what a sender is told to wait after a passing refusal.
	retryDelay = time.Second
	// feedAhead is how many messages of one feed are under way at once.
	feedAhead = 64
	// maxReceive ends a call whose message is beyond all reason. Up to it intake refuses what has more than
	// 1 MiB with a text, and a feed goes on.
	maxReceive = 8 << 20
	// large is the size above which a message of a feed is taken alone, so that no feed holds many of them.
	large = 64 << 10
	// What one connection may hold: streams, and bytes of headers.
	maxStreams, maxHeaders = 100, 16 << 10
	// handshakeTime is how long a connection may take to begin. One that is silent for silence is
	// asked for a sign of life, and ended without one. Clients may ask every leastPing.
	handshakeTime, silence, leastPing = 10 * time.Second, time.Minute, 10 * time.Second
)

// Recorder is what the services need of intake.
type Recorder interface {
	// Record takes one message. Its errors are faults, or internal errors. It logs or counts each of them; of a
	// message that was only validated it logs the internal ones alone.
	// It calls placed when the message has its place in the log before all that are recorded from then on.
	Record(ctx context.Context, m intake.Message, placed ...func()) (intake.Answer, error)
}

// Server is a gRPC server with all ingest services.
type Server struct {
	*grpc.Server
	health *health.Server
}

// New makes a server behind a door. It reports itself as not serving until Serving is called. A nil trail keeps
// nothing.
func New(rec Recorder, d *door.Door, log *slog.Logger, kept *trail.Trail) *Server {
	s := &Server{health: health.NewServer()}
	options := []grpc.ServerOption{
		grpc.ForceServerCodecV2(newCodec()), grpc.MaxRecvMsgSize(maxReceive),
		grpc.ConnectionTimeout(handshakeTime), grpc.MaxConcurrentStreams(maxStreams), grpc.MaxHeaderListSize(maxHeaders),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: silence, Timeout: silence}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: leastPing, PermitWithoutStream: true}),
		grpc.ChainUnaryInterceptor(func(ctx context.Context, req any, info *grpc.UnaryServerInfo,
			next grpc.UnaryHandler) (resp any, err error) {
			ctx, call := kept.Call(ctx, info.FullMethod, addrOf(ctx))
			defer func() { call.End(uint32(status.Code(err))) }()
			defer recoverTo(ctx, log, &err)
			ctx = context.WithValue(ctx, calling{}, call)
			in, done, err := d.Enter(ctx, callerOf(ctx), door.RightOf(door.Methods(), info.FullMethod))
			if err != nil {
				return nil, toStatus(err)
			}
			defer done()
			return next(in, req)
		}),
		grpc.ChainStreamInterceptor(func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) (err error) {
			ctx, call := kept.Call(ss.Context(), info.FullMethod, addrOf(ss.Context()))
			defer func() { call.End(uint32(status.Code(err))) }()
			defer recoverTo(ctx, log, &err)
			ctx = context.WithValue(ctx, calling{}, call)
			_, done, err := d.Enter(ctx, callerOf(ctx), door.RightOf(door.Methods(), info.FullMethod))
			if err != nil {
				return toStatus(err)
			}
			defer done()
			return next(srv, stream{ss, ctx})
		}),
	}
	if c := d.TLS("h2"); c != nil {
		options = append(options, grpc.Creds(credentials.NewTLS(c)))
	}
	s.Server = grpc.NewServer(options...)
	api := &services{rec: rec, door: d, log: log}
	cannularyv1.RegisterRosterServiceServer(s.Server, rosterService{services: api})
	cannularyv1.RegisterCannulationServiceServer(s.Server, cannulationService{services: api})
	cannularyv1.RegisterAssessmentServiceServer(s.Server, assessmentService{services: api})
	cannularyv1.RegisterSurveillanceServiceServer(s.Server, surveillanceService{services: api})
	cannularyv1.RegisterFeedServiceServer(s.Server, feedService{services: api})
	healthpb.RegisterHealthServer(s.Server, s.health)
	reflection.Register(s.Server)
	for name, service := range s.GetServiceInfo() {
		for _, m := range service.Methods {
			if method := "/" + name + "/" + m.Name; !door.Named(door.Methods(), method) {
				panic(method + " has no row in the table of rights (internal/door/table.go)") // a mistake in the program alone
			}
		}
	}
	s.Serving(false)
	return s
}

// Serving sets what the health service answers for the server and each of its services.
func (s *Server) Serving(yes bool) {
	st := healthpb.HealthCheckResponse_NOT_SERVING
	if yes {
		st = healthpb.HealthCheckResponse_SERVING
	}
	s.health.SetServingStatus("", st)
	for name := range s.GetServiceInfo() {
		s.health.SetServingStatus(name, st)
	}
}

func recoverTo(ctx context.Context, log *slog.Logger, err *error) {
	if p := recover(); p != nil {
		log.ErrorContext(ctx, "panic while taking a message", "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
		*err = toStatus(errors.New("panic"))
	}
}

// callerOf returns what a call shows of its sender.
func callerOf(ctx context.Context) access.Caller {
	md, _ := metadata.FromIncomingContext(ctx)
	c := access.Caller{Bearer: door.Bearer(md.Get("authorization"))}
	if p, ok := peer.FromContext(ctx); ok {
		if t, ok := p.AuthInfo.(credentials.TLSInfo); ok && len(t.State.VerifiedChains) > 0 {
			c.Certificate = t.State.VerifiedChains[0][0]
		}
	}
	return c
}

// calling is the key of a context's call in the trail.
type calling struct{}

// took counts a message in the trail by its outcome.
func took(ctx context.Context, a intake.Answer, err error) {
	c, _ := ctx.Value(calling{}).(*trail.Call)
	switch {
	case err != nil:
		c.Took("refused")
	case a.Duplicate:
		c.Took("duplicate")
	default:
		c.Took("accepted")
	}
}

// addrOf returns where a call comes from.
func addrOf(ctx context.Context) net.Addr {
	if p, ok := peer.FromContext(ctx); ok {
		return p.Addr
	}
	return nil
}

// stream is a stream with another context.
type stream struct {
	grpc.ServerStream
	ctx context.Context
}

func (s stream) Context() context.Context { return s.ctx }

type services struct {
	rec  Recorder
	door *door.Door
	log  *slog.Logger
}

func (s *services) record(ctx context.Context, m intake.Message) (intake.Answer, error) {
	a, err := s.rec.Record(ctx, m)
	took(ctx, a, err)
	if err != nil {
		return a, toStatus(err)
	}
	return a, nil
}

type rosterService struct {
	cannularyv1.UnimplementedRosterServiceServer
	*services
}

func (s rosterService) RecordRoster(ctx context.Context, r *cannularyv1.RecordRosterRequest) (*cannularyv1.RecordRosterResponse, error) {
	a, err := s.record(ctx, intake.FromRoster(r))
	if err != nil {
		return nil, err
	}
	return &cannularyv1.RecordRosterResponse{EventId: a.EventID, Token: a.Token, Duplicate: a.Duplicate, Notices: a.Notices}, nil
}

type cannulationService struct {
	cannularyv1.UnimplementedCannulationServiceServer
	*services
}

func (s cannulationService) RecordCannulation(ctx context.Context,
	r *cannularyv1.RecordCannulationRequest) (*cannularyv1.RecordCannulationResponse, error) {
	a, err := s.record(ctx, intake.FromCannulation(r))
	if err != nil {
		return nil, err
	}
	return &cannularyv1.RecordCannulationResponse{EventId: a.EventID, Token: a.Token, Duplicate: a.Duplicate, Notices: a.Notices}, nil
}

type assessmentService struct {
	cannularyv1.UnimplementedAssessmentServiceServer
	*services
}

func (s assessmentService) RecordAssessment(ctx context.Context,
	r *cannularyv1.RecordAssessmentRequest) (*cannularyv1.RecordAssessmentResponse, error) {
	a, err := s.record(ctx, intake.FromAssessment(r))
	if err != nil {
		return nil, err
	}
	return &cannularyv1.RecordAssessmentResponse{EventId: a.EventID, Token: a.Token, Duplicate: a.Duplicate, Notices: a.Notices}, nil
}

type surveillanceService struct {
	cannularyv1.UnimplementedSurveillanceServiceServer
	*services
}

func (s surveillanceService) RecordSurveillance(ctx context.Context,
	r *cannularyv1.RecordSurveillanceRequest) (*cannularyv1.RecordSurveillanceResponse, error) {
	a, err := s.record(ctx, intake.FromSurveillance(r))
	if err != nil {
		return nil, err
	}
	return &cannularyv1.RecordSurveillanceResponse{EventId: a.EventID, Token: a.Token, Duplicate: a.Duplicate, Notices: a.Notices}, nil
}

type feedService struct {
	cannularyv1.UnimplementedFeedServiceServer
	*services
}

// Feed answers every request in the order of the requests. Up to feedAhead messages are
// taken at once. Those of one patient get their places in the log one after the other, in the
// order sent, so that nothing is judged before what was reported first. A message about a facility or its staff
// is taken alone: a registration, a protocol or a rating decides how those behind it are read.
// So is a large one. One whose id is under way waits, because the first to use an id has it.
func (s feedService) Feed(stream cannularyv1.FeedService_FeedServer) error {
	ctx := stream.Context()
	answers := make(chan chan *cannularyv1.FeedResponse, feedAhead)
	sent := make(chan error, 1)
	go func() {
		var failed error
		for a := range answers {
			r := <-a
			if failed == nil {
				failed = stream.Send(r)
			}
		}
		sent <- failed
	}()
	var underWay sync.WaitGroup // added to and waited for by this goroutine alone
	lines := queues{}
	received := func() error {
		for {
			req, err := stream.Recv()
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err != nil {
				return err
			}
			m, ok := intake.FromFeed(req)
			a := make(chan *cannularyv1.FeedResponse, 1)
			answers <- a
			if ok && (m.Alone() || proto.Size(req) > large) {
				underWay.Wait()
				a <- s.take(ctx, m, func() {})
				continue
			}
			turn, over := lines.line(m.Lines()...)
			underWay.Go(func() {
				defer over()
				turn()
				a <- s.take(ctx, m, over)
			})
		}
	}()
	close(answers)
	if err := <-sent; err != nil {
		return err
	}
	return received
}

// take records one message of a feed and puts a refusal into the answer. It calls placed as soon as the next message about
// the patient may be taken; a message that gets no place in the log never calls it.
func (s feedService) take(ctx context.Context, m intake.Message, placed func()) (r *cannularyv1.FeedResponse) {
	r = &cannularyv1.FeedResponse{SourceMessageId: m.Envelope.GetSourceMessageId()}
	defer func() {
		if p := recover(); p != nil {
			s.log.ErrorContext(ctx, "panic while taking a message", "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
			refuse(r, fault.As(errors.New("panic")))
		}
	}()
	// The policy may have changed since the feed began.
	ctx, err := s.door.Next(ctx, callerOf(ctx), access.Send)
	if err != nil {
		took(ctx, intake.Answer{}, err)
		refuse(r, fault.As(err))
		return r
	}
	a, err := s.rec.Record(ctx, m, placed)
	took(ctx, a, err)
	if err != nil {
		refuse(r, fault.As(err))
		return r
	}
	r.EventId, r.Token, r.Notices, r.Outcome = a.EventID, a.Token, a.Notices, cannularyv1.FeedOutcome_FEED_OUTCOME_ACCEPTED
	if a.Duplicate {
		r.Outcome = cannularyv1.FeedOutcome_FEED_OUTCOME_DUPLICATE
	}
	return r
}

func refuse(r *cannularyv1.FeedResponse, f *fault.Error) {
	r.Outcome = cannularyv1.FeedOutcome_FEED_OUTCOME_REFUSED
	r.Code = uint32(answer.GRPC(f.Kind))
	r.Retry = f.Kind == fault.Unavailable || f.Kind == fault.Internal || f.Kind == fault.Full || f.Kind == fault.Limited
	if len(f.Violations) == 0 || f.Kind != fault.Invalid {
		r.Reasons = append(r.Reasons, &cannularyv1.FeedReason{Description: fault.New(f.Kind, f.What, f.Do).Error()})
	}
	for _, v := range f.Violations {
		r.Reasons = append(r.Reasons, &cannularyv1.FeedReason{Field: v.Field, Description: v.Description})
	}
}
