package view_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
)

// procedure is one at the unit, as the projector renders it: performed is performedPeriod or
// performedDateTime; without an end it goes on.
func procedure(id, code, status, performed string, low, high time.Time) fhir.Resource {
	return fhir.Resource{Type: "Procedure", ID: id, Patient: "p", Body: fmt.Appendf(nil, `{"id":"%s",%s,"resourceType":"Procedure"}`, id, performed),
		Index: fhir.Index{
			Tokens:     []fhir.Token{{Param: "code", Code: code}, {Param: "status", Code: status}},
			References: []fhir.Reference{{Param: "location", Type: "Location", ID: "unit"}},
			Dates:      []fhir.Period{{Param: "date", Low: low, High: high}},
		}}
}

// The earliest treatment is the one that began first, whether or when it ended: care counts
// from its start, as in the fold of a patient's stays (surveil).
func TestTheEarliestTreatmentIsTheOneThatBeganFirst(t *testing.T) {
	hour := func(day string, h int) time.Time {
		d, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Fatal(err)
		}
		return d.Add(time.Duration(h) * time.Hour)
	}
	const began, ended, on = `"performedPeriod":{"start":"x"}`, `"performedPeriod":{"end":"x"}`, `"performedDateTime":"x"`
	session := func(id, status, performed string, low, high time.Time) fhir.Resource {
		return procedure(id, "haemodialysis", status, performed, low, high)
	}
	whole := session("whole", "completed", began, hour("2025-03-10", 8), hour("2025-03-10", 12))
	for _, c := range []struct {
		name string
		list []fhir.Resource
		want string
	}{
		{"nothing", nil, ""},
		{"one session", []fhir.Resource{whole}, "2025-03-10"},
		{"an earlier session whose end was never told", []fhir.Resource{whole, session("open", "in-progress", began, hour("2025-03-03", 8), fhir.EndOfTime())}, "2025-03-03"},
		{"only sessions whose end was never told", []fhir.Resource{session("b", "in-progress", began, hour("2025-03-05", 8), fhir.EndOfTime()), session("a", "in-progress", began, hour("2025-03-03", 8), fhir.EndOfTime())}, "2025-03-03"},
		{"a night's session that ended after a later, shorter one", []fhir.Resource{session("night", "completed", began, hour("2025-03-03", 22), hour("2025-03-04", 6)), session("short", "completed", began, hour("2025-03-04", 1), hour("2025-03-04", 4))}, "2025-03-03"},
		{"a session of which only the end is told", []fhir.Resource{whole, session("end", "completed", ended, fhir.BeginningOfTime(), hour("2025-03-03", 12))}, "2025-03-10"},
		{"a session that was missed", []fhir.Resource{whole, session("missed", "not-done", on, hour("2025-03-03", 0), hour("2025-03-04", 0))}, "2025-03-10"},
		{"a session of which only the preparation is told", []fhir.Resource{whole, session("chair", "unknown", on, hour("2025-03-03", 0), hour("2025-03-04", 0))}, "2025-03-10"},
		{"a needle", []fhir.Resource{whole, procedure("needle", "insertion-blunt", "completed", on, hour("2025-03-03", 8), hour("2025-03-03", 9))}, "2025-03-03"},
		{"a needle that was taken back", []fhir.Resource{whole, procedure("needle", "insertion-blunt", "entered-in-error", on, hour("2025-03-03", 8), hour("2025-03-03", 9))}, "2025-03-10"},
	} {
		w := open(t)
		if len(c.list) > 0 {
			w.put(at(0), c.list...)
		}
		err := w.store.Reading(context.Background(), func(l view.Loader, _ view.Checkpoint) error {
			d, ok, err := l.EarliestCare("unit", surveil.MonthOf(2025, time.January).First(), time.UTC)
			if got := map[bool]string{true: d.String()}[ok]; err == nil && got != c.want {
				t.Errorf("%s: care begins on %q, want %q", c.name, got, c.want)
			}
			return err
		})
		if err != nil {
			t.Fatal(c.name, err)
		}
	}
}
