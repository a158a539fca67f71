package extract

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"cannulary/internal/eventlog"
	"cannulary/internal/view"
)

// Config says what a Log is an extract of.
type Config struct {
	Facilities []string
	// Main is the view of the whole log, and WaitFor returns once an entry is in it.
	Main    *view.Store
	WaitFor func(ctx context.Context, seq uint64) error
	// File is where it is kept how far the log was followed; empty is nowhere.
	File string
	// LogID and Clocks are the log's id and what was declared of its wrong clocks.
	LogID  string
	Clocks []eventlog.WrongClock
}

// ID names the set of facilities: 16 hexadecimal digits, the same in whatever order they are given.
func ID(facilities []string) string {
	list := slices.Clone(facilities)
	slices.Sort(list)
	sum := sha256.Sum256([]byte(strings.Join(slices.Compact(list), "\n")))
	return hex.EncodeToString(sum[:8])
}

// rules is the version of what an extract holds. A view of an extract by other rules is built again.
const rules = 2

// Log is an extract as a projector reads it. Its entries have numbers of their own, from 1 without a gap.
type Log struct {
	cfg Config
	id  string

	mu    sync.Mutex // one reader at a time
	gate  *Gate
	next  uint64 // the number of the next entry
	queue []eventlog.Entry
	last  []byte        // the data of the entry that was taken last
	came  atomic.Uint64 // how far the log was followed
	given atomic.Uint64 // the last number that was given
	open  atomic.Pointer[map[string]bool]
}

// New makes an extract. Nothing is read yet.
func New(cfg Config) *Log {
	l := &Log{cfg: cfg, id: fmt.Sprintf("%s/%s/%d/%s", cfg.LogID, ID(cfg.Facilities), rules, eventlog.WrongClocksText(cfg.Clocks))}
	l.restart()
	return l
}

func (l *Log) restart() {
	l.gate, l.next, l.queue, l.last = NewGate(l.cfg.Facilities), 1, nil, nil
	l.came.Store(0)
	l.given.Store(0)
	l.open.Store(&map[string]bool{})
}

// ID names the extract: the log, the facilities, the rules, and the wrong clocks that are known.
func (l *Log) ID() string { return l.id }

// WrongClocks returns the wrong clocks by whose right times the entries are dated.
func (l *Log) WrongClocks() []eventlog.WrongClock { return l.cfg.Clocks }

// ByWrongClock reports false: days of a wrong clock are in no view, so they are in no extract.
func (l *Log) ByWrongClock(uint64) bool { return false }

// Partial reports true: one event can come in several entries.
func (l *Log) Partial() bool { return true }

// Came returns how far the log was followed, and the extract's last number up to there.
func (l *Log) Came() (seq, last uint64) { return l.came.Load(), l.given.Load() }

// Whole reports whether the whole record of a patient key is in the extract: a stay is open.
func (l *Log) Whole(key string) bool { return (*l.open.Load())[key] }

// ErrNone says that the extract has no such entry.
var ErrNone = errors.New("the extract has no such entry")

// Get reads an entry again. It follows the log from what was kept, else from its first entry on, so that the next Read can
// go on from there.
func (l *Log) Get(ctx context.Context, seq uint64) (eventlog.Entry, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.upTo(ctx, seq)
}

// upTo goes to the entry after seq and returns entry seq.
func (l *Log) upTo(ctx context.Context, seq uint64) (eventlog.Entry, error) {
	l.restart()
	if err := l.goOn(ctx, seq); err != nil {
		l.restart()
	} else if l.next == seq+1 {
		return eventlog.Entry{Seq: seq, Data: l.last}, nil
	}
	for {
		for len(l.queue) > 0 {
			e := l.take(1)[0]
			if e.Seq == seq {
				return e, nil
			}
		}
		moved, err := l.follow(ctx)
		if err != nil {
			return eventlog.Entry{}, err
		}
		if !moved {
			return eventlog.Entry{}, fmt.Errorf("%w: %d", ErrNone, seq)
		}
	}
}

// take takes the next entries from the queue.
func (l *Log) take(n int) []eventlog.Entry {
	list := l.queue[:n]
	l.queue = l.queue[n:]
	l.next, l.last = list[n-1].Seq+1, list[n-1].Data
	return list
}

// Read hands over the entries from a number on, in batches, until ctx ends or handle fails.
func (l *Log) Read(ctx context.Context, from uint64, most int, handle func(context.Context, []eventlog.Entry) error) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if from = max(from, 1); from != l.next {
		if from == 1 {
			l.restart()
		} else if _, err := l.upTo(ctx, from-1); err != nil {
			return err
		}
	}
	keptAt := l.came.Load()
	for {
		for len(l.queue) > 0 {
			if err := handle(ctx, l.queue[:min(most, len(l.queue))]); err != nil {
				return err
			}
			l.take(min(most, len(l.queue)))
		}
		moved, err := l.follow(ctx)
		if err != nil {
			return err
		}
		if moved {
			continue
		}
		if came := l.came.Load(); came-keptAt >= keepEvery {
			if err := l.keep(); err != nil {
				return err
			}
			keptAt = came
		}
		if err := l.cfg.WaitFor(ctx, l.came.Load()+1); err != nil {
			return errors.Join(err, l.keep())
		}
	}
}

// followed is how many events are taken from the main view at once.
const followed = 500

// follow takes what the main view has of the log beyond what was followed; moved reports that there was something.
func (l *Log) follow(ctx context.Context) (moved bool, err error) {
	last := l.given.Load()
	err = l.cfg.Main.Held(ctx, func(h view.Held) error {
		came := l.came.Load()
		if h.At.Seq <= came {
			return nil
		}
		moved = true
		events, err := h.After(came, followed)
		if err != nil {
			return err
		}
		unclear, err := h.Unclear(came)
		if err != nil {
			return err
		}
		add := func(passed []Passed, entered time.Time) {
			for _, p := range passed {
				last++
				l.queue = append(l.queue, eventlog.Entry{Seq: last, Time: p.Logged, Entered: entered, Data: p.Data})
			}
		}
		before := func(seq uint64, at time.Time) {
			for ; len(unclear) > 0 && unclear[0].Seq < seq; unclear = unclear[1:] {
				add(l.gate.Unclear(unclear[0], at), at)
			}
		}
		for _, e := range events {
			before(e.Seq, e.Logged)
			passed, err := l.gate.Step(h.UpTo(e.Seq), e)
			if err != nil {
				return err
			}
			add(passed, e.Logged)
			came = e.Seq
		}
		if len(events) < followed {
			before(h.At.Seq+1, h.At.Logged)
			came = h.At.Seq // what else is there is in no view
		}
		l.showOpen()
		l.given.Store(last)
		l.came.Store(came)
		return nil
	})
	return moved, err
}
