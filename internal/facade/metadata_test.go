package facade_test

import (
	"encoding/json"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/facade"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
)

func TestMetadataIsTheTable(t *testing.T) {
	s := newService(t)
	a := s.get("/metadata")
	var c struct {
		ResourceType, Status, Date, Kind, FhirVersion string
		Implementation                                struct{ URL string }
		Rest                                          []struct {
			Mode     string
			Resource []struct {
				Type        string
				Interaction []struct{ Code string }
				SearchParam []struct{ Name, Type string }
				Operation   []struct{ Name string }
			}
		}
	}
	if err := json.Unmarshal(a.body, &c); err != nil {
		t.Fatal(err)
	}
	if c.ResourceType != "CapabilityStatement" || c.Status != "active" || c.Kind != "instance" || c.FhirVersion != "4.0.1" || c.Date != "2027-03-01T07:00:00Z" || c.Implementation.URL != base || len(c.Rest) != 1 || c.Rest[0].Mode != "server" {
		t.Errorf("it is %+v", c)
	}
	types := facade.Types()
	if len(types) != len(c.Rest[0].Resource) {
		t.Fatalf("%d types, the table has %d", len(c.Rest[0].Resource), len(types))
	}
	for i, typ := range types {
		r := c.Rest[0].Resource[i]
		var interactions, params, want []string
		for _, x := range r.Interaction {
			interactions = append(interactions, x.Code)
		}
		for _, p := range r.SearchParam {
			params = append(params, p.Name+" "+p.Type)
		}
		for _, p := range typ.Params {
			want = append(want, p.Name+" "+string(p.Type))
		}
		offered := []string{"read", "vread", "history-instance", "history-type", "search-type"}
		if typ.Published {
			offered = []string{"read", "search-type"}
		}
		if r.Type != typ.Name || !reflect.DeepEqual(params, want) || !reflect.DeepEqual(interactions, offered) || (len(r.Operation) == 1) != typ.Everything {
			t.Errorf("%s: %v %v %v", r.Type, interactions, params, r.Operation)
		}
		// What is promised is answered.
		if typ.Published {
			continue // TestPublished
		}
		s.put(at(i), resource(typ.Name, "x", "", "", fhir.Index{}))
		paths := []string{"/" + typ.Name + "/x", "/" + typ.Name + "/x/_history/1", "/" + typ.Name + "/x/_history", "/" + typ.Name + "/_history", "/" + typ.Name, "/_history"}
		if typ.Everything {
			paths = append(paths, "/"+typ.Name+"/x/$everything")
		}
		for _, p := range paths {
			if a := s.get(p); a.status != 200 {
				t.Errorf("%s: %d", p, a.status)
			}
		}
	}
}

// TestTableFitsTheIndex renders invented facts of every kind and checks that each search
// value stands under a parameter of the table of the same type. What the table leaves out
// is listed with its reason.
func TestTableFitsTheIndex(t *testing.T) {
	left := map[string]string{
		"Device udi-carrier": "R4 makes it a string parameter, which matches beginnings; the index holds whole values",
	}
	table := map[string]facade.ParamType{}
	targets := map[string][]string{}
	for _, typ := range facade.Types() {
		for _, p := range typ.Params {
			if p.Logical {
				table[typ.Name+" "+p.Name+":identifier"] = facade.TokenParam
				continue
			}
			table[typ.Name+" "+p.Name], targets[typ.Name+" "+p.Name] = p.Type, p.Targets
		}
	}
	used := map[string]bool{}
	check := func(typ, param string, kind facade.ParamType, target string) {
		key := typ + " " + param
		used[key] = true
		if _, ok := left[key]; ok {
			return
		}
		if table[key] != kind {
			t.Errorf("the index has %s of type %s, the table %q", key, kind, table[key])
		}
		if target != "" && !slices.Contains(targets[key], target) {
			t.Errorf("the index has %s refer to %s, the table to %v", key, target, targets[key])
		}
	}
	checkAll := func(list []fhir.Resource) {
		for _, r := range list {
			for _, x := range r.Index.Tokens {
				// A reference that is known by its identifier only is there, if not to be followed.
				if p, ok := strings.CutSuffix(x.Param, ":identifier"); ok && table[r.Type+" "+p] == facade.ReferenceParam {
					continue
				}
				check(r.Type, x.Param, facade.TokenParam, "")
			}
			for _, x := range r.Index.Strings {
				check(r.Type, x.Param, facade.StringParam, "")
			}
			for _, x := range r.Index.Dates {
				check(r.Type, x.Param, facade.DateParam, "")
			}
			for _, x := range r.Index.Quantities {
				check(r.Type, x.Param, facade.QuantityParam, "")
			}
			for _, x := range r.Index.References {
				check(r.Type, x.Param, facade.ReferenceParam, x.Type)
			}
		}
	}
	r := rand.New(rand.NewPCG(1, 2))
	c := fhir.Context{Facility: "harbour"}
	for range 300 {
		for _, kind := range fhirtest.Kinds() {
			m := fhirtest.Fill(r, kind)
			facts, err := fhirtest.Facts(fhirtest.Event("m", "s", fhirtest.Start, 3, fhirtest.Wrap(m)))
			if err != nil {
				continue // the random message could not be sent
			}
			if list, err := fhir.Session(c, record.Effective(facts)); err == nil {
				checkAll(list)
			}
		}
	}
	for _, activity := range []fhir.Activity{fhir.ActivityCreate, fhir.ActivityUpdate} {
		var refs []fhir.VersionedReference
		for _, typ := range facade.Types() {
			if typ.Name != "Provenance" && !typ.Published {
				refs = append(refs, fhir.VersionedReference{Type: typ.Name, ID: "x", Version: 1})
			}
		}
		list, err := fhir.Provenance(c, fhir.ProvenanceView{EventID: "e", Source: "engine", SourceMessageID: "m", OccurredAt: start, Precision: 3, Recorded: start, Targets: refs, Activity: activity,
			Recorder: fhirtest.Event("m", "", start, 3).Recorder})
		if err != nil {
			t.Fatal(err)
		}
		checkAll(list)
	}
	for _, merged := range []string{"", "other"} {
		p, err := fhir.Patient(c, fhir.PatientView{Key: "p", MergedInto: merged})
		if err != nil {
			t.Fatal(err)
		}
		checkAll([]fhir.Resource{p})
	}
	checkAll(judgement(t, "p", true))
	checkAll(judgement(t, "p", false))
	for key := range left {
		if !used[key] {
			t.Errorf("%s is left out, but the index does not fill it", key)
		}
	}
	// The test must have seen the types with the most parameters for it to mean anything.
	for _, key := range []string{"Procedure date", "Procedure track", "Observation value-quantity", "Observation component-value-quantity", "Observation focus", "Provenance target", "Provenance recorded", "Patient link",
		"DetectedIssue code", "DetectedIssue identified", "DetectedIssue implicated", "DetectedIssue patient", "Flag date", "Flag author", "Flag patient", "Flag subject", "Flag track", "Observation value-concept"} {
		if !used[key] {
			t.Errorf("the index did not fill %s", key)
		}
	}
}
