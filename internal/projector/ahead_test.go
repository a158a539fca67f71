package projector

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"cannulary/internal/eventlog"
	"cannulary/internal/intake"
	"cannulary/internal/record"
	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Workers render and judge the plain events of a batch side by side. Every version, time and row is
// the same as where each event is a batch of its own, so that nothing is ever in flight.
func TestABatchGivesWhatItsEventsGiveInTurn(t *testing.T) {
	s := simulate.Default()
	s.Units, s.Patients, s.Months = 1, 6, 1
	s.Until = time.Date(2026, time.October, 31, 0, 0, 0, 0, time.UTC)
	node := testkit.Start(t, testkit.Options{Clock: testkit.NewClock(s.Until.AddDate(0, 0, 1).Add(12 * time.Hour)), MaxBytes: 1 << 30, Unregistered: true})
	if err := simulate.Generate(s, func(r *cannularyv1.FeedRequest) error {
		m, ok := intake.FromFeed(r)
		if !ok {
			return fmt.Errorf("a message of no service")
		}
		_, err := node.Intake.Record(context.Background(), m)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	ctx := context.Background() // a race detector may take longer than testkit waits
	var log []eventlog.Entry
	for seq := uint64(1); seq <= node.LastSeq(t); seq++ {
		e, err := node.Log.Get(ctx, seq)
		if err != nil {
			t.Fatal(err)
		}
		log = append(log, e)
	}
	project := func(batch, inFlight int) map[string]string {
		store, err := view.Open(ctx, filepath.Join(node.Dir, fmt.Sprint("view-", batch, "-", inFlight)))
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = store.Close() }()
		p, err := New(ctx, Config{Log: node.Log, Store: store, Opener: node.Ring, Slog: testkit.Discard()})
		if err != nil {
			t.Fatal(err)
		}
		p.inFlight = inFlight
		for n := 0; n < len(log); n += batch {
			if err := p.apply(ctx, log[n:min(n+batch, len(log))]); err != nil {
				t.Fatal(err)
			}
		}
		return everything(t, store)
	}
	want := project(1, 1)
	if len(want) < 1500 {
		t.Fatalf("%d versions and rows mean nothing", len(want))
	}
	for _, inFlight := range []int{2, 64} {
		batch := len(log)
		got := project(batch, inFlight)
		if len(got) != len(want) {
			t.Errorf("with %d in flight there are %d versions and rows, want %d", inFlight, len(got), len(want))
		}
		differ := 0
		for k, w := range want {
			if got[k] == w {
				continue
			}
			if differ++; differ <= 3 {
				t.Errorf("with %d in flight %s is\n%s\nwant\n%s", inFlight, k, got[k], w)
			}
		}
	}
}

// everything is all versions of all resources, and the rows of lists and metrics.
func everything(t *testing.T, store *view.Store) map[string]string {
	t.Helper()
	ctx := context.Background()
	out := map[string]string{}
	counts, err := store.Counts(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, typ := range counts.Resources {
		q := view.Query{Type: typ.Type, Count: 500}
		for more := true; more; {
			page, err := store.Search(ctx, q)
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range page.Rows {
				for v := 1; v <= r.Version; v++ {
					row, ok, err := store.Version(ctx, r.Type, r.ID, v)
					if err != nil || !ok {
						t.Fatalf("version %d of %s/%s: %v", v, r.Type, r.ID, err)
					}
					out[fmt.Sprintf("%s/%s/%d", r.Type, r.ID, v)] = fmt.Sprintln(row.Seq, row.Updated, row.Patient, string(row.Body))
				}
			}
			more, q.After = page.More, page.Next
		}
	}
	tracks, err := store.Tracks(ctx)
	if err != nil {
		t.Fatal(err)
	}
	holds, err := store.Holds(ctx)
	if err != nil {
		t.Fatal(err)
	}
	out["tracks"], out["holds"] = fmt.Sprint(tracks), fmt.Sprint(holds)
	return out
}

// A worker may use a follower only where all events of the patient in flight do: one that is judged
// in turn would come to the follower too late.
func TestAFollowerWaitsForEventsThatAreJudgedInTurn(t *testing.T) {
	s := &state{followers: map[string]*follower{}}
	f := newFlight(8)
	defer f.end()
	launch := func(patient string) *follower {
		w := &writer{state: s, plan: &plan{own: []record.Fact{{PatientKey: patient}}}}
		f.launch(w, nil)
		<-w.ahead.done
		return w.ahead.follower
	}
	if got := launch("P-1"); got != nil {
		t.Error("there is no follower yet, and one is used")
	}
	made := &follower{stale: true} // it judges nothing here
	s.followers["P-1"] = made      // by the first event, in its turn
	if got := launch("P-1"); got != nil {
		t.Error("a follower is used while an event that has no part in it is in flight")
	}
	f.landed("P-1")
	f.landed("P-1")
	for range 2 {
		if got := launch("P-1"); got != made {
			t.Error("nothing stands in the way, and the follower is not used")
		}
	}
	s.followers["P-1"] = &follower{stale: true} // the first was of no use
	if got := launch("P-1"); got != nil {
		t.Error("another follower is used than by the events in flight")
	}
}
