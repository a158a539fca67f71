package export

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime/debug"
	"time"

	"cannulary/internal/fault"
)

// sweepEvery is how often expired jobs are looked for while nobody asks for anything.
const sweepEvery = time.Minute

// Run runs the jobs, one after the other, until ctx ends. What runs then is given up and
// begins anew with the next Run.
func (e *Engine) Run(ctx context.Context, read Reader) {
	tick := time.NewTicker(sweepEvery)
	defer tick.Stop()
	for {
		for ctx.Err() == nil {
			j, jobCtx := e.next(ctx)
			if j == nil {
				break
			}
			e.run(jobCtx, j, read)
		}
		select {
		case <-ctx.Done():
			return
		case <-e.wake:
		case <-tick.C:
		}
		e.mu.Lock()
		e.sweep()
		e.mu.Unlock()
	}
}

// next takes the oldest job that did not end.
func (e *Engine) next(ctx context.Context) (*job, context.Context) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, j := range e.jobs {
		if j.result == nil {
			jobCtx, cancel := context.WithCancel(ctx)
			j.cancel, j.writer = cancel, &Writer{ctx: jobCtx, dir: j.dir, room: e.room}
			return j, jobCtx
		}
	}
	return nil, nil
}

// run runs one job to its end, or until its context ends.
func (e *Engine) run(ctx context.Context, j *job, read Reader) {
	began := time.Now()
	result, err := e.write(ctx, j, read)
	stopped := err != nil && ctx.Err() != nil
	if !stopped {
		result.Ended = e.cfg.Now().UTC()
		result.Expires = result.Ended.Add(e.cfg.Keep)
		if err != nil {
			result.Failed = failure(err)
			e.cfg.Slog.Error("an export failed", "export", j.dir, "err", detail(err))
			err = empty(j.dir) // of what may be a torn state
		}
		// Should this fail, then the result is known until the process ends, and the next
		// one begins anew.
		if err := errors.Join(err, writeJSON(j.dir, resultFile, result)); err != nil && ctx.Err() == nil {
			e.cfg.Slog.Error("the result of an export could not be written to disk", "export", j.dir, "err", err)
			if result.Failed == "" {
				result = &Result{Ended: result.Ended, Expires: result.Expires, Failed: failure(notWritten(err))}
			}
		}
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	j.cancel()
	j.cancel, j.writer = nil, nil
	switch {
	case j.gone:
		if err := os.RemoveAll(j.dir); err != nil {
			e.cfg.Slog.Error("a cancelled export could not be removed; remove its folder", "folder", j.dir, "err", err)
		}
	case stopped:
	default:
		j.result = result
		e.cfg.Slog.Info("export ended", "failed", result.Failed != "", "files", len(result.Files), "seconds", time.Since(began).Seconds())
	}
}

// write writes the files of one job.
func (e *Engine) write(ctx context.Context, j *job, read Reader) (result *Result, err error) {
	w := j.writer
	defer w.abandon()
	defer func() {
		if v := recover(); v != nil {
			err = fmt.Errorf("panic: %v\n%s", v, debug.Stack())
		}
	}()
	result = &Result{}
	if err := empty(j.dir); err != nil {
		return result, notWritten(err)
	}
	for _, n := range j.request.Notices {
		if err := w.Put(Notices, n); err != nil {
			return result, err
		}
	}
	state, err := read(ctx, j.request, w)
	if err != nil {
		return result, err
	}
	files, err := w.close()
	if err != nil {
		return result, err
	}
	result.State, result.Files = state, files
	return result, nil
}

// failure is what the client is told.
func failure(err error) string {
	if f, ok := errors.AsType[*fault.Error](err); ok {
		return f.Error()
	}
	return "the export failed and what it had written was removed. Begin again with a new $export; if it fails again, tell the operator, " +
		"whose log has the cause"
}

// detail is what the operator's log is told.
func detail(err error) string {
	if f, ok := errors.AsType[*fault.Error](err); ok {
		return f.Detail()
	}
	return err.Error()
}
