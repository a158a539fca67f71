package view_test

import (
	"context"
	"fmt"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/view"
)

// BenchmarkReading reads pages of 50 from an invented view: 100 patients with 500
// Observations and 100 Procedures each.
func BenchmarkReading(b *testing.B) {
	w, ctx := open(b), context.Background()
	const patients = 100
	pad := fmt.Sprintf("%01200d", 0)
	for n := range 100 {
		var list []fhir.Resource
		for p := range patients {
			who := fmt.Sprint("p", p)
			subject := []fhir.Reference{ref("patient", "Patient", who), ref("subject", "Patient", who)}
			for k := range 6 {
				id, typ := fmt.Sprintf("%d-%d-%d", n, p, k), "Observation"
				if k == 0 {
					typ = "Procedure"
				}
				low := at((n*6 + k) * 86400000)
				list = append(list, resource(typ, id, who, pad, fhir.Index{
					Tokens: []fhir.Token{{Param: "status", System: "s", Code: "final"}, {Param: "code", System: "s", Code: fmt.Sprint("code", k)}, {Param: "identifier", System: "i", Code: id}},
					Dates:  []fhir.Period{{Param: "date", Low: low, High: low.AddDate(0, 0, 1)}}, References: subject}))
			}
		}
		w.put(at(n*1000), list...)
	}
	last := at(99 * 1000)
	for name, q := range map[string]view.Query{
		"patient":              {Type: "Observation", Filters: []view.Filter{{view.InCompartment{Patient: "p7"}}}},
		"patient_code":         {Type: "Observation", Filters: []view.Filter{{view.InCompartment{Patient: "p7"}}, {view.TokenIs{Param: "code", System: "s", HasSystem: true, Code: "code3"}}}},
		"identifier":           {Type: "Observation", Filters: []view.Filter{{view.TokenIs{Param: "identifier", System: "i", HasSystem: true, Code: "50-7-3"}}}},
		"frequent_status":      {Type: "Observation", Filters: []view.Filter{{view.TokenIs{Param: "status", Code: "final"}}}},
		"frequent_status_sum":  {Type: "Observation", Filters: []view.Filter{{view.TokenIs{Param: "status", Code: "final"}}}, Total: true},
		"last_updated":         {Type: "Observation", Filters: []view.Filter{{view.UpdatedIs{Prefix: view.GreaterEqual, Low: last, High: last}}}},
		"date_latest_day":      {Type: "Observation", Filters: []view.Filter{{view.DateIs{Param: "date", Prefix: view.GreaterEqual, Low: at(599 * 86400000), High: at(600 * 86400000)}}}},
		"page_after_the_mid":   {Type: "Observation", After: view.Cursor{Updated: at(50 * 1000), Seq: 51, RID: 30300}},
		"code_across_patients": {Type: "Observation", Filters: []view.Filter{{view.TokenIs{Param: "code", Code: "code3"}}, {view.TokenIs{Param: "status", Code: "none"}}}},
	} {
		q.Count = 50
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := w.store.Search(ctx, q); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("get", func(b *testing.B) {
		for b.Loop() {
			if _, ok, err := w.store.Get(ctx, "Observation", "50-7-3"); !ok || err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("everything", func(b *testing.B) {
		for b.Loop() {
			if _, err := w.store.Everything(ctx, view.EverythingQuery{Patients: []string{"p7"}, Count: 50}); err != nil {
				b.Fatal(err)
			}
		}
	})
}
