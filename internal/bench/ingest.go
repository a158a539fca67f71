package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"cannulary/internal/app"
	"cannulary/internal/eventlog"
	"cannulary/internal/simulate"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// inFlight is how many messages are unanswered at a time, at the service and at the bare log.
const inFlight = 64

// rounds is how often service and reference take turns, so that both meet the same disk
// and the same other load.
const rounds = 12

// ingest posts the feed over gRPC to an instance of the ingest role alone, as on a machine
// of its own; sender and service share the processors. The reference appends as many bytes
// to a bare stream that syncs in the same way.
func (b *bench) ingest(ctx context.Context) error {
	b.say("make the feed: %d patients, %d months", b.scenario.Patients, b.scenario.Months)
	messages, _, err := b.feed()
	if err != nil {
		return err
	}
	a, err := app.New(ctx, app.Config{Dir: b.data, Ingest: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: time.Now, Slog: b.slog})
	if err != nil {
		return err
	}
	defer a.Stop()
	a.Start()
	if err := untilReady(ctx, a); err != nil {
		return err
	}
	bare, err := openBare(ctx, filepath.Join(b.dir, "bare"), b.slog)
	if err != nil {
		return err
	}
	defer bare.close()
	b.say("post %d messages, by turns with as many appends of the same bytes to a bare stream", len(messages))
	var took, bareTook time.Duration
	from := uint64(2) // after genesis
	for part := range slices.Chunk(messages, (len(messages)+rounds-1)/rounds) {
		d, err := post(ctx, a.GRPCAddr(), part, 0, nil)
		if err != nil {
			return err
		}
		took += d
		sizes, err := entrySizes(ctx, a.Log(), from)
		if err != nil {
			return err
		}
		// The service appends events of its own, such as the beginning of a day.
		if len(sizes) < len(part) {
			return fmt.Errorf("the log took %d events of %d messages", len(sizes), len(part))
		}
		from += uint64(len(sizes))
		b.events += len(sizes)
		for _, n := range sizes {
			b.logBytes += int64(n)
		}
		if d, err = bare.append(ctx, sizes); err != nil {
			return err
		}
		bareTook += d
	}
	b.add(figure{Name: "durable ingest over the gRPC feed", Value: float64(len(messages)) / took.Seconds(), Unit: "msg/s",
		Reference: float64(b.events) / bareTook.Seconds(),
		against:   fmt.Sprintf("bare JetStream appends of the same sizes, synced, %d in flight", inFlight), goal: ratioAtLeast(0.8)})
	return nil
}

// latest is how many of the feed's last messages are kept for the measurement of one event at a
// time, but never more than a tenth.
const latest = 2000

// feed makes the messages of the scenario, and apart from them the latest ones.
func (b *bench) feed() (messages, last []*cannularyv1.FeedRequest, err error) {
	err = simulate.Generate(b.scenario, func(m *cannularyv1.FeedRequest) error {
		messages = append(messages, m)
		return nil
	})
	n := len(messages) - min(latest, len(messages)/10)
	return messages[:n], messages[n:], err
}

func untilReady(ctx context.Context, a *app.App) error {
	for !a.Ready() {
		select {
		case err := <-a.Failed():
			return err
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Millisecond):
		}
	}
	return nil
}

// post sends all messages on one stream, one every so often, or where that is 0 as fast as the
// service takes them. Each must be accepted. answered is called with each answer; nil for nobody.
func post(
	ctx context.Context, addr string, messages []*cannularyv1.FeedRequest, every time.Duration, answered func(*cannularyv1.FeedResponse),
) (time.Duration, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return 0, err
	}
	defer func() { _ = conn.Close() }()
	began := time.Now()
	stream, err := cannularyv1.NewFeedServiceClient(conn).Feed(ctx)
	if err != nil {
		return 0, err
	}
	places := make(chan struct{}, inFlight)
	go func() {
		for i, m := range messages {
			if every > 0 {
				select {
				case <-time.After(time.Until(began.Add(time.Duration(i) * every))):
				case <-ctx.Done():
					return
				}
			}
			select {
			case places <- struct{}{}:
			case <-ctx.Done():
				return
			}
			if stream.Send(m) != nil {
				return // the receiving side has the error
			}
		}
		_ = stream.CloseSend()
	}()
	for range messages {
		r, err := stream.Recv()
		if err != nil {
			return 0, fmt.Errorf("feed: %w", err)
		}
		if r.GetOutcome() != cannularyv1.FeedOutcome_FEED_OUTCOME_ACCEPTED {
			return 0, fmt.Errorf("feed: message %s: %v %v", r.GetSourceMessageId(), r.GetOutcome(), r.GetReasons())
		}
		<-places
		if answered != nil {
			answered(r)
		}
	}
	return time.Since(began), nil
}

// entrySizes are the sizes in bytes of the events from a sequence on.
func entrySizes(ctx context.Context, log *eventlog.Log, from uint64) ([]int, error) {
	st, err := log.State(ctx)
	if err != nil {
		return nil, err
	}
	var sizes []int
	done := errors.New("read to the end")
	err = log.Read(ctx, from, 1000, func(_ context.Context, entries []eventlog.Entry) error {
		for _, e := range entries {
			sizes = append(sizes, len(e.Data))
			if e.Seq == st.LastSeq {
				return done
			}
		}
		return nil
	})
	if !errors.Is(err, done) {
		return nil, fmt.Errorf("read the log back: %w", err)
	}
	return sizes, nil
}

// bareStream is a stream of a server that is set up as the service's own.
type bareStream struct {
	srv *eventlog.Server
	nc  *nats.Conn
	js  jetstream.JetStream
}

func openBare(ctx context.Context, dir string, log *slog.Logger) (*bareStream, error) {
	srv, err := eventlog.StartServer(dir, eventlog.DefaultMaxBytes, log)
	if err != nil {
		return nil, err
	}
	nc, err := srv.Connect()
	if err != nil {
		srv.Stop()
		return nil, err
	}
	s := &bareStream{srv: srv, nc: nc}
	if s.js, err = jetstream.New(nc); err == nil {
		_, err = s.js.CreateStream(ctx, jetstream.StreamConfig{Name: "BARE", Subjects: []string{"bare.>"}, Storage: jetstream.FileStorage,
			MaxBytes: eventlog.DefaultMaxBytes, Discard: jetstream.DiscardNew, DenyDelete: true, DenyPurge: true})
	}
	if err != nil {
		s.close()
		return nil, err
	}
	return s, nil
}

func (s *bareStream) close() {
	s.nc.Close()
	s.srv.Stop()
}

// append appends entries of the given sizes, without ids, checks or an index.
func (s *bareStream) append(ctx context.Context, sizes []int) (time.Duration, error) {
	data := make([]byte, slices.Max(sizes))
	for i := range data {
		data[i] = byte(i * 7)
	}
	var next atomic.Int64
	var work sync.WaitGroup
	failed := make(chan error, inFlight)
	began := time.Now()
	for worker := range inFlight {
		work.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= len(sizes) {
					return
				}
				msg := nats.NewMsg(fmt.Sprintf("bare.unit.%d", worker))
				msg.Data = data[:sizes[i]]
				if _, err := s.js.PublishMsg(ctx, msg); err != nil {
					failed <- err
					return
				}
			}
		})
	}
	work.Wait()
	took := time.Since(began)
	select {
	case err := <-failed:
		return 0, fmt.Errorf("append to the bare stream: %w", err)
	default:
		return took, nil
	}
}
