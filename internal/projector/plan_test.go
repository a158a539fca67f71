package projector

import (
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/eventlog"
	"cannulary/internal/intake"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// bench is a log, a view and a projector that is led through its stages by hand.
type bench struct {
	t    *testing.T
	node *testkit.Node
	p    *Projector
	sent int
}

func newBench(t *testing.T) *bench {
	node := testkit.Start(t, testkit.Options{})
	store, err := view.Open(context.Background(), filepath.Join(node.Dir, "view"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	p, err := New(context.Background(), Config{Log: node.Log, Store: store, Opener: node.Ring, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	return &bench{t: t, node: node, p: p}
}

// message is one of the unit, about a patient where that is not empty, in a session likewise.
type message struct {
	patient, session string
	day              int
	fact             proto.Message
}

// send appends a message to the log.
func (b *bench) send(m message) {
	b.t.Helper()
	b.sent++
	env := testkit.Envelope(testkit.SampleOf("cannulation needle_inserted"))
	env.SourceMessageId, env.Patient, env.Session = fmt.Sprintf("b-%d", b.sent), nil, nil
	if m.patient != "" {
		env.Patient = testkit.Patient(m.patient)
	}
	if m.session != "" {
		env.Session = testkit.Session(m.session)
	}
	env.OccurredAt = timestamppb.New(testkit.Noon().AddDate(0, 0, m.day-60))
	in, ok := intake.FromFeed(testkit.Request(env, m.fact))
	if !ok {
		b.t.Fatal("a message of no service")
	}
	if _, err := b.node.Intake.Record(testkit.Context(b.t), in); err != nil {
		b.t.Fatal(err)
	}
}

// project projects the whole log, projectTo up to an entry, one entry a batch.
func (b *bench) project() { b.t.Helper(); b.projectTo(b.node.LastSeq(b.t)) }

func (b *bench) projectTo(last uint64) {
	b.t.Helper()
	ctx := testkit.Context(b.t)
	for seq := b.p.Sequence() + 1; seq <= last; seq++ {
		e, err := b.node.Log.Get(ctx, seq)
		if err != nil {
			b.t.Fatal(err)
		}
		if err := b.p.apply(ctx, []eventlog.Entry{e}); err != nil {
			b.t.Fatal(err)
		}
	}
}

// planLast projects the log but for its last entry, and plans that one.
func (b *bench) planLast() *plan {
	b.t.Helper()
	ctx := testkit.Context(b.t)
	last := b.node.LastSeq(b.t)
	b.projectTo(last - 1)
	e, err := b.node.Log.Get(ctx, last)
	if err != nil {
		b.t.Fatal(err)
	}
	ev := &logv1.Event{}
	if err := proto.Unmarshal(e.Data, ev); err != nil {
		b.t.Fatal(err)
	}
	own, err := record.Facts(ev, e.Seq, e.Time)
	if err != nil {
		b.t.Fatal(err)
	}
	tx, err := b.p.cfg.Store.Begin(ctx)
	if err != nil {
		b.t.Fatal(err)
	}
	defer tx.Rollback()
	s, entry := b.p.state, view.StoredEvent{Seq: e.Seq, Logged: e.Time, Event: ev}
	if err := tx.InsertEvent(entry, own[0].Session, e.Data); err != nil {
		b.t.Fatal(err)
	}
	fresh, err := index(tx, entry, own)
	if err != nil {
		b.t.Fatal(err)
	}
	all, err := view.Closure(tx.Load(), []view.StoredEvent{entry}, s.related)
	if err != nil {
		b.t.Fatal(err)
	}
	pl, err := s.plan(tx, effectsOf(ev.GetId(), own, all, s.group), entry, own, all, fresh)
	if err != nil {
		b.t.Fatal(err)
	}
	return pl
}

func (b *bench) key(patient string) string {
	id := testkit.Patient(patient)
	return b.node.Ring.PatientKey(id.GetSystem(), id.GetValue())
}

func (b *bench) session(patient, session string) string {
	s := testkit.Session(session)
	return record.SessionID(b.key(patient), s.GetSystem(), s.GetValue())
}

func needle(track string) proto.Message {
	n := &cannularyv1.NeedleInserted{}
	proto.Merge(n, testkit.SampleOf("cannulation needle_inserted").GetCannulation().GetFacts()[0].GetNeedleInserted())
	n.Track = track
	return &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_NeedleInserted{NeedleInserted: n}}
}

func void(message string) proto.Message {
	return &cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_FactVoided{
		FactVoided: &cannularyv1.FactVoided{Fact: testkit.Fact(message, 0), Reason: "Charted twice"}}}
}

func roster(name string, change func(*cannularyv1.RosterFact)) proto.Message {
	f := testkit.SampleOf("roster " + name).GetRoster().GetFacts()[0]
	if change != nil {
		change(f)
	}
	return f
}

// What an event has rendered and judged again, in the words of the unit. The rules are this
// project's own; no source.
func TestThePlanOfAnEvent(t *testing.T) {
	monday := message{patient: "P-1", session: "mon", day: 1, fact: needle("A1")}
	tuesday := message{patient: "P-2", session: "tue", day: 2, fact: needle("A1")}
	for _, c := range []struct {
		sentence string
		before   []message
		last     message
		sessions []message // rendered again
		judged   []string
		plain    bool // a follower takes the facts in as they are
	}{
		{"a needle concerns its session and its patient", []message{monday, tuesday},
			message{patient: "P-1", session: "mon", day: 1, fact: needle("V1")},
			[]message{monday}, []string{"P-1"}, true},
		{"a void of a needle concerns the needle's session, and the patient is folded anew", []message{monday, tuesday},
			message{patient: "P-1", day: 3, fact: void("b-1")},
			[]message{monday}, []string{"P-1"}, false},
		// Taking the needle in for whoever sent the void would put it on the wrong patient's card.
		{"a void of another patient's needle has that session looked at, and only the sender folded anew", []message{monday, tuesday},
			message{patient: "P-2", day: 3, fact: void("b-1")},
			[]message{monday}, []string{"P-2"}, false},
		{"a merge has everything of both patients rendered again", []message{monday, tuesday},
			message{patient: "P-1", day: 3, fact: roster("patients_merged", func(f *cannularyv1.RosterFact) {
				f.GetPatientsMerged().Retired = testkit.Patient("P-2")
			})},
			[]message{monday, tuesday}, []string{"P-1", "P-2"}, false},
		{"a rating concerns whoever has a track that the nurse began", []message{monday,
			{patient: "P-2", day: 2, fact: roster("patient_admitted", nil)}},
			message{day: 3, fact: roster("cannulator_rated", func(f *cannularyv1.RosterFact) { f.GetCannulatorRated().Cannulator = testkit.Staff("S-101") })},
			nil, []string{"P-1"}, false},
		{"a protocol concerns every patient of the facility and no session", []message{monday, tuesday},
			message{day: 3, fact: roster("protocol_adopted", nil)}, nil, []string{"P-1", "P-2"}, false},
		{"another time zone has every session of the facility rendered again", []message{monday, tuesday},
			message{day: 59, fact: roster("facility_registered", func(f *cannularyv1.RosterFact) { f.GetFacilityRegistered().TimeZone = "Pacific/Auckland" })},
			[]message{monday, tuesday}, []string{"P-1", "P-2"}, false},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			b := newBench(t)
			for _, m := range append(c.before, c.last) {
				b.send(m)
			}
			pl := b.planLast()
			judged := set{}
			for _, p := range c.judged {
				judged.add(b.key(p))
			}
			if !maps.Equal(pl.judge, judged) {
				t.Errorf("judged again are %d patients, want %d", len(pl.judge), len(judged))
			}
			for _, m := range []message{monday, tuesday} {
				want := slices.ContainsFunc(c.sessions, func(w message) bool { return w.session == m.session })
				if got := pl.sessions[b.session(m.patient, m.session)]; got != want {
					t.Errorf("session %s is rendered again: %v, want %v", m.session, got, want)
				}
			}
			if got := pl.plain != nil; got != c.plain {
				t.Errorf("taken in as it is: %v, want %v", got, c.plain)
			}
			if c.plain && pl.since.IsZero() {
				t.Error("nobody knows since when a follower has to look again")
			}
		})
	}
}

// A void that names another patient's needle has no effect. The needle must not come onto the
// tracks of whoever sent the void.
func TestAnotherPatientsNeedleStaysWithThatPatient(t *testing.T) {
	b := newBench(t)
	b.send(message{patient: "P-1", session: "wed", day: 3, fact: needle("A1")})
	b.send(message{patient: "P-2", session: "tue", day: 2, fact: needle("A1")})
	b.send(message{patient: "P-2", day: 4, fact: void("b-1")})
	b.project()
	tracks, err := b.p.cfg.Store.Tracks(testkit.Context(t))
	if err != nil {
		t.Fatal(err)
	}
	counted := map[string]int{}
	for _, r := range tracks {
		counted[r.Patient] += r.Counted
	}
	if want := map[string]int{b.key("P-1"): 1, b.key("P-2"): 1}; !maps.Equal(counted, want) {
		t.Errorf("sessions counted by patient %v, want %v", counted, want)
	}
}
