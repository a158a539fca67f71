package view_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/view"
)

// start is the invented time at which the tests' logs begin.
var start = time.Date(2027, 3, 1, 7, 0, 0, 0, time.UTC)

func at(ms int) time.Time { return start.Add(time.Duration(ms) * time.Millisecond) }

// writer puts resources into a view as the projector does.
type writer struct {
	t     fataler
	store *view.Store
	seq   uint64
}

type fataler interface {
	Helper()
	Fatal(args ...any)
}

func open(t testing.TB) *writer {
	t.Helper()
	s, err := view.Open(context.Background(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return &writer{t: t, store: s}
}

func resource(typ, id, patient, content string, ix fhir.Index) fhir.Resource {
	return fhir.Resource{Type: typ, ID: id, Patient: patient, Index: ix,
		Body: fmt.Appendf(nil, `{"id":"%s","content":%q,"resourceType":"%s"}`, id, content, typ)}
}

// put stores resources as one event's work at the time.
func (w *writer) put(updated time.Time, list ...fhir.Resource) {
	w.t.Helper()
	if err := w.tryPut(updated, list...); err != nil {
		w.t.Fatal(err)
	}
}

func (w *writer) tryPut(updated time.Time, list ...fhir.Resource) error {
	w.seq++
	tx, err := w.store.Begin(context.Background())
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for _, r := range list {
		if _, _, err := tx.Put(r, w.seq, updated); err != nil {
			return err
		}
	}
	if err := tx.SetCheckpoint(view.Checkpoint{LogID: "log", Seq: w.seq, EventID: fmt.Sprint("event-", w.seq), Logged: updated, Updated: updated}); err != nil {
		return err
	}
	return tx.Commit()
}

func (w *writer) search(q view.Query) view.Page {
	w.t.Helper()
	p, err := w.store.Search(context.Background(), q)
	if err != nil {
		w.t.Fatal(err)
	}
	return p
}

func ids(rows []view.Row) []string {
	out := []string{}
	for _, r := range rows {
		out = append(out, r.ID)
	}
	return out
}
