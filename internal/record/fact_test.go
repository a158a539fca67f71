package record_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/intake"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// TestIDsStayForEver compares with values computed outside this program (SHA-256 over the
// parts, each after its length as eight bytes, first 32 hexadecimal digits): another value
// would make a second fact of every resend.
func TestIDsStayForEver(t *testing.T) {
	for want, got := range map[string]string{
		"d51a61f68615d5de2be8b6d9cf33e54f": record.EventID("engine-a", "0001"),
		"c045d52d2244a9efd1cebed273b695b8": record.TestEventID("engine-a", "0001"),
		"ce75da2374e91e2f56f25a6904a6ee80": record.SessionID("k", "urn:x", "1"),
		"0b6494dc25b11a68ce76dbaf6bd5e487": record.SessionKey("urn:x", "1"),
		"ff97ce9de6e0e4fc50e718f3a8ea0612": record.HoldID("person", "f.0"),
		"d51a61f68615d5de2be8b6d9cf33e54f.7": record.ReferencedFactID("engine-b",
			&v1.FactReference{Source: "engine-a", SourceMessageId: "0001", Ordinal: 7}),
		"d51a61f68615d5de2be8b6d9cf33e54f.0": record.ReferencedFactID("engine-a", &v1.FactReference{SourceMessageId: "0001"}),
	} {
		if got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
	if record.EventID("ab", "c") == record.EventID("a", "bc") {
		t.Error("ids run together")
	}
}

// TestFactsOfEverySample sends a message of every kind and takes the log apart again.
func TestFactsOfEverySample(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	for _, s := range testkit.Samples() {
		m, _ := intake.FromFeed(s.Request)
		a, err := n.Intake.Record(testkit.Context(t), m)
		if err != nil {
			t.Fatalf("%s: %v", s.Name, err)
		}
		seq := n.LastSeq(t)
		facts, err := record.Facts(testkit.Event(t, n.Log, seq), seq, testkit.Noon())
		if err != nil || len(facts) != 1 {
			t.Fatalf("%s: %d facts, %v", s.Name, len(facts), err)
		}
		f, env := facts[0], testkit.Envelope(s.Request)
		words := strings.Fields(s.Name)
		body := words[len(words)-1]
		if string(f.Kind) != s.Kind || string(f.BodyKind()) != body {
			t.Errorf("%s: kind %s, content %s", s.Name, f.Kind, f.BodyKind())
		}
		if f.ID != record.FactID(a.EventID, 0) || f.EventID != a.EventID || f.Seq != seq || f.Facility != testkit.Facility ||
			f.Source != testkit.Source || !f.At.Equal(env.GetOccurredAt().AsTime()) || f.Precision != env.GetPrecision() ||
			!proto.Equal(f.Recorder, env.GetRecorder()) {
			t.Errorf("%s: %+v", s.Name, f)
		}
		if (f.PatientKey != "") != (env.GetPatient() != nil) || f.HasSession() != (env.GetSession() != nil) ||
			(len(f.PatientSealed) > 0) != (env.GetPatient() != nil) {
			t.Errorf("%s: patient %q, session %q", s.Name, f.PatientKey, f.SessionValue)
		}
		if plain := s.Kind != "fact_corrected" && s.Kind != "fact_voided" && s.Kind != "session_voided"; f.Plain() != plain {
			t.Errorf("%s: plain %v", s.Name, f.Plain())
		}
		if s.Kind == "fact_corrected" && (f.Target == "" || f.Correction.GetRevision() != 1) {
			t.Errorf("%s: corrects %q", s.Name, f.Target)
		}
		if s.Kind == "fact_voided" && f.Target != record.FactID(record.EventID(testkit.Source, "m-1"), 0) {
			t.Errorf("%s: takes back %q", s.Name, f.Target)
		}
		if s.Kind == "session_voided" && f.TargetSession != record.SessionKey("https://unit-north.example/treatment", "T-4999") {
			t.Errorf("%s: takes back %q", s.Name, f.TargetSession)
		}
		if (s.Kind == "patients_merged" || s.Kind == "merge_reversed") &&
			f.MergedKey != n.Ring.PatientKey("https://hospital.example/patient-number", "INV-0002") {
			t.Errorf("%s: retires %q", s.Name, f.MergedKey)
		}
		if body == "identity_stated" && len(f.IdentityHashes) != 2 {
			t.Errorf("%s: hashes %v", s.Name, f.IdentityHashes)
		}
	}
}

func TestWhatAFactMentions(t *testing.T) {
	mentions := func(sample string) (tracks, accesses, staff string) {
		ev := eventOf(testkit.SampleOf(sample))
		facts, err := record.Facts(ev, 1, testkit.Noon())
		if err != nil {
			t.Fatal(err)
		}
		var who []string
		for _, s := range facts[0].Staff() {
			who = append(who, s.GetValue())
		}
		return strings.Join(facts[0].Tracks(), " "), strings.Join(facts[0].Accesses(), " "), strings.Join(who, " ")
	}
	for sample, want := range map[string][3]string{
		"cannulation needle_inserted":                {"A1", "F1", "S-100 S-101"},
		"cannulation track_planned":                  {"A1 V1", "F1", "S-100 S-101"},
		"cannulation track_retired":                  {"A1 A2", "", "S-100 S-101"},
		"cannulation fact_corrected needle_inserted": {"A1", "F1", "S-100 S-101"},
		"roster deputy_named":                        {"A1", "", "S-100 S-102 S-101"},
		"roster patient_admitted":                    {"", "", "S-100"},
		"assessment access_examined":                 {"A1", "F1", "S-100 S-101"},
	} {
		tracks, accesses, staff := mentions(sample)
		if got := [3]string{tracks, accesses, staff}; got != want {
			t.Errorf("%s mentions %q, want %q", sample, got, want)
		}
	}
}

// eventOf is the event of a sample that needs no sealing.
func eventOf(m *v1.FeedRequest) *logv1.Event {
	env := testkit.Envelope(m)
	ev := &logv1.Event{
		Id: record.EventID(env.GetSource(), env.GetSourceMessageId()), Source: env.GetSource(), SourceMessageId: env.GetSourceMessageId(),
		Facility: env.GetFacility(), OccurredAt: env.GetOccurredAt(), Precision: env.GetPrecision(), Recorder: env.GetRecorder(),
		Session: env.GetSession(),
	}
	if env.GetPatient() != nil {
		ev.PatientKey = "0123456789abcdef0123456789abcdef"
	}
	for _, f := range m.GetRoster().GetFacts() {
		ev.Facts = append(ev.Facts, &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: f}})
	}
	for _, f := range m.GetCannulation().GetFacts() {
		ev.Facts = append(ev.Facts, &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: f}})
	}
	for _, f := range m.GetAssessment().GetFacts() {
		ev.Facts = append(ev.Facts, &logv1.Fact{Fact: &logv1.Fact_Assessment{Assessment: f}})
	}
	for _, f := range m.GetSurveillance().GetFacts() {
		ev.Facts = append(ev.Facts, &logv1.Fact{Fact: &logv1.Fact_Surveillance{Surveillance: f}})
	}
	return ev
}

// TestEventsThatCannotBeTakenApart separates what a newer version wrote from what is damaged:
// the first must stop a reader, the second is set aside.
func TestEventsThatCannotBeTakenApart(t *testing.T) {
	whole := eventOf(testkit.SampleOf("cannulation needle_inserted"))
	with := func(change func(ev *logv1.Event)) *logv1.Event {
		ev := proto.CloneOf(whole)
		change(ev)
		return ev
	}
	newer := func(f *logv1.Fact) func(*logv1.Event) {
		return func(ev *logv1.Event) { ev.Facts = append(ev.Facts, f) }
	}
	for name, c := range map[string]struct {
		ev    *logv1.Event
		newer bool
	}{
		"no id":                           {with(func(ev *logv1.Event) { ev.Id = "" }), false},
		"no facts":                        {with(func(ev *logv1.Event) { ev.Facts = nil }), false},
		"a kind of the log's that is new": {with(newer(&logv1.Fact{})), true},
		"a kind of a service's that is new": {with(newer(&logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: &v1.CannulationFact{}}})),
			true},
		"a correction by a kind that is new": {with(newer(&logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: &v1.CannulationFact{
			Fact: &v1.CannulationFact_FactCorrected{FactCorrected: &v1.CannulationFactCorrected{Replacement: &v1.CannulationFact{}}},
		}}})), true},
	} {
		facts, err := record.Facts(c.ev, 1, testkit.Noon())
		if err == nil || facts != nil || errors.Is(err, record.ErrUnknownFact) != c.newer {
			t.Errorf("%s: %d facts, %v", name, len(facts), err)
		}
	}
	if facts, err := record.Facts(whole, 1, testkit.Noon()); err != nil || len(facts) != 1 {
		t.Errorf("the whole one: %v", err)
	}
}

// FuzzFacts takes arbitrary bytes apart as an event, and puts what comes of it through
// the rules: nothing panics, and every fact that comes out can be named and ordered.
func FuzzFacts(f *testing.F) {
	for _, s := range testkit.Samples() {
		data, err := proto.Marshal(eventOf(s.Request))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	for _, lf := range []*logv1.Fact{
		{Fact: &logv1.Fact_Genesis{Genesis: &logv1.Genesis{LogId: "x"}}},
		{Fact: &logv1.Fact_IdentityCorrected{IdentityCorrected: &logv1.IdentityCorrected{}}},
		{Fact: &logv1.Fact_IdentitySealed{IdentitySealed: &logv1.IdentitySealed{Sealed: []byte("x"), IdentifierKeys: []string{"k"}}}},
		{Fact: &logv1.Fact_IdentitiesMerged{IdentitiesMerged: &logv1.IdentitiesMerged{RetiredPatientKey: "k"}}},
		{Fact: &logv1.Fact_LossRecorded{LossRecorded: &logv1.LossRecorded{FirstSequence: 1, LastSequence: 2}}},
	} {
		data, err := proto.Marshal(&logv1.Event{Id: "e", OccurredAt: &timestamppb.Timestamp{Seconds: -1 << 60, Nanos: -5},
			Facts: []*logv1.Fact{lf, lf}})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var ev logv1.Event
		if proto.Unmarshal(data, &ev) != nil {
			return
		}
		facts, err := record.Facts(&ev, 1, time.Unix(0, 0))
		if err != nil {
			return
		}
		if len(facts) != len(ev.GetFacts()) {
			t.Fatalf("%d facts of %d", len(facts), len(ev.GetFacts()))
		}
		plain := 0
		for i := range facts {
			x := &facts[i]
			if x.ID != record.FactID(ev.GetId(), i) || x.Kind == "" || x.Body == nil || x.BodyKind() == "" {
				t.Fatalf("fact %d: %+v", i, x)
			}
			x.Tracks()
			x.Accesses()
			x.Staff()
			if x.Plain() {
				plain++
			}
		}
		items := record.Effective(facts)
		if len(items) != plain {
			t.Fatalf("%d items of %d plain facts", len(items), plain)
		}
		record.Resolve(items)
	})
}
