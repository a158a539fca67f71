package grpcapi_test

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// about is an envelope of a message of its own.
func about(id, patient string) *v1.Envelope {
	e := proto.CloneOf(testkit.Envelope(testkit.SampleOf("cannulation needle_inserted")))
	e.SourceMessageId, e.Session, e.Patient = id, nil, nil
	if patient != "" {
		e.Patient = testkit.Patient(patient)
	}
	return e
}

func fact(id string, ordinal uint32) *v1.FactReference {
	return &v1.FactReference{SourceMessageId: id, Ordinal: ordinal}
}

func voids(ref *v1.FactReference) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{Fact: ref, Reason: "Another patient's."}}}
}

func corrects(ref *v1.FactReference, by *v1.CannulationFact) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_FactCorrected{FactCorrected: &v1.CannulationFactCorrected{
		Correction: &v1.Correction{Fact: ref, Revision: 1, AssertedAt: testkit.At("2025-02-03T09:00:00Z"), Reason: "Mistyped."}, Replacement: by}}}
}

// A correction or void that can never have an effect is refused; one that has none as the
// record stands is taken, and the sender is told.
func TestWhatACorrectionOrVoidCannotReach(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	needle := testkit.SampleOf("cannulation needle_inserted").GetCannulation().GetFacts()[0]
	started := testkit.SampleOf("cannulation session_started").GetCannulation().GetFacts()[0]
	rest := func(reason string) *v1.CannulationFact {
		return &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{Fact: fact("needling", 0), Reason: reason}}}
	}
	census := testkit.SampleOf("roster census_counted").GetRoster().GetFacts()[0]
	rosterVoid := func(id string) *v1.RosterFact {
		return &v1.RosterFact{Fact: &v1.RosterFact_FactVoided{FactVoided: &v1.FactVoided{Fact: fact(id, 0), Reason: "Wrong."}}}
	}
	for _, m := range []*v1.FeedRequest{
		testkit.Request(about("needling", "INV-0001"), needle),
		testkit.Request(about("census", ""), census),
		testkit.Request(about("correction", "INV-0001"), corrects(fact("needling", 0), needle)),
		testkit.Request(about("merged", "INV-0003"), &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: testkit.Patient("INV-0004")}}}),
	} {
		if r, err := n.Client.Send(testkit.Context(t), m); err != nil || len(r.Notices) > 0 {
			t.Fatalf("%v %v", r, err)
		}
	}
	const named = `message "needling" of source "engine-a"`
	for _, c := range []struct {
		says          string
		m             *v1.FeedRequest
		field, notice string
	}{
		{"a void of what is there", testkit.Request(about("v1", "INV-0001"), rest("Twice.")), "", ""},
		{"a void of a void", testkit.Request(about("v2", "INV-0001"), voids(fact("v1", 0))), "", ""},
		{"a void of a correction", testkit.Request(about("v3", "INV-0001"), voids(fact("correction", 0))), "", ""},
		{"a void of a merge, by whichever patient", testkit.Request(about("v4", "INV-0004"), rosterVoid("merged")), "", ""},
		{"a void of the census, for the facility", testkit.Request(about("v5", ""), rosterVoid("census")), "", ""},
		{"a void of an eighth fact, where there is one", testkit.Request(about("o1", "INV-0001"), voids(fact("needling", 7))),
			"facts[0].fact_voided.fact.ordinal: is 7, and MESSAGE has 1 fact; facts are counted from 0", ""},
		{"a needle corrected to a session's start", testkit.Request(about("k1", "INV-0001"), corrects(fact("needling", 0), started)),
			"facts[0].fact_corrected.correction.fact: names fact 0 of MESSAGE, a needle_inserted, which a session_started cannot replace; void it and send the right one under a new id", ""},
		{"a correction of a correction", testkit.Request(about("c1", "INV-0001"), corrects(fact("correction", 0), needle)),
			`facts[0].fact_corrected.correction.fact: names fact 0 of message "correction" of source "engine-a", which is itself a fact_corrected; name the original fact, with a higher revision`, ""},
		{"a void of a patient's fact, for the facility", testkit.Request(about("s1", ""), rosterVoid("needling")),
			"facts[0].fact_voided.fact: names fact 0 of MESSAGE, which is about a patient; the envelope must be about the same", ""},
		{"a void of the census, for a patient", testkit.Request(about("s2", "INV-0001"), rosterVoid("census")),
			`facts[0].fact_voided.fact: names fact 0 of message "census" of source "engine-a", which is about facility "` + testkit.Facility + `"; the envelope must be about the same`, ""},
		{"a void under the wrong patient", testkit.Request(about("p1", "INV-0002"), voids(fact("needling", 0))), "",
			"facts[0].fact_voided.fact names fact 0 of MESSAGE, which was posted for another patient identifier: it changes nothing unless the two identities are merged"},
		{"a void before its fact", testkit.Request(about("e1", "INV-0001"), voids(fact("later", 0))), "",
			`facts[0].fact_voided.fact names message "later" of source "engine-a", which has not arrived: it changes nothing until that message arrives`},
		{"a void of another source's message", testkit.Request(about("e2", "INV-0001"), voids(&v1.FactReference{Source: "engine-b", SourceMessageId: "needling"})), "",
			`facts[0].fact_voided.fact names message "needling" of source "engine-b", which has not arrived: it changes nothing until that message arrives`},
		{"a correction before its fact", testkit.Request(about("e3", "INV-0001"), corrects(fact("later", 2), started)), "",
			`facts[0].fact_corrected.correction.fact names message "later" of source "engine-a", which has not arrived: it changes nothing until that message arrives, with a session_started as fact 2`},
		{"a needle corrected in its own message", testkit.Request(about("i2", "INV-0001"), needle, corrects(fact("i2", 0), needle)), "", ""},
		{"a needle corrected to a session's start in its own message", testkit.Request(about("i3", "INV-0001"), needle, corrects(fact("i3", 0), started)),
			`facts[1].fact_corrected.correction.fact: names fact 0 of message "i3" of source "engine-a", a needle_inserted, which a session_started cannot replace; void it and send the right one under a new id`, ""},
		{"a void of a third fact of the message itself, which has two", testkit.Request(about("i4", "INV-0001"), needle, voids(fact("i4", 2))),
			`facts[1].fact_voided.fact.ordinal: is 2, and message "i4" of source "engine-a" has 2 facts; facts are counted from 0`, ""},
		{"a void of itself", testkit.Request(about("i5", "INV-0001"), voids(fact("i5", 0))),
			"facts[0].fact_voided.fact: names the very fact that it stands in; name the fact that is wrong, by the id of the message that brought it", ""},
		{"a correction of itself", testkit.Request(about("i6", "INV-0001"), needle, corrects(fact("i6", 1), needle)),
			"facts[1].fact_corrected.correction.fact: names the very fact that it stands in; name the fact that is wrong, by the id of the message that brought it", ""},
		{"a void of the message itself", testkit.Request(about("i1", "INV-0001"), needle, voids(fact("i1", 0))), "", ""},
	} {
		for _, asked := range []*v1.FeedRequest{testkit.ValidateOnly(c.m), c.m} {
			r, err := n.Client.Send(testkit.Context(t), asked)
			if got := strings.ReplaceAll(strings.Join(r.Notices, " | "), named, "MESSAGE"); got != c.notice {
				t.Errorf("%s: notice %q, want %q", c.says, got, c.notice)
			}
			if c.field == "" {
				if err != nil {
					t.Errorf("%s: %v", c.says, err)
				}
				continue
			}
			if got := strings.ReplaceAll(status.Convert(err).Message(), named, "MESSAGE"); status.Code(err) != codes.InvalidArgument || got != refused+c.field+correct {
				t.Errorf("%s: %v %q", c.says, status.Code(err), got)
			}
		}
	}
	// A resend is answered as a duplicate, without the notice; the feed gives it as well.
	if r, err := n.Client.Send(testkit.Context(t), testkit.Request(about("p1", "INV-0002"), voids(fact("needling", 0)))); err != nil || !r.Duplicate || len(r.Notices) > 0 {
		t.Errorf("again: %+v %v", r, err)
	}
	if r := feed(t, n.Client, testkit.Request(about("p2", "INV-0002"), voids(fact("needling", 0))))[0]; r.GetOutcome() != accepted || len(r.GetNotices()) != 1 {
		t.Errorf("by the feed: %v", r)
	}
}

func TestNobodyIsMergedIntoHimself(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	for name, f := range map[string]*v1.RosterFact{
		"patients_merged": {Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: testkit.Patient("INV-0001")}}},
		"merge_reversed":  {Fact: &v1.RosterFact_MergeReversed{MergeReversed: &v1.MergeReversed{Retired: testkit.Patient("INV-0001")}}},
	} {
		_, err := n.Client.Send(testkit.Context(t), testkit.Request(about(name, "INV-0001"), f))
		want := refused + "facts[0]." + name + ".retired: is the envelope's patient; the envelope names the identity that goes on, retired the other one, which ends in it" + correct
		if status.Code(err) != codes.InvalidArgument || status.Convert(err).Message() != want {
			t.Errorf("%v", err)
		}
		if _, err := n.Client.Send(testkit.Context(t), testkit.Request(about(name, "INV-0002"), f)); err != nil {
			t.Errorf("another: %v", err)
		}
	}
}

// The first message of a stream that uses an id has it, also if the next with that id comes
// at its heels.
func TestTheFirstInAStreamHasTheID(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	var messages []*v1.FeedRequest
	gauge := func(id string, g uint32) *v1.FeedRequest {
		m := numbered("cannulation needle_inserted", id)
		m.GetCannulation().GetFacts()[0].GetNeedleInserted().Gauge = proto.Uint32(g)
		return m
	}
	const ids = 100
	for i := range ids {
		id := "twice-" + string(rune('a'+i%26)) + string(rune('a'+i/26))
		messages = append(messages, gauge(id, 15), gauge(id, 16), gauge(id, 15))
	}
	for i, r := range feed(t, n.Client, messages...) {
		want := []v1.FeedOutcome{accepted, refusedIs, duplicate}[i%3]
		if r.GetOutcome() != want {
			t.Fatalf("message %d, of gauge %d: %v", i, messages[i].GetCannulation().GetFacts()[0].GetNeedleInserted().GetGauge(), r)
		}
	}
}

// A correction or void of what has arrived that changes nothing as the record stands is reported.
func TestACorrectionOrVoidThatChangesNothingIsTold(t *testing.T) {
	s := telling{t: t, n: testkit.Start(t, testkit.Options{})}
	revised := func(id string, revision uint32, asserted string) *v1.CannulationFact {
		f := corrects(fact(id, 0), needle())
		f.GetFactCorrected().Correction.Revision, f.GetFactCorrected().Correction.AssertedAt = revision, testkit.At(asserted)
		return f
	}
	const nine, ten = "2025-02-10T09:00:00Z", "2025-02-10T10:00:00Z"
	named := func(field, id string) string {
		return fmt.Sprintf(`facts[0].%s names fact 0 of message %q of source "engine-a", `, field, id)
	}
	correction := func(id, what string) string { return named("fact_corrected.correction.fact", id) + what }
	taken := func(id, what string) string { return named("fact_voided.fact", id) + what }
	const (
		stands   = "of which revision 2 stands, asserted at 2025-02-10T10:00:00Z: as the record stands, this one does not; what is to replace that one needs a higher revision"
		again    = "which is void already: as the record stands, it changes nothing"
		notBack  = "which is void: as the record stands, this does not bring it back"
		nothing  = ": as the record stands, taking it back changes nothing"
		itself   = "and is void itself by what came before it: as the record stands, it changes nothing"
		session  = `facts[0].session_voided names session "T-9" of https://unit-north.example/treatment, `
		notThere = session + "of which nothing has arrived: it changes nothing until something does"
		allVoid  = session + "whose facts are void already: as the record stands, it changes nothing"
	)

	// Of two corrections of one fact the higher revision stands, then the later one.
	first := s.says("P-1", february, "", needle())
	second := s.says("P-1", february, "", revised(first, 2, ten))
	lower := s.says("P-1", february, correction(first, stands), revised(first, 1, ten))
	s.says("P-1", february, correction(first, stands), revised(first, 2, nine))
	s.says("P-1", february, taken(lower, "a fact_corrected"+nothing), voids(fact(lower, 0)))
	s.says("P-1", february, "", revised(first, 2, "2025-02-10T11:00:00Z"))
	s.says("P-1", february, "", revised(first, 3, nine), revised(first, 4, nine))
	s.says("P-1", february, taken(second, "a fact_corrected"+nothing), voids(fact(second, 0)))

	// What is void is void, until its void is.
	once := s.says("P-1", february, "", voids(fact(first, 0)))
	twice := s.says("P-1", february, taken(first, again), voids(fact(first, 0)))
	s.says("P-1", february, correction(first, notBack), revised(first, 9, ten))
	back := s.says("P-1", february, taken(once, "a fact_voided"+nothing), voids(fact(once, 0)))
	s.says("P-1", february, "", voids(fact(twice, 0))) // now the needle stands again
	s.says("P-1", february, taken(twice, again), voids(fact(twice, 0)))
	s.says("P-1", february, "", revised(first, 10, ten))
	s.says("P-1", february, "", voids(fact(back, 0)))
	s.says("P-1", february, taken(first, again), voids(fact(first, 0)))

	// Of another patient's fact that alone is told. Two identities of one patient are one.
	s.says("P-2", february, taken(first, "which was posted for another patient identifier: it changes nothing unless the two identities are merged"), voids(fact(first, 0)))
	s.says("P-1", february, "", merged("P-2"))
	s.says("P-2", february, taken(first, "which was posted for another patient identifier: it changes nothing unless the two identities are merged")+" | "+
		taken(first, again), voids(fact(first, 0)))

	// A whole session.
	sessionVoid := &v1.CannulationFact{Fact: &v1.CannulationFact_SessionVoided{SessionVoided: &v1.SessionVoided{Session: testkit.Session("T-9"), Reason: "Wrong."}}}
	early := s.says("P-3", february, notThere, sessionVoid)
	s.says("P-3", february, notThere, sessionVoid)
	e := about("in-session", "P-3")
	e.OccurredAt, e.Session = testkit.At(february), testkit.Session("T-9")
	if _, err := s.n.Client.Send(testkit.Context(t), testkit.Request(e, needle())); err != nil {
		t.Fatal(err)
	}
	s.says("P-3", february, allVoid, sessionVoid)
	s.says("P-3", february, taken("in-session", again), voids(fact("in-session", 0)))
	s.says("P-3", february, correction("in-session", notBack), revised("in-session", 1, ten))
	s.says("P-3", february, taken(early, "a session_voided"+nothing), voids(fact(early, 0)))
	s.says("P-4", february, notThere, sessionVoid) // numbers are told apart per patient

	// In one message, and before the fact.
	s.says("P-4", february, "", needle(), voids(fact(fmt.Sprintf("m-%d", s.i+1), 0)))
	own := fmt.Sprintf("m-%d", s.i+1)
	s.says("P-4", february, strings.Replace(taken(own, again), "facts[0]", "facts[2]", 1), needle(), voids(fact(own, 0)), voids(fact(own, 0)))
	waiting := fmt.Sprintf("m-%d", s.i+3)
	s.says("P-4", february, `facts[0].fact_voided.fact names message "`+waiting+`" of source "engine-a", which has not arrived: it changes nothing until that message arrives`,
		voids(fact(waiting, 0)))
	s.says("P-4", february, "", needle())
	s.says("P-4", february, taken(fmt.Sprintf("m-%d", s.i), itself), voids(fact(fmt.Sprintf("m-%d", s.i), 0)))

	// About the unit.
	census := testkit.SampleOf("roster census_counted").GetRoster().GetFacts()[0]
	count := s.says("", february, "", census)
	s.says("", february, "", rosterVoid(count))
	s.says("", february, taken(count, again), rosterVoid(count))
}
