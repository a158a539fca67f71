package main

import (
	"bufio"
	"context"
	"encoding/gob"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/app"
	"cannulary/internal/eventlog"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// postgres compares the service with what a team would write with PostgreSQL alone: the same
// events, and ready-made the resources that the service gave for them. By turns both take a part
// of the feed until all of it can be queried.
func (b *bench) postgres(ctx context.Context) (err error) {
	if !b.versus {
		return nil
	}
	dir, err := filepath.Abs(b.dir)
	if err != nil {
		return err
	}
	rows := filepath.Join(dir, "rows")
	events := 0
	if err := b.withYear(ctx, func(a *app.App) error {
		n, resources, err := writeRows(ctx, a, rows)
		events = n
		b.say("PostgreSQL gets %d events with %d resources; earlier versions, %.0f, are left out", n, resources, b.rows-float64(resources))
		return err
	}); err != nil {
		return err
	}
	p, line, err := command{name: b.reference(), args: []string{"-rows", rows, "-dir", dir}}.start(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, end(p)) }()
	var at struct{ HTTP, Version string }
	if err := json.Unmarshal([]byte(line), &at); err != nil {
		return fmt.Errorf("the reference's ready line is not JSON: %w", err)
	}
	client := &http.Client{}
	defer client.CloseIdleConnections()
	if err := b.race(ctx, client, at.HTTP, at.Version, events); err != nil {
		return err
	}
	if err := call(ctx, client, http.MethodPost, at.HTTP+"/vacuum", nil); err != nil {
		return err
	}
	var size struct{ Bytes float64 }
	if err := call(ctx, client, http.MethodGet, at.HTTP+"/size", &size); err != nil {
		return err
	}
	used, err := b.used()
	if err != nil {
		return err
	}
	n := float64(events)
	b.add(figure{Name: "disk, against PostgreSQL", Value: used / n, Unit: "B/event", Reference: size.Bytes / n, goal: ratioAtMost(1),
		against: at.Version + ": both tables with their indices, without its log; here all folders, with earlier versions"})
	return b.pagesAgainst(ctx, client, at.HTTP, at.Version)
}

func (b *bench) reference() string { return filepath.Join(b.dir, "postgres") }

// buildReference builds the program that runs PostgreSQL, and has it tell at once if it cannot.
func (b *bench) buildReference(ctx context.Context) error {
	dir, err := filepath.Abs(b.dir)
	if err != nil {
		return err
	}
	// PostgreSQL's user goes through it.
	if err := os.Chmod(dir, 0o711); err != nil {
		return err
	}
	module := filepath.Join("internal", "tools", "postgres")
	build := exec.CommandContext(ctx, "go", "build", "-C", module, "-o", filepath.Join(dir, "postgres"), ".")
	if out, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("build the reference: %w: %s", err, out)
	}
	if out, err := exec.CommandContext(ctx, b.reference(), "-check", "-dir", dir).CombinedOutput(); err != nil {
		return fmt.Errorf("-postgres: %w: %s", err, out)
	}
	return nil
}

// withYear runs f on the instance that holds the year.
func (b *bench) withYear(ctx context.Context, f func(a *app.App) error) error {
	a, err := app.New(ctx, app.Config{Dir: b.data, View: true, HTTP: "127.0.0.1:0", Now: time.Now, Slog: b.slog})
	if err != nil {
		return err
	}
	defer a.Stop()
	a.Start()
	if err := untilReady(ctx, a); err != nil {
		return err
	}
	return f(a)
}

// race posts the feed to a new instance and has the reference write the same events, by turns.
func (b *bench) race(ctx context.Context, client *http.Client, reference, version string, events int) error {
	messages, _, err := b.feed()
	if err != nil {
		return err
	}
	a, err := app.New(ctx, b.both(filepath.Join(b.dir, "queryable")))
	if err != nil {
		return err
	}
	defer a.Stop()
	a.Start()
	if err := untilReady(ctx, a); err != nil {
		return err
	}
	b.say("post %d messages until they can be read, by turns with %s", len(messages), version)
	var took, processor time.Duration
	var seconds float64
	var written, resources int
	for part := range slices.Chunk(messages, (len(messages)+rounds-1)/rounds) {
		began, used := time.Now(), processorTime()
		if err := queryable(ctx, a, part); err != nil {
			return err
		}
		took, processor = took+time.Since(began), processor+processorTime()-used
		var loaded struct {
			Events, Resources int
			Seconds           float64
		}
		if err := call(ctx, client, http.MethodPost, fmt.Sprintf("%s/load?n=%d", reference, (events+rounds-1)/rounds),
			&loaded); err != nil {
			return err
		}
		written, resources, seconds = written+loaded.Events, resources+loaded.Resources, seconds+loaded.Seconds
	}
	if written != events {
		return fmt.Errorf("the reference wrote %d of %d events", written, events)
	}
	counts, err := a.Store().Counts(ctx)
	if err != nil {
		return err
	}
	if counts.Quarantine > 0 {
		return fmt.Errorf("%d events were not understood", counts.Quarantine)
	}
	own, theirs := float64(counts.Events)/took.Seconds(), float64(events)/seconds
	perEvent := float64(resources) / float64(events)
	b.add(figure{Name: "ingest to queryable, against PostgreSQL", Value: own, Unit: "events/s", Reference: theirs, goal: ratioAtLeast(1),
		against: fmt.Sprintf("%s: the event and %.1f ready-made resources as jsonb in one synced transaction, %d at a time",
			version, perEvent, inFlight)})
	winner, times := "this service", own/theirs
	if theirs > own {
		winner, times = version, theirs/own
	}
	b.say("%s wins by %.1f: here an event takes %.1f ms of processor time, the sender's share included, "+
		"to be taken, judged, rendered and indexed in the log's order; PostgreSQL was handed %.1f finished resources an event, on %d "+
		"connections",
		winner, times, processor.Seconds()*1000/float64(counts.Events), perEvent, inFlight)
	return nil
}

// processorTime is what this process has used.
func processorTime() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0 // it fails on a wrong argument alone
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// pagesAgainst compares pages of a patient's Observations with the reference's.
func (b *bench) pagesAgainst(ctx context.Context, client *http.Client, reference, version string) error {
	return b.withYear(ctx, func(a *app.App) error {
		base := "http://" + a.HTTPAddr() + "/fhir"
		patients, err := patientsOf(ctx, client, base)
		if err != nil {
			return err
		}
		b.say("ask for pages of %d, of %d patients, by turns with %s", pageSize, len(patients), version)
		service := asked{base + "/Observation?_count=50&patient=", "identity"}
		own, theirs, err := byTurns(ctx, service, asked{reference + "/page?patient=", "identity"}, patients)
		if err != nil {
			return err
		}
		against := version + ": a bare handler that selects the same rows and writes their jsonb"
		add := func(what string, q float64) {
			b.add(figure{Name: "FHIR page of 50 against PostgreSQL, " + what, Value: quantile(own, q), Unit: "ms",
				Reference: quantile(theirs, q),
				against:   against, goal: ratioAtMost(1)})
		}
		add("median", 0.5)
		add("99th percentile", 0.99)
		return nil
	})
}

// call asks the reference and reads its answer into out; nil for none.
func call(ctx context.Context, client *http.Client, method, url string, out any) error {
	a, err := ask(ctx, client, method, url)
	if err == nil && a.status != http.StatusOK {
		err = fmt.Errorf("the reference answered %d: %s", a.status, a.body)
	}
	if err != nil || out == nil {
		return err
	}
	return json.Unmarshal(a.body, out)
}

// rowsEvent is what the reference writes for an event; it declares the same fields.
type rowsEvent struct {
	Seq         int64
	ID, Patient string
	Logged      time.Time
	Data        []byte
	Resources   []rowsResource
}

type rowsResource struct {
	Type, ID, Patient string
	Version           int
	Updated           time.Time
	Body              []byte
}

// writeRows writes each event of the log with the resources whose newest version it gave. It
// returns how many there are of both; all resources of the view must be among them.
func writeRows(ctx context.Context, a *app.App, path string) (events, resources int, err error) {
	file, err := os.Create(path)
	if err != nil {
		return 0, 0, err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	buffer := bufio.NewWriterSize(file, 1<<20)
	encoder := gob.NewEncoder(buffer)
	counts, err := a.Store().Counts(ctx)
	if err != nil {
		return 0, 0, err
	}
	var types []*newest
	left := 0
	for _, t := range counts.Resources {
		types = append(types, &newest{typ: t.Type, more: true})
		left += t.Count
	}
	done := errors.New("read to the end")
	err = a.Log().Read(ctx, 2, 1000, func(ctx context.Context, entries []eventlog.Entry) error { // after genesis
		for _, e := range entries {
			ev := &logv1.Event{}
			if err := proto.Unmarshal(e.Data, ev); err != nil {
				return err
			}
			out := rowsEvent{Seq: int64(e.Seq), ID: ev.GetId(), Patient: ev.GetPatientKey(), Logged: e.Time, Data: e.Data}
			for _, t := range types {
				if err := t.take(ctx, a.Store(), e.Seq, &out); err != nil {
					return err
				}
			}
			events, resources = events+1, resources+len(out.Resources)
			if err := encoder.Encode(&out); err != nil {
				return err
			}
			if e.Seq == counts.Checkpoint.Seq {
				return done
			}
		}
		return nil
	})
	if !errors.Is(err, done) {
		return 0, 0, fmt.Errorf("write the rows for the reference: %w", err)
	}
	if resources != left {
		return 0, 0, fmt.Errorf("of %d resources in the view %d were found by the events of the log", left, resources)
	}
	return events, resources, buffer.Flush()
}

// newest walks through the newest versions of a type in the order in which they were given.
type newest struct {
	typ   string
	rows  []view.Row
	after view.Cursor
	more  bool
}

// take moves what the event gave to out.
func (n *newest) take(ctx context.Context, store *view.Store, seq uint64, out *rowsEvent) error {
	for {
		if len(n.rows) == 0 && n.more {
			page, err := store.Search(ctx, view.Query{Type: n.typ, Count: 1000, After: n.after})
			if err != nil {
				return err
			}
			n.rows, n.after, n.more = page.Rows, page.Next, page.More
		}
		if len(n.rows) == 0 || n.rows[0].Seq != seq {
			return nil
		}
		r := n.rows[0]
		n.rows = n.rows[1:]
		out.Resources = append(out.Resources, rowsResource{r.Type, r.ID, r.Patient, r.Version, r.Updated, r.Body})
	}
}
