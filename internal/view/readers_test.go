package view_test

import (
	"context"
	"sync"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/view"
)

// However many long reads of FHIR run, a card finds a reader free.
func TestACardDoesNotWaitForSearches(t *testing.T) {
	w, ctx := open(t), context.Background()
	w.put(at(0), resource("Procedure", "a", "p", "content", fhir.Index{}))
	end := make(chan struct{})
	var busy, ended sync.WaitGroup
	for range 4 {
		busy.Add(1)
		ended.Go(func() {
			if err := w.store.Snapshot(ctx, func(*view.Snapshot) error { busy.Done(); <-end; return nil }); err != nil {
				t.Error(err)
			}
		})
	}
	busy.Wait()
	if err := w.store.Reading(ctx, func(view.Loader, view.Checkpoint) error { return nil }); err != nil {
		t.Error(err)
	}
	if _, err := w.store.Facilities(ctx); err != nil {
		t.Error(err)
	}
	close(end)
	ended.Wait()
}
