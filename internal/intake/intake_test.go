package intake_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/eventlog"
	"cannulary/internal/fault"
	"cannulary/internal/intake"
	"cannulary/internal/record"
	"cannulary/internal/sqlitefile"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// message is a sample under another id.
func message(t *testing.T, sample, id string) intake.Message {
	t.Helper()
	m := testkit.SampleOf(sample)
	testkit.Envelope(m).SourceMessageId = id
	return of(t, m)
}

func of(t *testing.T, m *v1.FeedRequest) intake.Message {
	t.Helper()
	out, ok := intake.FromFeed(m)
	if !ok {
		t.Fatal("the sample holds no message")
	}
	return out
}

// insertion is a message of one insertion with a needle of that gauge.
func insertion(t *testing.T, id string, gauge uint32) intake.Message {
	t.Helper()
	m := testkit.SampleOf("cannulation needle_inserted")
	testkit.Envelope(m).SourceMessageId = id
	m.GetCannulation().GetFacts()[0].GetNeedleInserted().Gauge = proto.Uint32(gauge)
	return of(t, m)
}

func record1(t *testing.T, in *intake.Intake, m intake.Message) intake.Answer {
	t.Helper()
	a, err := in.Record(testkit.Context(t), m)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func kindOf(err error) fault.Kind {
	var f *fault.Error
	if errors.As(err, &f) {
		return f.Kind
	}
	return -1
}

// forget makes the log's server forget which ids it has seen, as it does after its window
// of two minutes: from then on only intake can tell a resend.
func forget(t *testing.T, n *testkit.Node) {
	t.Helper()
	js := jetStream(t, n)
	s, err := js.Stream(testkit.Context(t), "CANNULARY_TEST")
	if err != nil {
		t.Fatal(err)
	}
	cfg := s.CachedInfo().Config
	cfg.Duplicates = 100 * time.Millisecond
	if _, err := js.UpdateStream(testkit.Context(t), cfg); err != nil {
		t.Fatal(err)
	}
	time.Sleep(300 * time.Millisecond)
}

// fill appends events, some at once, beside intake.
func fill(t *testing.T, n *testkit.Node, events int) {
	t.Helper()
	var wg sync.WaitGroup
	const at = 30
	for w := range at {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range events / at {
				id := fmt.Sprintf("fill-%d-%d", w, i)
				ev := &logv1.Event{Id: record.EventID("engine-z", id), Source: "engine-z", SourceMessageId: id, Facility: testkit.Facility}
				if _, _, err := n.Log.Append(context.Background(), ev); err != nil {
					t.Error(err)
					return
				}
			}
		}()
	}
	wg.Wait()
}

func TestAResendGetsTheFirstAnswer(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	first := record1(t, n.Intake, insertion(t, "m", 15))
	if first.Duplicate || first.EventID != record.EventID(testkit.Source, "m") || first.Token != n.Log.Token(n.LastSeq(t)) {
		t.Errorf("first answer %+v", first)
	}
	for i := range 3 {
		a := record1(t, n.Intake, insertion(t, "m", 15))
		if !a.Duplicate || a.EventID != first.EventID || a.Token != first.Token {
			t.Errorf("resend %d: %+v, first %+v", i, a, first)
		}
		record1(t, n.Intake, insertion(t, fmt.Sprint("between", i), 15))
	}
	if _, err := n.Intake.Record(testkit.Context(t), insertion(t, "m", 16)); kindOf(err) != fault.Conflict {
		t.Errorf("other content: %v", err)
	}
	for outcome, want := range map[string]int{"accepted": 4, "duplicate": 3, "conflict": 1, "refused": 0, "failed": 0} {
		if got := n.Outcomes.Of("cannulation", outcome); got != want {
			t.Errorf("%d %s, want %d", got, outcome, want)
		}
	}
}

// TestTheSameBytesOfAnotherServiceAreOtherContent posts, under one id, two messages whose
// bytes are the same: only the service tells an admission from a missed treatment.
func TestTheSameBytesOfAnotherServiceAreOtherContent(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	env := testkit.Envelope(testkit.SampleOf("roster patient_admitted"))
	admitted := testkit.Request(env, &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{}}})
	missed := testkit.Request(env, &v1.CannulationFact{Fact: &v1.CannulationFact_SessionMissed{SessionMissed: &v1.SessionMissed{}}})
	a, errA := proto.Marshal(admitted.GetRoster())
	b, errB := proto.Marshal(missed.GetCannulation())
	if errA != nil || errB != nil || string(a) != string(b) {
		t.Fatalf("the bytes differ: the test would prove nothing (%v, %v)", errA, errB)
	}
	record1(t, n.Intake, of(t, admitted))
	if a, err := n.Intake.Record(testkit.Context(t), of(t, missed)); kindOf(err) != fault.Conflict {
		t.Errorf("%+v, %v", a, err)
	}
}

// TestAResendAfterTheIndexWasDeleted starts a process without an index, on a server that
// has forgotten the ids: only the log can tell.
func TestAResendAfterTheIndexWasDeleted(t *testing.T) {
	dir := t.TempDir()
	n := testkit.Start(t, testkit.Options{Dir: dir})
	fill(t, n, 1500) // so that reading the log takes a moment
	first := map[string]intake.Answer{}
	for i := range 50 {
		id := fmt.Sprint("m", i)
		first[id] = record1(t, n.Intake, insertion(t, id, 15))
	}
	end := n.LastSeq(t)
	forget(t, n)
	// A second process on the same log, whose index is not there and which is not waited
	// for: until it has read the log it answers "again later", never "accepted".
	second := n.OpenIntake(t, filepath.Join(dir, "other"))
	defer func() { _ = second.Close() }()
	check := func(in *intake.Intake) {
		t.Helper()
		for id, want := range first {
			var a intake.Answer
			testkit.Eventually(t, "an answer", func() bool {
				var err error
				a, err = in.Record(testkit.Context(t), insertion(t, id, 15))
				if err != nil && kindOf(err) != fault.Unavailable {
					t.Fatal(err)
				}
				return err == nil
			})
			if !a.Duplicate || a.EventID != want.EventID || a.Token != want.Token {
				t.Errorf("%s: %+v, want %+v", id, a, want)
			}
			if _, err := in.Record(testkit.Context(t), insertion(t, id, 16)); kindOf(err) != fault.Conflict {
				t.Errorf("%s with other content: %v", id, err)
			}
		}
		if got := n.LastSeq(t); got != end {
			t.Errorf("the log grew from %d to %d", end, got)
		}
	}
	check(second)
}

// Whoever is told that the operator's log has the cause is told the truth, also of a message that is only validated.
func TestTheLogHasTheCauseOfAnInternalError(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	var log bytes.Buffer
	in, err := intake.New(testkit.Context(t), intake.Config{Log: n.Log, Ring: n.Ring, Dir: t.TempDir(), Now: n.Clock.Now,
		Slog: slog.New(slog.NewJSONHandler(&log, nil)), Outcome: func(string, string) {}})
	if err != nil {
		t.Fatal(err)
	}
	testkit.Eventually(t, "the index has read the log", func() bool { return in.Ready(testkit.Context(t)) == nil })
	if err := in.Close(); err != nil {
		t.Fatal(err)
	}
	for _, only := range []bool{true, false} {
		log.Reset()
		m := insertion(t, fmt.Sprint("broken-", only), 15)
		m.ValidateOnly = only
		if _, err := in.Record(testkit.Context(t), m); err == nil || fault.As(err).Kind != fault.Internal {
			t.Fatalf("an index that is closed: %v", err)
		}
		if !strings.Contains(log.String(), fmt.Sprint("broken-", only)) || !strings.Contains(log.String(), "the ingest index cannot be read") {
			t.Errorf("validated only: %v; the log has %s", only, &log)
		}
	}
}

// hungUp has a sender hang up before its message is looked at, and returns how that is counted. now is intake's clock, and
// log takes what the program writes of it.
func hungUp(t *testing.T, n *testkit.Node, now func() time.Time, log io.Writer) map[string]int {
	t.Helper()
	outcomes := map[string]int{}
	in, err := intake.New(testkit.Context(t), intake.Config{Log: n.Log, Ring: n.Ring, Dir: t.TempDir(), Now: now,
		Slog: slog.New(slog.NewJSONHandler(log, nil)), Outcome: func(_, outcome string) { outcomes[outcome]++ }})
	if err != nil {
		t.Fatal(err)
	}
	testkit.Eventually(t, "the index has read the log", func() bool { return in.Ready(testkit.Context(t)) == nil })
	gone, cancel := context.WithCancel(testkit.Context(t))
	cancel()
	if a, err := in.Record(gone, insertion(t, "hung-up", 15)); err == nil {
		t.Fatalf("the sender is gone, and is answered %+v", a)
	}
	if err := in.Close(); err != nil {
		t.Fatal(err)
	}
	return outcomes
}

// A sender that hangs up at once, or whose deadline passes at once, says nothing about the service: nobody is to be woken for it.
func TestASenderThatHangsUpIsNoFaultOfTheService(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	var log bytes.Buffer
	if outcomes := hungUp(t, n, n.Clock.Now, &log); !maps.Equal(outcomes, map[string]int{"cancelled": 1}) {
		t.Errorf("counted as %v", outcomes)
	}
	for _, want := range []string{`"level":"INFO"`, "a sender hung up before the answer: its message may be in the log or not", `"id":"hung-up"`} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("the log does not say %s: %s", want, &log)
		}
	}
	for _, not := range []string{"ERROR", "index", "start the service again"} {
		if strings.Contains(log.String(), not) {
			t.Errorf("the log says %s: %s", not, &log)
		}
	}
}

// While the log does not answer, whoever gives up after a while was not served: that is what wakes somebody. This clock
// goes on by a second, the limit (ours), each time that it is read.
func TestASenderThatWaitedForLongWasNotServed(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	var read atomic.Int64
	now := func() time.Time { return n.Clock.Now().Add(time.Duration(read.Add(1)) * time.Second) }
	if outcomes := hungUp(t, n, now, io.Discard); !maps.Equal(outcomes, map[string]int{"unavailable": 1}) {
		t.Errorf("counted as %v", outcomes)
	}
}

// TestAResendAfterARestart stops everything and starts again, with and without the index.
func TestAResendAfterARestart(t *testing.T) {
	dir := t.TempDir()
	n := testkit.Start(t, testkit.Options{Dir: dir})
	first := record1(t, n.Intake, insertion(t, "m", 15))
	end := n.LastSeq(t)
	for _, without := range []bool{false, true} {
		n.Stop()
		if without {
			if err := os.RemoveAll(filepath.Join(dir, "ingest")); err != nil {
				t.Fatal(err)
			}
		}
		n = testkit.Start(t, testkit.Options{Dir: dir, Unregistered: true})
		a := record1(t, n.Intake, insertion(t, "m", 15))
		if !a.Duplicate || a.Token != first.Token || a.EventID != first.EventID {
			t.Errorf("index deleted %v: %+v, first %+v", without, a, first)
		}
		if got := n.LastSeq(t); got != end {
			t.Errorf("index deleted %v: the log grew from %d to %d", without, end, got)
		}
	}
}

// TestAnIndexOfAnotherLogIsNotBelieved gives a node the index of another log, whose
// entries have the same sequences.
func TestAnIndexOfAnotherLogIsNotBelieved(t *testing.T) {
	a := testkit.Start(t, testkit.Options{})
	record1(t, a.Intake, insertion(t, "m", 15))
	if err := a.Intake.Ready(testkit.Context(t)); err != nil {
		t.Fatal(err)
	}
	b := testkit.Start(t, testkit.Options{})
	record1(t, b.Intake, insertion(t, "other", 15))
	a.Stop()
	in := b.OpenIntake(t, filepath.Join(a.Dir, "ingest"))
	defer func() { _ = in.Close() }()
	if err := in.Ready(testkit.Context(t)); err != nil {
		t.Fatal(err)
	}
	if got := record1(t, in, insertion(t, "m", 15)); got.Duplicate {
		t.Error("a message that only the other log has is called a duplicate: it would be lost")
	}
	if got := record1(t, in, insertion(t, "other", 15)); !got.Duplicate {
		t.Error("a message of this log is not known")
	}
}

// TestTwoIntakesMakeOneEvent races two processes on one log with the same ids.
func TestTwoIntakesMakeOneEvent(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	other := n.OpenIntake(t, t.TempDir())
	defer func() { _ = other.Close() }()
	if err := other.Ready(testkit.Context(t)); err != nil {
		t.Fatal(err)
	}
	before := n.LastSeq(t)
	const messages = 40
	answers := make([][2]intake.Answer, messages)
	var wg sync.WaitGroup
	for i := range messages {
		for j, in := range []*intake.Intake{n.Intake, other} {
			m := insertion(t, fmt.Sprint("m", i), 15)
			wg.Add(1)
			go func() {
				defer wg.Done()
				a, err := in.Record(testkit.ByEverybody(), m)
				if err != nil {
					t.Error(err)
				}
				answers[i][j] = a
			}()
		}
	}
	wg.Wait()
	for i, a := range answers {
		if a[0].Duplicate == a[1].Duplicate || a[0].EventID != a[1].EventID || a[0].Token != a[1].Token {
			t.Errorf("message %d: %+v and %+v", i, a[0], a[1])
		}
	}
	if got := n.LastSeq(t) - before; got != messages {
		t.Errorf("%d events of %d messages", got, messages)
	}
}

// TestTwoIntakesTellAClash races two processes with different content under one id: one
// is taken, the other learns of it.
func TestTwoIntakesTellAClash(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	other := n.OpenIntake(t, t.TempDir())
	defer func() { _ = other.Close() }()
	if err := other.Ready(testkit.Context(t)); err != nil {
		t.Fatal(err)
	}
	for i := range 20 {
		errs := make([]error, 2)
		var wg sync.WaitGroup
		for j, in := range []*intake.Intake{n.Intake, other} {
			m := insertion(t, fmt.Sprint("m", i), uint32(15+j))
			wg.Add(1)
			go func() {
				defer wg.Done()
				_, errs[j] = in.Record(testkit.ByEverybody(), m)
			}()
		}
		wg.Wait()
		if (errs[0] == nil) == (errs[1] == nil) || kindOf(errors.Join(errs...)) != fault.Conflict {
			t.Errorf("message %d: %v and %v", i, errs[0], errs[1])
		}
	}
}

// TestAFacilityRegisteredElsewhereIsKnown registers at one process and posts at another.
func TestAFacilityRegisteredElsewhereIsKnown(t *testing.T) {
	n := testkit.Start(t, testkit.Options{Unregistered: true})
	other := n.OpenIntake(t, t.TempDir())
	defer func() { _ = other.Close() }()
	if err := other.Ready(testkit.Context(t)); err != nil {
		t.Fatal(err)
	}
	record1(t, n.Intake, of(t, testkit.Registration()))
	record1(t, other, insertion(t, "m", 15))
}

// TestValidateOnly asks before and after sending: nothing is ever appended or counted.
func TestValidateOnly(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	before := n.LastSeq(t)
	for _, s := range testkit.Samples() {
		a, err := n.Intake.Record(testkit.Context(t), of(t, testkit.ValidateOnly(s.Request)))
		if err != nil || a.Duplicate || a.Token != "" || a.EventID == "" {
			t.Errorf("%s: %+v, %v", s.Name, a, err)
		}
	}
	if got := n.LastSeq(t); got != before {
		t.Errorf("the log grew from %d to %d", before, got)
	}
	m := testkit.SampleOf("cannulation peg_placed")
	record1(t, n.Intake, of(t, m))
	a := record1(t, n.Intake, of(t, testkit.ValidateOnly(m)))
	if !a.Duplicate || a.Token != "" || a.EventID != record.EventID(testkit.Source, "sample cannulation peg_placed") {
		t.Errorf("asked about what was sent: %+v", a)
	}
	if got := n.Outcomes.Of("cannulation", "accepted"); got != 1 {
		t.Errorf("%d accepted, want 1", got)
	}
	if got := n.Outcomes.Of("cannulation", "duplicate"); got != 0 {
		t.Errorf("%d duplicates counted of a question", got)
	}
}

// TestTestMessagesAreKeptApart rehearses with the ids of production.
func TestTestMessagesAreKeptApart(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	rehearsal := testkit.SampleOf("cannulation needle_inserted")
	testkit.Envelope(rehearsal).Processing = v1.Processing_PROCESSING_TEST
	testkit.Envelope(rehearsal).SourceMessageId = "m"
	ta := record1(t, n.Intake, of(t, rehearsal))
	ev := testkit.Event(t, n.Log, n.LastSeq(t))
	if !ev.GetTest() || ev.GetId() != ta.EventID || ta.EventID != record.TestEventID(testkit.Source, "m") {
		t.Errorf("the test's event: %v", ev)
	}
	real1 := record1(t, n.Intake, insertion(t, "m", 16))
	if real1.Duplicate || real1.EventID == ta.EventID || testkit.Event(t, n.Log, n.LastSeq(t)).GetTest() {
		t.Errorf("the real message after its rehearsal: %+v", real1)
	}
	if a := record1(t, n.Intake, of(t, rehearsal)); !a.Duplicate || a.Token != ta.Token {
		t.Errorf("the rehearsal again: %+v", a)
	}
	// A rehearsed registration registers nothing.
	f := testkit.Registration()
	testkit.Envelope(f).Processing, testkit.Envelope(f).Facility = v1.Processing_PROCESSING_TEST, "invented-test"
	testkit.Envelope(f).SourceMessageId = "rehearsed registration"
	record1(t, n.Intake, of(t, f))
	m := testkit.SampleOf("cannulation needle_inserted")
	testkit.Envelope(m).Facility = "invented-test"
	if _, err := n.Intake.Record(testkit.Context(t), of(t, m)); kindOf(err) != fault.Precondition {
		t.Errorf("a real message of a facility that was only rehearsed: %v", err)
	}
}

// TestNothingIdentifiesAPatientInTheLog sends an identity and reads the raw log.
func TestNothingIdentifiesAPatientInTheLog(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	for _, s := range []string{"roster identity_stated", "roster patients_merged", "roster merge_reversed",
		"roster fact_corrected identity_stated", "cannulation needle_inserted"} {
		record1(t, n.Intake, message(t, s, s))
	}
	key := n.Ring.PatientKey("https://hospital.example/patient-number", "INV-0001")
	var opened v1.IdentityStated
	for seq, ev := range testkit.Events(t, n.Log) {
		e, err := n.Log.Get(testkit.Context(t), uint64(seq+1))
		if err != nil {
			t.Fatal(err)
		}
		for _, secret := range []string{"INV-0001", "INV-0002", "INV-N-77", "Invented\x1a", "1961-05-17", "patient-number"} {
			if containsBytes(e.Data, secret) {
				t.Errorf("entry %d holds %q", seq+1, secret)
			}
		}
		if s := ev.GetFacts()[0].GetIdentitySealed(); s != nil {
			plain, err := n.Ring.Unseal(testkit.Context(t), key, s.GetSealed())
			if err != nil {
				t.Fatal(err)
			}
			if err := proto.Unmarshal(plain, &opened); err != nil {
				t.Fatal(err)
			}
		}
		if m := ev.GetFacts()[0].GetIdentitiesMerged(); m != nil &&
			m.GetRetiredPatientKey() != n.Ring.PatientKey("https://hospital.example/patient-number", "INV-0002") {
			t.Errorf("the merge names %s", m.GetRetiredPatientKey())
		}
	}
	want := testkit.SampleOf("roster identity_stated").GetRoster().GetFacts()[0].GetIdentityStated()
	if !proto.Equal(&opened, want) {
		t.Errorf("unsealed %v, want %v", &opened, want)
	}
}

// TestADayStartsOncePerFacility moves the clock over midnight with two processes at work.
func TestADayStartsOncePerFacility(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	other := n.OpenIntake(t, t.TempDir())
	defer func() { _ = other.Close() }()
	if err := other.Ready(testkit.Context(t)); err != nil {
		t.Fatal(err)
	}
	days := func() map[string]int {
		out := map[string]int{}
		for _, ev := range testkit.Events(t, n.Log) {
			if d := ev.GetFacts()[0].GetDayStarted(); d != nil {
				out[d.GetDate()+" "+ev.GetOccurredAt().AsTime().Format(time.RFC3339)]++
			}
		}
		return out
	}
	check := func(want ...string) {
		t.Helper()
		got := days()
		if len(got) != len(want) {
			t.Errorf("days %v, want %v", got, want)
		}
		for _, d := range want {
			if got[d] != 1 {
				t.Errorf("%s started %d times", d, got[d])
			}
		}
	}
	// Lisbon is on UTC in winter and an hour ahead from 30 March 2025 (EU directive 2000/84/EC).
	check("2025-03-03 2025-03-03T00:00:00Z")
	for _, step := range []struct {
		by   time.Duration
		want []string
	}{
		{12*time.Hour - time.Second, []string{"2025-03-03 2025-03-03T00:00:00Z"}},
		{time.Second, []string{"2025-03-03 2025-03-03T00:00:00Z", "2025-03-04 2025-03-04T00:00:00Z"}},
		{27*24*time.Hour + 23*time.Hour, []string{"2025-03-03 2025-03-03T00:00:00Z", "2025-03-04 2025-03-04T00:00:00Z",
			"2025-04-01 2025-03-31T23:00:00Z"}},
	} {
		n.Clock.Advance(step.by)
		for _, in := range []*intake.Intake{n.Intake, other} {
			for range 2 {
				if err := in.Ready(testkit.Context(t)); err != nil {
					t.Fatal(err)
				}
				if err := in.StartDays(testkit.Context(t)); err != nil {
					t.Fatal(err)
				}
			}
		}
		check(step.want...)
	}
}

// TestNoDayStartsWhileBehind keeps a process that has not read the log from appending a
// day that the log may hold.
func TestNoDayStartsWhileBehind(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	testkit.Eventually(t, "a refusal for lag", func() bool {
		n.Clock.Advance(eventlog.DuplicateWindow/2 + time.Second)
		err := n.Intake.StartDays(testkit.Context(t))
		return kindOf(err) == fault.Unavailable
	})
}

// TestCloseUnderLoad closes an intake with messages under way: each is answered, and
// whatever was acknowledged is in the log.
func TestCloseUnderLoad(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	in := n.OpenIntake(t, t.TempDir())
	if err := in.Ready(testkit.Context(t)); err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	taken := map[string]bool{}
	var wg sync.WaitGroup
	for i := range 100 {
		m := insertion(t, fmt.Sprint("m", i), 15)
		wg.Add(1)
		go func() {
			defer wg.Done()
			if a, err := in.Record(testkit.ByEverybody(), m); err == nil {
				mu.Lock()
				defer mu.Unlock()
				taken[a.EventID] = true
			}
		}()
	}
	if err := in.Close(); err != nil {
		t.Error(err)
	}
	wg.Wait()
	have := map[string]*logv1.Event{}
	for _, ev := range testkit.Events(t, n.Log) {
		have[ev.GetId()] = ev
	}
	for id := range taken {
		if have[id] == nil {
			t.Errorf("event %s was acknowledged and is not in the log", id)
		}
	}
}

// An index that cannot be read stores nothing, and the operator is told what to do.
func TestAnIndexThatCannotBeReadSaysWhatToDo(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	db, err := sql.Open("sqlite", sqlitefile.Name(filepath.Join(n.Dir, "ingest", "index.db"), "_pragma=busy_timeout(60000)"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(`DROP TABLE event`); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = n.Intake.Record(testkit.Context(t), insertion(t, "no-index", 15))
	if err == nil || !strings.Contains(err.Error(), "the ingest index cannot be read") ||
		!strings.Contains(err.Error(), "start the service again: it builds the index from the log") {
		t.Errorf("it says %v", err)
	}
}
