package cdshooks_test

import (
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"cannulary/internal/answer"
	"cannulary/internal/card"
	"cannulary/internal/web/cdshooks"
)

const instance = "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea"

// call is the body of a call with that prefetch.
func call(prefetch string) string {
	return fmt.Sprintf(`{"hook":"patient-view","hookInstance":%q,"context":{"userId":"Practitioner/abc","patientId":"77"},"prefetch":%s}`, instance, prefetch)
}

// chart is the body of a call for patient 77 with those identifiers.
func chart(identifiers ...card.Identifier) string {
	var items []string
	for _, i := range identifiers {
		items = append(items, fmt.Sprintf(`{"system":%q,"value":%q}`, i.System, i.Value))
	}
	return call(`{"patient":{"resourceType":"Patient","id":"77","identifier":[` + strings.Join(items, ",") + `]}}`)
}

func TestRead(t *testing.T) {
	for _, x := range []struct {
		name, body string
		want       []card.Identifier
	}{
		{"all identifiers, each once, in order", call(`{"patient":{"resourceType":"Patient","id":"77","identifier":[{"system":"urn:b","value":"2"},{"use":"old","system":"urn:a","value":"1"},{"system":"urn:b","value":"2"}]}}`),
			[]card.Identifier{{System: "urn:b", Value: "2"}, {System: "urn:a", Value: "1"}}},
		{"an identifier without system or value identifies nobody", call(`{"patient":{"resourceType":"Patient","id":"77","identifier":[{"value":"2"},{"system":"urn:a"},{"system":null,"value":"x"},{"system":"","value":"x"},{}]}}`), nil},
		{"a Patient without identifiers", call(`{"patient":{"resourceType":"Patient","id":"77"}}`), nil},
		{"members that nobody knows are ignored", `{"extension":{"com.example.x":1},"fhirServer":"https://ehr.example/fhir","fhirAuthorization":{"access_token":"secret"},"colour":"blue",` + call(`{"more":[1],"patient":{"name":[{"family":"Zelthozumbrox"}],"resourceType":"Patient","id":"77","identifier":[{"system":"urn:a","value":"1","period":{}}]}}`)[1:],
			[]card.Identifier{{System: "urn:a", Value: "1"}}},
		{"names are taken to the letter", strings.Replace(call(`{"Patient":{"id":"5"},"patient":{"resourceType":"Patient","ID":"5","id":"77","Identifier":[{"system":"urn:x","value":"x"}]}}`), `"hook"`, `"Hook":"order-sign","hook"`, 1), nil},
	} {
		r, err := cdshooks.Read([]byte(x.body))
		if err != nil || r.PatientID != "77" || !reflect.DeepEqual(r.Identifiers, x.want) {
			t.Errorf("%s: %+v, %v", x.name, r, err)
		}
	}
}

// refusals are calls that are refused: with which status, issue code and expression, and what
// the text says.
func refusals() map[string]struct {
	body, code, expression, text string
	status                       int
} {
	type row = struct {
		body, code, expression, text string
		status                       int
	}
	replace := func(old, with string) string {
		body := chart(card.Identifier{System: "urn:a", Value: "1"})
		if !strings.Contains(body, old) {
			panic(old + " is not in " + body)
		}
		return strings.Replace(body, old, with, 1)
	}
	patient := func(p string) string { return call(`{"patient":` + p + `}`) }
	const at = "prefetch.patient"
	var many []card.Identifier
	for i := range 101 {
		many = append(many, card.Identifier{System: "urn:a", Value: fmt.Sprint(i)})
	}
	const fetch = "; send the Patient resource of the open chart, with its identifiers, as prefetch.patient (template Patient/{{context.patientId}}); this service fetches nothing from fhirServer"
	return map[string]row{
		"nothing":                         {"", "structure", "", "the body is not JSON, or not complete; send one JSON object, the CDS Hooks request", 400},
		"half an object":                  {`{"hook":"patient-view"`, "structure", "", "the body is not JSON, or not complete; send one JSON object, the CDS Hooks request", 400},
		"two objects":                     {chart() + chart(), "structure", "", "the body is not JSON, or not complete; send one JSON object, the CDS Hooks request", 400},
		"a list":                          {`[]`, "structure", "", "the body must be a JSON object", 400},
		"another encoding":                {"{\"hook\":\"\xe9\"}", "structure", "", "the body is not UTF-8; send JSON in UTF-8", 400},
		"a member twice":                  {replace(`"hook":`, `"hook":"order-sign","hook":`), "structure", "", `the body has the member "hook" twice; send it once`, 400},
		"no hook":                         {replace(`"hook":"patient-view",`, ``), "required", "hook", "hook is missing; the CDS Hooks request needs it", 400},
		"a hook that is no text":          {replace(`"patient-view"`, `7`), "value", "hook", "hook must be a JSON string that is not empty", 400},
		"another hook":                    {replace(`patient-view`, `order-sign`), "not-supported", "hook", "this service is for the hook patient-view, not for order-sign; call it on that hook", 400},
		"no hookInstance":                 {replace(`"hookInstance"`, `"hookinstance"`), "required", "hookInstance", "hookInstance is missing; the CDS Hooks request needs it", 400},
		"a hookInstance that is no UUID":  {replace(instance, "7"), "value", "hookInstance", "hookInstance is not a UUID; send a new one with each call, for instance 5f1c2f7e-8a54-4c0b-9f3e-2d6b1f0c7a11", 400},
		"no context":                      {replace(`"context"`, `"x"`), "required", "context", "context is missing; send what the hook patient-view defines: context.patientId", 400},
		"a context that is no object":     {replace(`{"userId":"Practitioner/abc","patientId":"77"}`, `"77"`), "structure", "context", "context must be a JSON object", 400},
		"no patientId":                    {replace(`,"patientId":"77"`, ``), "required", "context.patientId", "context.patientId is missing; the CDS Hooks request needs it", 400},
		"a patientId that is a number":    {replace(`"patientId":"77"`, `"patientId":77`), "value", "context.patientId", "context.patientId must be a JSON string that is not empty", 400},
		"patientId twice":                 {replace(`"patientId":"77"`, `"patientId":"77","patientId":"78"`), "structure", "context", `context has the member "patientId" twice; send it once`, 400},
		"no prefetch":                     {replace(`"prefetch"`, `"x"`), "required", at, "prefetch is missing" + fetch, 412},
		"a prefetch that is null":         {call(`null`), "required", at, "prefetch is missing" + fetch, 412},
		"a prefetch that is no object":    {call(`[]`), "structure", "prefetch", "prefetch must be a JSON object", 400},
		"a prefetch without the Patient":  {call(`{"other":{}}`), "required", at, "prefetch.patient is missing" + fetch, 412},
		"a Patient that is null":          {patient(`null`), "not-found", at, "prefetch.patient is null: the EHR has no data for it" + fetch, 412},
		"an OperationOutcome":             {patient(`{"resourceType":"OperationOutcome"}`), "incomplete", at, "prefetch.patient is an OperationOutcome: the EHR could not read the Patient" + fetch, 412},
		"a Patient that is no object":     {patient(`"Patient/77"`), "structure", at, "prefetch.patient must be a JSON object", 400},
		"a resource without a type":       {patient(`{"id":"77"}`), "required", at + ".resourceType", "prefetch.patient.resourceType is missing; the CDS Hooks request needs it", 400},
		"another resource":                {patient(`{"resourceType":"Bundle"}`), "value", at + ".resourceType", "prefetch.patient is a resource of type Bundle, not a Patient; fill the template Patient/{{context.patientId}}", 400},
		"a Patient without id":            {patient(`{"resourceType":"Patient"}`), "required", at + ".id", "the prefetched Patient has no id, so nobody can tell whether it is the patient of the open chart; send the resource with its id", 400},
		"a Patient whose id is no text":   {patient(`{"resourceType":"Patient","id":77}`), "value", at + ".id", "prefetch.patient.id must be a JSON string that is not empty", 400},
		"another Patient":                 {patient(`{"resourceType":"Patient","id":"78"}`), "conflict", at + ".id", "the prefetched Patient is not the one that context.patientId names: no advice is given for a chart that mixes two patients; send the Patient of the open chart", 400},
		"identifiers that are no list":    {patient(`{"resourceType":"Patient","id":"77","identifier":{}}`), "structure", at + ".identifier", "prefetch.patient.identifier must be a JSON array", 400},
		"an identifier that is no object": {patient(`{"resourceType":"Patient","id":"77","identifier":[{},7]}`), "structure", at + ".identifier[1]", "prefetch.patient.identifier[1] must be a JSON object", 400},
		"a value that is a number":        {patient(`{"resourceType":"Patient","id":"77","identifier":[{"system":"urn:a","value":7}]}`), "structure", at + ".identifier[0].value", "prefetch.patient.identifier[0].value must be a JSON string", 400},
		"a system that is a list":         {patient(`{"resourceType":"Patient","id":"77","identifier":[{"system":[],"value":"7"}]}`), "structure", at + ".identifier[0].system", "prefetch.patient.identifier[0].system must be a JSON string", 400},
		"a value twice":                   {patient(`{"resourceType":"Patient","id":"77","identifier":[{"system":"urn:a","value":"7","value":"8"}]}`), "structure", at + ".identifier[0]", `prefetch.patient.identifier[0] has the member "value" twice; send it once`, 400},
		"more identifiers than anybody":   {chart(many...), "too-costly", at + ".identifier", "the Patient has more than 100 identifiers; send fewer", 400},
	}
}

func TestReadRefuses(t *testing.T) {
	for name, x := range refusals() {
		_, err := cdshooks.Read([]byte(x.body))
		var p *answer.Problem
		if !errors.As(err, &p) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if p.Status != x.status || p.Code != x.code || p.Expression != x.expression || p.Text != x.text {
			t.Errorf("%s: %d %s at %q: %q", name, p.Status, p.Code, p.Expression, p.Text)
		}
		if strings.Contains(p.Text, "77") || strings.Contains(p.Text, "78") {
			t.Errorf("%s: the text tells an id of a patient: %q", name, p.Text)
		}
	}
}

// FuzzRead reads whatever bytes: what it takes has what advice needs, what it refuses is the
// caller's fault.
func FuzzRead(f *testing.F) {
	f.Add(chart(card.Identifier{System: "urn:a", Value: "1"}))
	for _, x := range refusals() {
		f.Add(x.body)
	}
	f.Add(strings.Repeat(`{"context":`, 20000))
	f.Fuzz(func(t *testing.T, body string) {
		r, err := cdshooks.Read([]byte(body))
		if err == nil {
			if r.PatientID == "" {
				t.Errorf("taken without a patient: %q", body)
			}
			for _, i := range r.Identifiers {
				if i.System == "" || i.Value == "" {
					t.Errorf("an identifier of nobody: %+v", i)
				}
			}
			return
		}
		var p *answer.Problem
		if !errors.As(err, &p) || p.Status != 400 && p.Status != 412 || p.Text == "" {
			t.Errorf("%q: %v", body, err)
		}
	})
}
