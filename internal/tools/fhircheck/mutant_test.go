package fhircheck

import (
	"encoding/json"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

type object = map[string]any

// TestMutants breaks one thing at a time in a resource that is accepted whole: the oracle
// must refuse it and say why, or its acceptance of ours would mean nothing.
func TestMutants(t *testing.T) {
	u := oracle(t)
	minute := cannularyv1.TimePrecision_TIME_PRECISION_MINUTE
	angle := 25.0
	facts, err := fhirtest.Facts(fhirtest.Event("m", "T", fhirtest.Start, minute,
		fhirtest.Wrap(&cannularyv1.NeedleInserted{Track: "A1", AttemptOrdinal: 1, Outcome: 1, AngleDegrees: &angle,
			Cannulator: &cannularyv1.StaffIdentifier{System: "https://hospital.example/staff", Value: "N-1"}, Device: &cannularyv1.DeviceIdentity{Lot: "L"}}),
		fhirtest.Wrap(&cannularyv1.CultureResulted{CollectedAt: timestamppb.New(fhirtest.Start), CollectedPrecision: minute, Specimen: 1, Growth: 1}),
	))
	if err != nil {
		t.Fatal(err)
	}
	rs, err := fhir.Session(fhir.Context{}, record.Effective(facts))
	if err != nil {
		t.Fatal(err)
	}
	track, err := fhir.Track(fhir.Context{}, fhirtest.Patient, "A1", nil)
	if err != nil {
		t.Fatal(err)
	}
	old, err := fhir.Patient(fhir.Context{}, fhir.PatientView{Key: "b", MergedInto: "a"})
	if err != nil {
		t.Fatal(err)
	}
	origin, err := fhir.Provenance(fhir.Context{}, fhir.ProvenanceView{EventID: "e", Source: "engine-a", Recorded: fhirtest.Start, Targets: []fhir.VersionedReference{{Type: "Patient", ID: "b"}}})
	if err != nil {
		t.Fatal(err)
	}
	bodies := judgedBodies(t)
	for name, body := range map[string][]byte{"BodyStructure": track.Body, "Patient": old.Body, "Provenance": origin[0].Body} {
		bodies[name] = body
	}
	for _, r := range rs {
		s := string(r.Body)
		switch {
		case strings.Contains(s, `"insertion"`):
			bodies["attempt"] = r.Body
		case strings.Contains(s, `"attempt-details"`):
			bodies["details"] = r.Body
		case strings.Contains(s, `"culture-blood"`):
			bodies["culture"] = r.Body
		case r.Type == "Device":
			bodies["Device"] = r.Body
		}
	}
	set := func(key string, v any) func(object) { return func(m object) { m[key] = v } }
	drop := func(key string) func(object) { return func(m object) { delete(m, key) } }
	first := func(m object, key string) object { return m[key].([]any)[0].(object) }

	for _, c := range []struct {
		name, body string
		mutate     func(object)
		says       string // part of the error
	}{
		{"Procedure without status", "attempt", drop("status"), "status"},
		{"Procedure without subject", "attempt", drop("subject"), "subject"},
		{"bad status code", "attempt", set("status", "done"), `Procedure.status": code`},
		{"Observation's status on a Procedure", "attempt", set("status", "final"), `Procedure.status": code`},
		{"30 February", "attempt", set("performedDateTime", "2027-02-30"), `performedDateTime": expected datetime`},
		{"dateTime without offset", "attempt", set("performedDateTime", "2027-03-01T08:00:00"), `performedDateTime": expected datetime`},
		{"dateTime without seconds", "attempt", set("performedDateTime", "2027-03-01T08:00+01:00"), `performedDateTime": expected datetime`},
		{"unknown element", "attempt", set("needle", "sharp"), "unknown field"},
		{"two values of performed", "attempt", set("performedPeriod", object{"start": "2027"}), "performed"},
		{"subject is a BodyStructure", "attempt", set("subject", object{"reference": "BodyStructure/x"}), "subject"},
		{"performer without actor", "attempt", func(m object) { delete(first(m, "performer"), "actor") }, "actor"},
		{"focal device is a Practitioner", "attempt", func(m object) { first(m, "focalDevice")["manipulated"] = object{"reference": "Practitioner/x"} }, "manipulated"},
		{"part of a Patient", "attempt", set("partOf", []any{object{"reference": "Patient/x"}}), "partOf"},
		{"one where a list is due", "attempt", set("usedCode", object{"text": "x"}), "usedCode"},
		{"extension without url", "attempt", func(m object) { delete(first(m, "extension"), "url") }, "url"},
		{"Observation without code", "details", drop("code"), "code"},
		{"Observation without status", "details", drop("status"), "status"},
		{"component without code", "details", func(m object) { delete(first(m, "component"), "code") }, "code"},
		{"number as text", "details", func(m object) { first(m, "component")["valueInteger"] = "1" }, "valueInteger"},
		{"fraction for an integer", "details", func(m object) { first(m, "component")["valueInteger"] = 1.5 }, "nteger"},
		{"id with a slash", "details", set("id", "a/b"), "id"},
		{"issued without time", "culture", set("issued", "2027-03-01"), "instant"},
		{"has a Procedure as member", "culture", set("hasMember", []any{object{"reference": "Procedure/x"}}), "hasMember"},
		{"BodyStructure without patient", "BodyStructure", drop("patient"), "patient"},
		{"active as text", "BodyStructure", set("active", "yes"), "active"},
		{"link without type", "Patient", func(m object) { delete(first(m, "link"), "type") }, "type"},
		{"link of a bad type", "Patient", func(m object) { first(m, "link")["type"] = "merged" }, `link[0].type": code`},
		{"Provenance without target", "Provenance", drop("target"), "target"},
		{"Provenance without agent", "Provenance", drop("agent"), "agent"},
		{"DetectedIssue without status", "DetectedIssue", drop("status"), "status"},
		{"DetectedIssue with a Flag's status", "DetectedIssue", set("status", "active"), `DetectedIssue.status": code`},
		{"severity of our own", "DetectedIssue", set("severity", "stop"), `DetectedIssue.severity": code`},
		{"finding about a Practitioner", "DetectedIssue", set("patient", object{"reference": "Practitioner/x"}), "patient"},
		{"finding with a subject", "DetectedIssue", set("subject", object{"reference": "Patient/x"}), "unknown field"},
		{"mitigation without action", "DetectedIssue", func(m object) { delete(first(m, "mitigation"), "action") }, "action"},
		{"evidence that is one reference", "DetectedIssue", func(m object) { first(m, "evidence")["detail"] = object{"reference": "Observation/x"} }, "detail"},
		{"identified on no date", "DetectedIssue", set("identifiedDateTime", "2027-13-01"), `identifiedDateTime": expected datetime`},
		{"Flag without status", "Flag", drop("status"), "status"},
		{"Flag with a DetectedIssue's status", "Flag", set("status", "final"), `Flag.status": code`},
		{"Flag without code", "Flag", drop("code"), "code"},
		{"Flag without subject", "Flag", drop("subject"), "subject"},
		{"Flag on a BodyStructure", "Flag", set("subject", object{"reference": "BodyStructure/x"}), "subject"},
		{"two codes of a Flag", "Flag", func(m object) { m["code"] = []any{m["code"], m["code"]} }, "code"},
		{"period without zone", "Flag", func(m object) { m["period"].(object)["start"] = "2027-03-01T08:00:00" }, "expected datetime"},
		{"author is a BodyStructure", "Flag", set("author", object{"reference": "BodyStructure/x"}), "author"},
		{"two values of flag-detail", "Flag", func(m object) { first(m, "extension")["valueString"] = "x" }, "value"},
		{"maturity without code", "maturity", drop("code"), "code"},
		{"maturity with two values", "maturity", set("valueString", "forming"), "value"},
		{"maturity with a Flag's status", "maturity", set("status", "active"), `Observation.status": code`},
		{"two methods", "maturity", func(m object) { m["method"] = []any{m["method"], m["method"]} }, "method"},
		{"half a session counted", "maturity", func(m object) { first(m, "component")["valueInteger"] = 0.5 }, "nteger"},
		{"note without text", "maturity", func(m object) { delete(first(m, "note"), "text") }, "text"},
		{"derived from a Procedure", "maturity", set("derivedFrom", []any{object{"reference": "Procedure/x"}}), "derivedFrom"},
		{"unknown resource type", "Device", set("resourceType", "Needle"), "Needle"},
		{"Device as its own patient", "Device", set("patient", object{"reference": "Device/x"}), "patient"},
	} {
		body, ok := bodies[c.body]
		if !ok {
			t.Fatalf("%s was not rendered", c.body)
		}
		if _, err := u.UnmarshalR4(body); err != nil {
			t.Fatalf("%s is refused as it is: %v", c.body, err)
		}
		var m object
		if err := json.Unmarshal(body, &m); err != nil {
			t.Fatal(err)
		}
		c.mutate(m)
		broken, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := u.UnmarshalR4(broken); err == nil {
			t.Errorf("%s: accepted: %s", c.name, broken)
		} else if !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: refused for another reason, want %q: %v", c.name, c.says, err)
		}
	}
}
