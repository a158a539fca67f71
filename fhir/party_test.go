package fhir_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

func TestWithMeta(t *testing.T) {
	when := time.Date(2027, 3, 1, 8, 0, 0, 120_900_000, zone)
	for body, want := range map[string]string{
		`{"id":"a.0","status":"final"}`: `{"id":"a.0","meta":{"versionId":"3","lastUpdated":"2027-03-01T07:00:00.120Z"PROFILE},"status":"final"}`,
		`{"id":"a.0"}`:                  `{"id":"a.0","meta":{"versionId":"3","lastUpdated":"2027-03-01T07:00:00.120Z"PROFILE}}`,
		`{"status":"final","id":"a.0"}`: `{"meta":{"versionId":"3","lastUpdated":"2027-03-01T07:00:00.120Z"PROFILE},"status":"final","id":"a.0"}`,
		`{}`:                            `{"meta":{"versionId":"3","lastUpdated":"2027-03-01T07:00:00.120Z"PROFILE}}`,
	} {
		for profile, meta := range map[string]string{"": "", "https://p.example/a": `,"profile":["https://p.example/a"]`} {
			want := strings.Replace(want, "PROFILE", meta, 1)
			if got := string(fhir.WithMeta([]byte(body), "a.0", profile, 3, when)); got != want {
				t.Errorf("%s became %s, want %s", body, got, want)
			}
		}
	}
}

func TestOperationOutcome(t *testing.T) {
	m := decode(t, fhir.OperationOutcome("fatal", "not-found", "no such <thing>\x00", "http.id", ""))
	if at(m, "issue.0.severity") != "fatal" || at(m, "issue.0.code") != "not-found" || at(m, "issue.0.diagnostics") != "no such <thing>" ||
		at(m, "issue.0.expression.0") != "http.id" || at(m, "issue.0.expression.1") != nil || m["resourceType"] != "OperationOutcome" {
		t.Errorf("%v", m)
	}
	m = decode(t, fhir.OperationOutcome("dreadful", "nonsense", ""))
	if at(m, "issue.0.severity") != "error" || at(m, "issue.0.code") != "processing" || len(empties(m, "")) > 0 {
		t.Errorf("%v", m)
	}
}

func TestTrack(t *testing.T) {
	plan := func(track string, site uint32) *logv1.Fact {
		return fhirtest.Wrap(&cannularyv1.TrackPlanned{Access: "AVF", Tracks: []*cannularyv1.TrackPlan{{Track: track, Role: 1, SiteFromAnastomosisMillimetres: &site}}})
	}
	first := fhirtest.Event("p1", "", t0, minute, plan("A1", 60))
	for _, c := range []struct {
		name        string
		events      []*logv1.Event
		active      bool
		description any
	}{
		{"known by its needles alone", nil, true, nil},
		{"planned", []*logv1.Event{first}, true, "site 60 mm from the anastomosis"},
		{"planned anew", []*logv1.Event{first, fhirtest.Event("p2", "", t0.Add(time.Hour), minute, plan("A1", 70))}, true, "site 70 mm from the anastomosis"},
		{"plan taken back", []*logv1.Event{first, fhirtest.Event("v", "", t0, minute, void("p1", 0))}, false, nil},
		{"retired", []*logv1.Event{first, fhirtest.Event("r", "", t0, minute, fhirtest.Wrap(&cannularyv1.TrackRetired{Track: "A1"}))}, false, "site 60 mm from the anastomosis"},
		{"another retired", []*logv1.Event{first, fhirtest.Event("r", "", t0, minute, fhirtest.Wrap(&cannularyv1.TrackRetired{Track: "V1"}))}, true, "site 60 mm from the anastomosis"},
		{"retirement taken back", []*logv1.Event{first, fhirtest.Event("r", "", t0, minute, fhirtest.Wrap(&cannularyv1.TrackRetired{Track: "A1"})), fhirtest.Event("v", "", t0, minute, void("r", 0))}, true, "site 60 mm from the anastomosis"},
		{"its access retired", []*logv1.Event{first, fhirtest.Event("r", "", t0, minute, fhirtest.Wrap(&cannularyv1.AccessRetired{Access: "AVF"}))}, false, "site 60 mm from the anastomosis"},
	} {
		r, err := fhir.Track(ctx(), fhirtest.Patient, "A1", effective(t, c.events...))
		if err != nil {
			t.Fatal(err)
		}
		m := decode(t, r.Body)
		if m["active"] != c.active || m["description"] != c.description || r.ID != record.TrackID(fhirtest.Patient, "A1") {
			t.Errorf("%s: active %v, %v", c.name, m["active"], m["description"])
		}
		if e := empties(m, ""); len(e) > 0 {
			t.Errorf("%s: %v", c.name, e)
		}
	}
}

func TestFacilityTakenBack(t *testing.T) {
	reg := fhirtest.Event("f", "", t0, day, fhirtest.Wrap(&cannularyv1.FacilityRegistered{Name: "Harbour", TimeZone: "Europe/Lisbon"}))
	rs, err := fhir.Facility(ctx(), effective(t, reg, fhirtest.Event("v", "", t0, day, void("f", 0))))
	if err != nil || len(rs) != 3 || at(decode(t, rs[0].Body), "active") != false || at(decode(t, rs[1].Body), "status") != "inactive" || at(decode(t, rs[2].Body), "active") != false {
		t.Errorf("%v, %v", rs, err)
	}
	if rs, err := fhir.Facility(ctx(), nil); err != nil || rs != nil {
		t.Errorf("without registration: %v, %v", rs, err)
	}
}

// The Group of a facility's patients is actual and lists nobody.
func TestFacilityGroup(t *testing.T) {
	reg := func(name string) []record.Item {
		return effective(t, fhirtest.Event("f", "", t0, day, fhirtest.Wrap(&cannularyv1.FacilityRegistered{Name: name, TimeZone: "Europe/Lisbon"})))
	}
	rs, err := fhir.Facility(ctx(), reg("Harbour"))
	if err != nil || len(rs) != 3 || rs[0].Type != "Group" || rs[0].ID != fhir.GroupID("harbour") {
		t.Fatalf("%v, %v", rs, err)
	}
	m := decode(t, rs[0].Body)
	if m["type"] != "person" || m["actual"] != true || m["active"] != true || m["name"] != "Patients of Harbour" || m["member"] != nil ||
		at(m, "managingEntity.reference") != "Organization/"+rs[2].ID || at(m, "identifier.0.value") != "harbour" {
		t.Errorf("%v", m)
	}
	want := []string{"identifier=" + fhir.FacilitySystem + "|harbour", "type=http://hl7.org/fhir/group-type|person", "actual=|true", "managing-entity=Organization/" + rs[2].ID}
	if got := indexLines(rs[0].Index); !slices.Equal(got, want) {
		t.Errorf("it is found by %v, want %v", got, want)
	}
	if rs, err := fhir.Facility(ctx(), reg(" ")); err != nil || decode(t, rs[0].Body)["name"] != nil {
		t.Errorf("a facility without a name: %s, %v", rs[0].Body, err)
	}
}

func TestPractitionerDate(t *testing.T) {
	late := time.Date(2027, 3, 1, 23, 30, 0, 0, time.UTC)
	rated := effective(t, fhirtest.Event("r", "", late, day, fhirtest.Wrap(&cannularyv1.CannulatorRated{Cannulator: staff("N-1"), Level: 2})))
	in, err := fhir.Practitioner(ctx(), staff("N-1"), rated)
	if err != nil || at(decode(t, in.Body), "qualification.0.period.start") != "2027-03-02" {
		t.Errorf("%s, %v", in.Body, err)
	}
}

func TestProvenanceInChunks(t *testing.T) {
	v := fhir.ProvenanceView{EventID: "e", Source: "engine-a", SourceMessageID: "m", Recorded: t0}
	for i := range 1001 {
		v.Targets = append(v.Targets, fhir.VersionedReference{Type: "Observation", ID: fmt.Sprintf("o%04d", (i*5)%1001), Version: 1})
	}
	rs, err := fhir.Provenance(ctx(), v)
	if err != nil || len(rs) != 3 || rs[0].ID != "e" || rs[1].ID != "e-1" || rs[2].ID != "e-2" {
		t.Fatalf("%d, %v", len(rs), err)
	}
	all := map[string]bool{}
	for _, r := range rs {
		m := decode(t, r.Body)
		if n := len(list(m, "target")); n > fhir.ProvenanceTargets {
			t.Errorf("%d targets", n)
		}
		for _, x := range list(m, "target") {
			all[x["reference"].(string)] = true
		}
		if e := empties(m, ""); len(e) > 0 {
			t.Error(e)
		}
	}
	if len(all) != 1001 || !all["Observation/o0000/_history/1"] {
		t.Errorf("%d targets in all", len(all))
	}
	v.Targets = nil
	if rs, err := fhir.Provenance(ctx(), v); err != nil || rs != nil {
		t.Errorf("without targets: %v, %v", rs, err)
	}
	own, err := fhir.Provenance(fhir.Context{}, fhir.ProvenanceView{EventID: "e", Recorded: t0, Targets: []fhir.VersionedReference{{Type: "Flag", ID: "f"}}})
	if err != nil || at(decode(t, own[0].Body), "agent.0.who.display") == nil || len(empties(decode(t, own[0].Body), "")) > 0 {
		t.Errorf("an event of the service itself: %v, %v", own, err)
	}
}

func TestPatientRepeatsNoIdentifier(t *testing.T) {
	id := &cannularyv1.PatientIdentifier{System: "https://hospital.example/patient", Value: "H-1"}
	r, err := fhir.Patient(ctx(), fhir.PatientView{Key: "k", Identifiers: []*cannularyv1.PatientIdentifier{id, id, {System: "https://hospital.example/patient", Value: "\a"}}})
	if err != nil || len(list(decode(t, r.Body), "identifier")) != 1 {
		t.Errorf("%s, %v", r.Body, err)
	}
}
