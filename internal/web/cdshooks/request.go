package cdshooks

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"regexp"
	"unicode/utf8"

	"cannulary/internal/card"
)

// The one hook, and what is asked of the EHR beside its context.
const (
	hookName         = "patient-view"
	prefetchKey      = "patient"
	prefetchTemplate = "Patient/{{context.patientId}}"
)

// MaxBytes is the greatest body of a call.
const MaxBytes = 1 << 20

// maxIdentifiers is how many identifiers of one patient are looked up.
const maxIdentifiers = 100

// Request is what is read of a call.
type Request struct {
	// PatientID is the EHR's own id of the patient. No patient is found by it.
	PatientID string
	// Identifiers are the patient's, those with a system and a value, each once.
	Identifiers []card.Identifier
	// BirthDate is the patient's, as a FHIR date: YYYY, YYYY-MM or YYYY-MM-DD; empty where the
	// chart sent none.
	BirthDate string
}

// fhirDate is the form of a date.
var fhirDate = regexp.MustCompile(`^[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?$`)

// Systems are the systems of the identifiers, each once, in their order.
func (r Request) Systems() []string {
	var out []string
	seen := map[string]bool{}
	for _, i := range r.Identifiers {
		if !seen[i.System] {
			seen[i.System] = true
			out = append(out, i.System)
		}
	}
	return out
}

// Read reads the body of a call for the hook patient-view. Its errors are of type *answer.Problem.
// Members that it does not know are ignored, as the standard asks; names are taken to the letter.
func Read(body []byte) (Request, error) {
	var r Request
	if !utf8.Valid(body) {
		return r, invalid("", "structure", "the body is not UTF-8; send JSON in UTF-8")
	}
	if !json.Valid(body) {
		return r, invalid("", "structure", "the body is not JSON, or not complete; send one JSON object, the CDS Hooks request")
	}
	top, err := object("", body)
	if err != nil {
		return r, err
	}
	hook, err := text(top, "", "hook")
	if err != nil {
		return r, err
	}
	if hook != hookName {
		return r, invalid("hook", "not-supported", "this service is for the hook %s, not for %s; call it on that hook", hookName,
			shown(hook))
	}
	instance, err := text(top, "", "hookInstance")
	if err != nil {
		return r, err
	}
	if !uuidForm.MatchString(instance) {
		return r, invalid("hookInstance", "value",
			"hookInstance is not a UUID; send a new one with each call, for instance 5f1c2f7e-8a54-4c0b-9f3e-2d6b1f0c7a11")
	}
	if absent(top["context"]) {
		return r, invalid("context", "required", "context is missing; send what the hook %s defines: context.patientId", hookName)
	}
	context, err := object("context", top["context"])
	if err != nil {
		return r, err
	}
	if r.PatientID, err = text(context, "context.", "patientId"); err != nil {
		return r, err
	}
	if absent(top["prefetch"]) {
		return r, missing("required", "prefetch is missing")
	}
	prefetch, err := object("prefetch", top["prefetch"])
	if err != nil {
		return r, err
	}
	return r, r.patient(prefetch)
}

// patient reads identifiers and birth date of the prefetched Patient, who must be the one of the chart.
func (r *Request) patient(prefetch map[string]json.RawMessage) error {
	const at = "prefetch." + prefetchKey
	raw, ok := prefetch[prefetchKey]
	if !ok {
		return missing("required", at+" is missing")
	}
	if absent(raw) {
		return missing("not-found", at+" is null: the EHR has no data for it")
	}
	p, err := object(at, raw)
	if err != nil {
		return err
	}
	kind, err := text(p, at+".", "resourceType")
	if err != nil {
		return err
	}
	if kind == "OperationOutcome" {
		return missing("incomplete", at+" is an OperationOutcome: the EHR could not read the Patient")
	}
	if kind != "Patient" {
		return invalid(at+".resourceType", "value", "%s is a resource of type %s, not a Patient; fill the template %s", at, shown(kind),
			prefetchTemplate)
	}
	if absent(p["id"]) {
		return invalid(at+".id", "required",
			"the prefetched Patient has no id, so nobody can tell whether it is the patient of the open chart; send the resource with "+
				"its id")
	}
	own, err := text(p, at+".", "id")
	if err != nil {
		return err
	}
	if own != r.PatientID {
		return invalid(at+".id", "conflict",
			"the prefetched Patient is not the one that context.patientId names: no advice is given for a chart that mixes two patients; "+
				"send the Patient of the open chart")
	}
	if !absent(p["birthDate"]) && (json.Unmarshal(p["birthDate"], &r.BirthDate) != nil || !fhirDate.MatchString(r.BirthDate)) {
		return invalid(at+".birthDate", "value", "%s.birthDate must be a date such as 1961-05-17, 1961-05 or 1961", at)
	}
	if absent(p["identifier"]) {
		return nil
	}
	r.Identifiers, err = identifiers(at+".identifier", p["identifier"])
	return err
}

// identifiers reads those with a system and a value; the others identify nobody.
func identifiers(at string, raw json.RawMessage) ([]card.Identifier, error) {
	var items []json.RawMessage
	if json.Unmarshal(raw, &items) != nil {
		return nil, invalid(at, "structure", "%s must be a JSON array", at)
	}
	var out []card.Identifier
	seen := map[card.Identifier]bool{}
	for i, item := range items {
		here := fmt.Sprintf("%s[%d]", at, i)
		o, err := object(here, item)
		if err != nil {
			return nil, err
		}
		var id card.Identifier
		for name, to := range map[string]*string{"system": &id.System, "value": &id.Value} {
			if !absent(o[name]) && json.Unmarshal(o[name], to) != nil {
				return nil, invalid(here+"."+name, "structure", "%s.%s must be a JSON string", here, name)
			}
		}
		if id.System == "" || id.Value == "" || seen[id] {
			continue
		}
		if seen[id] = true; len(seen) > maxIdentifiers {
			return nil, invalid(at, "too-costly", "the Patient has more than %d identifiers; send fewer", maxIdentifiers)
		}
		out = append(out, id)
	}
	return out, nil
}

func absent(raw json.RawMessage) bool { return len(raw) == 0 || string(bytes.TrimSpace(raw)) == "null" }

// object takes an object apart by the names of its members, to the letter. A name that comes
// twice is refused: who the patient is may not depend on which of the two a reader takes.
func object(at string, raw json.RawMessage) (map[string]json.RawMessage, error) {
	what := cmp.Or(at, "the body")
	wrong := func() error {
		return invalid(at, "structure", "%s must be a JSON object", what)
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return nil, wrong()
	}
	out := map[string]json.RawMessage{}
	for d.More() {
		t, err := d.Token()
		name, ok := t.(string)
		if err != nil || !ok {
			return nil, wrong()
		}
		if _, twice := out[name]; twice {
			return nil, invalid(at, "structure", "%s has the member %q twice; send it once", what, shown(name))
		}
		var value json.RawMessage
		if err := d.Decode(&value); err != nil {
			return nil, wrong()
		}
		out[name] = value
	}
	return out, nil
}

// text reads a string that must be there.
func text(o map[string]json.RawMessage, prefix, name string) (string, error) {
	at := prefix + name
	if absent(o[name]) {
		return "", invalid(at, "required", "%s is missing; the CDS Hooks request needs it", at)
	}
	var s string
	if json.Unmarshal(o[name], &s) != nil || s == "" {
		return "", invalid(at, "value", "%s must be a JSON string that is not empty", at)
	}
	return s, nil
}
