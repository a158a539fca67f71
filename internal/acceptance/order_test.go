package acceptance_test

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// Any order of arrival of the same facts gives the same record.
func TestTheOrderOfArrivalDoesNotMatter(t *testing.T) {
	t.Parallel()
	u := shared(t)
	for _, seed := range seeds() {
		t.Run(fmt.Sprintf("shuffled within three days, seed %d", seed), func(t *testing.T) {
			t.Parallel()
			mixed := simulate.Shuffle(u.messages, 72*time.Hour, seed)
			if n := moved(u.messages, mixed); n < len(mixed)/2 {
				t.Fatalf("only %d of %d messages changed place", n, len(mixed))
			}
			checkOrder(t, u, mixed)
		})
	}
	t.Run("backwards", func(t *testing.T) {
		t.Parallel()
		// The unit is registered first; everything else comes in reverse.
		setup := 0
		for testkit.Envelope(u.messages[setup]).GetPatient() == nil {
			setup++
		}
		mixed := append([]*v1.FeedRequest{}, u.messages[:setup]...)
		for n := len(u.messages) - 1; n >= setup; n-- {
			mixed = append(mixed, u.messages[n])
		}
		checkOrder(t, u, mixed)
	})
}

func checkOrder(t *testing.T, u *unit, mixed []*v1.FeedRequest) {
	t.Helper()
	dir := u.fresh(t)
	i := start(t, dir)
	i.post(mixed)
	sameRows(t, "card", withoutArrival(u.cards), withoutArrival(i.cards(u.patients)))
	i.stop()
	same(t, u.order, dumpOrder(t, dir))
	checkReach(t, dir)
}

// arrival is when a message behind a card arrived: of all that a card says, that alone is the order's.
var arrival = regexp.MustCompile(`"arrivedAt":"[^"]*",?`)

func withoutArrival(cards map[string]string) map[string]string {
	out := map[string]string{}
	for k, c := range cards {
		out[k] = arrival.ReplaceAllString(c, "")
	}
	return out
}

func moved(a, b []*v1.FeedRequest) (n int) {
	for i := range a {
		if a[i] != b[i] {
			n++
		}
	}
	return n
}

// Every kind of fact, and corrections, voids, merges and reversals on top of each other,
// in any order.
func TestAnyOrderOfEveryKindOfFactAndTheirCorrections(t *testing.T) {
	t.Parallel()
	feed := tangle()
	first := filepath.Join(t.TempDir(), "first")
	i := start(t, first)
	i.post(append(registrations(), feed...))
	patients := keys(query(t, first, `SELECT id FROM resource WHERE type = 'Patient'`))
	cards := i.cards(patients)
	i.stop()
	want := dumpOrder(t, first)
	checkTangle(t, want)
	if q := query(t, first, all["quarantine"]); len(q) > 0 {
		t.Errorf("set aside: %v", q)
	}
	if len(patients) < 4 || len(want["track"]) < 2 {
		t.Fatalf("%d patients, %d tracks: too little to mix up", len(patients), len(want["track"]))
	}
	for seed := range uint64(4 * len(seeds())) {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			t.Parallel()
			mixed := append([]*v1.FeedRequest{}, feed...)
			rand.New(rand.NewPCG(seed, 0)).Shuffle(len(mixed), func(a, b int) { mixed[a], mixed[b] = mixed[b], mixed[a] })
			dir := filepath.Join(t.TempDir(), "mixed")
			copyDir(t, filepath.Join(first, "keys"), filepath.Join(dir, "keys"))
			i := start(t, dir)
			i.post(append(registrations(), mixed...))
			sameRows(t, "card", withoutArrival(cards), withoutArrival(i.cards(patients)))
			i.stop()
			same(t, want, dumpOrder(t, dir))
		})
	}
}

// A merge, a reversal, or a void of either, that comes after everything else, changes what
// is far down its chain as well.
func TestAMergeThatComesLast(t *testing.T) {
	t.Parallel()
	feed := tangle()
	first := filepath.Join(t.TempDir(), "first")
	i := start(t, first)
	i.post(append(registrations(), feed...))
	i.stop()
	want := dumpOrder(t, first)
	for _, ids := range []string{"merge-1", "merge-2", "merge-2 merge-3", "merge-3 merge-2", "merge-2 merge-3 merge-1", "merge-4", "merge-5", "reversal-5", "merge-5 reversal-5", "merge-6", "v-merge-6", "v-11", "v-12"} {
		t.Run(ids, func(t *testing.T) {
			t.Parallel()
			var rest []*v1.FeedRequest
			names := strings.Fields(ids)
			last := make([]*v1.FeedRequest, len(names))
			for _, m := range feed {
				if k := slices.Index(names, testkit.Envelope(m).GetSourceMessageId()); k >= 0 {
					last[k] = m
				} else {
					rest = append(rest, m)
				}
			}
			dir := filepath.Join(t.TempDir(), "last")
			copyDir(t, filepath.Join(first, "keys"), filepath.Join(dir, "keys"))
			i := start(t, dir)
			i.post(append(registrations(), rest...))
			for _, m := range last {
				i.post([]*v1.FeedRequest{m})
			}
			i.stop()
			same(t, want, dumpOrder(t, dir))
		})
	}
}
