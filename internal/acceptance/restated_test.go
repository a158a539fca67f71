package acceptance_test

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/fhir"
	"cannulary/internal/dossier"
	"cannulary/internal/infectioncontrol"
	"cannulary/internal/surveil"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	v1 "cannulary/proto/cannulary/v1"
)

// earlier puts back the date of every version that existed at a moment, by event: the log's own
// clock dates reports, no test moves it, and what changed on the day of the first report is no
// restatement.
type earlier struct {
	infectioncontrol.Histories
	until uint64
}

func (e earlier) History(ctx context.Context, q view.HistoryQuery) (view.HistoryPage, bool, error) {
	page, ok, err := e.Histories.History(ctx, q)
	for i := range page.Rows {
		if r := &page.Rows[i]; r.Seq <= e.until {
			date := fhir.MeasureReportDate(r.Body)
			r.Body = []byte(strings.Replace(string(r.Body), `"date":"`+date+`"`, `"date":"2001-01-01"`, 1))
		}
	}
	return page, ok, err
}

// restated is what the report of a month says of what was reported until an event of the log.
func (w *ward) restated(month string, until uint64) (says string, figures []string) {
	w.tb.Helper()
	watch := func(ctx context.Context) ([]*surveil.Watch, error) {
		return dossier.Facilities(ctx, w.app.Store(), w.app.Projector())
	}
	s := infectioncontrol.Service{Watch: watch, Histories: earlier{w.app.Store(), until},
		Knowledge: func(context.Context) infectioncontrol.Knowledge { return infectioncontrol.Knowledge{} }}
	r, err := s.Report(patience(w.tb), infectioncontrol.ReportRequest{Facility: wardName, Month: month})
	if err != nil {
		w.tb.Fatal(err)
	}
	count := func(n *int) string {
		if n == nil {
			return "none"
		}
		return fmt.Sprint(*n)
	}
	for _, x := range r.Restatements.List {
		if x.Month == month {
			figures = append(figures, strings.TrimSpace(fmt.Sprintf("%s %s %s %s→%s", x.Class, x.Group, x.Figure, count(x.First), count(x.Now))))
		}
	}
	slices.Sort(figures)
	return r.Restatements.Says, figures
}

// reported are the statuses of a month's reports by measure; empty where there is none.
func (w *ward) reported(month string) (statuses []string) {
	w.tb.Helper()
	for _, measure := range []string{fhir.MeasureAccessRelated, fhir.MeasureBloodstream, fhir.MeasureLocalAccess} {
		code, body := w.get("/fhir/MeasureReport/" + fhir.MeasureReportID(wardName, measure, month))
		var r struct{ Status string }
		if code == 200 {
			if err := json.Unmarshal([]byte(body), &r); err != nil {
				w.tb.Fatal(err)
			}
			statuses = append(statuses, r.Status)
		}
	}
	return statuses
}

// says tells facts of a patient, or of the unit, dated on a day, and gives the message's id.
func (w *ward) says(day, patient string, bodies ...proto.Message) string {
	w.tb.Helper()
	var facts []proto.Message
	for _, body := range bodies {
		facts = append(facts, wrapped(w.tb, body))
	}
	return w.tell(day, patient, facts...)
}

func takenBack(message string) proto.Message {
	return &v1.FactVoided{Fact: testkit.Fact(message, 0), Reason: "invented"}
}

// positiveCulture is a positive blood culture.
func positiveCulture(collected string, setting v1.CollectionSetting) *v1.CultureResulted {
	return &v1.CultureResulted{CollectedAt: testkit.At(collected), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
		Specimen: v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, Setting: setting, Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE}
}

// TestEveryInputOfAMonthRestatesItHoweverLate tells each thing that March rests on in April, one
// by one, and looks at March's MeasureReports and at what the report calls restated.
func TestEveryInputOfAMonthRestatesItHoweverLate(t *testing.T) {
	t.Parallel()
	const march = "2025-03"
	outpatient, inpatient := v1.CollectionSetting_COLLECTION_SETTING_OUTPATIENT, v1.CollectionSetting_COLLECTION_SETTING_INPATIENT
	// Three patients at constant sites. The record begins on Monday the 3rd, after the first Saturday.
	w := openWard(t, 3, "2025-03-31")
	treatment := func(access string) proto.Message { return &v1.SessionStarted{Access: access} }
	needle := func(access string) proto.Message {
		return &v1.NeedleInserted{Track: "T", Access: access, AttemptOrdinal: 1, Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL,
			Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL, Cannulator: testkit.Staff("1")}
	}
	census := func(fistula uint32) *v1.CensusCounted {
		return &v1.CensusCounted{Month: march, CountedOn: []string{"2025-03-03", "2025-03-04"}, Fistula: fistula}
	}
	registered := func(zone string, days ...v1.Weekday) proto.Message {
		return &v1.FacilityRegistered{Name: "Invented ward", TimeZone: zone, DialysisDays: days}
	}
	w.says("2025-03-03", "ward-0", treatment("F"), needle("F"))
	count := w.says("2025-03-05", "", census(40))
	culture := w.says("2025-03-10", "ward-1", positiveCulture("2025-03-10T04:00:00Z", outpatient))
	w.says("2025-03-20", "ward-2", positiveCulture("2025-03-20T04:00:00Z", inpatient))
	for _, patient := range []string{"plain", "double"} {
		w.says("2025-03-21", patient, &v1.PatientAdmitted{})
		w.says("2025-03-21", patient, treatment("P"))
	}
	w.says("2025-03-21", "fistula", &v1.AccessCreated{Access: "F", Kind: v1.AccessKind_ACCESS_KIND_FISTULA}, &v1.PatientAdmitted{})
	w.today("2025-04-02")
	w.says("2025-04-01", "late", positiveCulture("2025-03-31T20:00:00Z", outpatient))
	w.today("2025-04-03")
	if got := w.reported(march); !slices.Equal(got, []string{"complete", "complete", "complete"}) {
		t.Fatalf("March is reported as %v", got)
	}
	today := testkit.At("2025-04-03T00:00:00Z").AsTime()
	var message, admission, withdrawn string
	// events are those of a class, of everybody and of one technique.
	events := func(class, all, technique, part string) []string {
		return []string{fmt.Sprintf("%s all events %s", class, all), fmt.Sprintf("%s %s events %s", class, technique, part)}
	}
	for _, c := range []struct {
		late string
		tell func()
		want []string
	}{
		// The census counts from the first dialysis day of the month; Saturday the 1st was before the record.
		{"the dialysis days", func() { w.says("2025-01-02", "", registered("UTC", 1, 2, 3, 4, 5)) },
			nobody("all patient-months none→40", "other-fistula patient-months none→40", "none→0")},
		{"a corrected census", func() {
			w.says("2025-03-06", "", &v1.RosterFactCorrected{Correction: amends(count, 1), Replacement: wrapped(t, census(41)).(*v1.RosterFact)})
		}, []string{"all patient-months 40→41", "other-fistula patient-months 40→41"}},
		{"a census taken back", func() { w.says("2025-03-07", "", takenBack(count)) },
			nobody("all patient-months 41→none", "other-fistula patient-months 41→none", "0→none")},
		{"a census", func() { w.says("2025-03-08", "", census(42)) },
			nobody("all patient-months none→42", "other-fistula patient-months none→42", "none→0")},

		{"a culture", func() {
			message = w.says("2025-03-12", "ward-0", positiveCulture("2025-03-12T04:00:00Z", outpatient))
		},
			slices.Concat(events("access-related", "3→4", "constant-site", "2→3"), events("bloodstream", "3→4", "constant-site", "2→3"))},
		{"a corrected culture", func() {
			none := positiveCulture("2025-03-12T04:00:00Z", outpatient)
			none.Growth = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE
			replacement := wrapped(t, none).(*v1.SurveillanceFact)
			withdrawn = w.says("2025-03-13", "ward-0", &v1.SurveillanceFactCorrected{Correction: amends(message, 1), Replacement: replacement})
		}, slices.Concat(events("access-related", "4→3", "constant-site", "3→2"), events("bloodstream", "4→3", "constant-site", "3→2"))},
		{"a void of the correction", func() { w.says("2025-03-14", "ward-0", takenBack(withdrawn)) },
			slices.Concat(events("access-related", "3→4", "constant-site", "2→3"), events("bloodstream", "3→4", "constant-site", "2→3"))},
		{"a void of the culture", func() { w.says("2025-03-15", "ward-0", takenBack(message)) },
			slices.Concat(events("access-related", "4→3", "constant-site", "3→2"), events("bloodstream", "4→3", "constant-site", "3→2"))},
		{"the source of a culture", func() {
			w.says("2025-03-16", "ward-1", &v1.SuspectedSourceAssessed{Culture: testkit.Fact(culture, 0),
				SuspectedSource: v1.SuspectedSource_SUSPECTED_SOURCE_OTHER_SITE})
		}, events("access-related", "3→2", "constant-site", "2→1")},
		{"an admission to hospital before a culture there", func() { w.says("2025-03-15", "ward-2", &v1.HospitalAdmission{}) },
			slices.Concat(events("access-related", "2→1", "constant-site", "1→0"), events("bloodstream", "3→2", "constant-site", "2→1"))},
		{"a discharge before that culture", func() { w.says("2025-03-18", "ward-2", &v1.HospitalDischarge{}) },
			slices.Concat(events("access-related", "1→2", "constant-site", "0→1"), events("bloodstream", "2→3", "constant-site", "1→2"))},
		{"signs at a site", func() {
			w.says("2025-03-17", "ward-0", &v1.SiteSignsSeen{Access: "F", Redness: v1.Finding_FINDING_PRESENT})
		}, events("local-access", "0→1", "constant-site", "0→1")},
		{"an examination that found pus", func() {
			w.says("2025-03-28", "fistula", &v1.AccessExamined{Access: "F", Look: &v1.Look{Pus: v1.Finding_FINDING_PRESENT}})
		}, events("local-access", "1→2", "other-fistula", "0→1")},

		{"an admission", func() { admission = w.says("2025-03-21", "new", &v1.PatientAdmitted{}) },
			[]string{"all access-days 120→131", "unknown access-days 22→33"}},
		{"the creation of an access", func() {
			message = w.says("2025-03-21", "new", &v1.AccessCreated{Access: "G", Kind: v1.AccessKind_ACCESS_KIND_GRAFT})
		}, []string{"graft access-days 0→11", "unknown access-days 33→22"}},
		{"the retirement of an access", func() { w.says("2025-03-26", "new", &v1.AccessRetired{Access: "G"}) },
			[]string{"graft access-days 11→6", "unknown access-days 22→27"}},
		{"a creation taken back", func() { w.says("2025-03-27", "new", takenBack(message)) },
			[]string{"graft access-days 6→0", "unknown access-days 27→33"}},
		{"that a patient left", func() { w.says("2025-03-30", "new", &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_RECOVERY}) },
			[]string{"all access-days 131→129", "unknown access-days 33→31"}},
		{"an admission taken back", func() { w.says("2025-03-30", "new", takenBack(admission)) },
			[]string{"all access-days 129→120", "unknown access-days 31→22"}},
		{"a track planned in an access of unknown kind", func() {
			w.says("2025-03-22", "plain", &v1.TrackPlanned{Access: "P", PlannedBy: testkit.Staff("1"),
				Tracks: []*v1.TrackPlan{{Track: "T", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL}}})
		}, []string{"other-fistula access-days 11→22", "unknown access-days 22→11"}},
		{"a needle in it", func() { w.says("2025-03-24", "plain", needle("P")) },
			[]string{"constant-site access-days 87→95", "other-fistula access-days 22→14"}},
		{"the retirement of that track", func() { w.says("2025-03-27", "plain", &v1.TrackRetired{Track: "T"}) },
			[]string{"constant-site access-days 95→91", "other-fistula access-days 14→18"}},
		{"a track taken over", func() {
			in := "2025-03-25"
			w.says("2025-03-28", "fistula", &v1.TrackTakenOver{Track: "T", Access: "F", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL,
				Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED, InUseSince: &in, Evidence: "invented", DeclaredBy: testkit.Staff("1")})
		}, []string{"constant-site access-days 91→98", "other-fistula access-days 18→11",
			"local-access constant-site events 1→2", "local-access other-fistula events 1→0"}},
		{"a merge", func() { w.says("2025-03-29", "plain", &v1.PatientsMerged{Retired: testkit.Patient("double")}) },
			[]string{"all access-days 120→109", "unknown access-days 11→0"}},
		{"its reversal", func() { w.says("2025-03-30", "plain", &v1.MergeReversed{Retired: testkit.Patient("double")}) },
			[]string{"all access-days 109→120", "unknown access-days 0→11"}},
		{"care without an admission", func() { message = w.says("2025-03-29", "walk-in", treatment("P")) },
			[]string{"all access-days 120→123", "unknown access-days 11→14"}},
		{"that care taken back", func() { w.says("2025-03-30", "walk-in", takenBack(message)) },
			[]string{"all access-days 123→120", "unknown access-days 14→11"}},
		// The days of the record, of three patients.
		{"an earlier first treatment", func() { message = w.says("2025-03-01", "ward-0", treatment("F")) },
			[]string{"all access-days 120→126", "constant-site access-days 98→104"}},
		{"that treatment taken back", func() { w.says("2025-03-02", "ward-0", takenBack(message)) },
			[]string{"all access-days 126→120", "constant-site access-days 104→98"}},
		{"the time zone: that evening was in April there", func() { w.says("2025-01-03", "", registered("Asia/Kolkata", 1, 2, 3, 4, 5)) },
			slices.Concat(events("access-related", "2→1", "unknown", "1→0"), events("bloodstream", "3→2", "unknown", "1→0"))},
	} {
		until := w.last()
		c.tell()
		today = today.AddDate(0, 0, 1)
		w.today(today.Format(time.DateOnly))
		says, got := w.restated(march, until)
		slices.Sort(c.want)
		if !strings.HasPrefix(says, "These figures are no longer what was first reported: facts came late") || !slices.Equal(got, c.want) {
			t.Errorf("late: %s\n got %q\nwant %q\n%s", c.late, got, c.want, says)
		}
	}
	says, none := w.restated(march, w.last())
	if len(none) > 0 || says != "No figure of the year's months has changed since it was first reported." {
		t.Errorf("without anything late: %s %q", says, none)
	}
	// No MeasureReport counts antimicrobial starts; the report of the month does.
	starts := func() int {
		for _, x := range w.report(march).Rates {
			if x.Class == surveil.Antimicrobial && x.Group == surveil.AllAccess && x.Window == infectioncontrol.WindowMonth {
				return x.Events
			}
		}
		return -1
	}
	if n := starts(); n != 0 {
		t.Errorf("%d antimicrobial starts before any", n)
	}
	intravenous := v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS
	w.says("2025-03-19", "ward-0", &v1.AntimicrobialStarted{Course: "C", Route: intravenous})
	if n := starts(); n != 1 {
		t.Errorf("%d antimicrobial starts of March, told late", n)
	}
}

// report is the report of a month as it is now.
func (w *ward) report(month string) (r infectioncontrol.Report) {
	w.tb.Helper()
	if err := json.Unmarshal([]byte(w.must("/surveillance/report?facility="+wardName+"&month="+month)), &r); err != nil {
		w.tb.Fatal(err)
	}
	return r
}

// amends is a correction of a message's first fact.
func amends(message string, revision uint32) *v1.Correction {
	return &v1.Correction{Fact: testkit.Fact(message, 0), Revision: revision, AssertedAt: timestamppb.New(testkit.At("2025-03-31T06:00:00Z").AsTime()), Reason: "invented"}
}

// TestAMonthWithoutExposureHasNoReport: one needle of a mistyped year makes reports of no month in
// which nobody was at risk; what it made is withdrawn with it.
func TestAMonthWithoutExposureHasNoReport(t *testing.T) {
	t.Parallel()
	w := openWard(t, 1, "2025-04-02")
	needle := &v1.NeedleInserted{Track: "T", Access: "F", AttemptOrdinal: 1, Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL,
		Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL, Cannulator: testkit.Staff("1")}
	w.says("2025-03-03", "ward-0", needle)
	// Somebody was there for two weeks of 2006, and a third patient's needle is dated then by mistake.
	w.says("2006-05-02", "former", needle)
	w.says("2006-05-16", "former", &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSPLANT})
	wrong := w.says("2006-01-20", "mistyped", needle)
	w.says("2006-02-10", "mistyped", &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_OTHER})
	w.today("2025-04-03")
	complete, withdrawn, none := []string{"complete", "complete", "complete"}, []string{"error", "error", "error"}, []string(nil)
	want := func(what string, months map[string][]string) {
		t.Helper()
		for month, want := range months {
			if got := w.reported(month); !slices.Equal(got, want) {
				t.Errorf("%s: the reports of %s are %q, want %q", what, month, got, want)
			}
		}
	}
	want("at first", map[string][]string{"2005-12": none, "2006-01": complete, "2006-02": complete, "2006-03": none, "2006-05": complete,
		"2006-06": none, "2015-01": none, "2025-01": none, "2025-02": complete, "2025-03": complete})
	void := w.says("2025-04-03", "mistyped", takenBack(wrong))
	w.today("2025-04-04")
	want("the mistyped one taken back", map[string][]string{"2006-01": withdrawn, "2006-02": withdrawn, "2006-03": none,
		"2006-05": complete, "2025-03": complete})
	code, body := w.get("/fhir/MeasureReport?status=error&_summary=count")
	if code != 200 || !strings.Contains(body, `"total":6`) {
		t.Errorf("%d %s: six reports are withdrawn", code, body)
	}
	w.says("2025-04-04", "mistyped", takenBack(void))
	w.today("2025-04-05")
	want("and the taking back taken back", map[string][]string{"2006-01": complete, "2006-02": complete, "2006-03": none})
	// A census alone is exposure too.
	w.says("2025-04-05", "", &v1.CensusCounted{Month: "2015-01", CountedOn: []string{"2015-01-02", "2015-01-03"}, Fistula: 9})
	want("a census came late", map[string][]string{"2015-01": complete, "2015-02": none})
	w.says("2025-04-05", "", &v1.CensusCounted{Month: "2015-01", CountedOn: []string{"2015-01-02", "2015-01-03"}})
	want("it counts nobody", map[string][]string{"2015-01": withdrawn})
}

// nobody is what a census of fistulas alone changes: for every other technique it counted nobody,
// and that is known.
func nobody(all, fistula, none string) []string {
	out := []string{all, fistula}
	for _, technique := range []string{"constant-site", "graft", "non-tunneled-catheter", "other-access", "tunneled-catheter"} {
		out = append(out, technique+" patient-months "+none)
	}
	return out
}
