package fhir_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/oracle/needling/histories"
	"cannulary/internal/record"
	"cannulary/internal/track"
)

// judgedHistory folds an invented history after each event, and hands over each judgement
// with the patient and the facts so far.
func judgedHistory(t *testing.T, i int, each func(facts []record.Fact, c fhir.Context, v fhir.JudgedView)) {
	t.Helper()
	r := rand.New(rand.NewPCG(7, uint64(i)))
	h := histories.Make(r.Uint64()>>2, 3+r.IntN(14), []float64{0, 0.015, 0.04, 0.12}[i%4])
	all, err := h.All()
	if err != nil {
		t.Fatal(err)
	}
	for n := 1; n <= len(all); n++ {
		if n < len(all) && all[n].EventID == all[n-1].EventID {
			continue
		}
		q := h.AskOf(all[:n])
		if len(q.Items) == 0 {
			continue
		}
		last := q.Items[len(q.Items)-1]
		j := track.Fold(track.Input{Items: q.Items, Ratings: q.Ratings, Refused: q.Refused, Book: q.Book, Zone: h.Zone, AsOf: last.At})
		each(all[:n], fhir.Context{Zone: h.Zone(last.Facility), Facility: last.Facility}, fhir.JudgedView{Patient: q.Survivor, Judgement: &j, All: &j})
	}
}

// TestJudgedHistories holds what must be so of the judgement of every history: no empty
// value, order and uniqueness, a status, code and patient on everything, no reference that
// dangles. Rendering only what changed by itself gives what rendering everything does,
// wherever the view's Basis is the same as before.
func TestJudgedHistories(t *testing.T) {
	const runs = 32
	kinds := map[string]bool{}
	total, spared := 0, 0
	for i := range runs {
		store := map[string]string{}
		basis, n := "", 0
		var before track.Judgement
		judgedHistory(t, i, func(facts []record.Fact, c fhir.Context, v fhir.JudgedView) {
			part := *v.Judgement
			now := v.Basis()
			if now == basis {
				part.Tracks = changed(part.Tracks, before.Tracks, func(s *track.State) string { return s.ID })
				part.Holds = changed(part.Holds, before.Holds, func(h *track.Hold) string { return h.ID })
				part.Findings = changed(part.Findings, before.Findings, func(f *track.Finding) string { return f.ID })
			}
			some, err := fhir.Judged(c, fhir.JudgedView{Patient: v.Patient, Judgement: &part, All: v.All})
			if err != nil {
				t.Fatalf("history %d: %v", i, err)
			}
			for _, r := range some {
				store[r.Type+"/"+r.ID] = string(r.Body) + fmt.Sprint(indexLines(r.Index))
			}
			all, err := fhir.Judged(c, v)
			if err != nil {
				t.Fatalf("history %d: %v", i, err)
			}
			spared += len(all) - len(some)
			for _, r := range all {
				total++
				if full := string(r.Body) + fmt.Sprint(indexLines(r.Index)); store[r.Type+"/"+r.ID] != full {
					t.Fatalf("history %d after %d facts: %s/%s is stored as\n%s\nand rendered with all as\n%s", i, len(facts), r.Type, r.ID, store[r.Type+"/"+r.ID], full)
				}
			}
			if n++; n%8 != 0 {
				basis, before = now, *v.Judgement
				return
			}
			if err := checkJudged(t, all, facts, v.Patient, kinds); err != nil {
				t.Fatalf("history %d after %d facts: %v", i, len(facts), err)
			}
			if err := checkJudged(t, takenBack(t, v.Patient, all), facts, v.Patient, map[string]bool{}); err != nil {
				t.Fatalf("history %d, taken back: %v", i, err)
			}
			basis, before = now, *v.Judgement
		})
	}
	t.Logf("%d resources, %d not rendered again; %d kinds", total, spared, len(kinds))
	// Rules that histories raise, stages, and both states of a Flag.
	if len(kinds) < 40 || spared < total/2 {
		t.Errorf("%d of %d resources spared, kinds %v", spared, total, kinds)
	}
}

func changed[T any](now, before []T, id func(*T) string) []T {
	old := map[string]*T{}
	for i := range before {
		old[id(&before[i])] = &before[i]
	}
	var out []T
	for i := range now {
		if b := old[id(&now[i])]; b == nil || !reflect.DeepEqual(*b, now[i]) {
			out = append(out, now[i])
		}
	}
	return out
}

func checkJudged(t *testing.T, rs []fhir.Resource, facts []record.Fact, patient string, kinds map[string]bool) error {
	t.Helper()
	known := partiesOf(facts)
	for i := range facts {
		known["Patient/"+facts[i].PatientKey] = true
	}
	last := ""
	for _, r := range rs {
		key := r.Type + "/" + r.ID
		if key <= last {
			return fmt.Errorf("%s comes after %s", key, last)
		}
		last, known[key] = key, true
	}
	for _, r := range rs {
		m := decode(t, r.Body)
		if e := empties(m, r.Type); len(e) > 0 {
			return fmt.Errorf("%v in %s", e, r.Body)
		}
		owner := at(m, "subject.reference")
		if r.Type == "DetectedIssue" {
			owner = at(m, "patient.reference")
		}
		if m["resourceType"] != r.Type || m["id"] != r.ID || m["status"] == nil || at(m, "code.text") == nil || owner != "Patient/"+patient || r.Patient != patient {
			return fmt.Errorf("no status, code or patient: %s", r.Body)
		}
		for _, ref := range references(m) {
			if !known[ref] {
				return fmt.Errorf("%s dangles in %s", ref, r.Body)
			}
		}
		kinds[fmt.Sprintf("%s %v %v", r.Type, m["status"], at(m, "code.coding.0.code"))] = true
		if r.Type == "Observation" {
			kinds[fmt.Sprint(at(m, "valueCodeableConcept.coding.0.code"))] = true
		}
	}
	return nil
}
