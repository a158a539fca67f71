package erasure

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"cannulary/internal/freetext"
	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// Patient is a patient key that is to be destroyed, or that may have to be.
type Patient struct {
	Key string `json:"key"`
	Why string `json:"why"` // why it is the person's, or may be
	// State is StateKey, StateErased or StateNone.
	State   string `json:"state"`
	Entries uint64 `json:"entries"` // of the log, about this key
	// Readable are the entries in which an earlier version left what people wrote in their own words unsealed.
	Readable uint64 `json:"readable"`
}

// What there is of a patient key.
const (
	StateKey    = "key"    // the key is there
	StateErased = "erased" // it was destroyed before
	StateNone   = "none"   // nothing was ever sealed with it
)

// Person is what belongs to one person.
type Person struct {
	Patients []Patient
	// Linked are keys that a stated identifier alone connects with the person, and about which nobody has
	// decided.
	Linked []Patient
}

// Who is who, as a log tells it.
type Who struct {
	facts []record.Fact
	seen  map[string]bool
	count map[string]*count
}

type count struct{ entries, readable uint64 }

// NewWho returns what an empty log tells.
func NewWho() *Who { return &Who{seen: map[string]bool{}, count: map[string]*count{}} }

// Add takes in an entry. An event that cannot be read tells nothing.
func (w *Who) Add(seq uint64, ev *logv1.Event) {
	if key := ev.GetPatientKey(); key != "" {
		c := w.of(key)
		c.entries++
		if freetext.Plain(ev) {
			c.readable++
		}
	}
	if ev.GetTest() || w.seen[ev.GetId()] {
		return
	}
	facts, err := record.Facts(ev, seq, ev.GetOccurredAt().AsTime())
	if err != nil {
		return
	}
	for _, f := range facts {
		switch f.Kind {
		case record.KindIdentityStated, record.KindPatientsMerged, record.KindMergeReversed, record.KindFactVoided,
			record.KindSessionVoided:
		case record.KindFactCorrected:
			if _, ok := f.Body.(*logv1.IdentitySealed); !ok {
				continue
			}
		default:
			continue
		}
		w.seen[ev.GetId()] = true
		w.facts = append(w.facts, f)
		if f.MergedKey != "" {
			w.of(f.MergedKey)
		}
	}
}

func (w *Who) of(key string) *count {
	if w.count[key] == nil {
		w.count[key] = &count{}
	}
	return w.count[key]
}

// ErrNobody says that the log knows nobody by an identifier.
var ErrNobody = errors.New("nobody is known by this identifier: no message was posted under it and no identity that stands states it; " +
	"nothing was changed; check SYSTEM|VALUE")

// Find finds the person whom an identifier's key belongs to. also are linked keys that are the person's by
// somebody's decision, keep those that are not. state tells what there is of a key.
func (w *Who) Find(key string, also, keep []string, state func(key string) (string, error)) (*Person, error) {
	l := w.links()
	mine, linked := map[string]string{}, map[string]string{} // key → why
	if by := l.statedBy[key]; w.count[key] != nil {
		l.take(mine, key, "messages are posted under the identifier that was named")
	} else if len(l.persons(by)) == 1 {
		l.take(mine, by[0], "its identity states the identifier that was named")
	} else if len(by) == 0 {
		return nil, ErrNobody
	} else {
		for _, k := range by {
			linked[k] = "its identity states the identifier that was named, and so does another patient's"
		}
	}
	for more := true; more; {
		l.reach(mine, linked, w.count)
		more = false
		for _, k := range also {
			if why := linked[k]; why != "" && mine[k] == "" {
				l.take(mine, k, "named with --also: "+why)
				more = true
			}
		}
	}
	for k := range mine {
		delete(linked, k)
	}
	const unknown = "patient key %s is not linked with this person; nothing was changed; --also and --keep take a key that the command " +
		"lists under linked"
	for _, k := range also {
		if mine[k] == "" {
			return nil, fmt.Errorf(unknown, k)
		}
	}
	for _, k := range keep {
		if mine[k] != "" {
			return nil, fmt.Errorf("patient key %s cannot be kept: %s; nothing was changed; a merge that is wrong is reversed by "+
				"its sender", k,
				mine[k])
		}
		if linked[k] == "" {
			return nil, fmt.Errorf(unknown, k)
		}
		delete(linked, k)
	}
	l.bare(mine, w.count)
	p := &Person{}
	var err error
	if p.Patients, err = w.list(mine, state); err != nil {
		return nil, err
	}
	p.Linked, err = w.list(linked, state)
	return p, err
}

// list says what the log and the key store have of keys.
func (w *Who) list(keys map[string]string, state func(key string) (string, error)) ([]Patient, error) {
	out := []Patient{}
	for _, k := range slices.Sorted(maps.Keys(keys)) {
		s, err := state(k)
		if err != nil {
			return nil, err
		}
		x := Patient{Key: k, Why: keys[k], State: s}
		if c := w.count[k]; c != nil {
			x.Entries, x.Readable = c.entries, c.readable
		}
		out = append(out, x)
	}
	return out, nil
}

// links are the connections between keys, as the record stands.
type links struct {
	ids      *record.Identities
	states   map[string][]string // patient key → keys of identifiers that its identities state
	statedBy map[string][]string // the other way round
}

func (w *Who) links() *links {
	l := &links{states: map[string][]string{}, statedBy: map[string][]string{}}
	items := record.Effective(w.facts)
	l.ids = record.Resolve(slices.DeleteFunc(slices.Clone(items), func(i record.Item) bool { return i.Kind == record.KindIdentityStated }))
	for i := range items {
		it := &items[i]
		if it.Kind != record.KindIdentityStated || it.Void {
			continue
		}
		for _, id := range it.IdentityHashes {
			if id != it.PatientKey && !slices.Contains(l.states[it.PatientKey], id) {
				l.states[it.PatientKey] = append(l.states[it.PatientKey], id)
				l.statedBy[id] = append(l.statedBy[id], it.PatientKey)
			}
		}
	}
	return l
}

// persons are the survivors of keys.
func (l *links) persons(keys []string) map[string]bool {
	out := map[string]bool{}
	for _, k := range keys {
		out[l.ids.Survivor(k)] = true
	}
	return out
}

// take adds a key with all that are merged with it.
func (l *links) take(mine map[string]string, key, why string) {
	mine[key] = why
	for _, k := range l.ids.Group(key) {
		if mine[k] == "" {
			mine[k] = "merged with " + key
		}
	}
}

// reach notes the keys that a stated identifier connects with what is found.
func (l *links) reach(mine, linked map[string]string, known map[string]*count) {
	note := func(k, why string) {
		if known[k] != nil && mine[k] == "" && linked[k] == "" {
			linked[k] = why
		}
	}
	for _, k := range slices.Sorted(maps.Keys(mine)) {
		for _, p := range l.statedBy[k] {
			note(p, "its identity states the identifier of "+k)
		}
		for _, id := range l.states[k] {
			note(id, "the identity of "+k+" states its identifier")
			for _, p := range l.statedBy[id] {
				note(p, "its identity states an identifier that the identity of "+k+" states too")
			}
		}
	}
}

// bare adds the identifiers that the person alone states and that no message was posted under: no identity
// may be stated of them either.
func (l *links) bare(mine map[string]string, known map[string]*count) {
	for _, k := range slices.Sorted(maps.Keys(mine)) {
		for _, id := range l.states[k] {
			others := slices.ContainsFunc(l.statedBy[id], func(p string) bool { return mine[p] == "" })
			if known[id] == nil && !others && mine[id] == "" {
				mine[id] = "the identity of " + k + " states it; no message was posted under it"
			}
		}
	}
}
