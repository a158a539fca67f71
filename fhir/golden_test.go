package fhir_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// TestGolden compares a whole session, and all that it refers to, with what was reviewed
// by eye. Run with -update after a change that is meant, and read the difference.
func TestGolden(t *testing.T) {
	session := render(t, scenario()...)
	byKey := func(a, b fhir.Resource) int { return strings.Compare(a.Type+"/"+a.ID, b.Type+"/"+b.ID) }
	slices.SortFunc(session, byKey)
	golden(t, "session.json", session)
	golden(t, "parties.json", parties(t, ctx()))
	golden(t, "reports.json", reports(t, ctx()))
}

// reports renders a month with a census, one without, and that one withdrawn.
func reports(t *testing.T, c fhir.Context) []fhir.Resource {
	t.Helper()
	whole := fhir.MeasureReportView{Facility: "harbour", Measure: fhir.MeasureAccessRelated, Month: "2027-02", First: "2027-02-01", Last: "2027-02-28", Date: "2027-03-01",
		All: fhir.MeasureFigures{Events: 1, PatientMonths: p(40), PerHundred: p(2.5), AccessDays: 1120, PerThousand: p(0.892857)},
		Strata: []fhir.MeasureStratum{
			{Technique: "constant-site", MeasureFigures: fhir.MeasureFigures{Events: 1, PatientMonths: p(12), PerHundred: p(8.33333), AccessDays: 336, PerThousand: p(2.97619)}},
			{Technique: "unknown", MeasureFigures: fhir.MeasureFigures{}},
		}}
	without := fhir.MeasureReportView{Facility: "harbour", Measure: fhir.MeasureLocalAccess, Month: "2027-03", First: "2027-03-01", Last: "2027-03-31", Date: "2027-04-01", All: fhir.MeasureFigures{Events: 1}}
	var out []fhir.Resource
	for _, v := range []fhir.MeasureReportView{whole, without} {
		r, err := fhir.MeasureReport(c, v)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	r, changed, err := fhir.MeasureReportWithdrawn(c, out[1].Body, "2027-05-02")
	if err != nil || !changed {
		t.Fatal(changed, err)
	}
	if _, changed, err := fhir.MeasureReportWithdrawn(c, r.Body, "2027-05-03"); err != nil || changed {
		t.Errorf("withdrawn twice: %v %v", changed, err)
	}
	out = append(out, r)
	if _, _, err := fhir.MeasureReportWithdrawn(c, []byte(`{"resourceType":"MeasureReport"}`), "2027-05-03"); err == nil {
		t.Error("what is no report is withdrawn")
	}
	if _, err := fhir.MeasureReport(c, fhir.MeasureReportView{Date: "2027-03-01", First: "2027-02-01", Last: "2027-02-28", Strata: []fhir.MeasureStratum{{Technique: "astral"}}}); err == nil {
		t.Error("an unknown technique is rendered as something else")
	}
	return out
}

// parties renders everything that the scenario's resources refer to.
func parties(t *testing.T, c fhir.Context) []fhir.Resource {
	t.Helper()
	roster := effective(t,
		fhirtest.Event("r1", "", fhirtest.Start.AddDate(0, -2, 0), day,
			fhirtest.Wrap(&cannularyv1.FacilityRegistered{Name: "Harbour Dialysis Unit (invented)", TimeZone: "Europe/Lisbon", DialysisDays: []cannularyv1.Weekday{1, 3, 5}}),
			fhirtest.Wrap(&cannularyv1.CannulatorRated{Cannulator: staff("N-021"), Level: cannularyv1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR}),
			fhirtest.Wrap(&cannularyv1.AccessCreated{Access: "AVF", Kind: cannularyv1.AccessKind_ACCESS_KIND_FISTULA, Side: cannularyv1.BodySide_BODY_SIDE_LEFT, Region: cannularyv1.AccessRegion_ACCESS_REGION_FOREARM}),
			fhirtest.Wrap(&cannularyv1.TrackPlanned{Access: "AVF", Tracks: []*cannularyv1.TrackPlan{{Track: "A1", Role: cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL, SiteFromAnastomosisMillimetres: p(uint32(60)), AngleDegrees: p(25.0), Gauge: p(uint32(15)), Landmarks: "two fingers above the scar"}}}),
		))
	var out []fhir.Resource
	add := func(r fhir.Resource, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	add(fhir.Patient(c, fhir.PatientView{Key: fhirtest.Patient, Identifiers: []*cannularyv1.PatientIdentifier{{System: "https://hospital.example/patient", Value: "H-1"}}, Merged: []string{"0ld"}, Whole: p(true)}))
	add(fhir.Patient(c, fhir.PatientView{Key: "0ld", MergedInto: fhirtest.Patient, Whole: p(false)}))
	add(fhir.Track(c, fhirtest.Patient, "A1", roster))
	add(fhir.Track(c, fhirtest.Patient, "V1", roster))
	add(fhir.Access(c, fhirtest.Patient, "AVF", roster))
	add(fhir.Practitioner(c, staff("N-021"), roster))
	add(fhir.Practitioner(c, staff("N-017"), roster))
	places, err := fhir.Facility(c, roster)
	if err != nil {
		t.Fatal(err)
	}
	out = append(out, places...)
	origin, err := fhir.Provenance(c, fhir.ProvenanceView{
		EventID: record.EventID("engine-a", "m2"), Source: "engine-a", SourceMessageID: "m2", OccurredAt: fhirtest.Start, Precision: minute,
		Recorded: fhirtest.Start.Add(90_123_456_789), Recorder: staff("N-017"), Activity: fhir.ActivityCreate,
		Targets: []fhir.VersionedReference{{Type: "Procedure", ID: "x.1", Version: 2}, {Type: "Patient", ID: fhirtest.Patient, Version: 1}},
	})
	if err != nil {
		t.Fatal(err)
	}
	return append(out, origin...)
}

func golden(t *testing.T, name string, list []fhir.Resource) {
	t.Helper()
	type entry struct {
		Type, ID, Patient, Profile string
		Index                      []string
		Body                       json.RawMessage
	}
	var entries []entry
	for _, r := range list {
		entries = append(entries, entry{r.Type, r.ID, r.Patient, r.Profile, indexLines(r.Index), r.Body})
	}
	got, err := json.MarshalIndent(entries, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	got = append(got, '\n')
	file := filepath.Join("testdata", "golden", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs from what is rendered now; if the change is meant, run with -update and read the difference", file)
	}
}

// indexLines writes each search value on one line.
func indexLines(ix fhir.Index) []string {
	var out []string
	for _, v := range ix.Tokens {
		out = append(out, fmt.Sprintf("%s=%s|%s", v.Param, v.System, v.Code))
	}
	for _, v := range ix.Dates {
		out = append(out, fmt.Sprintf("%s=[%s,%s)", v.Param, v.Low.Format(time.RFC3339Nano), v.High.Format(time.RFC3339Nano)))
	}
	for _, v := range ix.References {
		out = append(out, fmt.Sprintf("%s=%s/%s", v.Param, v.Type, v.ID))
	}
	for _, v := range ix.Quantities {
		out = append(out, fmt.Sprintf("%s=%v|%s|%s", v.Param, v.Value, v.System, v.Code))
	}
	for _, v := range ix.Strings {
		out = append(out, fmt.Sprintf("%s=%q", v.Param, v.Value))
	}
	return out
}
