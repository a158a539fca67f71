package acceptance_test

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"cannulary/fhir"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

var (
	literal  = regexp.MustCompile(`^([A-Z][A-Za-z]+)/([A-Za-z0-9.-]{1,64})$`)
	versions = regexp.MustCompile(`^([A-Z][A-Za-z]+/[A-Za-z0-9.-]{1,64})/_history/([0-9]+)$`)
)

// references calls f for every reference in a resource.
func references(tb testing.TB, body []byte, f func(string)) {
	tb.Helper()
	var v any
	if err := json.Unmarshal(body, &v); err != nil {
		tb.Fatalf("%v in %.300s", err, body)
	}
	var walk func(any)
	walk = func(v any) {
		switch x := v.(type) {
		case map[string]any:
			for k, v := range x {
				if s, ok := v.(string); ok && k == "reference" {
					f(s)
				}
				walk(v)
			}
		case []any:
			for _, v := range x {
				walk(v)
			}
		}
	}
	walk(v)
}

// Whatever a resource refers to is there, in its newest version and in all earlier ones,
// and so is everything that can be searched for as a reference.
func TestNoReferenceDangles(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.copy(t)
	newest := map[string]string{} // Type/id → version
	for k, v := range query(t, dir, `SELECT type || '/' || id, version FROM resource`) {
		newest[k] = v
	}
	n, pinned := 0, 0
	check := func(from string, body []byte) {
		references(t, body, func(ref string) {
			n++
			if m := versions.FindStringSubmatch(ref); m != nil {
				pinned++
				_, earlier := u.tables["history"][m[1]+" "+m[2]]
				if !earlier && newest[m[1]] != m[2] {
					t.Errorf("%s refers to %s, which is not there", from, ref)
				}
				return
			}
			if !literal.MatchString(ref) || newest[ref] == "" {
				t.Errorf("%s refers to %s, which is not there", from, ref)
			}
		})
	}
	for k, v := range u.tables["resource"] {
		check(k, body(v))
	}
	for k, v := range u.tables["history"] {
		check(k, body(v))
	}
	if n < len(newest) || pinned == 0 {
		t.Errorf("only %d references, %d of them to a version, in %d resources", n, pinned, len(newest))
	}
	for _, d := range fhir.Definitions() {
		newest[d.Type+"/"+d.ID] = "1" // served beside the view
	}
	for target := range query(t, dir, `SELECT DISTINCT target FROM reference WHERE target NOT LIKE '%/_history/%'`) {
		if newest[target] == "" {
			t.Errorf("%s is indexed as a reference and is not there", target)
		}
	}
	for typ := range query(t, dir, `SELECT DISTINCT type FROM resource`) {
		t.Logf("%s: %s", typ, query(t, dir, `SELECT 'n', count(*) FROM resource WHERE type = ?`, typ)["n"])
	}
}

// After a merge the retired identity is inactive and says by whom it is replaced; all that
// was recorded under it is in the survivor's compartment.
func TestMergedPatientsAreOnePatient(t *testing.T) {
	t.Parallel()
	i := start(t, t.TempDir())
	i.post(mergeable())
	// Both ways: nothing may depend on which key sorts first.
	for n, pair := range [][2]string{{"INV-M1", "INV-M2"}, {"INV-M2", "INV-M1"}} {
		checkMerge(t, i, pair[0], pair[1], 20+2*n)
	}
	// The scenario's own merge keeps to the same.
	u := shared(t)
	retired, dir := 0, u.copy(t)
	for k, v := range u.tables["resource"] {
		if !strings.HasPrefix(k, "Patient/") || !strings.Contains(v, `"replaced-by"`) {
			continue
		}
		retired++
		if left := compartment(t, dir, strings.TrimPrefix(k, "Patient/")); !slices.Equal(left, []string{k}) || !strings.Contains(v, `"active":false`) {
			t.Errorf("%s is %s, its compartment %v", k, v, left)
		}
	}
	if p, _ := size(); retired == 0 && p > 6 {
		t.Error("the scenario has no merge")
	}
}

// checkMerge merges one patient into another on a day of February, and reverses it.
func checkMerge(t *testing.T, i *instance, survivor, retired string, day int) {
	t.Helper()
	old, kept := patientKey(t, i, retired), patientKey(t, i, survivor)
	before := dumpOrder(t, i.dir)
	cards := i.cards([]string{old, kept})
	moved := compartment(t, i.dir, old)
	if len(moved) < 8 {
		t.Fatalf("only %d resources to move: %v", len(moved), moved)
	}

	i.post([]*v1.FeedRequest{testkit.Request(about("merge of "+retired, north, survivor, fmt.Sprintf("%dT08:00", day), ""), merged(retired))})
	if left := compartment(t, i.dir, old); !slices.Equal(left, []string{"Patient/" + old}) {
		t.Errorf("still in the retired identity's compartment: %v", left)
	}
	in := compartment(t, i.dir, kept)
	for _, r := range moved {
		if r != "Patient/"+old && !slices.Contains(in, r) {
			t.Errorf("%s is not in the survivor's compartment", r)
		}
	}
	after := dumpOrder(t, i.dir)
	checkPatient(t, after, old, false, "replaced-by", kept)
	checkPatient(t, after, kept, true, "replaces", old)
	for k, v := range after["resource"] {
		if strings.Contains(v, "Patient/"+old) && !strings.HasPrefix(k, "Patient/") {
			t.Errorf("%s still refers to the retired identity: %s", k, v)
		}
	}
	// Both identifiers give the one card, with the tracks of both.
	one, two := i.cards([]string{old, kept})[old], i.cards([]string{kept})[kept]
	for _, want := range []string{`"A1"`, `"B1"`} {
		if !strings.Contains(one, `"name":`+want) || !strings.Contains(two, `"name":`+want) {
			t.Errorf("track %s is not on the cards %s and %s", want, one, two)
		}
	}

	// A reversed merge gives back, byte for byte, what was before.
	i.post([]*v1.FeedRequest{testkit.Request(about("reversal of "+retired, north, survivor, fmt.Sprintf("%dT08:00", day+1), ""), reversed(retired))})
	same(t, before, dumpOrder(t, i.dir))
	for key, is := range i.cards([]string{old, kept}) {
		if lastFact.ReplaceAllString(is, "") != lastFact.ReplaceAllString(cards[key], "") {
			a, b := around(cards[key], is)
			t.Errorf("the card of %s was …%s and is …%s", key, a, b)
		}
	}
}

// lastFact is the one thing on a card that a merge and its reversal, being facts
// themselves, move.
var lastFact = regexp.MustCompile(`"lastFactAt":"[^"]*"`)

// mergeable are two identities with a track each.
func mergeable() []*v1.FeedRequest {
	k := &knot{out: registrations()}
	for n, p := range []string{"INV-M1", "INV-M2"} {
		track := string(rune('A'+n)) + "1"
		k.roster("stated-"+p, p, "01T08:00", stated("Merge-"+p))
		for day := 3; day < 9; day++ {
			k.add(about(fmt.Sprintf("needle-%s-%d", p, day), north, p, fmt.Sprintf("%02dT08:%02d", day, n), fmt.Sprintf("T-%s-%d", p, day)), inserted(track, 25))
		}
		k.add(about("hold-"+p, north, p, "10T08:00", ""), &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{Track: track, PlacedBy: testkit.Staff("S-101"), Reason: "Swelling"}}})
	}
	return k.out
}

func patientKey(tb testing.TB, i *instance, number string) string {
	tb.Helper()
	p := testkit.Patient(number)
	var c struct{ Patient struct{ ID string } }
	if err := json.Unmarshal([]byte(i.must("/card?identifier="+p.GetSystem()+"%7C"+p.GetValue())), &c); err != nil {
		tb.Fatal(err)
	}
	return c.Patient.ID
}

// compartment lists the resources in a patient's compartment, Provenance left out: it
// stays with the patient of the time.
func compartment(tb testing.TB, dir, key string) []string {
	tb.Helper()
	return keys(query(tb, dir, `SELECT type || '/' || id FROM resource WHERE patient = ? AND type <> 'Provenance'`, key))
}

func checkPatient(tb testing.TB, t tables, key string, active bool, link, other string) {
	tb.Helper()
	var p struct {
		Active bool
		Link   []struct {
			Other struct{ Reference string }
			Type  string
		}
	}
	if err := json.Unmarshal(body(t["resource"]["Patient/"+key]), &p); err != nil {
		tb.Fatal(err)
	}
	if p.Active != active || len(p.Link) != 1 || p.Link[0].Type != link || p.Link[0].Other.Reference != "Patient/"+other {
		tb.Errorf("Patient %s is %+v, want active %v and a link %s to %s", key, p, active, link, other)
	}
}
