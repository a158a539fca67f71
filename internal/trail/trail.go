package trail

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/eventlog"
	"cannulary/internal/fault"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// Config says what a trail is kept with. Log, Dir, Now and Slog must be set.
type Config struct {
	Log *eventlog.Log // of the trail's stream
	Dir string        // of the kept entries and the index
	// Types are the FHIR resource types, which may stand in a route.
	Types []string
	// Index says that the process answers who read what.
	Index bool
	Now   func() time.Time
	Slog  *slog.Logger
}

// Trail is an open trail. It is safe for concurrent use. A nil one keeps nothing.
type Trail struct {
	cfg   Config
	rules []Rule
	spool *spool
	index *index // nil without Config.Index
	pages pages
	sums  sums
	later chan *logv1.Access

	callsMu sync.Mutex
	calls   map[*Call]bool // that are under way

	down   atomic.Bool // the stream did not answer when it was last asked
	tight  atomic.Bool // only the reserve is left
	full   atomic.Bool // not even that
	bytes  atomic.Uint64
	most   atomic.Int64
	counts [outcomes]atomic.Uint64

	stop context.CancelFunc
	work sync.WaitGroup
}

const (
	// patience is how long the stream may take for an entry while somebody waits for an answer.
	patience = 2 * time.Second
	// lookEvery is how often the stream is asked how large it is, and whether it answers again.
	lookEvery = time.Second
	// sumEvery is how often sums are written.
	sumEvery = 10 * time.Second
	// reserve is the part of the limit, one in so many, that is left to pages and cards.
	reserve = 16
	// mostPatients is how many patients an entry names; more stand in several.
	mostPatients = 30_000
	// laterMost is how many entries of calls may wait to be written.
	laterMost = 1024
)

// outcome is what became of an entry.
type outcome int

// The outcomes of entries.
const (
	stored   outcome = iota // in the stream
	spooled                 // kept on disk until the stream answers
	withheld                // the request was refused, because the stream did not take its entry
	lost                    // neither stream nor disk took it; the answer was given all the same
	outcomes
)

var outcomeNames = [outcomes]string{stored: "stored", spooled: "spooled", withheld: "withheld", lost: "lost"}

// Open opens the folder and begins to follow the stream.
func Open(ctx context.Context, cfg Config) (*Trail, error) {
	if err := os.MkdirAll(cfg.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("trail: %w", err)
	}
	t := &Trail{cfg: cfg, rules: Rules(), later: make(chan *logv1.Access, laterMost)}
	var err error
	if t.spool, err = openSpool(filepath.Join(cfg.Dir, spoolFile)); err != nil {
		return nil, err
	}
	if cfg.Index {
		if t.index, err = openIndex(ctx, cfg); err != nil {
			return nil, errors.Join(err, t.spool.close())
		}
	}
	t.look(ctx)
	run, stop := context.WithCancel(context.Background())
	t.stop = stop
	t.work.Go(func() { t.keep(run) })
	t.work.Go(func() { t.write(run) })
	if t.index != nil {
		t.index.begin()
	}
	return t, nil
}

const spoolFile = "kept"

// Close writes what waits and ends. Entries that the stream does not take stay on disk.
func (t *Trail) Close() error {
	if t == nil {
		return nil
	}
	t.stop()
	t.work.Wait()
	t.flushSums()
	_ = t.drain(context.Background()) // what is left comes with the next start
	err := t.spool.close()
	if t.index != nil {
		// So that the index is a witness of the stream's end.
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		_ = t.caughtUp(ctx) // else it goes on from there with the next start
		err = errors.Join(err, t.index.close())
	}
	return err
}

// keep looks at the stream, drains the kept entries and writes sums until ctx ends.
func (t *Trail) keep(ctx context.Context) {
	looks, sums := time.NewTicker(lookEvery), time.NewTicker(sumEvery)
	defer looks.Stop()
	defer sums.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-sums.C:
			t.flushSums()
			t.flushCalls()
		case <-looks.C:
			t.look(ctx)
			if !t.down.Load() {
				if err := t.drain(ctx); err != nil && ctx.Err() == nil {
					t.failed(err)
				}
			}
		}
	}
}

// write writes the entries that nobody waits for.
func (t *Trail) write(ctx context.Context) {
	for {
		select {
		case e := <-t.later:
			_ = t.Record(context.Background(), e, Kept)
		case <-ctx.Done():
			for {
				select {
				case e := <-t.later:
					_ = t.Record(context.Background(), e, Kept)
				default:
					return
				}
			}
		}
	}
}

// look asks the stream how large it is.
func (t *Trail) look(ctx context.Context) {
	asked, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	st, err := t.cfg.Log.State(asked)
	if err != nil {
		if ctx.Err() == nil { // else the process ends
			t.failed(err)
		}
		return
	}
	t.bytes.Store(st.Bytes)
	t.most.Store(st.MaxBytes)
	t.tight.Store(st.MaxBytes > 0 && int64(st.Bytes) > st.MaxBytes-st.MaxBytes/reserve)
	if !t.tight.Load() {
		t.full.Store(false)
	}
	if t.down.CompareAndSwap(true, false) {
		t.cfg.Slog.Info("the trail's stream answers again", "kept", t.spool.waiting())
	}
}

// failed notes that the stream did not answer, or is full. It is said once, until that is over.
func (t *Trail) failed(err error) {
	if fault.As(err).Kind == fault.Full {
		t.tight.Store(true)
		if t.full.CompareAndSwap(false, true) {
			t.cfg.Slog.Error("the audit trail is full: an EHR is refused, entries of pages and cards are kept on disk; raise " +
				"--trail-max-bytes (runbook CannularyTrailNearlyFull)")
		}
		return
	}
	if t.down.CompareAndSwap(false, true) {
		t.cfg.Slog.Error("the trail's stream does not answer: an EHR is refused, entries of pages and cards are kept on disk "+
			"(runbook CannularyTrailKept)", "err", detail(err))
	}
}

func detail(err error) string {
	if f := fault.As(err); f.Err != nil {
		return f.Detail()
	}
	return err.Error()
}

// Takes returns why a request that is not answered without its entry is refused now; nil where it is not.
func (t *Trail) Takes() error {
	switch {
	case t == nil:
		return nil
	case t.down.Load():
		return unanswered(nil)
	case t.tight.Load():
		return fault.New(fault.Unavailable, "the audit trail is nearly full, and what is left is kept for pages and cards: nothing is "+
			"read without an entry in it", "ask the operator to raise the trail's limit (--trail-max-bytes), then try again")
	}
	return nil
}

func unanswered(err error) error {
	return fault.Wrap(fault.Unavailable, err, "the audit trail does not answer: nothing is read without an entry in it",
		"try again in a few seconds; if it lasts, ask the operator")
}

// Record writes an entry, which it completes, and returns once it is safe. The error is a fault, and comes for
// Refused alone: every other entry is kept on disk while the stream does not answer.
func (t *Trail) Record(ctx context.Context, e *logv1.Access, class Class) error {
	for all := e.GetPatients(); ; all = all[mostPatients:] {
		last := len(all) <= mostPatients
		part := e
		if !last || len(e.GetPatients()) > len(all) {
			part = proto.CloneOf(e)
			part.Patients = all[:min(mostPatients, len(all))]
			if len(e.GetRequest()) == 0 {
				e.Request = newID()
			}
			part.Request = e.GetRequest()
		}
		if err := t.record(ctx, part, class); err != nil || last {
			return err
		}
	}
}

func (t *Trail) record(ctx context.Context, e *logv1.Access, class Class) error {
	e.Id = newID()
	if e.GetAt() == nil {
		e.At = timestamppb.New(t.cfg.Now())
	}
	data, err := encode(e)
	if err != nil {
		return err
	}
	err = errDown
	if !t.down.Load() {
		// It is written also where the client has gone.
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), patience)
		defer cancel()
		if _, err = t.cfg.Log.AppendEntry(ctx, hex.EncodeToString(e.GetId()), data); err == nil {
			t.counts[stored].Add(1)
			return nil
		}
		t.failed(err)
	}
	if class != Kept {
		t.counts[withheld].Add(1)
		return unanswered(err)
	}
	e.Spooled = true
	if data, err = encode(e); err == nil {
		err = t.spool.append(data)
	}
	if err != nil {
		t.counts[lost].Add(1)
		t.cfg.Slog.Error("an entry of the trail could be written nowhere; the answer was given all the same", "route", e.GetRoute(),
			"principal", e.GetPrincipal(), "patients", len(e.GetPatients()), "err", err)
		return nil
	}
	t.counts[spooled].Add(1)
	return nil
}

var errDown = errors.New("the stream did not answer before")

// Later writes an entry behind the answer. It waits only where very many wait already.
func (t *Trail) Later(e *logv1.Access) {
	t.later <- e
}

func encode(e *logv1.Access) ([]byte, error) {
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(e)
	if err != nil {
		return nil, fmt.Errorf("encode an entry of the trail: %w", err)
	}
	return data, nil
}

func newID() []byte {
	b := make([]byte, 16)
	_, _ = rand.Read(b) // it never fails
	return b
}

// drain writes the kept entries into the stream.
func (t *Trail) drain(ctx context.Context) error {
	if t.spool.waiting() == 0 {
		return nil
	}
	n := 0
	err := t.spool.drain(func(data []byte) error {
		var e logv1.Access
		if err := proto.Unmarshal(data, &e); err != nil {
			return err
		}
		ctx, cancel := context.WithTimeout(ctx, patience)
		defer cancel()
		_, err := t.cfg.Log.AppendEntry(ctx, hex.EncodeToString(e.GetId()), data)
		if err == nil {
			n++
		}
		return err
	})
	if err == nil {
		t.cfg.Slog.Info("the kept entries of the trail are in its stream", "entries", n)
	}
	return err
}

// State is how a trail is.
type State struct {
	Bytes    uint64
	MaxBytes int64
	Kept     int               // entries that are on disk and not in the stream
	Entries  map[string]uint64 // since the start, by outcome
}

// State returns how the trail was when it was last looked at.
func (t *Trail) State() State {
	s := State{Bytes: t.bytes.Load(), MaxBytes: t.most.Load(), Kept: t.spool.waiting(), Entries: map[string]uint64{}}
	for i := range outcomes {
		s.Entries[outcomeNames[i]] = t.counts[i].Load()
	}
	return s
}

// sums are requests of one kind that are written as one entry.
type sums struct {
	mu sync.Mutex
	by map[sumOf]*logv1.Access
}

// sumOf is what the requests of a sum have in common.
type sumOf struct {
	principal, route, from string
	status                 uint32
	grpc                   bool
}

// mostSums is how many sums are kept apart by address; others are summed without one.
const mostSums = 256

// sum adds a request to its sum. Its patients are left out: it was given none.
func (t *Trail) sum(e *logv1.Access) {
	now := timestamppb.New(t.cfg.Now())
	t.sums.mu.Lock()
	defer t.sums.mu.Unlock()
	if t.sums.by == nil {
		t.sums.by = map[sumOf]*logv1.Access{}
	}
	k := sumOf{e.GetPrincipal(), e.GetRoute(), e.GetFrom(), e.GetStatus(), e.GetGrpc()}
	one := t.sums.by[k]
	if one == nil && len(t.sums.by) >= mostSums {
		k = sumOf{principal: k.principal, route: "[any]", status: k.status, grpc: k.grpc}
		one = t.sums.by[k]
	}
	if one == nil {
		one = &logv1.Access{Principal: k.principal, Action: e.GetAction(), Route: k.route, From: k.from, Status: k.status,
			Grpc: k.grpc, At: now}
		t.sums.by[k] = one
	}
	one.Count++
	one.Until = now
}

func (t *Trail) flushSums() {
	t.sums.mu.Lock()
	list := maps.Values(t.sums.by)
	t.sums.by = nil
	t.sums.mu.Unlock()
	for e := range list {
		_ = t.Record(context.Background(), e, Kept)
	}
}
