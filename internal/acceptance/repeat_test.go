package acceptance_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// A resend never makes a second fact: the whole feed sent again is answered as duplicate
// with the first answers' events and tokens, and changes not one row of the view.
func TestTheSameFeedAgainChangesNothing(t *testing.T) {
	u := shared(t)
	if u.tally.Accepted == 0 || u.tally.Duplicates == 0 {
		t.Fatalf("the scenario is to have new messages and repeats: %+v", u.tally)
	}
	for _, c := range []struct {
		name  string
		index bool // keep the ingest index
	}{{"with its index", true}, {"with the index lost", false}} {
		t.Run(c.name, func(t *testing.T) {
			dir := u.copy(t)
			if !c.index {
				if err := os.RemoveAll(filepath.Join(dir, "ingest")); err != nil {
					t.Fatal(err)
				}
			}
			i := start(t, dir)
			before := testkit.LastSeq(t, i.app.Log())
			tally, got := i.post(u.messages)
			if tally.Accepted != 0 || tally.Duplicates != len(u.messages) || tally.Sent != len(u.messages) {
				t.Errorf("%d messages sent again gave %+v, want duplicates alone", len(u.messages), tally)
			}
			for id, first := range u.answers {
				again := got[id]
				if again.GetOutcome() != cannularyv1.FeedOutcome_FEED_OUTCOME_DUPLICATE || again.GetEventId() != first.GetEventId() || again.GetToken() != first.GetToken() {
					t.Fatalf("message %s was answered %v, then %v", id, first, again)
				}
			}
			if after := testkit.LastSeq(t, i.app.Log()); after != before {
				t.Errorf("the log went from %d to %d", before, after)
			}
			i.stop()
			same(t, u.tables, dump(t, dir))
		})
	}
}

// Any order of arrival of the same facts gives the same record.
func TestTheOrderOfArrivalDoesNotMatter(t *testing.T) {
	u := shared(t)
	want := dumpOrder(t, u.dir)
	for _, seed := range []uint64{1, 2, 3} {
		t.Run(fmt.Sprintf("shuffled within three days, seed %d", seed), func(t *testing.T) {
			mixed := simulate.Shuffle(u.messages, 72*time.Hour, seed)
			if n := moved(u.messages, mixed); n < len(mixed)/2 {
				t.Fatalf("only %d of %d messages changed place", n, len(mixed))
			}
			checkOrder(t, u, want, mixed)
		})
	}
	t.Run("backwards", func(t *testing.T) {
		// The units are registered first; everything else comes in reverse.
		setup := 0
		for testkit.Envelope(u.messages[setup]).GetPatient() == nil {
			setup++
		}
		mixed := append([]*cannularyv1.FeedRequest{}, u.messages[:setup]...)
		for n := len(u.messages) - 1; n >= setup; n-- {
			mixed = append(mixed, u.messages[n])
		}
		checkOrder(t, u, want, mixed)
	})
}

func checkOrder(t *testing.T, u *unit, want tables, mixed []*cannularyv1.FeedRequest) {
	t.Helper()
	dir := u.fresh(t)
	i := start(t, dir)
	i.post(mixed)
	sameRows(t, "card", u.cards, i.cards(u.patients))
	i.stop()
	same(t, want, dumpOrder(t, dir))
}

func moved(a, b []*cannularyv1.FeedRequest) (n int) {
	for i := range a {
		if a[i] != b[i] {
			n++
		}
	}
	return n
}
