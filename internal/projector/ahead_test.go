package projector

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/fhir"
	"cannulary/internal/eventlog"
	"cannulary/internal/intake"
	"cannulary/internal/record"
	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Workers render and judge the plain events of a batch side by side. Every version, time and row is
// the same as where each event is a batch of its own, so that nothing is ever in flight. Nor does it
// matter that the service starts again after every third of the log and makes the patients ready.
func TestABatchGivesWhatItsEventsGiveInTurn(t *testing.T) {
	s := simulate.Default()
	s.Units, s.Patients, s.Months = 1, 6, 1
	s.Until = time.Date(2026, time.October, 31, 0, 0, 0, 0, time.UTC)
	node := testkit.Start(t, testkit.Options{Clock: testkit.NewClock(s.Until.AddDate(0, 0, 1).Add(12 * time.Hour)), MaxBytes: 1 << 30, Unregistered: true})
	record := func(r *cannularyv1.FeedRequest) error {
		m, ok := intake.FromFeed(r)
		if !ok {
			return fmt.Errorf("a message of no service")
		}
		_, err := node.Intake.Record(testkit.ByEverybody(), m)
		return err
	}
	// Two patients are merged early: most events of both come after that, and are plain.
	var first *cannularyv1.Envelope
	merged := 0
	if err := simulate.Generate(s, func(r *cannularyv1.FeedRequest) error {
		if err := record(r); err != nil || r.GetCannulation().GetEnvelope().GetPatient() == nil {
			return err
		}
		switch e := r.GetCannulation().GetEnvelope(); {
		case first == nil:
			first = e
		case merged == 0 && !proto.Equal(e.GetPatient(), first.GetPatient()):
			merged = 1
			merge := proto.CloneOf(e)
			merge.SourceMessageId, merge.Session = "merge-1", nil
			return record(testkit.Request(merge, &cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_PatientsMerged{
				PatientsMerged: &cannularyv1.PatientsMerged{Retired: first.GetPatient()}}}))
		case proto.Equal(e.GetPatient(), first.GetPatient()):
			merged++
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if merged < 30 {
		t.Fatalf("%d events of a merged patient mean nothing", merged)
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
	start := func(folder string, inFlight int) *Projector {
		store, err := view.Open(ctx, filepath.Join(node.Dir, folder))
		if err != nil {
			t.Fatal(err)
		}
		p, err := New(ctx, Config{Log: node.Log, Store: store, Opener: node.Ring, Slog: testkit.Discard()})
		if err != nil {
			t.Fatal(err)
		}
		p.inFlight = inFlight
		return p
	}
	project := func(p *Projector, entries []eventlog.Entry, batch int) {
		for part := range slices.Chunk(entries, batch) {
			if err := p.apply(ctx, part); err != nil {
				t.Fatal(err)
			}
		}
	}
	end := func(p *Projector) map[string]string {
		defer func() { _ = p.cfg.Store.Close() }()
		return everything(t, p.cfg.Store)
	}
	one := start("one", 1)
	project(one, log, 1)
	want := end(one)
	if len(want) < 1500 {
		t.Fatalf("%d versions and rows mean nothing", len(want))
	}
	compare := func(how string, got map[string]string) {
		if len(got) != len(want) {
			t.Errorf("%s there are %d versions and rows, want %d", how, len(got), len(want))
		}
		differ := 0
		for k, w := range want {
			if got[k] == w {
				continue
			}
			if differ++; differ <= 3 {
				t.Errorf("%s %s is\n%s\nwant\n%s", how, k, got[k], w)
			}
		}
	}
	for _, inFlight := range []int{2, 64} {
		p := start(fmt.Sprint("flight-", inFlight), inFlight)
		project(p, log, len(log))
		compare(fmt.Sprintf("with %d in flight", inFlight), end(p))
	}
	// A transaction that takes too long ends after the entry at hand.
	late := start("late", 64)
	transactions := 0
	late.longest, late.cfg.Room = time.Nanosecond, func(context.Context) error { transactions++; return nil }
	project(late, log, len(log))
	compare("with short transactions", end(late))
	if transactions < len(log)/10 {
		t.Errorf("%d entries were projected in %d transactions that take no time", len(log), transactions)
	}

	var p *Projector
	for part := range slices.Chunk(log, (len(log)+2)/3) {
		if p != nil {
			if err := p.cfg.Store.Close(); err != nil {
				t.Fatal(err)
			}
		}
		p = start("again", 64)
		if judged := warmed(ctx, t, p); part[0].Seq > 1 && judged < 4 {
			t.Errorf("%d patients were made ready before entry %d", judged, part[0].Seq)
		}
		project(p, part, 200)
	}
	compare("with two starts in between", end(p))
}

// warmed makes all patients ready, and counts them.
func warmed(ctx context.Context, t *testing.T, p *Projector) int {
	i := &idler{Projector: p, before: p.Sequence(), shrunk: p.Sequence()}
	for !i.listed || len(i.cold) > 0 {
		i.look(ctx)
	}
	for key := range p.state.followers {
		if p.state.lists[key] == nil {
			t.Error("a patient is ready for judgement, and not for work lists")
		}
	}
	return len(p.state.followers)
}

// While a batch is under way the sequence stands still. That is no quiet time: what the batch needs stays.
func TestABatchUnderWayIsNoQuietTime(t *testing.T) {
	b := newBench(t)
	b.send(message{patient: "P-1", session: "mon", day: 1, fact: needle("A1")})
	b.project()
	i := &idler{Projector: b.p, before: b.p.Sequence()}
	b.p.writing.Lock()
	i.look(testkit.Context(t))
	b.p.writing.Unlock()
	if i.listed {
		t.Error("something was done beside the batch")
	}
	if i.look(testkit.Context(t)); !i.listed {
		t.Error("nothing was done in a quiet moment")
	}
}

// What is done in a quiet moment is a comfort. Where the view gives no answer it is logged, once, and
// the projector goes on.
func TestAFailureInAQuietMomentIsLoggedOnce(t *testing.T) {
	b := newBench(t)
	b.send(message{patient: "P-1", session: "mon", day: 1, fact: needle("A1")})
	b.project()
	var log bytes.Buffer
	b.p.cfg.Slog = slog.New(slog.NewTextHandler(&log, nil))
	if err := b.p.cfg.Store.Close(); err != nil {
		t.Fatal(err)
	}
	i := &idler{Projector: b.p, before: b.p.Sequence()}
	for range 3 {
		i.look(testkit.Context(t))
	}
	for _, says := range []string{"a patient could not be made ready for the next event", "the view's memory could not be given back"} {
		if n := strings.Count(log.String(), says); n != 1 {
			t.Errorf("%q is logged %d times:\n%s", says, n, &log)
		}
	}
}

// A resource is put after what it refers to, also where two refer to each other.
func TestWhatAResourceRefersToComesFirst(t *testing.T) {
	r := func(id string, refers ...string) fhir.Resource {
		out := fhir.Resource{Type: "Observation", ID: id}
		for _, to := range refers {
			out.Index.References = append(out.Index.References, fhir.Reference{Param: "has-member", Type: "Observation", ID: to})
		}
		return out
	}
	list := []fhir.Resource{r("panel", "look", "feel"), r("look"), r("feel", "depth", "elsewhere"), r("depth", "panel")}
	var got []string
	for _, i := range targetsFirst(list) {
		got = append(got, list[i].ID)
	}
	if want := []string{"look", "depth", "feel", "panel"}; !slices.Equal(got, want) {
		t.Errorf("the order is %v, want %v", got, want)
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
		f.launch(w, nil, kept{})
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
