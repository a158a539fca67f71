package view

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"
)

func empty(t *testing.T) *Store {
	t.Helper()
	s, err := Open(context.Background(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// A statement that fails is reported by whatever reads next, and by Commit. Nothing of the transaction stays.
func TestAStatementThatFailsBehindIsReported(t *testing.T) {
	ctx, s := context.Background(), empty(t)
	// With few statements the failing one still waits, with many it was handed over long ago.
	for _, more := range []int{0, 5 * listMost} {
		tx, err := s.Begin(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 2 {
			_ = tx.Aside(7, fmt.Sprint("event-", i), "the same number twice")
		}
		for i := range more {
			_ = tx.Aside(uint64(100+i), fmt.Sprint("later-", i), "test")
		}
		for what, err := range map[string]error{"a read": second(tx.strings(`SELECT event_id FROM aside`)), "Commit": tx.Commit()} {
			if err == nil || !strings.Contains(err.Error(), "UNIQUE constraint failed: aside.seq") || !strings.Contains(err.Error(), "INSERT INTO aside") {
				t.Errorf("%s after a failed statement returns %v", what, err)
			}
		}
		tx.Rollback()
	}
	tx, err := s.Begin(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	if ids, err := tx.strings(`SELECT event_id FROM aside`); err != nil || len(ids) > 0 {
		t.Errorf("of a transaction that was rolled back there is %v (%v)", ids, err)
	}
}

func second(_ []string, err error) error { return err }

// Rows come in the order in which they were queued, whoever runs them.
func TestStatementsRunInTheirOrder(t *testing.T) {
	ctx, s := context.Background(), empty(t)
	tx, err := s.Begin(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	for n := range 10 * listMost {
		if err := tx.SetCheckpoint(Checkpoint{LogID: "log", Seq: uint64(n), EventID: "e", Logged: time.Unix(0, 0), Updated: time.Unix(0, 0)}); err != nil {
			t.Fatal(err)
		}
		if n%37 > 0 {
			continue
		}
		if c, ok, err := tx.Checkpoint(); err != nil || !ok || c.Seq != uint64(n) {
			t.Fatalf("after %d the checkpoint is %d (%v)", n, c.Seq, err)
		}
	}
}

// What was noted is never taken for absent; of what was not, nearly all is.
func TestUnseen(t *testing.T) {
	u := newUnseen()
	const keys = 200_000
	if u.noted() || !u.lacks(eventKey, "0") {
		t.Error("an empty filter has keys")
	}
	for i := range keys {
		u.note(resourceKey, "Observation", fmt.Sprint(i))
	}
	taken := 0
	for i := range keys {
		if u.lacks(resourceKey, "Observation", fmt.Sprint(i)) {
			t.Fatalf("key %d was noted and is taken for absent", i)
		}
		for _, other := range []bool{u.lacks(resourceKey, "Procedure", fmt.Sprint(i)), u.lacks(termKey, "Observation", fmt.Sprint(i)),
			u.lacks(resourceKey, "Observation", fmt.Sprint(keys+i))} {
			if !other {
				taken++
			}
		}
	}
	if taken > keys/1000 {
		t.Errorf("%d of %d keys that were never noted are taken for present", taken, 3*keys)
	}
	var none *unseen
	if none.note(eventKey, "a"); none.lacks(eventKey, "b") || none.noted() {
		t.Error("without a filter nothing is sure")
	}
}
