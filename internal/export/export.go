package export

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"cannulary/internal/fault"
)

// Level says about whom an export is.
type Level string

// The levels.
const (
	System   Level = "system"   // all resources
	Patients Level = "patients" // all patients
	Group    Level = "group"    // the patients of one Group
)

// Request is what an export is asked for. It is kept as JSON.
type Request struct {
	Level Level     `json:"level"`
	Owner string    `json:"owner,omitempty"` // the principal that asked; only it sees the job
	Group string    `json:"group,omitempty"` // the Group's id, with level Group
	Since time.Time `json:"since,omitzero"`  // zero for all
	// Types are the types to export, in the order of the files.
	Types []string `json:"types"`
	// Searches are the searches that narrow their types, each Type?parameters.
	Searches []string `json:"searches,omitempty"`
	// Lenient says that the searches may have parameters that are not known.
	Lenient bool `json:"lenient,omitempty"`
	// Base is the base URL that references in Searches may begin with; URL is that of the
	// request itself.
	Base string `json:"base"`
	URL  string `json:"url"`
	// Notices are OperationOutcomes that go into a file of their own.
	Notices []json.RawMessage `json:"notices,omitempty"`
}

// Reader reads what is asked for and puts it into w. It answers the time of the state that
// it read. It ends soon after ctx did. A *fault.Error is told to the client, any other
// error only to the log.
type Reader func(ctx context.Context, r *Request, w *Writer) (time.Time, error)

// Config is what an Engine needs; Dir, Now and Slog must be given.
type Config struct {
	Dir string // of the jobs; made if need be
	Now func() time.Time
	// Keep is how long an ended job is kept; 0 is DefaultKeep.
	Keep time.Duration
	// MaxOpen is how many jobs may run or wait; 0 is DefaultMaxOpen. MaxKept is how many
	// there may be with the ended ones; 0 is DefaultMaxKept.
	MaxOpen, MaxKept int
	// Free reports how many bytes the disk has room for; nil does not ask. Exports leave at
	// least MinFree to others, above all to the log; 0 is DefaultMinFree.
	Free    func() uint64
	MinFree uint64
	Slog    *slog.Logger
}

// The defaults of Config.
const (
	DefaultKeep    = 24 * time.Hour
	DefaultMaxOpen = 4
	DefaultMaxKept = 16
	DefaultMinFree = 1 << 30
)

// Engine keeps the jobs. It is safe for concurrent use.
type Engine struct {
	cfg  Config
	wake chan struct{} // something may be to do

	mu   sync.Mutex
	jobs []*job // in the order of their requests
}

// job is one export. Its fields are guarded by the engine's mutex, unless they never change.
type job struct {
	id      string
	dir     string
	begun   time.Time
	request *Request
	cancel  context.CancelFunc // of a running job
	gone    bool               // cancelled while it ran
	result  *Result            // of an ended job
	writer  *Writer            // of a running job
}

// Result is how a job ended.
type Result struct {
	Ended   time.Time `json:"ended"`
	Expires time.Time `json:"expires"`
	// Failed says what went wrong and what to do; empty if all went well.
	Failed string `json:"failed,omitempty"`
	// State is the time of the state that was exported; zero if there was nothing yet.
	State time.Time `json:"state,omitzero"`
	Files []File    `json:"files,omitempty"`
}

// File is a file of resources of one type.
type File struct {
	Type  string `json:"type"`
	Count int    `json:"count"`
	// Patients are the keys of the patients of whom it tells something, 16 bytes each.
	Patients []byte `json:"patients,omitempty"`
}

// Patients lists the patients of whom a file of an ended job tells something, by their keys.
func (s *Status) Patients(typ string) (out []string) {
	if s.Result == nil {
		return nil
	}
	for _, f := range s.Result.Files {
		if f.Type == typ {
			for key := range slices.Chunk(f.Patients, keySize) {
				out = append(out, hex.EncodeToString(key))
			}
		}
	}
	return out
}

// keySize is the size of a patient key, in bytes.
const keySize = 16

// Notices is the type of a job's file of OperationOutcomes.
const Notices = "OperationOutcome"

// Status is how a job is.
type Status struct {
	Request *Request
	Result  *Result // nil while it waits or runs
	Running bool
	Ahead   int    // jobs that must end before it can run
	Type    string // that is being written; empty before the first resource
	Count   int    // resources that were written
}

// BusyError says that there are too many jobs.
type BusyError struct {
	// Open and Kept are the jobs that run or wait, and all; MaxOpen and MaxKept how many
	// there may be.
	Open, MaxOpen, Kept, MaxKept int
	// Retry is when to try again.
	Retry time.Duration
}

func (b *BusyError) Error() string {
	if b.Open >= b.MaxOpen {
		return fmt.Sprintf("%d exports run or wait, and no more are accepted; wait for one to end, or cancel one with DELETE", b.Open)
	}
	return fmt.Sprintf(
		"the files of %d exports are kept, and no more are accepted; DELETE those that were fetched, or wait until the oldest expires",
		b.Kept)
}

// retryOpen is after what time to ask again for a place while others run.
const retryOpen = 30 * time.Second

// Open opens the folder with the jobs that are in it.
func Open(cfg Config) (*Engine, error) {
	if cfg.Dir == "" || cfg.Now == nil || cfg.Slog == nil {
		return nil, errors.New("export: a folder, a clock and a log are needed")
	}
	cfg.Keep, cfg.MaxOpen = cmp.Or(cfg.Keep, DefaultKeep), cmp.Or(cfg.MaxOpen, DefaultMaxOpen)
	cfg.MaxKept, cfg.MinFree = cmp.Or(cfg.MaxKept, DefaultMaxKept), cmp.Or(cfg.MinFree, DefaultMinFree)
	e := &Engine{cfg: cfg, wake: make(chan struct{}, 1)}
	if err := e.load(); err != nil {
		return nil, fmt.Errorf("export folder %s: %w", cfg.Dir, err)
	}
	return e, nil
}

// Begin takes a request; when it returns, the request is on disk. An error is a
// *BusyError or a *fault.Error.
func (e *Engine) Begin(r *Request) (id string, err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.sweep()
	if busy := e.busy(); busy != nil {
		return "", busy
	}
	if err := e.room(); err != nil {
		return "", err
	}
	var random [16]byte
	_, _ = rand.Read(random[:]) // it never fails
	j := &job{id: hex.EncodeToString(random[:]), begun: e.cfg.Now().UTC(), request: r}
	j.dir = filepath.Join(e.cfg.Dir, j.id)
	if err := e.writeDown(j); err != nil {
		_ = os.RemoveAll(j.dir)
		return "", fault.Wrap(fault.Unavailable, err, "the request could not be written to disk",
			"tell the operator that the export folder has no room or cannot be written, then begin again")
	}
	e.jobs = append(e.jobs, j)
	e.awake()
	return j.id, nil
}

// busy reports whether there is no place for another job.
func (e *Engine) busy() error {
	b := &BusyError{MaxOpen: e.cfg.MaxOpen, Kept: len(e.jobs), MaxKept: e.cfg.MaxKept, Retry: retryOpen}
	var first time.Time
	for _, j := range e.jobs {
		if j.result == nil {
			b.Open++
		} else if first.IsZero() || j.result.Expires.Before(first) {
			first = j.result.Expires
		}
	}
	if b.Open < b.MaxOpen && b.Kept < b.MaxKept {
		return nil
	}
	if b.Open < b.MaxOpen && !first.IsZero() {
		b.Retry = max(first.Sub(e.cfg.Now()), time.Second)
	}
	return b
}

// room refuses to fill the disk: what is exported is there already, what is posted is not.
func (e *Engine) room() error {
	if e.cfg.Free == nil {
		return nil
	}
	free := e.cfg.Free()
	if free >= e.cfg.MinFree {
		return nil
	}
	return fault.New(fault.Unavailable, fmt.Sprintf("the disk has %d MB left, and exports leave %d MB to the log",
		free>>20, e.cfg.MinFree>>20),
		"DELETE exports that were fetched or tell the operator, then begin again with a new $export")
}

func (e *Engine) awake() {
	select {
	case e.wake <- struct{}{}:
	default:
	}
}

// find finds a job that has not expired; nil if there is none.
func (e *Engine) find(id string) *job {
	e.sweep()
	for _, j := range e.jobs {
		if j.id == id && !e.expired(j) {
			return j
		}
	}
	return nil
}

func (e *Engine) expired(j *job) bool {
	return j.result != nil && !e.cfg.Now().Before(j.result.Expires)
}

// Status reports how a job is; ok is false where there is none, or none any more.
func (e *Engine) Status(id string) (s Status, ok bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	j := e.find(id)
	if j == nil {
		return Status{}, false
	}
	s = Status{Request: j.request, Result: j.result, Running: j.writer != nil}
	if j.writer != nil {
		s.Type, s.Count = j.writer.progress()
	}
	if j.result == nil && !s.Running {
		for _, other := range e.jobs {
			if other == j {
				break
			}
			if other.result == nil {
				s.Ahead++
			}
		}
	}
	return s, true
}

// Cancel ends a job, or forgets one that ended, and removes what it wrote. ok is false
// where there is none.
func (e *Engine) Cancel(id string) (ok bool, err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	j := e.find(id)
	if j == nil {
		return false, nil
	}
	// Without its request the folder is no job: it does not come back after a crash.
	err = forget(j.dir)
	if err == nil && j.cancel == nil {
		err = os.RemoveAll(j.dir)
	}
	if err != nil {
		return true, fault.Wrap(fault.Unavailable, err, "the files of the export could not be removed",
			"send the DELETE again; if it stays, tell the operator, whose log has the cause")
	}
	if j.cancel != nil {
		j.gone = true
		j.cancel() // whoever runs it removes the files
	}
	e.drop(j)
	return true, nil
}

func (e *Engine) drop(j *job) {
	for i, other := range e.jobs {
		if other == j {
			e.jobs = append(e.jobs[:i:i], e.jobs[i+1:]...)
			return
		}
	}
}

// File opens a job's file of a type for reading; ok is false where there is none. What is
// open stays readable when the job is forgotten.
func (e *Engine) File(id, typ string) (f *os.File, ok bool, err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	j := e.find(id)
	if j == nil || j.result == nil {
		return nil, false, nil
	}
	for _, x := range j.result.Files {
		if x.Type == typ {
			f, err := os.Open(filepath.Join(j.dir, fileName(typ)))
			return f, err == nil, err
		}
	}
	return nil, false, nil
}

// sweep removes what has expired. What cannot be removed is no longer shown, and tried
// again next time.
func (e *Engine) sweep() {
	for _, j := range append([]*job(nil), e.jobs...) {
		if !e.expired(j) {
			continue
		}
		if err := errors.Join(forget(j.dir), os.RemoveAll(j.dir)); err != nil {
			e.cfg.Slog.Error("an expired export could not be removed; remove its folder", "folder", j.dir, "err", err)
			continue
		}
		e.drop(j)
	}
}
