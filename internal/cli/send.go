package cli

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"cannulary/internal/feed"
	"cannulary/internal/simulate"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// scenarioFlags adds the simulator's flags.
func scenarioFlags(fs *flag.FlagSet, s *simulate.Scenario, until *string) {
	fs.IntVar(&s.Units, "units", s.Units, "dialysis units")
	fs.IntVar(&s.Patients, "patients", s.Patients, "patients in each unit")
	fs.IntVar(&s.Months, "months", s.Months, "months before --until; in the demo whole ones, and the days after them")
	fs.Uint64Var(&s.Seed, "seed", s.Seed, "seed; the same seed and --until give the same messages")
	fs.StringVar(until, "until", "", "last day, YYYY-MM-DD; default the last day that has ended in every time zone")
	fs.BoolVar(&s.Corrections, "corrections", s.Corrections, "mistakes are corrected and voided")
	fs.BoolVar(&s.Merges, "merges", s.Merges, "identities are merged, and a merge reversed")
	fs.BoolVar(&s.Late, "late", s.Late, "messages arrive up to three days late")
	fs.BoolVar(&s.Repeats, "repeats", s.Repeats, "messages are sent again")
	fs.BoolVar(&s.Infections, "infections", s.Infections, "infections, cultures, antimicrobials")
	fs.BoolVar(&s.Trouble, "trouble", s.Trouble, "tracks in trouble")
	fs.Float64Var(&s.OutbreakFactor, "outbreak", s.OutbreakFactor,
		"factor on the infection risk of constant-site patients in the last quarter; 1 is none")
}

// westmost is the largest time by which a local date can lag behind UTC.
const westmost = 12 * time.Hour

func setUntil(s *simulate.Scenario, until string, now time.Time) error {
	s.Until = now.UTC().Add(-westmost).AddDate(0, 0, -1)
	if until != "" {
		t, err := time.Parse(time.DateOnly, until)
		if err != nil {
			return errUse{fmt.Sprintf("--until %q is not a date; give YYYY-MM-DD", until)}
		}
		s.Until = t
	}
	if err := s.Validate(); err != nil {
		return errUse{strings.TrimPrefix(err.Error(), "simulate: ")}
	}
	return nil
}

func simulateCommand(ctx context.Context, env Env, args []string) error {
	s := simulate.Default()
	var addr, out, until string
	var shown credentials
	fs := flags(env, "simulate", "--grpc HOST:PORT | --out FILE [--units N --patients N --months N --seed S --until YYYY-MM-DD]")
	fs.StringVar(&addr, "grpc", "", "address of the ingest service")
	fs.StringVar(&out, "out", "", "write the messages to this file instead; must not exist yet, or be empty (- is stdout)")
	scenarioFlags(fs, &s, &until)
	shown.flags(fs)
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if (addr == "") == (out == "") {
		return errUse{"give either --grpc, to post the feed, or --out, to write it"}
	}
	if err := setUntil(&s, until, env.Now()); err != nil {
		return err
	}
	if out != "" {
		return writeFeed(env, s, out)
	}
	p := newProgress(env.Stderr)
	c, err := shown.client(addr)
	if err != nil {
		return err
	}
	c.Answered = p.answered
	t, err := c.Send(ctx, func(emit func(*cannularyv1.FeedRequest) error) error {
		return simulate.Generate(s, emit)
	})
	p.end()
	if err != nil {
		return early(env, t, err)
	}
	return finish(env, t)
}

func writeFeed(env Env, s simulate.Scenario, path string) (err error) {
	w := env.Stdout
	if path != "-" {
		f, err := newFile(path)
		if err != nil {
			return err
		}
		defer func() {
			if cerr := f.Close(); err == nil {
				err = cerr
			}
		}()
		w = f
	}
	bw := bufio.NewWriterSize(w, 1<<20)
	n := 0
	if err := simulate.Generate(s, func(m *cannularyv1.FeedRequest) error { n++; return feed.WriteLine(bw, m) }); err != nil {
		return err
	}
	if err := bw.Flush(); err != nil {
		return err
	}
	if path != "-" {
		return json.NewEncoder(env.Stdout).Encode(map[string]int{"written": n})
	}
	return nil
}

// newFile opens a file for writing. It refuses a file with content. It accepts a pipe or a
// device.
func newFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE, 0o666)
	if err != nil {
		return nil, fmt.Errorf("%w; name a new file in a folder that exists", err)
	}
	info, err := f.Stat()
	if err == nil && info.Mode().IsRegular() && info.Size() > 0 {
		err = fmt.Errorf("%s exists already and is not empty; nothing was written; name another file, or remove this one", path)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

func load(ctx context.Context, env Env, args []string) error {
	var addr string
	var shown credentials
	fs := flags(env, "load", "--grpc HOST:PORT FILE…   (- is stdin)")
	fs.StringVar(&addr, "grpc", "127.0.0.1:7450", "address of the ingest service")
	shown.flags(fs)
	if err := parse(fs, args, -1); err != nil {
		return err
	}
	if fs.NArg() == 0 {
		return errUse{"name at least one file; - is stdin"}
	}
	// A missing file is reported before anything is sent.
	for _, path := range fs.Args() {
		if _, err := os.Stat(path); path != "-" && err != nil {
			return early(env, feed.Tally{}, fmt.Errorf("%w; nothing was sent; check the file's name", err))
		}
	}
	// A feed that ends early does not wait for the reader of the files.
	var bad atomic.Int64
	c, err := shown.client(addr)
	if err != nil {
		return err
	}
	said := newNotices(env.Stderr)
	c.Answered = func(r *cannularyv1.FeedRequest, a *cannularyv1.FeedResponse) {
		place := said.answered(r, a)
		if a.GetOutcome() == cannularyv1.FeedOutcome_FEED_OUTCOME_REFUSED {
			fmt.Fprintf(env.Stderr, "%s refused: message %q: %s\n", place, a.GetSourceMessageId(), reasons(a))
		}
	}
	t, err := c.Send(ctx, func(emit func(*cannularyv1.FeedRequest) error) error {
		for _, path := range fs.Args() {
			n, err := loadFile(env, path, func(line int, r *cannularyv1.FeedRequest) error {
				said.sent(r, path, line)
				return emit(r)
			})
			bad.Add(int64(n))
			if err != nil {
				return err
			}
		}
		return nil
	})
	said.end()
	t.Sent += int(bad.Load())
	t.Refused += int(bad.Load())
	if err != nil {
		return early(env, t, err)
	}
	return finish(env, t)
}

// loadFile sends one file's lines and returns how many were no messages.
func loadFile(env Env, path string, emit func(line int, r *cannularyv1.FeedRequest) error) (bad int, err error) {
	var r io.Reader = os.Stdin
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return 0, err
		}
		defer func() { _ = f.Close() }()
		r = f
	}
	err = feed.ReadLines(r, emit, func(line int, err error) {
		bad++
		fmt.Fprintf(env.Stderr, "%s line %d refused: %s\n", path, line, oneLine(err.Error()))
	})
	return bad, err
}

func reasons(a *cannularyv1.FeedResponse) string {
	parts := make([]string, 0, len(a.GetReasons()))
	for _, r := range a.GetReasons() {
		parts = append(parts, strings.TrimPrefix(r.GetField()+": "+r.GetDescription(), ": "))
	}
	return oneLine(strings.Join(parts, "; "))
}

// finish prints the closing line. Refused messages make the command fail.
func finish(env Env, t feed.Tally) error {
	if err := json.NewEncoder(env.Stdout).Encode(t); err != nil {
		return err
	}
	if t.Refused > 0 {
		return errQuiet
	}
	return nil
}

// early prints the closing line of a feed that ended before all answers came.
func early(env Env, t feed.Tally, err error) error {
	return errors.Join(err, json.NewEncoder(env.Stdout).Encode(t))
}

// progress reports on a terminal or in a log how far a feed has come.
type progress struct {
	w     io.Writer
	n     int
	began time.Time
	last  time.Time
}

func newProgress(w io.Writer) *progress {
	return &progress{w: w, began: time.Now(), last: time.Now()}
}

func (p *progress) answered(r *cannularyv1.FeedRequest, _ *cannularyv1.FeedResponse) {
	p.n++
	if time.Since(p.last) < 2*time.Second {
		return
	}
	p.last = time.Now()
	fmt.Fprintf(p.w, "  %7d messages, at %s, %.0f a second\n", p.n, occurred(r).UTC().Format(time.DateOnly),
		float64(p.n)/time.Since(p.began).Seconds())
}

func (p *progress) end() {
	fmt.Fprintf(p.w, "  %7d messages in %.1f s\n", p.n, time.Since(p.began).Seconds())
}

func occurred(r *cannularyv1.FeedRequest) time.Time {
	if at := envelopeOf(r).GetOccurredAt(); at != nil {
		return at.AsTime()
	}
	return time.Time{}
}

// envelopeOf returns a message's envelope, nil if there is none.
func envelopeOf(r *cannularyv1.FeedRequest) *cannularyv1.Envelope {
	type enveloped interface{ GetEnvelope() *cannularyv1.Envelope }
	for _, m := range []enveloped{r.GetRoster(), r.GetCannulation(), r.GetAssessment(), r.GetSurveillance()} {
		if e := m.GetEnvelope(); e != nil {
			return e
		}
	}
	return nil
}
