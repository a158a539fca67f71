package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/eventlog"
)

const (
	starts    = 3
	idleAfter = 15 * time.Second // how long the process is left alone before it is read
)

func (b *bench) binary() string { return filepath.Join(b.dir, "cannulary") }

// build builds the program as a release is built, and the reference that is asked for.
func (b *bench) build(ctx context.Context) error {
	b.say("build the program")
	build := exec.CommandContext(ctx, "go", "build", "-trimpath", "-ldflags", "-s -w", "-o", b.binary(), "./services/cannulary")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("build: %w: %s", err, out)
	}
	if b.versus {
		return b.buildReference(ctx)
	}
	return nil
}

// process starts the built program on the year's log, reads how long it takes until it is
// ready and what memory it holds when idle. The reference is a process that opens the same
// log and nothing else. Both find their files in the system's cache.
func (b *bench) process(ctx context.Context) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	service := command{name: b.binary(), args: []string{"serve", "--data", b.data, "--grpc", "127.0.0.1:0", "--http",
		"127.0.0.1:0"}, use: useService}
	reference := command{name: self, args: []string{"-bare-log", b.data}}
	b.say("start %d times, the last time left idle for %s", starts, idleAfter)
	ready, memory, err := service.measure(ctx)
	if err != nil {
		return err
	}
	bareReady, bareMemory, err := reference.measure(ctx)
	if err != nil {
		return err
	}
	const against = "a process that opens the same log and nothing else"
	b.add(figure{Name: "time to ready", Value: ready, Unit: "s", Reference: bareReady, against: against, goal: valueBelow(2)})
	if runtime.GOOS != "linux" {
		return nil // there is no RssAnon to read
	}
	b.add(figure{Name: "idle anonymous memory", Value: memory, Unit: "MB", Reference: bareMemory, against: against, goal: valueBelow(80)})
	return nil
}

// command is a program that prints one line when it is ready and ends when told to.
type command struct {
	name string
	args []string
	// use is done once before it is left idle; nil for nothing.
	use func(ctx context.Context, line string) error
}

// measure returns the median of the seconds until ready and the idle memory in MB.
func (c command) measure(ctx context.Context) (ready, memory float64, err error) {
	var times []float64
	for i := range starts {
		began := time.Now()
		p, line, err := c.start(ctx)
		if err != nil {
			return 0, 0, err
		}
		times = append(times, time.Since(began).Seconds())
		if i == starts-1 {
			if c.use != nil {
				err = c.use(ctx, line)
			}
			if err == nil {
				memory, err = idleMemory(ctx, p.Process.Pid)
			}
		}
		if err := errors.Join(err, end(p)); err != nil {
			return 0, 0, err
		}
	}
	return quantile(times, 0.5), memory, nil
}

func (c command) start(ctx context.Context) (*exec.Cmd, string, error) {
	p := exec.CommandContext(ctx, c.name, c.args...)
	// It may have something to put away: it is asked to end before it is ended.
	p.Cancel, p.WaitDelay = func() error { return p.Process.Signal(os.Interrupt) }, 20*time.Second
	var logged strings.Builder
	p.Stderr = &logged
	out, err := p.StdoutPipe()
	if err != nil {
		return nil, "", err
	}
	if err := p.Start(); err != nil {
		return nil, "", err
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		return nil, "", fmt.Errorf("%s did not become ready: %w", c.name, errors.Join(err, end(p), errors.New(logged.String())))
	}
	return p, line, nil
}

func end(p *exec.Cmd) error {
	_ = p.Process.Signal(os.Interrupt) // it may have ended by itself; Wait tells
	return p.Wait()
}

// useService asks a few hundred pages, so that idle is not the same as never used.
func useService(ctx context.Context, line string) error {
	var at struct{ HTTP string }
	if err := json.Unmarshal([]byte(line), &at); err != nil {
		return fmt.Errorf("the ready line is not JSON: %w", err)
	}
	client := &http.Client{Timeout: 30 * time.Second}
	defer client.CloseIdleConnections()
	for i := range 300 {
		typ := []string{"Observation", "Procedure", "Provenance"}[i%3]
		if _, _, err := get(ctx, client, fmt.Sprintf("%s/fhir/%s?_count=50", at.HTTP, typ), "identity"); err != nil {
			return err
		}
	}
	return nil
}

// idleMemory is the process's anonymous resident memory in MB (10^6 bytes) after a pause:
// files that it maps are the system's to take back and do not count.
func idleMemory(ctx context.Context, pid int) (float64, error) {
	if runtime.GOOS != "linux" {
		return 0, nil
	}
	select {
	case <-ctx.Done():
		return 0, ctx.Err()
	case <-time.After(idleAfter):
	}
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, err
	}
	return rssAnon(string(text))
}

func rssAnon(status string) (float64, error) {
	for line := range strings.Lines(status) {
		f := strings.Fields(line)
		if len(f) == 3 && f[0] == "RssAnon:" && f[2] == "kB" {
			n, err := strconv.ParseFloat(f[1], 64)
			return n * 1024 / 1e6, err
		}
	}
	return 0, errors.New("the process's status has no RssAnon")
}

// bareLog opens the log of a stopped instance, says so and waits for its end.
func bareLog(ctx context.Context, data string, out io.Writer) error {
	lock, err := app.Lock(data)
	if err != nil {
		return err
	}
	defer func() { _ = lock.Close() }()
	srv, err := eventlog.StartServer(filepath.Join(data, "log"), eventlog.DefaultMaxBytes, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	defer srv.Stop()
	nc, err := srv.Connect()
	if err != nil {
		return err
	}
	defer nc.Close()
	fmt.Fprintln(out, "ready")
	<-ctx.Done()
	return nil
}
