package acceptance_test

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/app"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// reached looks at every correction and void of a folder's view at once, with all facts there
// are, and says which the view should list as changing nothing; n is how many there are.
func reached(t *testing.T, dir string) (want map[string]string, n int) {
	t.Helper()
	var facts []record.Fact
	byEvent := map[string][]record.Fact{}
	for seq, v := range query(t, dir, `SELECT seq, hex(data), logged FROM event`) {
		data, logged, _ := strings.Cut(v, " ")
		raw, err := hex.DecodeString(data)
		if err != nil {
			t.Fatal(err)
		}
		ev := &logv1.Event{}
		if err := proto.Unmarshal(raw, ev); err != nil {
			t.Fatal(err)
		}
		s, err := strconv.ParseUint(seq, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		at, err := strconv.ParseInt(logged, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		list, err := record.Facts(ev, s, time.Unix(0, at))
		if err != nil {
			t.Fatal(err)
		}
		facts, byEvent[ev.GetId()] = append(facts, list...), list
	}
	ids := record.Resolve(record.Effective(facts))
	related := func(a, b *record.Fact) bool {
		if a.PatientKey == "" || b.PatientKey == "" {
			return a.PatientKey == b.PatientKey && a.Facility == b.Facility
		}
		return ids.Survivor(a.PatientKey) == ids.Survivor(b.PatientKey)
	}
	// An amendment of somebody else's fact has no effect there.
	byID := map[string]*record.Fact{}
	for i := range facts {
		byID[facts[i].ID] = &facts[i]
	}
	var acting []record.Fact
	for i := range facts {
		if t := byID[facts[i].Target]; t == nil || related(&facts[i], t) {
			acting = append(acting, facts[i])
		}
	}
	want = map[string]string{}
	for i := range facts {
		f := &facts[i]
		if !f.Amends() {
			continue
		}
		n++
		named := byEvent[record.EventOf(f.Target)]
		if f.TargetSession != "" {
			named = nil
			for _, g := range facts {
				if related(f, &g) { // another patient's session of the same number is none of it
					named = append(named, g)
				}
			}
		}
		if why := record.ReachOf(f, named, related); why != record.Reached && !record.Voided(acting, f.ID) {
			want[f.ID] = string(why)
		}
	}
	return want, n
}

// checkReach compares what the view lists with the look at everything.
func checkReach(t *testing.T, dir string) (unreached int) {
	t.Helper()
	want, n := reached(t, dir)
	got := map[string]string(query(t, dir, `SELECT fact, why FROM unreached`))
	if !maps.Equal(got, want) {
		t.Errorf("of %d corrections and voids the view lists as without effect %v, want %v", n, got, want)
	}
	return len(want)
}

// A void that reaches nothing must not look done. Through gRPC: the wrong patient's, one
// before its fact, one of a session that nobody knows; what arrives, a merge and its reversal
// change it.
func TestCorrectionsAndVoidsThatChangeNothingAreListed(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "unit")
	i := start(t, dir)
	at := time.Date(2025, 3, 3, 9, 0, 0, 0, time.UTC)
	sent := 0
	send := func(id, patient string, fact proto.Message) {
		t.Helper()
		sent++
		e := &v1.Envelope{Source: "engine-a", SourceMessageId: id, Facility: testkit.Facility, OccurredAt: testkit.At(at.Add(time.Duration(sent) * time.Minute).Format(time.RFC3339)),
			Precision: v1.TimePrecision_TIME_PRECISION_MINUTE, Patient: testkit.Patient(patient)}
		i.post([]*v1.FeedRequest{testkit.Request(e, fact)})
	}
	i.post([]*v1.FeedRequest{testkit.Registration()})
	needle := testkit.SampleOf("cannulation needle_inserted").GetCannulation().GetFacts()[0]
	void := func(id string) *v1.CannulationFact {
		return &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{Fact: &v1.FactReference{SourceMessageId: id}, Reason: "Another patient's."}}}
	}
	listed := func(want ...string) {
		t.Helper()
		checkReach(t, dir)
		var s app.Status
		if err := json.Unmarshal([]byte(i.must("/status")), &s); err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, a := range s.Amendments {
			got = append(got, fmt.Sprintf("%s: %s names %s: %s", a.Message, a.Kind, a.Names, a.Why))
		}
		if slices.Sort(got); !slices.Equal(got, want) || s.WithoutEffect != len(want) {
			t.Errorf("listed are %d:\n%s\nwant\n%s", s.WithoutEffect, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		metric(t, i, fmt.Sprintf("cannulary_amendments_without_effect{facility=%q} %d", testkit.Facility, len(want)))
		text := s.Text(now())
		if strings.Contains(text, "no effect   corrections and voids that change nothing") != (len(want) > 0) {
			t.Error(text)
		}
	}
	send("needling", "INV-0001", needle)
	listed()
	send("under-another", "INV-0002", void("needling"))
	send("too-early", "INV-0001", void("later"))
	send("session", "INV-0001", &v1.CannulationFact{Fact: &v1.CannulationFact_SessionVoided{SessionVoided: &v1.SessionVoided{
		Session: testkit.Session("T-9"), Reason: "Another patient's."}}})
	const (
		early   = `too-early: fact_voided names fact 0 of engine-a "later": what it names has not arrived`
		session = `session: session_voided names session "T-9" of https://unit-north.example/treatment: what it names has not arrived`
		another = `under-another: fact_voided names fact 0 of engine-a "needling": the fact that it names is about another patient or facility`
	)
	listed(session, early, another)
	send("later", "INV-0001", needle)
	listed(session, another)
	merge := func(id string, reverse bool) {
		t.Helper()
		f := &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: testkit.Patient("INV-0002")}}}
		if reverse {
			f = &v1.RosterFact{Fact: &v1.RosterFact_MergeReversed{MergeReversed: &v1.MergeReversed{Retired: testkit.Patient("INV-0002")}}}
		}
		send(id, "INV-0001", f)
	}
	merge("merge", false)
	listed(session)
	merge("reversal", true)
	listed(session, another)
	// A void by mistake is itself voided; voided again, that one gives it back.
	send("mistake", "INV-0001", void("session"))
	listed(another)
	send("no-mistake", "INV-0001", void("mistake"))
	listed(session, another)
	send("mistake-after-all", "INV-0001", void("no-mistake"))
	send("wrong-patient", "INV-0001", void("under-another"))
	listed(another, `wrong-patient: fact_voided names fact 0 of engine-a "under-another": the fact that it names is about another patient or facility`)
	send("right-patient", "INV-0002", void("under-another"))
	send("wrong-patient-void", "INV-0001", void("wrong-patient"))
	listed()
	i.stop()
}
