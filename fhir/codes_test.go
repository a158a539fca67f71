package fhir_test

import (
	"regexp"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/fhir"
	"cannulary/internal/testkit/fhirtest"
)

func TestCodes(t *testing.T) {
	code := regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	seen := map[string]bool{}
	for _, c := range fhir.Codes() {
		if !code.MatchString(c.Code) || seen[c.Code] || c.Display == "" || len(c.Definition) < 3 || c.Definition[len(c.Definition)-1] != '.' {
			t.Errorf("bad or repeated code %+v", c)
		}
		seen[c.Code] = true
	}
}

// Every value of every enum that a rendered fact may hold has a code.
func TestEveryEnumValueHasACode(t *testing.T) {
	have := map[string]bool{}
	for _, c := range fhir.Codes() {
		have[c.Code] = true
	}
	// Enums that no resource tells: days, precision, why somebody left, holds' and plans' own.
	untold := map[protoreflect.Name]bool{
		"TimePrecision": true, "Weekday": true, "LeavingReason": true, "AccessRetirementReason": true, "InfectionClass": true,
		"Engorgement": true, "TrackStage": true, "CultureSpecimen": true,
		// FINDING_NOT_EXAMINED is a dataAbsentReason; the others are tested in TestFindings.
		"Finding": true,
	}
	enums := 0
	done := map[protoreflect.FullName]bool{}
	var walk func(d protoreflect.MessageDescriptor)
	walk = func(d protoreflect.MessageDescriptor) {
		if done[d.FullName()] {
			return
		}
		done[d.FullName()] = true
		for i := 0; i < d.Fields().Len(); i++ {
			fd := d.Fields().Get(i)
			if fd.Message() != nil {
				walk(fd.Message())
			}
			if fd.Enum() == nil || untold[fd.Enum().Name()] || done[fd.Enum().FullName()] {
				continue
			}
			done[fd.Enum().FullName()] = true
			enums++
			for j := 0; j < fd.Enum().Values().Len(); j++ {
				v := fd.Enum().Values().Get(j)
				if v.Number() != 0 && !have[fhir.EnumCode(string(v.Name()))] {
					t.Errorf("%s has no code %s", v.FullName(), fhir.EnumCode(string(v.Name())))
				}
			}
		}
	}
	for _, m := range fhirtest.Kinds() {
		walk(m.ProtoReflect().Descriptor())
	}
	if enums < 20 {
		t.Errorf("only %d enums were looked at", enums)
	}
}
