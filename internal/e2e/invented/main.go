// Command invented serves the record of an invented unit by a clock of its own, for the tests of
// the pages in a browser:
//
//	invented 2026-11-02T06:45:00Z FOLDER
//	invented 2026-11-02T06:45:00Z run COMMAND…    runs one of cannulary's commands by that clock
//
// The clock begins at the given moment and goes on from there, so that the pages show the same day
// whenever the tests run. An event of before that moment arrives ten minutes after it happened,
// so that a page can be asked what was known then. Post such events in the order of their times.
// Like `cannulary serve` it prints one line when it is ready, and runs until it is told to stop.
package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/cli"
	logv1 "cannulary/proto/cannulary/log/v1"
)

const (
	delay    = 10 * time.Minute // from an event to its message
	earliest = 5                // years before the clock begins, in which the log begins
)

// calendar gives the dates of the invented log.
type calendar struct {
	start time.Time
	now   func() time.Time

	mu   sync.Mutex
	last time.Time // when the newest entry arrived
}

// arrived returns when an event arrived.
func (c *calendar) arrived(ev *logv1.Event) time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	at := ev.GetOccurredAt().AsTime().Add(delay)
	if !at.Before(c.start) {
		at = c.now()
	}
	if facts := ev.GetFacts(); len(facts) == 1 && facts[0].GetGenesis() != nil {
		return c.last
	}
	if at.After(c.last) {
		c.last = at
	}
	return at
}

// today returns a moment of the day of the newest entry.
func (c *calendar) today() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.last
}

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "invented:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) < 2 || len(args) > 2 && args[1] != "run" {
		return fmt.Errorf("%d arguments given; give the moment at which the clock begins, and a new folder or: run COMMAND", len(args))
	}
	start, err := time.Parse(time.RFC3339, args[0])
	if err != nil {
		return fmt.Errorf("%q is no moment; give one like 2026-11-02T06:45:00Z", args[0])
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	began := time.Now()
	now := func() time.Time { return start.Add(time.Since(began)) }
	if args[1] == "run" {
		env := cli.Env{Stdout: os.Stdout, Stderr: os.Stderr, Now: now, Version: "e2e"}
		if code := cli.Run(ctx, env, args[2:]); code != cli.Done {
			return fmt.Errorf("the command ended with %d", code)
		}
		return nil
	}
	c := &calendar{start: start, now: now, last: start.AddDate(-earliest, 0, 0)}
	a, err := app.New(ctx, app.Config{
		Dir: args[1], Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Version: "e2e",
		Now: now, Slog: slog.New(slog.NewJSONHandler(os.Stderr, nil)),
		Invented: &app.Invented{Day: c.today, Arrived: c.arrived},
	})
	if err != nil {
		return err
	}
	go func() {
		for !a.Ready() {
			if ctx.Err() != nil {
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
		_ = json.NewEncoder(os.Stdout).Encode(map[string]string{"grpc": a.GRPCAddr(), "http": "http://" + a.HTTPAddr()})
	}()
	return a.Run(ctx)
}
