package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/eventlog"
	"cannulary/internal/feed"
	"cannulary/internal/simulate"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// demo runs the main job on an invented unit through the public interface.
func demo(ctx context.Context, env Env, args []string) error {
	s := simulate.Demonstration()
	var dir, until string
	var exit bool
	fs := flags(env, "demo", "--data DIR [--exit]")
	fs.StringVar(&dir, "data", "", "folder for the demo (required): new, empty, or an earlier demo's, which is deleted")
	fs.BoolVar(&exit, "exit", os.Getenv("DEMO_EXIT") == "1", "end when the work is done")
	scenarioFlags(fs, &s, &until)
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if dir == "" {
		return errUse{"--data is missing; name a folder for the demo"}
	}
	if err := setUntil(&s, until, env.Now()); err != nil {
		return err
	}
	if err := app.EmptyForDemo(dir); err != nil {
		return err
	}
	c := newCalendar(s.FirstDate().AddDate(0, 0, -3), env.Now)
	a, err := newDemoApp(ctx, env, dir, c)
	if err != nil {
		return err
	}
	run, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- a.Run(run) }()
	if err := play(ctx, env, a, s, c); err != nil {
		cancel()
		return errors.Join(err, <-ended)
	}
	if exit {
		cancel()
		return <-ended
	}
	fmt.Fprintln(env.Stdout, "\nIt runs until you press Ctrl-C.")
	return <-ended
}

// newDemoApp listens on the usual ports, or on free ones if those are taken.
func newDemoApp(ctx context.Context, env Env, dir string, c *calendar) (*app.App, error) {
	cfg := app.Config{
		Dir: dir, Ingest: true, View: true, GRPC: "127.0.0.1:7450", HTTP: "127.0.0.1:7451",
		Version: env.Version, Now: env.Now, Slog: logger(env),
		Invented: &app.Invented{Arrived: c.arrived, Day: c.today},
	}
	a, err := app.New(ctx, cfg)
	if err != nil {
		cfg.GRPC, cfg.HTTP = "127.0.0.1:0", "127.0.0.1:0"
		a, err = app.New(ctx, cfg)
	}
	return a, err
}

func play(ctx context.Context, env Env, a *app.App, s simulate.Scenario, c *calendar) error {
	if err := a.WaitReady(ctx); err != nil {
		return err
	}
	fmt.Fprintf(env.Stdout, "Invented dialysis units, %d with %d patients each, from %s to %s, seed %d. Nobody in them is real.\n",
		s.Units, s.Patients, s.FirstDate().Format(time.DateOnly), s.Until.Format(time.DateOnly), s.Seed)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel() // ends senders that still wait for an answer
	facts, sessions := 0, map[string]bool{}
	var highlights []simulate.Highlight
	p := newProgress(env.Stderr)
	began := time.Now()
	answered := func(r *cannularyv1.FeedRequest, a *cannularyv1.FeedResponse) {
		c.answered(r)
		p.answered(r, a)
	}
	client := &feed.Client{Addr: a.GRPCAddr(), Answered: answered}
	tally, err := client.Send(ctx, func(emit func(*cannularyv1.FeedRequest) error) error {
		var err error
		highlights, err = simulate.Play(s, func(d simulate.Delivery) error {
			n, ref := contents(d.Message)
			facts += n
			if ref != "" {
				sessions[ref] = true
			}
			if err := c.turnTo(ctx, d.Arrival, a.Intake().StartDays); err != nil {
				return err
			}
			c.sends(d)
			return emit(d.Message)
		})
		return err
	})
	if err != nil {
		return err
	}
	if err := c.over(ctx, a.Intake().StartDays); err != nil {
		return err
	}
	posted := time.Since(began)
	last, err := catchUp(ctx, env, a)
	if err != nil {
		return err
	}
	took := time.Since(began)
	fmt.Fprintf(env.Stdout,
		"\nPosted over gRPC   %d messages with %d facts of %d sessions in %.1f s: %d accepted, %d duplicates, %d refused\n",
		tally.Sent, facts, len(sessions), posted.Seconds(), tally.Accepted, tally.Duplicates, tally.Refused)
	fmt.Fprintf(env.Stdout, "In the log         %d events, %s, each on disk before it was acknowledged, dated as they would have arrived\n",
		last.LastSeq, size(last.Bytes))
	if err := summary(ctx, env, a, took); err != nil {
		return err
	}
	return lookAt(ctx, env, a, highlights)
}

// catchUp waits until the view holds all of the log and returns the log's end.
func catchUp(ctx context.Context, env Env, a *app.App) (eventlog.State, error) {
	st, err := a.Log().State(ctx)
	if err != nil {
		return st, err
	}
	for a.Projector().Sequence() < st.LastSeq {
		wait, cancel := context.WithTimeout(ctx, 2*time.Second)
		err := a.Projector().WaitFor(wait, st.LastSeq)
		cancel()
		if err != nil && !errors.Is(err, context.DeadlineExceeded) {
			return st, err
		}
		fmt.Fprintf(env.Stderr, "  view at event %d of %d\n", a.Projector().Sequence(), st.LastSeq)
	}
	return st, nil
}

func size(n uint64) string { return fmt.Sprintf("%.1f MB", float64(n)/1e6) }

// contents returns the number of a message's facts, and its session.
func contents(m *cannularyv1.FeedRequest) (facts int, session string) {
	return len(m.GetRoster().GetFacts()) + len(m.GetCannulation().GetFacts()) + len(m.GetAssessment().GetFacts()) +
		len(m.GetSurveillance().GetFacts()), envelopeOf(m).GetSession().GetValue()
}
