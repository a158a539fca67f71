package cdshooks_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/card"
	"cannulary/internal/chairside"
	"cannulary/internal/intake"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// born is a chart of patient 77 with a birth date and a number.
func born(date, number string) string {
	return call(fmt.Sprintf(`{"patient":{"resourceType":"Patient","id":"77","birthDate":%q,"identifier":[{"system":%q,"value":%q}]}}`, date, mrn, number))
}

// Advice is withheld from a chart whose birth date is not the record's; a date to the year or the
// month agrees with one within it.
func TestAnotherBirthDateGetsNoAdvice(t *testing.T) {
	h := open(t).handler()
	const withheld = "The birth date in this chart is not the one in the record of needle tracks: no advice is given."
	for date, advised := range map[string]bool{"1950-01-02": true, "1950-01": true, "1950": true, "1950-02-01": false, "1950-02": false, "1951": false} {
		w := do(h, request(http.MethodPost, service, born(date, "P-2")))
		cards := answered(t, w.Code, w.Body.String())
		conforms(t, cards)
		if !advised && (len(cards) != 1 || cards[0].Indicator != "warning" || cards[0].Summary != withheld || strings.Contains(w.Body.String(), "1950")) {
			t.Errorf("%s: %s", date, w.Body)
		}
		if advised && !strings.HasPrefix(cards[0].Summary, "Do not needle track A1") {
			t.Errorf("%s: %s", date, w.Body)
		}
	}
	for _, date := range []string{"2.1.1950", "1950-1-2", ""} {
		w := do(h, request(http.MethodPost, service, born(date, "P-2")))
		if i := outcome(t, w); w.Code != http.StatusBadRequest || i.Diagnostics != "prefetch.patient.birthDate must be a date such as 1961-05-17, 1961-05 or 1961" {
			t.Errorf("%q: %d %+v", date, w.Code, i)
		}
	}
}

// A chart that knows only a number that was merged away is told so.
func TestAMergedNumberIsSaid(t *testing.T) {
	h := open(t).handler()
	const said = "The identity asked for was merged into this patient."
	for _, x := range []struct {
		ids  []card.Identifier
		want bool
	}{
		{[]card.Identifier{id(mrn, "P-4")}, true},
		{[]card.Identifier{id(national, "N-4")}, true},
		{[]card.Identifier{id(mrn, "P-4"), id(mrn, "P-1")}, false}, // the chart has the merge
		{[]card.Identifier{id(mrn, "P-1")}, false},
	} {
		w := do(h, request(http.MethodPost, service, chart(x.ids...)))
		if got := strings.Contains(w.Body.String(), said); got != x.want {
			t.Errorf("%v: %v, %s", x.ids, got, w.Body)
		}
	}
}

// identityStory posts identity facts, one an hour from 11 o'clock on 1 March 2025.
type identityStory struct {
	u *unit
	n int
}

func (s *identityStory) posts(patient, recorder string, fact *v1.RosterFact) string {
	s.u.tb.Helper()
	s.n++
	e := &v1.Envelope{Source: "engine-test", SourceMessageId: fmt.Sprint("identity-", s.n), Facility: testkit.Facility, Precision: v1.TimePrecision_TIME_PRECISION_MINUTE,
		OccurredAt: timestamppb.New(testkit.At("2025-03-01T11:00:00Z").AsTime().Add(time.Duration(s.n) * time.Hour)), Patient: &v1.PatientIdentifier{System: mrn, Value: patient}}
	if recorder != "" {
		e.Recorder = testkit.Staff(recorder)
	}
	m, _ := intake.FromFeed(testkit.Request(e, proto.Message(fact)))
	if _, err := s.u.node.Intake.Record(testkit.Context(s.u.tb), m); err != nil {
		s.u.tb.Fatal(err)
	}
	s.u.settle()
	return e.GetSourceMessageId()
}

// says is what the card of a patient finds in the identity facts.
func (s *identityStory) says(patient string, want ...string) {
	s.u.tb.Helper()
	c, err := s.u.cards.Card(testkit.Context(s.u.tb), chairside.Request{System: mrn, Value: patient})
	if err != nil {
		s.u.tb.Fatal(err)
	}
	var got []string
	for _, f := range c.Findings {
		if f.Rule == card.IdentityConflict {
			got = append(got, f.Text)
			if f.Severity != "caution" || f.ID == "" || f.Clears == "" || len(f.Facts) == 0 {
				s.u.tb.Errorf("%+v", f)
			}
		}
	}
	if strings.Join(got, " | ") != strings.Join(want, " | ") {
		s.u.tb.Errorf("after message %d the card of %s says\n%q, want\n%q", s.n, patient, got, want)
	}
}

func statedBorn(date string) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_IdentityStated{IdentityStated: &v1.IdentityStated{BirthDate: date, FamilyName: "Zelthozumbrox",
		Identifiers: []*v1.PatientIdentifier{{System: national, Value: "N-9"}}}}}
}

// What may be another person's stays on the card until a person confirms it.
func TestAnIdentityConflictStaysUntilAPersonConfirms(t *testing.T) {
	s := identityStory{u: open(t)}
	merged := func(retired string) *v1.RosterFact {
		return &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: &v1.PatientIdentifier{System: mrn, Value: retired}}}}
	}
	reversed := func(retired string) *v1.RosterFact {
		return &v1.RosterFact{Fact: &v1.RosterFact_MergeReversed{MergeReversed: &v1.MergeReversed{Retired: &v1.PatientIdentifier{System: mrn, Value: retired}}}}
	}
	fact := func(id string) *v1.FactReference { return &v1.FactReference{SourceMessageId: id} }
	const sure = ". Make sure who this is before you needle."
	const late = "Identity facts still arrive under a number that was merged into this patient" + sure

	s.says("P-2")
	s.posts("P-2", "", statedBorn("1950-01-02")) // the same once more
	s.says("P-2")
	s.posts("P-2", "RN-1", statedBorn("1950-02-01")) // by whomever: the first who says so confirms nothing
	const turned = "The birth date was stated as 1950-01-02, then as 1950-02-01" + sure
	s.says("P-2", turned)
	s.posts("P-2", "", statedBorn("1950-02-01")) // an engine that repeats itself confirms nothing
	s.says("P-2", turned)
	s.posts("P-2", "RN-1", statedBorn("")) // nor does a person who says nothing of it
	s.says("P-2", turned)
	s.posts("P-2", "RN-1", statedBorn("1950-02-01"))
	s.says("P-2")
	back := s.posts("P-2", "", statedBorn("1950-01-02"))
	s.says("P-2", "The birth date was stated as 1950-02-01, then as 1950-01-02"+sure)
	s.posts("P-2", "", &v1.RosterFact{Fact: &v1.RosterFact_FactVoided{FactVoided: &v1.FactVoided{Fact: fact(back), Reason: "Another patient's."}}})
	s.says("P-2")

	wrong := s.posts("P-3", "", statedBorn("1999-09-09"))
	s.says("P-3", "The birth date was stated as 1950-01-02, then as 1999-09-09"+sure)
	s.posts("P-3", "", &v1.RosterFact{Fact: &v1.RosterFact_FactCorrected{FactCorrected: &v1.RosterFactCorrected{
		Correction: &v1.Correction{Fact: fact(wrong), Revision: 1, AssertedAt: testkit.At("2025-03-02T10:00:00Z"), Reason: "Mistyped."}, Replacement: statedBorn("1950-01-02")}}})
	s.says("P-3")

	s.posts("P-3", "", merged("P-2"))
	const two = "Two identities were merged whose birth dates differ: 1950-01-02 and 1950-02-01" + sure
	s.says("P-3", two)
	s.says("P-2", two) // asked for by the old number
	s.posts("P-3", "", reversed("P-2"))
	s.says("P-3")
	s.says("P-2")
	s.posts("P-3", "", merged("P-2"))
	s.says("P-3", two)
	s.posts("P-3", "RN-1", statedBorn("1950-01-02"))
	s.says("P-3")

	s.says("P-1") // P-4 was merged into it, of the same birth date
	s.posts("P-4", "RN-1", statedBorn("1950-01-02"))
	s.says("P-1", late)
	s.posts("P-1", "RN-1", statedBorn("1950-01-02"))
	s.says("P-1")
	s.posts("P-4", "", statedBorn("1950-03-03"))
	s.says("P-1", "The birth date was stated as 1950-01-02, then as 1950-03-03"+sure)
}
