package fhir_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
)

// published are the SNOMED CT codes that may be given out, with their display and where
// they were read. The sources: hl7.fhir.r4.examples 4.0.1 (value sets and examples of
// FHIR R4) and hl7.terminology.r4 7.0.1 (ValueSet snomed-intl-gps, the Global Patient Set;
// its displays end in the semantic tag, which is left out here).
var published = map[string][2]string{
	"302497006": {"Hemodialysis", "ValueSet snomed-intl-gps"},
	"385669000": {"Successful", "R4 ValueSet procedure-outcome"},
	"385671000": {"Unsuccessful", "R4 ValueSet procedure-outcome"},
	"385670004": {"Partially successful", "R4 ValueSet procedure-outcome"},
	"79068005":  {"Needle, device", "ValueSet snomed-intl-gps; R4 example Procedure biopsy"},
	"257867005": {"Insertion - action", "R4 expansion of ValueSet device-action"},
	"14975008":  {"Forearm structure", "ValueSet snomed-intl-gps; R4 example BodyStructure skin-patch"},
}

// all renders resources of every kind: an invented session, random facts of every kind,
// parties and a judgement.
func all(t *testing.T, o fhir.Options) []fhir.Resource {
	t.Helper()
	c := ctx()
	c.Options = o
	out := append(parties(t, c), reports(t, c)...)
	units := fhirtest.Units(effective(t, scenario()...))
	r := rand.New(rand.NewPCG(5, 6))
	for range 40 {
		for _, kind := range fhirtest.Kinds() {
			facts, err := fhirtest.Facts(fhirtest.Event("m", "s", fhirtest.Start, minute, fhirtest.Wrap(fhirtest.Fill(r, kind))))
			if err != nil {
				continue // the random message could not be sent
			}
			units[fmt.Sprint("random ", len(units))] = record.Effective(facts)
		}
	}
	for _, unit := range units {
		rs, err := fhir.Session(c, unit)
		if err != nil {
			continue // a value that no version knows
		}
		out = append(out, rs...)
	}
	j := judgement()
	rs, err := fhir.Judged(c, fhir.JudgedView{Patient: fhirtest.Patient, Judgement: j, All: j})
	if err != nil {
		t.Fatal(err)
	}
	return append(out, rs...)
}

// Every SNOMED CT code that is given out is published, with this display; and each of the
// list is given out.
func TestSNOMEDIsPublished(t *testing.T) {
	found := map[string]bool{}
	for _, r := range all(t, fhir.Options{}) {
		walk(decode(t, r.Body), func(m map[string]any) {
			if m["system"] != fhir.SNOMED {
				return
			}
			code := m["code"].(string)
			found[code] = true
			if m["display"] != published[code][0] || published[code][1] == "" {
				t.Errorf("%v is given out; published is %q", m, published[code])
			}
		})
	}
	for code := range published {
		if !found[code] {
			t.Errorf("%s was not given out", code)
		}
	}
}

func TestNoSNOMED(t *testing.T) {
	rs := all(t, fhir.Options{NoSNOMED: true})
	types := map[string]bool{}
	for _, r := range rs {
		types[r.Type] = true
		if bytes.Contains(r.Body, []byte("snomed")) {
			t.Errorf("a SNOMED CT code although switched off: %s", r.Body)
		}
		for _, k := range r.Index.Tokens {
			if k.System == fhir.SNOMED {
				t.Errorf("%s/%s is found by the SNOMED CT code %s although switched off", r.Type, r.ID, k.Code)
			}
		}
	}
	if len(types) != 13 {
		t.Errorf("only these types were looked at: %v", types)
	}
}

// walk visits every object.
func walk(v any, visit func(map[string]any)) {
	switch x := v.(type) {
	case map[string]any:
		visit(x)
		for _, e := range x {
			walk(e, visit)
		}
	case []any:
		for _, e := range x {
			walk(e, visit)
		}
	}
}
