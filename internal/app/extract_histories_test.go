package app_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/internal/extract"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	"cannulary/internal/testkit/tier"
	"cannulary/internal/view"
	v1 "cannulary/proto/cannulary/v1"
)

// Histories of moves, guests, merges, reversals, corrections and voids, with two starts of the service in between: the
// extract holds what its specification says, and nothing that a reader can ask for shows more.
func TestAnExtractHoldsWhatItsSpecificationSays(t *testing.T) {
	t.Parallel()
	for seed := range tier.Of[uint64](6, 24) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			u := newUnits(t)
			for part := range uint64(3) {
				if part > 0 {
					u.again(part == 1)
				}
				u.live(rand.New(rand.NewPCG(seed+100*part, 14)), tier.Of(17, 30))
			}
			u.settled()
			events := u.logged()
			zones := map[string]*time.Location{north: u.app.Projector().Zone(north), south: u.app.Projector().Zone(south)}
			for who, own := range map[string]string{"north": north, "south": south} {
				l := &letter{T: t, own: own, events: events, zones: zones}
				may := l.may()
				u.compare(who, own, events, may)
				u.says(who, own, l.scopes)
			}
		})
	}
}

// logged lists the events that the view of the whole log has.
func (u *units) logged() (out []view.StoredEvent) {
	err := u.app.Store().Held(u.Context(), func(h view.Held) (err error) {
		out, err = h.After(0, 1<<20)
		return err
	})
	if err != nil {
		u.Fatal(err)
	}
	return out
}

// compare holds the extract's own view, and what a reader gets, against what may be read.
func (u *units) compare(who, own string, events []view.StoredEvent, may map[string]bool) {
	u.Helper()
	has := map[string]bool{}
	for _, e := range u.extracted(own) {
		for i, f := range e.Event.GetFacts() {
			if e.Event.GetPatientKey() != "" && f.GetWithheld() == nil {
				has[record.FactID(e.Event.GetId(), i)] = true
			}
		}
	}
	text := u.everything(who)
	export := u.exported(who)
	if n := strings.Count(export, "\n"); n == 0 && len(may) > 0 {
		u.Errorf("%s: the export is empty", who)
	}
	text += export + u.otherWays(who, own)
	u.hides(who, text, events, may)
	for _, e := range events {
		some := false
		for i, f := range e.Event.GetFacts() {
			id := record.FactID(e.Event.GetId(), i)
			if e.Event.GetPatientKey() == "" {
				continue
			}
			some = some || may[id]
			if has[id] != may[id] {
				u.Errorf("%s: fact %d of entry %d, %s at %s (%T): in the extract %t, specified %t", who, i, e.Seq, e.Event.GetSourceMessageId(),
					e.Event.GetFacility(), f.GetFact(), has[id], may[id])
			}
		}
		if e.Event.GetPatientKey() != "" && !some && strings.Contains(text, e.Event.GetSourceMessageId()) {
			u.Errorf("%s reads of entry %d, %s at %s", who, e.Seq, e.Event.GetSourceMessageId(), e.Event.GetFacility())
		}
	}
	if own == north && strings.Contains(text, "shift-"+south) || own == south && strings.Contains(text, "shift-"+north) {
		u.Errorf("%s reads the other unit's shifts", who)
	}
	u.sameAsWhole(who, own)
}

// says holds the versions of each Patient against what they have to say of the record, one after the other.
func (u *units) says(who, own string, scopes map[string][]bool) {
	u.Helper()
	got := map[string][]bool{}
	for _, e := range u.extracted(own) {
		if s := e.Event.GetFacts()[0].GetRecordScope(); s != nil {
			got[e.Event.GetPatientKey()] = append(got[e.Event.GetPatientKey()], s.GetWhole())
		}
	}
	if !reflect.DeepEqual(got, scopes) {
		u.Errorf("%s: the extract says that records open and end so: %v; by the specification %v", who, got, scopes)
	}
	n := 0
	for key, want := range scopes {
		var said []bool
		for _, p := range u.versions(who, key) {
			if whole, ok := wholeRecord(p); ok && (len(said) == 0 || said[len(said)-1] != whole) {
				said = append(said, whole)
			}
		}
		if !slices.Equal(said, want) {
			u.Errorf("%s: the versions of Patient %s say %v, want %v", who, key, said, want)
		}
		n += len(want)
	}
	u.Logf("%s: %d times a record opened or ended", who, n)
}

// versions are those of a Patient, the oldest first.
func (u *units) versions(who, key string) (out []any) {
	u.Helper()
	code, body := u.get(who, "/fhir/Patient/"+key+"/_history?_count=500")
	if code != http.StatusOK {
		u.Fatalf("history of %s: %d %.300s", key, code, body)
	}
	entries, _ := u.values(body)["entry"].([]any)
	for _, e := range slices.Backward(entries) {
		out = append(out, e.(map[string]any)["resource"])
	}
	return out
}

// wholeRecord is what a Patient says of the record; ok is false where it says nothing.
func wholeRecord(patient any) (whole, ok bool) {
	p, _ := patient.(map[string]any)
	list, _ := p["extension"].([]any)
	for _, x := range list {
		if e, _ := x.(map[string]any); e["url"] == "https://cannulary.example/fhir/StructureDefinition/whole-record" {
			whole, ok = e["valueBoolean"].(bool)
		}
	}
	return whole, ok
}

// hides says where a text shows a patient, a session or a member of staff of whom nothing may be read.
func (u *units) hides(who, text string, events []view.StoredEvent, may map[string]bool) {
	u.Helper()
	seen, hidden := map[string]bool{}, map[string]bool{}
	for _, e := range events {
		facts, err := record.Facts(e.Event, e.Seq, e.Logged)
		if err != nil {
			u.Fatal(err)
		}
		for i := range facts {
			f := &facts[i]
			names := []string{f.PatientKey, f.MergedKey}
			if f.HasSession() {
				names = append(names, f.SessionValue)
			}
			for _, name := range names {
				if seen[name] = seen[name] || may[f.ID] || name == ""; !seen[name] {
					hidden[name] = true
				}
			}
		}
	}
	n := 0
	for name := range hidden {
		if seen[name] {
			continue
		}
		n++
		if strings.Contains(text, name) {
			u.Errorf("%s reads of %s", who, name)
		}
	}
	u.Logf("%s: of %d patients and sessions nothing is read", who, n)
}

// extracted reads the events of the extract's view.
func (u *units) extracted(own string) (out []view.StoredEvent) {
	dir := filepath.Join(filepath.Dir(u.app.Store().Path()), "extract-"+extract.ID([]string{own}))
	c, err := view.Open(u.Context(), dir)
	if err != nil {
		u.Fatal(err)
	}
	defer func() { _ = c.Close() }()
	if err := c.Held(u.Context(), func(h view.Held) (err error) {
		out, err = h.After(0, 1<<20)
		return err
	}); err != nil {
		u.Fatal(err)
	}
	return out
}

// sameAsWhole holds the resources of patients who are at a facility against those that a reader of everything gets.
func (u *units) sameAsWhole(who, own string) {
	u.Helper()
	n := 0
	for _, p := range []string{"P-1", "P-2", "P-3", "P-4", "P-5", "P-6"} {
		path := "/card?identifier=https://hospital.example/patient-number|" + p
		code, text := u.get(who, path)
		if code != http.StatusOK || strings.Contains(text, `"partial":true`) {
			continue
		}
		_, all := u.get("whole", path)
		a, b := u.values(text), u.values(all)
		for _, m := range []map[string]any{a, b} {
			delete(m, "knownAt")
			delete(m, "asOf")
		}
		if !reflect.DeepEqual(a, b) {
			u.Errorf("%s: the card of %s differs\n%s\n%s", who, p, text, all)
		}
		patient, _ := a["patient"].(map[string]any)
		key, _ := patient["id"].(string)
		one, other := u.resources(who, key), u.resources("whole", key)
		if !reflect.DeepEqual(one, other) {
			for _, k := range slices.Sorted(maps.Keys(other)) {
				if !reflect.DeepEqual(one[k], other[k]) {
					a, _ := one[k].(map[string]any)
					b, _ := other[k].(map[string]any)
					for field := range b {
						if !reflect.DeepEqual(a[field], b[field]) {
							u.Errorf("%s: %s of %s at %s: %s\n%v\nwhole\n%v", who, k, p, own, field, a[field], b[field])
						}
					}
				}
			}
			for k := range one {
				if other[k] == nil {
					u.Errorf("%s: %s of %s is in no other view", who, k, p)
				}
			}
		}
		n += len(one)
	}
	u.Logf("%s: %d resources as in the whole view", who, n)
}

// resources are the clinical resources of a patient without their versions.
func (u *units) resources(who, key string) map[string]any {
	u.Helper()
	out := map[string]any{}
	for path := "/fhir/Patient/" + key + "/$everything?_count=500"; path != ""; {
		code, body := u.get(who, path)
		if code != http.StatusOK {
			u.Fatalf("%s: %d %.300s", path, code, body)
		}
		entries, _ := u.values(body)["entry"].([]any)
		for _, e := range entries {
			r, _ := e.(map[string]any)["resource"].(map[string]any)
			delete(r, "meta")
			delete(r, "issued") // when the view came to say so
			if status := r["status"]; status == "cancelled" || status == "entered-in-error" {
				continue // which findings once stood depends on the order in which facts became known
			}
			switch r["resourceType"] {
			case "Patient":
				if whole, ok := wholeRecord(r); who == "whole" && ok || who != "whole" && !whole {
					u.Errorf("%s: Patient %v says that the whole record can be read: %t, says so at all: %t", who, r["id"], whole, ok)
				}
				delete(r, "extension")
			case "Provenance", "Practitioner", "Organization", "Location":
				continue
			}
			out[fmt.Sprint(r["resourceType"], "/", r["id"])] = r
		}
		path = u.next(body)
	}
	return out
}

func (u *units) values(text string) map[string]any {
	u.Helper()
	var m map[string]any
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		u.Fatalf("%v in %.200s", err, text)
	}
	return m
}

// live draws a history of six patients at two units.
func (u *units) live(r *rand.Rand, steps int) {
	u.Helper()
	var ids []string
	patients := []string{"P-1", "P-2", "P-3", "P-4", "P-5", "P-6"}
	merged := map[string]string{}
	sessions := map[string][]string{}
	for range steps {
		n := r.IntN(len(patients))
		p, f := patients[n], []string{north, south}[n%2]
		if r.IntN(8) == 0 { // elsewhere than at home
			f = []string{south, north}[n%2]
		}
		now := u.clock.Now()
		staff := fmt.Sprintf("%s-%d", f, r.IntN(3))
		add := func(id string) { ids = append(ids, id+" "+p) }
		switch k := r.IntN(20); {
		case k < 4:
			add(u.send(f, p, "", now, admitted()))
		case k < 6:
			add(u.send(f, p, "", now, left()))
		case k < 11:
			s := fmt.Sprintf("T-%d-end", u.sent)
			sessions[p] = append(sessions[p], s)
			add(u.send(f, p, s, now, started(), needle(staff)))
		case k == 11:
			u.facility(f, rated(fmt.Sprintf("%s-%d", f, r.IntN(3))), rated(fmt.Sprintf("%s-%d", f, r.IntN(3))))
		case k == 12:
			add(u.send(f, p, "", now, &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{Track: "A1",
				PlacedBy: testkit.Staff(staff), Reason: "Invented swelling"}}}))
		case k == 13 && len(ids) > 0:
			id, about, _ := strings.Cut(ids[r.IntN(len(ids))], " ")
			ids = append(ids, u.send(f, about, "", now, &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{
				Fact: &v1.FactReference{Source: "lead", SourceMessageId: id}, Reason: "Wrong"}}}, needle(staff))+" "+about)
		case k == 14 && len(sessions[p]) > 0:
			u.send(f, p, "", now, &v1.CannulationFact{Fact: &v1.CannulationFact_SessionVoided{SessionVoided: &v1.SessionVoided{
				Session: testkit.Session(sessions[p][r.IntN(len(sessions[p]))]), Reason: "Opened by mistake"}}})
		case k == 15:
			other := patients[r.IntN(len(patients))]
			if other != p && merged[p] == "" && merged[other] == "" {
				merged[other] = p
				u.send(f, p, "", now, &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{
					Retired: testkit.Patient(other)}}})
			}
		case k == 16:
			for _, other := range slices.Sorted(maps.Keys(merged)) {
				u.send(f, merged[other], "", now, &v1.RosterFact{Fact: &v1.RosterFact_MergeReversed{MergeReversed: &v1.MergeReversed{
					Retired: testkit.Patient(other)}}})
				delete(merged, other)
				break
			}
		default:
			u.nextDay()
		}
	}
}
