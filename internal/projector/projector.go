package projector

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/fhir"
	"cannulary/internal/dossier"
	"cannulary/internal/eventlog"
	"cannulary/internal/freetext"
	"cannulary/internal/record"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// Log is what a projector follows: eventlog.Log, or an extract of it.
type Log interface {
	ID() string
	Get(ctx context.Context, seq uint64) (eventlog.Entry, error)
	Read(ctx context.Context, from uint64, most int, handle func(context.Context, []eventlog.Entry) error) error
	WrongClocks() []eventlog.WrongClock
	ByWrongClock(seq uint64) bool
	// Partial reports whether one event may come in several entries, each with more of its facts.
	Partial() bool
}

// Config is what a Projector needs.
type Config struct {
	Log     Log
	Store   *view.Store
	Opener  dossier.Opener
	Options fhir.Options
	Slog    *slog.Logger
	// Figures tells of which facilities there are figures; nil is all.
	Figures func(facility string) bool
	// Room returns once the view may write; nil is always.
	Room func(context.Context) error
}

// Projector follows the log. Start it with Run.
type Projector struct {
	cfg Config

	// writing is held while a batch changes the view. It is also held after a rollback, until the state is read again.
	writing sync.Mutex
	state   *state // only who holds writing touches it

	inFlight int
	longest  time.Duration // of a transaction

	mu     sync.Mutex
	seq    uint64
	moved  chan struct{}
	failed error
	// Committed state for readers.
	ids       *record.Identities
	locations map[string]*time.Location
}

// batchLimit and batchTime bound one transaction: what a kill loses, and how long readers wait for news while a view catches up.
const (
	batchLimit = 2000
	batchTime  = 2 * time.Second
)

// New gives the store the keys to free text and reads the checkpoint. It refuses a view that does not belong to the log: the
// event at the checkpoint must be the very same.
func New(ctx context.Context, cfg Config) (*Projector, error) {
	p := &Projector{cfg: cfg, moved: make(chan struct{}), inFlight: inFlight, longest: batchTime}
	cfg.Store.Opens(cfg.Opener)
	c, ok, err := cfg.Store.Checkpoint(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the view's checkpoint: %w", err)
	}
	if ok {
		if err := Verify(ctx, cfg.Log, c, cfg.Store.Path()); err != nil {
			return nil, err
		}
		p.seq = c.Seq
	}
	tx, err := cfg.Store.Begin(ctx)
	if err != nil {
		return nil, err
	}
	defer tx.Rollback()
	if err := p.clocks(tx); err != nil {
		return nil, err
	}
	if err := p.load(tx); err != nil {
		return nil, err
	}
	return p, tx.Commit()
}

// ErrClocks says that entries which the view holds were dated by a clock that was declared wrong since.
var ErrClocks = errors.New("the view has times of a clock that was declared wrong; build it again with `cannulary rebuild --data DIR`")

// clocks refuses a view with entries of a clock that was declared wrong since they were projected. Else it notes the
// wrong clocks that the log knows.
func (p *Projector) clocks(tx *view.Tx) error {
	had, err := tx.WrongClocks()
	if err != nil {
		return err
	}
	list := p.cfg.Log.WrongClocks()
	now := eventlog.WrongClocksText(list)
	if had == now {
		return nil
	}
	known := strings.Split(had, ", ")
	for _, w := range list {
		if w.First <= p.seq && !slices.Contains(known, eventlog.WrongClocksText([]eventlog.WrongClock{w})) {
			return ErrClocks
		}
	}
	return tx.SetWrongClocks(now)
}

// ErrForeign says that view and log do not belong together.
var ErrForeign = errors.New("the view does not belong to this log")

// Verify reports whether a view with the checkpoint, in the file at path, was made from the log.
func Verify(ctx context.Context, log Log, c view.Checkpoint, path string) error {
	hint := fmt.Sprintf("restore the log that belongs to it; if that is lost, move %s to a safe place, since it may be the only copy of "+
		"what it holds, and start again: the view is built from this log", path)
	if c.LogID != log.ID() {
		return fmt.Errorf("%w: it was built from log %s, this is %s; %s", ErrForeign, c.LogID, log.ID(), hint)
	}
	e, err := log.Get(ctx, c.Seq)
	if err != nil {
		return fmt.Errorf("%w: the log does not show entry %d, which the view has: acknowledged events may be lost (%w); %s", ErrForeign,
			c.Seq, err, hint)
	}
	var ev logv1.Event
	if err := proto.Unmarshal(e.Data, &ev); err == nil && ev.GetId() == c.EventID || err != nil && c.EventID == "" {
		return nil
	}
	return fmt.Errorf("%w: entry %d of the log is event %s, the view has %s there: the log lost events and went on; %s", ErrForeign, c.Seq,
		ev.GetId(), c.EventID, hint)
}

// load reads the state that is kept in memory from the view.
func (p *Projector) load(tx *view.Tx) error {
	s, err := readState(tx)
	if err != nil {
		return err
	}
	p.state = s
	p.mu.Lock()
	p.ids, p.locations = s.identities, s.zones
	p.mu.Unlock()
	return nil
}

// Run follows the log until ctx ends or something stands in its way: a gap in the log, a
// kind of fact that a newer version wrote, a full disk.
func (p *Projector) Run(ctx context.Context) error {
	until, cancel := context.WithCancel(ctx)
	idle := make(chan struct{})
	go func() {
		defer close(idle)
		p.whenIdle(until)
	}()
	err := p.cfg.Log.Read(ctx, p.Sequence()+1, batchLimit, p.apply)
	cancel()
	<-idle
	if err != nil && ctx.Err() != nil {
		err = nil
	}
	if err != nil {
		p.mu.Lock()
		p.failed = err
		close(p.moved)
		p.moved = make(chan struct{})
		p.mu.Unlock()
	}
	return err
}

// Sequence is how far the log was projected.
func (p *Projector) Sequence() uint64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.seq
}

// Failed is what stopped Run, nil while it goes.
func (p *Projector) Failed() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.failed
}

// Zone is a facility's time zone as newly projected; UTC for a facility that is not known.
func (p *Projector) Zone(facility string) *time.Location {
	p.mu.Lock()
	defer p.mu.Unlock()
	if l, ok := p.locations[facility]; ok {
		return l
	}
	return time.UTC
}

// Identities are those of the newest committed state.
func (p *Projector) Identities() *record.Identities {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.ids
}

// WaitFor returns once seq is projected.
func (p *Projector) WaitFor(ctx context.Context, seq uint64) error {
	for {
		p.mu.Lock()
		at, moved, failed := p.seq, p.moved, p.failed
		p.mu.Unlock()
		switch {
		case at >= seq:
			return nil
		case failed != nil:
			return failed
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// apply projects entries. An event whose content cannot be rendered has the whole transaction
// rolled back. The batch is then projected again with that event set aside. That is rare, so the
// common case pays nothing for it. What comes before an event of a newer version is projected, so
// that where the view stops does not depend on the batches.
func (p *Projector) apply(ctx context.Context, entries []eventlog.Entry) error {
	aside := map[uint64]error{}
	var stops error // the event of a newer version, which may be met before an earlier one has failed
	for len(entries) > 0 {
		done, err := p.batch(ctx, entries, aside)
		var unclear *unclearError
		var newer *newerError
		switch {
		case err == nil:
			entries = entries[done:]
		case errors.As(err, &newer) && newer.seq > entries[0].Seq:
			entries, stops = entries[:newer.seq-entries[0].Seq], err
		case !errors.As(err, &unclear) || aside[unclear.seq] != nil:
			return errors.Join(err, stops)
		default:
			aside[unclear.seq] = unclear.err
		}
	}
	return stops
}

// batch projects entries in one transaction, those that it comes to in time. It returns how many these are.
func (p *Projector) batch(ctx context.Context, entries []eventlog.Entry, aside map[uint64]error) (done int, err error) {
	if p.cfg.Room != nil {
		if err := p.cfg.Room(ctx); err != nil {
			return 0, err
		}
	}
	p.writing.Lock()
	defer p.writing.Unlock()
	late := time.NewTimer(p.longest)
	defer late.Stop()
	tx, err := p.cfg.Store.Begin(ctx)
	if err != nil {
		return 0, err
	}
	defer tx.Rollback()
	c, _, err := tx.Checkpoint()
	if err != nil {
		return 0, err
	}
	links := p.state.chain
	links.SumAt = tx.EntrySum
	f := newFlight(p.inFlight)
	// The workers must be gone before the state is read again.
	failed := func(err error) error { f.end(); return p.reload(ctx, tx, err) }
	for more := true; more && done < len(entries); done++ {
		if err := ctx.Err(); err != nil {
			return 0, failed(err)
		}
		e := entries[done]
		c.LogID, c.Seq, c.Logged = p.cfg.Log.ID(), e.Seq, e.Time
		for _, t := range []time.Time{e.Time, e.Entered} {
			if t = t.Truncate(time.Millisecond); t.After(c.Updated) {
				c.Updated = t
			}
		}
		if c.EventID, err = p.entry(ctx, tx, f, e, c.Updated, aside[e.Seq]); err != nil {
			return 0, fmt.Errorf("project entry %d: %w", e.Seq, failed(err))
		}
		select {
		case <-late.C:
			more = false
		default:
		}
	}
	if err := f.land(0); err != nil {
		return 0, fmt.Errorf("project up to entry %d: %w", c.Seq, failed(err))
	}
	f.end()
	if err := errors.Join(tx.SetCheckpoint(c), tx.KeepChain(links)); err != nil {
		return 0, p.reload(ctx, tx, err)
	}
	if err := tx.Commit(); err != nil {
		return 0, p.reload(ctx, tx, err)
	}
	p.mu.Lock()
	p.seq, p.ids, p.locations = c.Seq, p.state.identities, p.state.zones
	close(p.moved)
	p.moved = make(chan struct{})
	p.mu.Unlock()
	return done, nil
}

// reload puts the state in memory back to what the view holds after a transaction that
// will not be committed, and returns the cause. Where that fails, the error only quotes the cause:
// it must not be taken for an event that can be set aside, since what would be projected next
// would rest on a state that was never committed.
func (p *Projector) reload(ctx context.Context, tx *view.Tx, cause error) error {
	tx.Rollback()
	again, err := p.cfg.Store.Begin(ctx)
	if err == nil {
		defer again.Rollback()
		err = p.load(again)
	}
	if err != nil {
		return fmt.Errorf("read the view's state again: %w (after: %s)", err, cause.Error())
	}
	return cause
}

// entry projects one entry of the log and returns its event's id. An event that cannot be
// understood is set aside whole, with an alarm; one of a newer version stops the projector.
// unclear tells that rendering it failed before, and why.
func (p *Projector) entry(ctx context.Context, tx *view.Tx, f *flight, e eventlog.Entry, updated time.Time, unclear error) (string, error) {
	ev := &logv1.Event{}
	read := proto.Unmarshal(e.Data, ev)
	if read != nil {
		ev.Reset()
	}
	if err := p.state.chain.Add(e.Data, ev); err != nil {
		return ev.GetId(), err
	}
	if err := read; err != nil {
		return "", p.quarantine(tx, e, "", "", fmt.Errorf("not readable as an event: %w", err))
	}
	if freetext.Sealed(e.Data) {
		if err := freetext.Open(ctx, p.cfg.Opener, ev); err != nil {
			return ev.GetId(), err
		}
	}
	id := ev.GetId()
	facts, err := record.Facts(ev, e.Seq, e.Time)
	switch {
	case errors.Is(err, record.ErrUnknownFact):
		return id, &newerError{err, e.Seq}
	case err != nil:
		return id, p.quarantine(tx, e, id, ev.GetPatientKey(), err)
	case unclear != nil:
		return id, p.quarantine(tx, e, id, ev.GetPatientKey(), unclear)
	case p.declares(ev, e.Seq):
		return id, ErrClocks
	case p.cfg.Log.ByWrongClock(e.Seq) && ev.GetFacts()[0].GetDayStarted() != nil:
		return id, tx.Aside(e.Seq, id, "a day of a wrong clock")
	case ev.GetTest():
		return id, tx.Aside(e.Seq, id, "test")
	}
	known, err := tx.HasEvent(id)
	switch entry := (view.StoredEvent{Seq: e.Seq, Logged: e.Time, Event: ev}); {
	case err != nil:
		return id, err
	case known && p.cfg.Log.Partial():
		return id, p.more(ctx, tx, f, e, id, updated)
	case known:
		return id, tx.Aside(e.Seq, id, "repeat")
	default:
		if err := tx.InsertEvent(entry, facts[0].Session, e.Data); err != nil {
			return id, err
		}
		return id, p.event(ctx, tx, f, entry, facts, updated)
	}
}

// more takes further facts of an event in that the view has in part.
func (p *Projector) more(ctx context.Context, tx *view.Tx, f *flight, e eventlog.Entry, id string, updated time.Time) error {
	stored, err := tx.Sealed(id)
	if err != nil {
		return err
	}
	var ev logv1.Event
	if err := proto.Unmarshal(e.Data, &ev); err != nil {
		return err
	}
	fresh := map[int]bool{}
	for i, fact := range ev.GetFacts() {
		if fact.GetWithheld() == nil {
			stored.Event.Facts[i], fresh[i] = fact, true
		}
	}
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(stored.Event)
	if err != nil {
		return err
	}
	if err := tx.ExtendEvent(id, data); err != nil {
		return err
	}
	if freetext.Sealed(data) {
		if err := freetext.Open(ctx, p.cfg.Opener, stored.Event); err != nil {
			return err
		}
	}
	facts, err := record.Facts(stored.Event, stored.Seq, stored.Logged)
	if err != nil {
		return err
	}
	facts = slices.DeleteFunc(facts, func(fact record.Fact) bool { return !fresh[fact.Ordinal] })
	return p.event(ctx, tx, f, view.StoredEvent{Seq: e.Seq, Logged: e.Time, Event: stored.Event}, facts, updated)
}

// declares reports whether the event declares a clock wrong that was not known when the log was opened: what was
// projected has its times.
func (p *Projector) declares(ev *logv1.Event, seq uint64) bool {
	return len(ev.GetFacts()) == 1 && ev.GetFacts()[0].GetClockCorrected() != nil &&
		!slices.ContainsFunc(p.cfg.Log.WrongClocks(), func(w eventlog.WrongClock) bool { return w.Seq == seq })
}

func (p *Projector) quarantine(tx *view.Tx, e eventlog.Entry, id, patient string, reason error) error {
	p.cfg.Slog.Error("an event is set aside: it cannot be understood", "seq", e.Seq, "event", id, "reason", reason)
	return tx.Quarantine(e.Seq, id, patient, reason.Error(), e.Data)
}

// newerError says that an event was written by a newer version of the program.
type newerError struct {
	err error
	seq uint64
}

func (n *newerError) Error() string { return n.err.Error() }
func (n *newerError) Unwrap() error { return n.err }

// unclearError is a failure that comes from what an event says, not from the machine.
type unclearError struct {
	err error
	seq uint64
}

func (u *unclearError) Error() string { return u.err.Error() }
func (u *unclearError) Unwrap() error { return u.err }
