// Command bench measures the service on the machine at hand. Every figure stands beside a
// reference measured in the same run: the bare engine doing the same work without the
// service's share. With -postgres there stands beside it what a team would write with PostgreSQL
// alone. It prints a line a figure and writes .bench/results.json.
//
// The goals are this project's own: what it wants to keep on a small machine. No standard
// asks for them. Figures of a machine that is busy with other work mean little.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"time"

	"cannulary/internal/simulate"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Args[1:], os.Stdout, os.Stderr); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string, out, progress io.Writer) error {
	s := simulate.Default()
	// Each message is then one append, in the log and in the reference.
	s.Repeats = false
	fs := flag.NewFlagSet("bench", flag.ExitOnError)
	fs.IntVar(&s.Months, "months", s.Months, "months of the simulated feed")
	fs.IntVar(&s.Patients, "patients", s.Patients, "patients of the simulated unit")
	grow := fs.Int("grow", 1_000_000,
		"events to which the view is grown for further looks at pages; 0 leaves it out (4 kB of disk an event)")
	picture := fs.String("picture", "", "also draw how a page's time grows with the events, into this SVG file")
	years := fs.Int("years", 10, "years of history of the patient whose card is asked for, up to 10; 0 takes one of the feed")
	postgres := fs.Bool("postgres", false, "also measure PostgreSQL with the same events and resources; needs Debian's package postgresql")
	results := fs.String("out", filepath.Join(".bench", "results.json"), "where the results go")
	bare := fs.String("bare-log", "",
		"only open the log in this folder and wait: the reference of memory and start, run by the benchmark itself")
	if err := fs.Parse(args); err != nil {
		return err
	}
	if *bare != "" {
		return bareLog(ctx, *bare, out)
	}
	if err := s.Validate(); err != nil {
		return err
	}
	if *years < 0 || *years > 10 {
		return fmt.Errorf("-years is %d: give a whole number from 0 to 10", *years)
	}
	if _, err := os.Stat("go.mod"); err != nil {
		return fmt.Errorf("run it in the repository's root: %w", err)
	}
	// Not in the folder for temporary files: that may be memory, where a sync costs nothing.
	base := filepath.Dir(*results)
	if err := os.MkdirAll(base, 0o755); err != nil {
		return err
	}
	dir, err := os.MkdirTemp(base, "work-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	b := &bench{grow: *grow, picture: *picture, versus: *postgres, years: *years, dir: dir, data: filepath.Join(dir, "data"), scenario: s,
		progress: progress, began: time.Now(), slog: slog.New(slog.NewTextHandler(progress, &slog.HandlerOptions{Level: slog.LevelWarn}))}
	steps := []func(context.Context) error{b.build, b.folds, b.ingest, b.rebuild, b.pages, b.grown, b.disk, b.process, b.postgres, b.live}
	for _, step := range steps {
		n := len(b.figures)
		if err := step(ctx); err != nil {
			return err
		}
		for _, f := range b.figures[n:] {
			fmt.Fprintln(out, f.line())
		}
	}
	fmt.Fprintf(out, "%d events, %s; the goals are this project's own\n", b.events, time.Since(b.began).Round(time.Second))
	return write(*results, b.figures)
}

// bench is one run: the steps leave behind what the next ones need.
type bench struct {
	grow      int
	picture   string // where the growth is drawn; empty is nowhere
	versus    bool   // PostgreSQL is measured, too
	years     int    // of history of the patient whose card is asked for
	dir, data string // data is the folder of the instance that is measured
	scenario  simulate.Scenario
	progress  io.Writer
	slog      *slog.Logger
	began     time.Time
	figures   []figure

	events   int     // in the log, without genesis
	rows     float64 // resource versions in the view
	logBytes int64   // of all events
	body     int64   // bytes of all resource versions
}

func (b *bench) say(format string, a ...any) {
	fmt.Fprintf(b.progress, "%5.1f s  %s\n", time.Since(b.began).Seconds(), fmt.Sprintf(format, a...))
}

func (b *bench) add(f figure) { b.figures = append(b.figures, f.judged()) }
