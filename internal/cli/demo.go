package cli

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"sort"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/feed"
	"cannulary/internal/simulate"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// demo runs the main job on an invented unit through the public interface.
func demo(ctx context.Context, env Env, args []string) error {
	s := simulate.Default()
	s.Unanswered = true
	s.WholeMonths = true // so that the report has a year with a census in each of its months
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
	a, err := newDemoApp(ctx, env, dir)
	if err != nil {
		return err
	}
	run, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- a.Run(run) }()
	if err := play(ctx, env, a, s); err != nil {
		cancel()
		return errors.Join(err, <-ended)
	}
	if exit {
		cancel()
		return <-ended
	}
	fmt.Fprintln(env.Stdout, "\nIt stays up until you press Ctrl-C.")
	return <-ended
}

// newDemoApp listens on the usual ports, or on free ones where those are taken.
func newDemoApp(ctx context.Context, env Env, dir string) (*app.App, error) {
	cfg := app.Config{Dir: dir, Ingest: true, View: true, GRPC: "127.0.0.1:7450", HTTP: "127.0.0.1:7451", Version: env.Version, Now: env.Now, Slog: logger(env)}
	a, err := app.New(ctx, cfg)
	if err != nil {
		cfg.GRPC, cfg.HTTP = "127.0.0.1:0", "127.0.0.1:0"
		a, err = app.New(ctx, cfg)
	}
	return a, err
}

func play(ctx context.Context, env Env, a *app.App, s simulate.Scenario) error {
	if !waitReady(ctx, a) {
		return ctx.Err()
	}
	fmt.Fprintf(env.Stdout, "An invented dialysis unit: %d patients, from %s to %s, seed %d. Nobody in it is real.\n", s.Patients*s.Units, s.FirstDate().Format(time.DateOnly), s.Until.Format(time.DateOnly), s.Seed)
	facts, sessions := 0, map[string]bool{}
	p := newProgress(env.Stderr)
	began := time.Now()
	tally, err := (&feed.Client{Addr: a.GRPCAddr(), Answered: p.answered}).Send(ctx, func(emit func(*cannularyv1.FeedRequest) error) error {
		return simulate.Generate(s, func(m *cannularyv1.FeedRequest) error {
			n, ref := contents(m)
			facts += n
			if ref != "" {
				sessions[ref] = true
			}
			return emit(m)
		})
	})
	if err != nil {
		return err
	}
	posted := time.Since(began)
	st, err := a.Log().State(ctx)
	if err != nil {
		return err
	}
	for a.Projector().Sequence() < st.LastSeq {
		wait, cancel := context.WithTimeout(ctx, 2*time.Second)
		err := a.Projector().WaitFor(wait, st.LastSeq)
		cancel()
		if err != nil && !errors.Is(err, context.DeadlineExceeded) {
			return err
		}
		fmt.Fprintf(env.Stderr, "  view at event %d of %d\n", a.Projector().Sequence(), st.LastSeq)
	}
	took := time.Since(began)
	fmt.Fprintf(env.Stdout, "\nPosted over gRPC   %d messages with %d facts of %d sessions in %.1f s: %d accepted, %d duplicates, %d refused\n",
		tally.Sent, facts, len(sessions), posted.Seconds(), tally.Accepted, tally.Duplicates, tally.Refused)
	fmt.Fprintf(env.Stdout, "In the log         %d events, %s, each on disk before it was acknowledged\n", st.LastSeq, size(st.Bytes))
	return summary(ctx, env, a, took)
}

func size(n uint64) string { return fmt.Sprintf("%.1f MB", float64(n)/1e6) }

// contents counts a message's facts and names its session.
func contents(m *cannularyv1.FeedRequest) (facts int, session string) {
	switch x := m.GetMessage().(type) {
	case *cannularyv1.FeedRequest_Roster:
		return len(x.Roster.GetFacts()), x.Roster.GetEnvelope().GetSession().GetValue()
	case *cannularyv1.FeedRequest_Cannulation:
		return len(x.Cannulation.GetFacts()), x.Cannulation.GetEnvelope().GetSession().GetValue()
	case *cannularyv1.FeedRequest_Assessment:
		return len(x.Assessment.GetFacts()), x.Assessment.GetEnvelope().GetSession().GetValue()
	case *cannularyv1.FeedRequest_Surveillance:
		return len(x.Surveillance.GetFacts()), x.Surveillance.GetEnvelope().GetSession().GetValue()
	}
	return 0, ""
}

// summary says what came out and where to look.
func summary(ctx context.Context, env Env, a *app.App, took time.Duration) error {
	w := env.Stdout
	counts, err := a.Store().Counts(ctx)
	if err != nil {
		return err
	}
	total, line := 0, ""
	for _, t := range counts.Resources {
		total += t.Count
		line += fmt.Sprintf(" %s %d,", t.Type, t.Count)
	}
	fmt.Fprintf(w, "FHIR resources     %d:%s all in view after %.1f s\n", total, line, took.Seconds())
	tracks, err := a.Store().Tracks(ctx)
	if err != nil {
		return err
	}
	stages := map[string]int{}
	pick := map[string]string{} // stage → a patient to look at
	for _, t := range tracks {
		stages[t.Stage]++
		if _, ok := pick[t.Stage]; !ok {
			pick[t.Stage] = t.Patient
		}
	}
	names := make([]string, 0, len(stages))
	for s := range stages {
		names = append(names, s)
	}
	sort.Strings(names)
	line = ""
	for _, s := range names {
		line += fmt.Sprintf(" %d %s,", stages[s], s)
	}
	holds, err := a.Store().Holds(ctx)
	if err != nil {
		return err
	}
	// As the board counts them: not on what is no longer used.
	open := 0
	for _, h := range holds {
		if h.Stands() {
			open++
		}
	}
	fmt.Fprintf(w, "Tracks             %d:%s %d open holds\n", len(tracks), line, open)
	fmt.Fprintf(w, "Not understood     %d events in quarantine\n", counts.Quarantine)
	http := "http://" + a.HTTPAddr()
	fmt.Fprintf(w, "\nLook at\n  board      %s/\n", http)
	for _, s := range []string{"forming", "ready", "trial", "established"} {
		if key, ok := pick[s]; ok {
			fmt.Fprintf(w, "  card       %s/card?patient=%s   (a track that is %s)\n", http, url.QueryEscape(key), s)
		}
	}
	if key, ok := pick["established"]; ok {
		fmt.Fprintf(w, "  FHIR       %s/fhir/metadata\n             %s/fhir/Patient/%s/$everything\n             %s/fhir/Procedure?patient=%s&_count=5\n", http, http, key, http, key)
	}
	fmt.Fprintf(w, "  report     bin/cannulary report --http %s --out ./report   (infection control's, of the last whole month)\n             %s/surveillance/report?format=html\n  CDS Hooks  %s/cds-services\n", http, http, http)
	fmt.Fprintf(w, "  metrics    %s/metrics\n  gRPC       %s   (reflection is on)\n", http, a.GRPCAddr())
	return nil
}
