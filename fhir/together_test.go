package fhir_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

var t0 = fhirtest.Start

func insertion(outcome cannularyv1.InsertionOutcome) *cannularyv1.NeedleInserted {
	return &cannularyv1.NeedleInserted{Track: "A1", AttemptOrdinal: 1, Tip: cannularyv1.NeedleTip_NEEDLE_TIP_BLUNT, Outcome: outcome}
}

func correction(message string, revision uint32) *cannularyv1.Correction {
	return &cannularyv1.Correction{Fact: fhirtest.Ref(message, 0), Revision: revision, AssertedAt: timestamppb.New(t0.Add(time.Hour)), Reason: "misread"}
}

func void(message string, ordinal int) *logv1.Fact {
	return fhirtest.Wrap(&cannularyv1.FactVoided{Fact: fhirtest.Ref(message, ordinal), Reason: "another patient"})
}

func TestPrecision(t *testing.T) {
	lateEvening := time.Date(2027, 3, 1, 23, 30, 45, 0, time.UTC) // 00:30:45 of the next day in the unit
	for _, c := range []struct {
		precision cannularyv1.TimePrecision
		want      string
		low, high string
	}{
		{day, "2027-03-02", "2027-03-02T00:00:00+01:00", "2027-03-03T00:00:00+01:00"},
		{minute, "2027-03-02T00:30:00+01:00", "2027-03-02T00:30:00+01:00", "2027-03-02T00:30:01+01:00"},
		{second, "2027-03-02T00:30:45+01:00", "2027-03-02T00:30:45+01:00", "2027-03-02T00:30:46+01:00"},
	} {
		rs := render(t, fhirtest.Event("m", "", lateEvening, c.precision, fhirtest.Wrap(insertion(1))))
		if got := at(one(t, rs, "Procedure", "insertion-blunt"), "performedDateTime"); got != c.want {
			t.Errorf("%v: performedDateTime %v, want %v", c.precision, got, c.want)
		}
		if got := at(one(t, rs, "Observation", "attempt-details"), "effectiveDateTime"); got != c.want {
			t.Errorf("%v: effectiveDateTime %v, want %v", c.precision, got, c.want)
		}
		for _, r := range rs {
			if len(r.Index.Dates) != 1 || r.Index.Dates[0].Low.Format(time.RFC3339) != c.low || r.Index.Dates[0].High.Format(time.RFC3339) != c.high {
				t.Errorf("%v: %s is found by %v, want [%s,%s)", c.precision, r.Type, r.Index.Dates, c.low, c.high)
			}
		}
	}
}

// A zone whose offset had seconds (Monrovia until 1972, from memory) cannot be written in
// FHIR: the moment must not shift.
func TestOffsetWithSeconds(t *testing.T) {
	c := ctx()
	c.Zone = time.FixedZone("", -(44*60 + 30))
	when := time.Date(1971, 5, 1, 12, 0, 0, 0, time.UTC)
	rs, err := fhir.Session(c, effective(t, fhirtest.Event("m", "", when, second, fhirtest.Wrap(insertion(1)))))
	if err != nil {
		t.Fatal(err)
	}
	got, err := time.Parse(time.RFC3339, at(one(t, rs, "Procedure", "insertion-blunt"), "performedDateTime").(string))
	if err != nil || !got.Equal(when) {
		t.Errorf("told as %v (%v), want %v", got, err, when)
	}
}

// "Not examined" and "not recorded" must never read as absent.
func TestFindings(t *testing.T) {
	rs := render(t, fhirtest.Event("m", "", t0, minute, fhirtest.Wrap(&cannularyv1.AccessExamined{
		Access: "AVF",
		Look: &cannularyv1.Look{Redness: cannularyv1.Finding_FINDING_NOT_EXAMINED, Pus: cannularyv1.Finding_FINDING_ABSENT,
			Ulcer: cannularyv1.Finding_FINDING_PRESENT},
		Listen: &cannularyv1.Listen{},
		Sites:  []*cannularyv1.SiteLook{{Track: "A1", Pus: cannularyv1.Finding_FINDING_PRESENT}, {Track: "V1"}},
	})))
	look := one(t, rs, "Observation", "look")
	if got := at(component(look, "redness"), "dataAbsentReason.coding.0.code"); got != "not-performed" {
		t.Errorf("not examined: dataAbsentReason %v, want not-performed", got)
	}
	if v := at(component(look, "redness"), "valueCodeableConcept"); v != nil {
		t.Errorf("not examined has a value: %v", v)
	}
	if got := at(component(look, "pus"), "valueCodeableConcept.coding.0.code"); got != "absent" {
		t.Errorf("absent: %v", got)
	}
	if got := at(component(look, "ulcer"), "valueCodeableConcept.coding.0.code"); got != "present" {
		t.Errorf("present: %v", got)
	}
	if c := component(look, "swelling"); c != nil {
		t.Errorf("not recorded gives a component: %v", c)
	}
	panel := one(t, rs, "Observation", "access-examination")
	if n := len(list(panel, "hasMember")); n != 2 {
		t.Errorf("%d members, want look and one site: nothing is recorded of listen and of the other site", n)
	}
	for _, r := range rs {
		if m := decode(t, r.Body); hasCode(m, "listen") || hasCode(m, "feel") {
			t.Errorf("a group of which nothing is recorded is rendered: %s", r.Body)
		}
	}
}

func TestExaminationWithoutFindings(t *testing.T) {
	rs := render(t, fhirtest.Event("m", "", t0, minute, fhirtest.Wrap(&cannularyv1.AccessExamined{Access: "AVF", Look: &cannularyv1.Look{}})))
	panel := one(t, rs, "Observation", "access-examination")
	if got := at(panel, "dataAbsentReason.coding.0.code"); got != "unknown" || len(rs) != 1 {
		t.Errorf("%d resources, dataAbsentReason %v; want the panel alone, unknown", len(rs), got)
	}
}

func TestAnswers(t *testing.T) {
	n := insertion(1)
	n.SameSpot, n.NewPath, n.PainScore = cannularyv1.Answer_ANSWER_UNKNOWN, cannularyv1.Answer_ANSWER_NO, p(uint32(0))
	d := one(t, render(t, fhirtest.Event("m", "", t0, minute, fhirtest.Wrap(n))), "Observation", "attempt-details")
	for code, want := range map[string]any{"same-spot": "unknown", "new-path": "no", "flashback": nil} {
		if got := at(component(d, code), "valueCodeableConcept.coding.0.code"); got != want {
			t.Errorf("%s: %v, want %v", code, got, want)
		}
	}
	if got := at(component(d, "pain-score"), "valueQuantity.value"); got != 0.0 {
		t.Errorf("a pain score of 0 is told as %v", got)
	}
	if c := component(d, "insertion-angle"); c != nil {
		t.Errorf("an angle that was not recorded is told: %v", c)
	}
}

func TestAttemptStatus(t *testing.T) {
	for outcome, want := range map[cannularyv1.InsertionOutcome][2]any{
		cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL: {"completed", "385669000"},
		cannularyv1.InsertionOutcome_INSERTION_OUTCOME_FAILED:     {"stopped", "385671000"},
		cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED:  {"not-done", nil},
	} {
		n := insertion(outcome)
		n.RescueReason = cannularyv1.RescueReason_RESCUE_REASON_TRACK_UNUSED
		a := one(t, render(t, fhirtest.Event("m", "", t0, minute, fhirtest.Wrap(n))), "Procedure", "insertion-blunt")
		if a["status"] != want[0] || at(a, "outcome.coding.1.code") != want[1] {
			t.Errorf("%v: status %v, outcome %v; want %v", outcome, a["status"], at(a, "outcome.coding.1.code"), want)
		}
		if at(a, "reasonCode.0.coding.0.code") != "rescue-reason-track-unused" {
			t.Errorf("reason %v", a["reasonCode"])
		}
	}
}

func TestSession(t *testing.T) {
	start := fhirtest.Wrap(&cannularyv1.SessionStarted{Access: "AVF"})
	end := fhirtest.Wrap(&cannularyv1.SessionEnded{})
	missed := fhirtest.Wrap(&cannularyv1.SessionMissed{Reason: cannularyv1.MissedReason_MISSED_REASON_IN_HOSPITAL})
	later := t0.Add(4 * time.Hour)
	for _, c := range []struct {
		name             string
		events           []*logv1.Event
		status           string
		date, start, end any
	}{
		{"started", []*logv1.Event{fhirtest.Event("s", "T", t0, minute, start)}, "in-progress", nil, "2027-03-01T08:00:00+01:00", nil},
		{"ended", []*logv1.Event{fhirtest.Event("e", "T", later, minute, end)}, "completed", nil, nil, "2027-03-01T12:00:00+01:00"},
		{"both", []*logv1.Event{fhirtest.Event("s", "T", t0, minute, start), fhirtest.Event("e", "T", later, minute, end)}, "completed", nil, "2027-03-01T08:00:00+01:00", "2027-03-01T12:00:00+01:00"},
		{"end known by the day", []*logv1.Event{fhirtest.Event("s", "T", later, minute, start), fhirtest.Event("e", "T", t0, day, end)}, "completed", nil, "2027-03-01", "2027-03-01"},
		{"end within the start's minute", []*logv1.Event{fhirtest.Event("s", "T", t0.Add(30*time.Second), second, start), fhirtest.Event("e", "T", t0, minute, end)}, "completed", nil, "2027-03-01T08:00:00+01:00", "2027-03-01T08:00:00+01:00"},
		{"end before start", []*logv1.Event{fhirtest.Event("s", "T", later, minute, start), fhirtest.Event("e", "T", t0, minute, end)}, "completed", nil, "2027-03-01T12:00:00+01:00", nil},
		{"missed", []*logv1.Event{fhirtest.Event("x", "T", t0, minute, missed)}, "not-done", "2027-03-01", nil, nil},
		{"contradiction", []*logv1.Event{fhirtest.Event("x", "T", t0, minute, missed), fhirtest.Event("s", "T", t0, minute, start)}, "unknown", nil, "2027-03-01T08:00:00+01:00", nil},
		{"a needle alone", []*logv1.Event{fhirtest.Event("n", "T", t0, minute, fhirtest.Wrap(insertion(1)))}, "unknown", "2027-03-01", nil, nil},
		{"a hold alone", []*logv1.Event{fhirtest.Event("h", "T", t0, minute, fhirtest.Wrap(&cannularyv1.HoldPlaced{Track: "A1", PlacedBy: staff("N"), Reason: "red"}))}, "unknown", nil, nil, nil},
		{"a start taken back, a needle stands", []*logv1.Event{fhirtest.Event("s", "T", t0, minute, start), fhirtest.Event("n", "T", t0, minute, fhirtest.Wrap(insertion(1))), fhirtest.Event("v", "", later, minute, void("s", 0))}, "unknown", "2027-03-01", nil, nil},
	} {
		s := one(t, render(t, c.events...), "Procedure", "haemodialysis")
		if s["status"] != c.status || s["performedDateTime"] != c.date || at(s, "performedPeriod.start") != c.start || at(s, "performedPeriod.end") != c.end {
			t.Errorf("%s: status %v, %v, %v", c.name, s["status"], s["performedDateTime"], s["performedPeriod"])
		}
		if fmt.Sprint(at(s, "encounter")) != "map[identifier:map[system:https://hospital.example/treatment value:T] type:Encounter]" {
			t.Errorf("%s: encounter %v", c.name, at(s, "encounter"))
		}
		if s["id"] != record.SessionID(fhirtest.Patient, "https://hospital.example/treatment", "T") {
			t.Errorf("%s: id %v", c.name, s["id"])
		}
		if s["partOf"] != nil {
			t.Errorf("%s: a session is part of %v", c.name, s["partOf"])
		}
	}
}

func TestNoSession(t *testing.T) {
	rs := render(t, fhirtest.Event("m", "", t0, minute, fhirtest.Wrap(insertion(1)), fhirtest.Wrap(&cannularyv1.SessionStarted{Access: "AVF"})))
	if len(rs) != 2 {
		t.Errorf("%d resources, want attempt and details: without a reference there is no session", len(rs))
	}
	if a := one(t, rs, "Procedure", "insertion-blunt"); a["partOf"] != nil {
		t.Errorf("an attempt without a session is part of %v", a["partOf"])
	}
	roster := render(t, fhirtest.Event("r", "T", t0, minute, fhirtest.Wrap(&cannularyv1.PatientAdmitted{}), fhirtest.Wrap(&cannularyv1.AccessCreated{Access: "AVF", Kind: 1})))
	if len(roster) != 0 {
		t.Errorf("roster facts give %d resources", len(roster))
	}
	if rs, err := fhir.Session(ctx(), nil); err != nil || rs != nil {
		t.Errorf("nothing gives %v, %v", rs, err)
	}
}

func statuses(t *testing.T, rs []fhir.Resource) map[string]int {
	t.Helper()
	out := map[string]int{}
	for _, r := range rs {
		if r.Type != "Device" {
			out[decode(t, r.Body)["status"].(string)]++
		}
	}
	return out
}

func TestVoid(t *testing.T) {
	events := scenario()[:4]
	standing := render(t, events...)
	one := render(t, append(slices.Clone(events), fhirtest.Event("v", "", t0, minute, void("m2", 0)))...)
	if len(one) != len(standing) {
		t.Errorf("%d resources after a void, %d before: nothing may vanish", len(one), len(standing))
	}
	if got := statuses(t, one)["entered-in-error"]; got != 2 {
		t.Errorf("%d resources entered in error, want the attempt and its details", got)
	}
	all := render(t, append(slices.Clone(events), fhirtest.Event("v", "", t0, minute,
		fhirtest.Wrap(&cannularyv1.SessionVoided{Session: events[0].GetSession(), Reason: "another patient"})))...)
	if got := statuses(t, all); len(got) != 1 || got["entered-in-error"] == 0 || len(all) != len(standing) {
		t.Errorf("a voided session of %d resources has %d with %v, want all entered-in-error", len(standing), len(all), got)
	}
}

func TestStatusOfCorrections(t *testing.T) {
	read := func(v float64) *cannularyv1.VenousPressureRead {
		return &cannularyv1.VenousPressureRead{Access: "AVF", PressureMmhg: &v}
	}
	first := fhirtest.Event("m", "", t0, minute, fhirtest.Wrap(read(100)))
	corrected := fhirtest.Event("c", "", t0, minute, fhirtest.Correct(correction("m", 1), read(120)))
	undone := fhirtest.Event("u", "", t0, minute, void("c", 0))
	for _, c := range []struct {
		events []*logv1.Event
		status string
		value  float64
	}{
		{[]*logv1.Event{first}, "final", 100},
		{[]*logv1.Event{first, corrected}, "corrected", 120},
		{[]*logv1.Event{first, corrected, undone}, "amended", 100},
	} {
		o := one(t, render(t, c.events...), "Observation", "venous-pressure")
		if o["status"] != c.status || at(o, "valueQuantity.value") != c.value {
			t.Errorf("%d events: %v %v, want %s %v", len(c.events), o["status"], at(o, "valueQuantity.value"), c.status, c.value)
		}
	}
}

// What only a superseded content gives stays, entered in error, with the content of the
// highest such correction.
func TestSuperseded(t *testing.T) {
	exam := func(pus cannularyv1.Finding, tracks ...string) *cannularyv1.AccessExamined {
		e := &cannularyv1.AccessExamined{Access: "AVF"}
		for _, n := range tracks {
			e.Sites = append(e.Sites, &cannularyv1.SiteLook{Track: n, Pus: pus})
		}
		return e
	}
	rs := render(t,
		fhirtest.Event("m", "", t0, minute, fhirtest.Wrap(exam(cannularyv1.Finding_FINDING_PRESENT, "A1", "V1", "X1"))),
		fhirtest.Event("c1", "", t0, minute, fhirtest.Correct(correction("m", 1), exam(cannularyv1.Finding_FINDING_ABSENT, "A1", "V1"))),
		fhirtest.Event("c2", "", t0, minute, fhirtest.Correct(correction("m", 2), exam(cannularyv1.Finding_FINDING_PRESENT, "A1"))),
	)
	want := map[string][2]string{"A1": {"corrected", "present"}, "V1": {"entered-in-error", "absent"}, "X1": {"entered-in-error", "present"}}
	seen := 0
	for _, r := range rs {
		m := decode(t, r.Body)
		if !hasCode(m, "site-look") {
			continue
		}
		for track, w := range want {
			if at(m, "focus.0.reference") == "BodyStructure/"+record.TrackID(fhirtest.Patient, track) {
				seen++
				if m["status"] != w[0] || at(component(m, "pus"), "valueCodeableConcept.coding.0.code") != w[1] {
					t.Errorf("%s: %v %v, want %v", track, m["status"], at(component(m, "pus"), "valueCodeableConcept.coding.0.code"), w)
				}
			}
		}
	}
	if seen != 3 {
		t.Errorf("%d site looks, want 3", seen)
	}
	if n := len(list(one(t, rs, "Observation", "access-examination"), "hasMember")); n != 1 {
		t.Errorf("the panel has %d members, want the standing one alone", n)
	}
}

// TestOrderOfArrival renders after every prefix of every order of arrival: the final
// resources must be the same, and no resource that was once rendered may be missing then.
func TestOrderOfArrival(t *testing.T) {
	n, c1, c2 := insertion(1), insertion(2), insertion(1)
	n.Device, c1.Track, c2.Tip = &cannularyv1.DeviceIdentity{Lot: "LOT-1"}, "V1", cannularyv1.NeedleTip_NEEDLE_TIP_SHARP
	events := []*logv1.Event{
		fhirtest.Event("m", "T", t0, minute, fhirtest.Wrap(n)),
		fhirtest.Event("c1", "T", t0, minute, fhirtest.Correct(correction("m", 1), c1)),
		fhirtest.Event("c2", "T", t0, minute, fhirtest.Correct(correction("m", 2), c2)),
		fhirtest.Event("v", "T", t0, minute, void("c2", 0)),
		fhirtest.Event("e", "T", t0.Add(time.Hour), minute, fhirtest.Wrap(&cannularyv1.SessionEnded{})),
	}
	var want []fhir.Resource
	permute(events, func(order []*logv1.Event) {
		once := map[string]bool{}
		for i := 1; i < len(order); i++ {
			for _, r := range render(t, order[:i]...) {
				once[r.Type+"/"+r.ID] = true
			}
		}
		got := render(t, order...)
		if want == nil {
			want = got
		}
		if !same(got, want) {
			t.Fatalf("another order of arrival gives other resources")
		}
		for _, r := range got {
			delete(once, r.Type+"/"+r.ID)
		}
		if len(once) > 0 {
			t.Fatalf("once rendered, now gone: %v", once)
		}
	})
}

func same(a, b []fhir.Resource) bool {
	return slices.EqualFunc(a, b, func(x, y fhir.Resource) bool {
		return x.Type == y.Type && x.ID == y.ID && bytes.Equal(x.Body, y.Body)
	})
}

func permute[T any](list []T, visit func([]T)) {
	var step func(k int)
	step = func(k int) {
		if k == len(list) {
			visit(slices.Clone(list))
			return
		}
		for i := k; i < len(list); i++ {
			list[k], list[i] = list[i], list[k]
			step(k + 1)
			list[k], list[i] = list[i], list[k]
		}
	}
	step(0)
}

// After a merge resources refer to the survivor; their ids stay.
func TestMerge(t *testing.T) {
	items := effective(t, scenario()[:4]...)
	c := ctx()
	before, err := fhir.Session(c, items)
	if err != nil {
		t.Fatal(err)
	}
	c.Identities = record.Resolve([]record.Item{{Fact: record.Fact{ID: "m", Kind: record.KindPatientsMerged, PatientKey: "5urv1v0r", MergedKey: items[0].PatientKey}}})
	after, err := fhir.Session(c, items)
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range after {
		if r.ID != before[i].ID {
			t.Fatalf("an id changed: %s", r.ID)
		}
		if r.Type == "Device" {
			if r.Patient != "" {
				t.Errorf("a device is in the compartment of %s", r.Patient)
			}
			continue
		}
		if got := at(decode(t, r.Body), "subject.reference"); got != "Patient/5urv1v0r" || r.Patient != "5urv1v0r" {
			t.Errorf("%s/%s: subject %v, patient %s", r.Type, r.ID, got, r.Patient)
		}
	}
}

// A value of a newer schema is refused, never rendered as something else.
func TestUnknownValue(t *testing.T) {
	n := insertion(1)
	n.Resistance = 99
	if _, err := fhir.Session(ctx(), effective(t, fhirtest.Event("m", "", t0, minute, fhirtest.Wrap(n)))); err == nil {
		t.Error("a resistance of 99 was rendered")
	}
}

func BenchmarkUnit(b *testing.B) {
	items := fhirtest.Units(effective(b, scenario()[:4]...))
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		for _, unit := range items {
			rs, err := fhir.Session(ctx(), unit)
			if err != nil {
				b.Fatal(err)
			}
			n += len(rs)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/resource")
}

// What was not recorded gives no element: facts with nothing but what the schema asks for.
func TestNothingIsAdded(t *testing.T) {
	for _, c := range []struct {
		fact proto.Message
		want string // resources with their code and the codes of their components
	}{
		{&cannularyv1.NeedleInserted{Track: "A1", AttemptOrdinal: 2, Outcome: 1}, "Observation attempt-details[attempt-ordinal] Procedure insertion[]"},
		{&cannularyv1.NeedleRemoved{Track: "A1"}, "Procedure needle-removal[]"},
		{&cannularyv1.SitePrepared{Track: "A1"}, "Procedure site-preparation[]"},
		{&cannularyv1.PegPlaced{Track: "A1"}, "Procedure peg-placement[]"},
		{&cannularyv1.PegRemoved{Track: "A1"}, "Procedure peg-removal[]"},
		{&cannularyv1.SessionStarted{Access: "AVF"}, ""},
		{&cannularyv1.SessionEnded{}, ""},
		{&cannularyv1.VenousPressureRead{Access: "AVF", PressureMmhg: p(0.0)}, "Observation venous-pressure[]"},
		{&cannularyv1.CultureResulted{CollectedAt: timestamppb.New(t0), CollectedPrecision: day, Specimen: 1, Growth: 1}, "Observation culture-blood[]"},
		{&cannularyv1.AntimicrobialStarted{Course: "C", Route: 1}, "Observation antimicrobial-started[antimicrobial-course antimicrobial-route]"},
		{&cannularyv1.EventOutcomeAssessed{Event: fhirtest.Ref("m5", 0), Death: 2}, "Observation event-outcome[death]"},
		{&cannularyv1.SiteSignsSeen{Access: "AVF", Pus: 1}, "Observation site-signs[pus]"},
		{&cannularyv1.TrackPlanned{Access: "AVF"}, ""},
		{&cannularyv1.TrackRested{Track: "A1"}, ""},
		{&cannularyv1.HoldPlaced{Track: "A1", Reason: "red"}, ""},
	} {
		var got []string
		for _, r := range render(t, fhirtest.Event("m", "", t0, minute, fhirtest.Wrap(c.fact))) {
			m := decode(t, r.Body)
			var codes []string
			for _, k := range list(m, "component") {
				codes = append(codes, at(k, "code.coding.0.code").(string))
			}
			got = append(got, fmt.Sprint(r.Type, " ", at(m, "code.coding.0.code"), codes))
			for _, key := range []string{"outcome", "reasonCode", "performer", "note", "method", "focalDevice"} {
				if m[key] != nil && !(key == "outcome" && r.Type == "Procedure" && hasCode(m, "insertion")) &&
					!(key == "performer" && (hasCode(m, "site-preparation") || hasCode(m, "event-outcome"))) { // by the recorder unless told otherwise
					t.Errorf("%s: %s was not recorded: %v", got, key, m[key])
				}
			}
		}
		slices.Sort(got)
		if strings.Join(got, " ") != c.want {
			t.Errorf("%T gives %q, want %q", c.fact, strings.Join(got, " "), c.want)
		}
	}
}
