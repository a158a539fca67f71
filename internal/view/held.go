package view

import (
	"context"
	"fmt"
)

// Held is one state of the view's copies of the log. What people wrote in their own words stays sealed in it.
type Held struct {
	Past
	// At is how far the log was projected.
	At Checkpoint
}

// Past is the log up to an entry.
type Past struct{ loader }

// Held runs f on one state of the view.
func (s *Store) Held(ctx context.Context, f func(Held) error) error {
	return s.Reading(ctx, func(l Loader, c Checkpoint) error {
		sealed := l.(loader)
		sealed.sealed = true
		return f(Held{Past{sealed}, c})
	})
}

// UpTo is the log as if no entry after seq had come.
func (h Held) UpTo(seq uint64) Past {
	l := h.loader
	l.upTo = seq
	return Past{l}
}

// After lists the events after seq, in the order of the log, at most so many.
func (h Held) After(seq uint64, most int) ([]StoredEvent, error) {
	return h.events(eventColumns+`WHERE e.seq > ? ORDER BY e.seq LIMIT ?`, int64(seq), int64(most))
}

// Entry reads the event of a sequence.
func (p Past) Entry(seq uint64) (StoredEvent, error) {
	list, err := p.events(eventColumns+`WHERE e.seq = ?`, int64(seq))
	if err == nil && len(list) != 1 {
		err = fmt.Errorf("the view has no event %d", seq)
	}
	if err != nil {
		return StoredEvent{}, err
	}
	return list[0], nil
}

// Unclear is an event of a patient that could not be understood.
type Unclear struct {
	Seq     uint64
	Patient string
	Data    []byte
}

// Unclear lists the events after an entry that could not be understood but name their patient.
func (p Past) Unclear(after uint64) (out []Unclear, err error) {
	err = p.each(`SELECT seq, patient, data FROM quarantine WHERE seq > ? AND (? = 0 OR seq <= ?) AND patient <> '' ORDER BY seq`,
		[]any{int64(after), int64(p.upTo), int64(p.upTo)}, func(scan func(...any) error) error {
			var u Unclear
			var seq int64
			err := scan(&seq, &u.Patient, &u.Data)
			u.Seq = uint64(seq)
			out = append(out, u)
			return err
		})
	return out, err
}

// Sealed reads an event of that id as it is stored: what people wrote in their own words stays sealed.
func (t *Tx) Sealed(id string) (StoredEvent, error) {
	l := t.load()
	l.sealed = true
	list, err := l.ByID([]string{id})
	if err == nil && len(list) != 1 {
		err = fmt.Errorf("event %s is not in the view", id)
	}
	if err != nil {
		return StoredEvent{}, err
	}
	return list[0], nil
}

// ExtendEvent replaces the bytes of an event by those of the same event with more of its facts.
func (t *Tx) ExtendEvent(id string, data []byte) error {
	clear(t.memo.sessions)
	return t.exec(`UPDATE event SET data = ?, sum = ? WHERE id = ?`, data, sumOf(data), id)
}

// Only has the store list no other facilities than these to its readers. It must be called before anything else.
// A view that holds what readers of some facilities may read knows others too, because patients came from there.
func (s *Store) Only(facilities []string) {
	s.only = map[string]bool{}
	for _, f := range facilities {
		s.only[f] = true
	}
}

// lists reports whether readers may see a facility.
func (s *Store) lists(facility string) bool { return s.only == nil || s.only[facility] }
