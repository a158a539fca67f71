package view

import "time"

// stored is what Put must know of a resource's newest version; of one that others only refer
// to the version is 0.
type stored struct {
	rid     int64
	version int
	hash    [16]byte
	links   []int64 // resolved.packed
	valued  tables  // in which it may have rows
}

// memo remembers what the one writer knows anyway, so that it need not be asked again. It
// holds nothing that is not in the file, but for unseen; a transaction that is rolled back empties it.
type memo struct {
	last      int64 // the greatest rid; 0 is not read yet
	resources map[name]stored
	words     map[string]int64
	params    map[string]int64
	terms     map[term]int64
	shapes    map[string]int64
	topics    map[string]bool                 // that have an event
	amended   map[string]bool                 // all targets of corrections and voids; nil is not read yet
	waited    map[string]bool                 // all that corrections and voids ever waited for; nil is not read yet
	sessions  map[string][]StoredEvent        // all events of sessions that were read lately
	events    map[string]StoredEvent          // that came lately, by id
	older     map[string]StoredEvent          // those before them
	treated   map[string]map[string]time.Time // Treatments of sessions that were read lately
	begins    map[string]earliest             // FirstTreatment by facility
	lastTerm  int64                           // the greatest id of a term; 0 is not read yet
	unseen    *unseen                         // nil unless the view was empty when it was opened, and after Shrink
}

// name is a resource's.
type name struct{ typ, id string }

// term is a search value as the table of that name holds it.
type term struct{ kind, param, code, system string }

// memoLimit bounds each of the maps, sessionsMost the sessions, eventsMost the events of either age: some megabytes.
const (
	memoLimit    = 30000
	sessionsMost = 500
	eventsMost   = 2000
)

func newMemo() *memo {
	return &memo{resources: map[name]stored{}, words: map[string]int64{}, params: map[string]int64{}, terms: map[term]int64{},
		shapes: map[string]int64{}, topics: map[string]bool{}, sessions: map[string][]StoredEvent{}, events: map[string]StoredEvent{},
		treated: map[string]map[string]time.Time{},
		begins:  map[string]earliest{}}
}

// forget forgets all. What unseen holds is more than the file does after a roll-back, which is no harm.
func (m *memo) forget() {
	sure := m.unseen
	*m = *newMemo()
	m.unseen = sure
}

// came remembers an event. What findings rest on came lately, as a rule.
func (m *memo) came(e StoredEvent) {
	if len(m.events) == eventsMost {
		m.older, m.events = m.events, make(map[string]StoredEvent, eventsMost)
	}
	m.events[e.Event.GetId()] = e
}

// byID returns an event that came lately.
func (m *memo) byID(id string) (StoredEvent, bool) {
	e, ok := m.events[id]
	if !ok {
		e, ok = m.older[id]
	}
	return e, ok
}

// remember notes a value in a map of the memo, which it empties when it is full.
func remember[K comparable, V any](m map[K]V, key K, value V) { rememberFew(m, memoLimit, key, value) }

func rememberFew[K comparable, V any](m map[K]V, most int, key K, value V) {
	if _, known := m[key]; !known && len(m) >= most {
		clear(m)
	}
	m[key] = value
}
