package extract

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"time"

	"cannulary/internal/dossier"
	"cannulary/internal/record/zone"
	"cannulary/internal/view"
)

// kept is how far an extract was followed, and its gate there: after a start the gate goes on from it. Without it
// the gate would have to see the whole log again, while its readers wait. It can be deleted at any time.
type kept struct {
	Extract string // Log.ID
	Came    uint64
	Given   uint64
	Last    []byte // the data of the entry Given
	Gate    keptGate
}

// keptGate is a Gate. What it holds of identities and of days is read from the view again. What it holds of stays is
// read when a patient's next entry comes.
type keptGate struct {
	Zones      map[string]string // the time zones' names
	Days       map[string]uint64 // the entries
	People     []string          // patient keys
	Open       map[string]bool
	Until      map[string]uint64
	Scopes     map[string]int
	Parts      map[string]map[int]bool
	Unclear    map[uint64]bool
	Neighbours map[string]bool
	Inserters  map[string]bool
}

func (g *Gate) keep() keptGate {
	k := keptGate{Zones: map[string]string{}, Days: map[string]uint64{}, People: slices.Sorted(maps.Keys(g.people)), Open: g.open,
		Until: g.until, Scopes: g.scopes, Parts: g.parts, Unclear: g.unclear, Neighbours: g.neighbours, Inserters: g.inserters}
	for facility, l := range g.zones {
		k.Zones[facility] = l.String()
	}
	for facility, e := range g.days {
		k.Days[facility] = e.Seq
	}
	return k
}

// restored makes the gate of facilities as it was kept. past is the log up to there.
func (k keptGate) restored(facilities []string, past view.Past) (*Gate, error) {
	g := NewGate(facilities)
	var err error
	if g.ids, err = dossier.Identities(past, time.Time{}); err != nil {
		return nil, err
	}
	for facility, name := range k.Zones {
		if g.zones[facility], err = zone.Load(name); err != nil {
			return nil, err
		}
	}
	for facility, seq := range k.Days {
		if g.days[facility], err = past.Entry(seq); err != nil {
			return nil, err
		}
	}
	for _, key := range k.People {
		g.person(key)
	}
	maps.Copy(g.open, k.Open)
	maps.Copy(g.until, k.Until)
	maps.Copy(g.scopes, k.Scopes)
	maps.Copy(g.parts, k.Parts)
	maps.Copy(g.unclear, k.Unclear)
	maps.Copy(g.neighbours, k.Neighbours)
	maps.Copy(g.inserters, k.Inserters)
	return g, nil
}

// keepEvery is how many entries of the log come before the gate is kept again.
const keepEvery = 2000

// keep writes down how far the log was followed. All that was given must have been taken.
func (l *Log) keep() error {
	if l.cfg.File == "" || l.last == nil {
		return nil
	}
	body, err := json.Marshal(kept{Extract: l.id, Came: l.came.Load(), Given: l.given.Load(), Last: l.last, Gate: l.gate.keep()})
	if err != nil {
		return err
	}
	sum := sha256.Sum256(body)
	body = append(body, "\n"+hex.EncodeToString(sum[:])...)
	// A file that is not whole after a power cut is not believed.
	next := l.cfg.File + ".next"
	if err := os.WriteFile(next, body, 0o600); err != nil {
		return fmt.Errorf("keep how far an extract was followed: %w", err)
	}
	return os.Rename(next, l.cfg.File)
}

// errNotKept says that nothing was kept from which the extract can go on to an entry.
var errNotKept = errors.New("nothing was kept")

// goOn goes to what was kept, if no entry after seq was given by then.
func (l *Log) goOn(ctx context.Context, seq uint64) error {
	if l.cfg.File == "" {
		return errNotKept
	}
	b, err := os.ReadFile(l.cfg.File)
	if err != nil {
		return err
	}
	body, sum, _ := bytes.Cut(b, []byte("\n"))
	want := sha256.Sum256(body)
	var k kept
	if string(sum) != hex.EncodeToString(want[:]) || json.Unmarshal(body, &k) != nil || k.Extract != l.id || k.Given > seq {
		return errNotKept
	}
	return l.cfg.Main.Held(ctx, func(h view.Held) error {
		if h.At.Seq < k.Came {
			return errNotKept
		}
		g, err := k.Gate.restored(l.cfg.Facilities, h.UpTo(k.Came))
		if err != nil {
			return err
		}
		l.gate, l.next, l.last = g, k.Given+1, k.Last
		l.came.Store(k.Came)
		l.given.Store(k.Given)
		l.showOpen()
		return nil
	})
}

func (l *Log) showOpen() {
	open := maps.Clone(l.gate.open)
	l.open.Store(&open)
}
