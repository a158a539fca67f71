package acceptance_test

import (
	"os"
	"path/filepath"
	"testing"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// A resend never makes a second fact: the whole feed sent again is answered as duplicate
// with the first answers' events and tokens, and changes not one row of the view.
func TestTheSameFeedAgainChangesNothing(t *testing.T) {
	t.Parallel()
	u := shared(t)
	if u.tally.Accepted == 0 || u.tally.Duplicates == 0 {
		t.Fatalf("the scenario is to have new messages and repeats: %+v", u.tally)
	}
	for _, c := range []struct {
		name  string
		index bool // keep the ingest index
	}{{"with its index", true}, {"with the index lost", false}} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			dir := u.copy(t)
			if !c.index {
				if err := os.RemoveAll(filepath.Join(dir, "ingest")); err != nil {
					t.Fatal(err)
				}
			}
			i := start(t, dir)
			before := i.last()
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
			if after := i.last(); after != before {
				t.Errorf("the log went from %d to %d", before, after)
			}
			i.stop()
			same(t, u.tables, dump(t, dir))
		})
	}
}
