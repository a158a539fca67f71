package facade

import (
	"context"
	"errors"
	"testing"
	"time"

	"cannulary/internal/view"
)

func TestWideSearchesAreThoseOverAllPatients(t *testing.T) {
	updated, day := view.Filter{view.UpdatedIs{}}, view.Filter{view.DateIs{Param: "date"}}
	for _, c := range []struct {
		search string
		query  view.Query
		wide   bool
	}{
		{"Observation?_lastUpdated=ge… pulls in order", view.Query{Filters: []view.Filter{updated}}, false},
		{"Observation", view.Query{}, false},
		{"Observation?_lastUpdated=ge…&_total=accurate counts all", view.Query{Filters: []view.Filter{updated}, Total: true}, true},
		{"Procedure?date=…", view.Query{Filters: []view.Filter{day}}, true},
		{"Procedure?_sort=date", view.Query{Order: view.Order{Date: "date"}}, true},
		{"Procedure?_include=…", view.Query{Includes: []view.Include{{Param: "location"}}}, true},
		{"Procedure?date=…&patient=P is of one patient", view.Query{Filters: []view.Filter{day, {view.InCompartment{Patient: "P"}}}, Total: true}, false},
		{"Procedure?patient=P,Q is of two", view.Query{Filters: []view.Filter{{view.InCompartment{Patient: "P"}, view.InCompartment{Patient: "Q"}}}}, true},
		{"Procedure?_id=X", view.Query{Filters: []view.Filter{{view.IDIs{ID: "X"}}}}, false},
		{"Patient?identifier=S|V", view.Query{Filters: []view.Filter{{view.TokenIs{Param: "identifier", Code: "V"}}}}, false},
		{"Patient?identifier=S|", view.Query{Filters: []view.Filter{{view.TokenIs{Param: "identifier", HasSystem: true}}}}, true},
	} {
		if got := (&searching{query: c.query}).wide(); got != c.wide {
			t.Errorf("%s: wide is %v", c.search, got)
		}
	}
}

func TestASearchThatDoesNotGetItsTurnIsAskedToComeAgain(t *testing.T) {
	g := newGate(time.Millisecond, longestRun)
	running, end := make(chan struct{}), make(chan struct{})
	first := make(chan error, 1)
	go func() {
		first <- g.run(context.Background(), true, func(context.Context) error { close(running); <-end; return nil })
	}()
	<-running
	ran := false
	var p *problem
	err := g.run(context.Background(), true, func(context.Context) error { ran = true; return nil })
	if !errors.As(err, &p) || p.Status != 503 || p.Code != "throttled" || p.Header["Retry-After"] != "5" || ran {
		t.Errorf("the second wide search: %v, ran %v", err, ran)
	}
	if want := "other searches over the data of all patients are running; try again in a few seconds, or ask for one patient at a time"; p != nil && p.Text != want {
		t.Errorf("told %q", p.Text)
	}
	// One patient's search does not wait.
	if err := g.run(context.Background(), false, func(context.Context) error { return nil }); err != nil {
		t.Error(err)
	}
	// Whoever hung up is told nothing.
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	if err := g.run(gone, true, func(context.Context) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("a request that ended: %v", err)
	}
	close(end)
	if err := <-first; err != nil {
		t.Error(err)
	}
	if err := g.run(context.Background(), true, func(context.Context) error { return nil }); err != nil {
		t.Errorf("after the first has ended: %v", err)
	}
}

func TestASearchThatTakesTooLongIsEnded(t *testing.T) {
	g := newGate(longestWait, time.Millisecond)
	err := g.run(context.Background(), false, func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() })
	var p *problem
	if !errors.As(err, &p) || p.Status != 503 || p.Code != "too-costly" || p.Header["Retry-After"] == "" {
		t.Errorf("a search without end: %v", err)
	}
	if want := "the search took too long and was stopped; ask for one patient, a shorter time or fewer conditions"; p != nil && p.Text != want {
		t.Errorf("told %q", p.Text)
	}
	// Another failure stays what it is.
	broken := errors.New("broken")
	if err := g.run(context.Background(), false, func(context.Context) error { return broken }); !errors.Is(err, broken) {
		t.Error(err)
	}
}
