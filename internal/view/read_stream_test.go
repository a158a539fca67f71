package view_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/fhir"
	"cannulary/internal/testkit/tier"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
)

func (w *writer) snapshot(f func(n *view.Snapshot)) {
	w.t.Helper()
	if err := w.store.Snapshot(context.Background(), func(n *view.Snapshot) error { f(n); return nil }); err != nil {
		w.t.Fatal(err)
	}
}

// stream reads a stream into "id versionId" of each row.
func stream(t testing.TB, n *view.Snapshot, q view.StreamQuery) []string {
	t.Helper()
	out := []string{}
	if err := n.Stream(q, func(r *view.Row) error {
		if r.Type != q.Type {
			t.Errorf("a %s among %s", r.Type, q.Type)
		}
		out = append(out, fmt.Sprint(r.ID, " ", r.Version))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestAStreamGivesTheNewestVersionsInTheOrderOfASearch(t *testing.T) {
	w := open(t)
	// More than a page in one millisecond, then some that are replaced, then later ones.
	var many []fhir.Resource
	for i := range 1203 {
		many = append(many, resource("Procedure", fmt.Sprintf("p%d", i), "x", "", fhir.Index{}))
	}
	w.put(at(0), many...)
	w.put(at(1), resource("Procedure", "p7", "x", "new", fhir.Index{}), resource("Observation", "o", "x", "", fhir.Index{}))
	w.put(at(1), resource("Procedure", "p0", "x", "new", fhir.Index{}))
	w.put(at(5), resource("Procedure", "late", "x", "", fhir.Index{}))
	found := w.search(view.Query{Type: "Procedure", Count: 5000})
	var want []string
	for _, r := range found.Rows {
		want = append(want, fmt.Sprint(r.ID, " ", r.Version))
	}
	w.snapshot(func(n *view.Snapshot) {
		if got := stream(t, n, view.StreamQuery{Type: "Procedure"}); !reflect.DeepEqual(got, want) || len(got) != 1204 {
			t.Errorf("%d rows, a search gives %d, and in another order", len(got), len(want))
		}
		if got := stream(t, n, view.StreamQuery{Type: "Procedure", Since: at(1)}); !reflect.DeepEqual(got, []string{"p7 2", "p0 2", "late 1"}) {
			t.Errorf("since: %v", got)
		}
		if !n.Watermark.Equal(at(5)) || n.Seq != 4 {
			t.Errorf("the state is that of %v, %d", n.Watermark, n.Seq)
		}
	})
}

func TestASnapshotStaysAsItWas(t *testing.T) {
	w := open(t)
	w.put(at(0), resource("Procedure", "a", "x", "", fhir.Index{}), resource("Observation", "a", "x", "", fhir.Index{}))
	w.snapshot(func(n *view.Snapshot) {
		w.put(at(1), resource("Procedure", "a", "x", "new", fhir.Index{}), resource("Procedure", "b", "x", "", fhir.Index{}), resource("Observation", "b", "x", "", fhir.Index{}))
		first := stream(t, n, view.StreamQuery{Type: "Procedure"})
		w.put(at(2), resource("Observation", "c", "x", "", fhir.Index{}))
		if got := append(first, stream(t, n, view.StreamQuery{Type: "Observation"})...); !reflect.DeepEqual(got, []string{"a 1", "a 1"}) || !n.Watermark.Equal(at(0)) {
			t.Errorf("it changed: %v, %v", got, n.Watermark)
		}
	})
}

func TestOneOfSeveralSearchesMustFindIt(t *testing.T) {
	w := open(t)
	with := func(id, status, code string) fhir.Resource {
		return resource("Procedure", id, "x", "", fhir.Index{Tokens: []fhir.Token{{Param: "status", System: "s", Code: status}, {Param: "code", System: "c", Code: code}}})
	}
	w.put(at(0), with("a", "done", "1"), with("b", "done", "2"), with("c", "open", "1"), with("d", "open", "2"))
	is := func(param, code string) view.Filter { return view.Filter{view.TokenIs{Param: param, Code: code}} }
	for want, anyOf := range map[string][][]view.Filter{
		"a b c d": nil, "a b": {{is("status", "done")}}, "a": {{is("status", "done"), is("code", "1")}},
		"a d": {{is("status", "done"), is("code", "1")}, {is("status", "open"), is("code", "2")}},
		"":    {{view.Filter{}}}, "a b c": {{is("status", "done")}, {is("code", "1")}},
	} {
		w.snapshot(func(n *view.Snapshot) {
			got := strings.ReplaceAll(strings.Join(stream(t, n, view.StreamQuery{Type: "Procedure", AnyOf: anyOf}), " "), " 1", "")
			if got != want {
				t.Errorf("%v: %q, want %q", anyOf, got, want)
			}
		})
	}
}

func TestAStreamEndsWithItsReader(t *testing.T) {
	w := open(t)
	w.put(at(0), resource("Procedure", "a", "x", "", fhir.Index{}), resource("Procedure", "b", "x", "", fhir.Index{}))
	enough, calls := errors.New("enough"), 0
	err := w.store.Snapshot(context.Background(), func(n *view.Snapshot) error {
		return n.Stream(view.StreamQuery{Type: "Procedure"}, func(*view.Row) error { calls++; return enough })
	})
	if !errors.Is(err, enough) || calls != 1 {
		t.Errorf("%v after %d rows", err, calls)
	}
	ctx, cancel := context.WithCancel(context.Background())
	err = w.store.Snapshot(ctx, func(n *view.Snapshot) error {
		cancel()
		return n.Stream(view.StreamQuery{Type: "Procedure"}, func(*view.Row) error { return nil })
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("after its context ended: %v", err)
	}
}

// register is a view with what the test itself knows of it.
type register struct {
	*writer
	rng      *rand.Rand
	now      time.Time
	all      map[string]fhir.Resource // by Type/id, newest
	version  map[string]int
	events   map[string][]string // patients by facility
	survivor map[string]string
}

func (g *register) survives(id string) string {
	for g.survivor[id] != "" {
		id = g.survivor[id]
	}
	return id
}

// step is an event of a patient at a facility: it gives new versions of some resources,
// refers to staff, units and devices, and now and then merges two patients.
func (g *register) step() {
	pick := func(prefix string, n int) string { return fmt.Sprint(prefix, g.rng.IntN(n)) }
	g.now = g.now.Add(time.Duration(g.rng.IntN(3)) * time.Millisecond) // often the same one
	if g.rng.IntN(15) == 0 {
		g.now = g.now.Add(3 * time.Hour)
	}
	own, facility := pick("patient", 8), pick("unit", 3)
	patient := g.survives(own)
	ref := func(param, typ, id string) fhir.Reference { return fhir.Reference{Param: param, Type: typ, ID: id} }
	var list []fhir.Resource
	add := func(typ, id, patient string, refs ...fhir.Reference) {
		// As in FHIR the content tells what it refers to.
		list = append(list, resource(typ, id, patient, fmt.Sprint(g.rng.IntN(3), refs), fhir.Index{References: refs}))
	}
	add("Patient", own, own)
	procedure := pick(patient+"-", 3)
	add("Procedure", procedure, patient, ref("performer", "Practitioner", pick("nurse", 6)), ref("location", "Location", facility))
	add("Observation", procedure, patient, ref("part-of", "Procedure", procedure), ref("device", "Device", pick("needle", 20)))
	if g.rng.IntN(3) == 0 {
		add("Practitioner", pick("nurse", 6), "")
	}
	if g.rng.IntN(4) == 0 {
		add("Device", pick("needle", 20), "")
	}
	if g.rng.IntN(4) == 0 {
		unit := pick("unit", 3)
		add("Location", unit, "", ref("organization", "Organization", pick("org", 4)))
		add("Organization", pick("org", 4), "")
		add("Group", "group-"+unit, "", ref("managing-entity", "Organization", pick("org", 4)))
	}
	add("Provenance", fmt.Sprint("event", g.seq), "", ref("target", "Procedure", procedure), ref("agent", "Practitioner", pick("recorder", 5)))
	if g.rng.IntN(3) == 0 { // of staff alone
		add("Provenance", fmt.Sprint("staff", g.seq), "", ref("target", "Practitioner", pick("nurse", 6)))
		add("Practitioner", pick("recorder", 5), "")
	}
	if g.rng.IntN(12) == 0 {
		if to := g.survives(pick("patient", 8)); to != patient {
			// What is about the one is about the other from now on.
			g.survivor[patient] = to
			for _, r := range g.all {
				if r.Patient == patient && r.Type != "Patient" {
					r.Patient = to
					r.Body = fmt.Appendf(nil, `{"moved":"%s","of":%q}`, to, r.Body)
					list = append(list, r)
				}
			}
			add("Patient", to, to)
		}
	}
	g.write(own, facility, list)
}

func (g *register) write(patient, facility string, list []fhir.Resource) {
	g.seq++
	ctx := context.Background()
	tx, err := g.store.Begin(ctx)
	must := func(err error) {
		if err != nil {
			g.t.Fatal(err)
		}
	}
	must(err)
	defer tx.Rollback()
	ev := &logv1.Event{Id: fmt.Sprint("e", g.seq), PatientKey: patient, Facility: facility, OccurredAt: timestamppb.New(g.now)}
	// The log's clock stands still or steps back a little; lastUpdated never does.
	logged := g.now.Add(-time.Duration(g.rng.IntN(50)) * time.Minute)
	must(tx.InsertEvent(view.StoredEvent{Seq: g.seq, Logged: logged, Event: ev}, "u", []byte{0}))
	seen := map[string]bool{}
	for _, r := range list {
		key := r.Type + "/" + r.ID
		if seen[key] {
			continue
		}
		seen[key] = true
		v, _, err := tx.Put(r, g.seq, g.now)
		must(err)
		g.all[key], g.version[key] = r, v
	}
	must(tx.SetCheckpoint(view.Checkpoint{LogID: "log", Seq: g.seq, EventID: ev.GetId(), Logged: logged, Updated: g.now}))
	must(tx.Commit())
	if !slices.Contains(g.events[facility], patient) {
		g.events[facility] = append(g.events[facility], patient)
	}
}

// expected is the scope as the words say it, found by walking from the patients on;
// facility is empty for all patients.
func (g *register) expected(facility string) map[string]int {
	out := map[string]int{}
	about := func(patient string) bool {
		if patient == "" || facility == "" {
			return patient != ""
		}
		for _, p := range g.events[facility] {
			if p == patient || g.survives(p) == g.survives(patient) {
				return true
			}
		}
		return false
	}
	for key, r := range g.all {
		in := about(r.Patient)
		if r.Type == "Group" {
			in = facility == "" || r.ID == "group-"+facility
		}
		if r.Type == "Provenance" {
			for _, f := range r.Index.References {
				in = in || f.Param == "target" && about(g.all[f.Type+"/"+f.ID].Patient)
			}
		}
		if in {
			out[key] = g.version[key]
		}
	}
	for grown := true; grown; {
		grown = false
		for key := range out {
			for _, f := range g.all[key].Index.References {
				to := f.Type + "/" + f.ID
				if _, known := g.all[to]; known && out[to] == 0 && slices.Contains([]string{"Practitioner", "Organization", "Location", "Device"}, f.Type) {
					out[to], grown = g.version[to], true
				}
			}
		}
	}
	return out
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// pull reads the scope into have, as a client does, and gives the time for the next pull.
func (g *register) pull(t *testing.T, facility string, since time.Time, have map[string]int) (mark time.Time) {
	g.snapshot(func(n *view.Snapshot) {
		mark = n.Watermark
		scope, err := n.Everybody(since)
		if facility != "" {
			scope, err = n.OfFacility(facility, "group-"+facility, since, g.survives)
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, typ := range []string{"Patient", "Practitioner", "Organization", "Location", "Procedure", "Observation", "Device", "Provenance", "Group"} {
			once := map[string]bool{}
			for _, line := range stream(t, n, view.StreamQuery{Type: typ, Since: since, Scope: scope}) {
				id, v, _ := strings.Cut(line, " ")
				if once[id] {
					t.Errorf("%s/%s comes twice", typ, id)
				}
				once[id] = true
				have[typ+"/"+id], _ = strconv.Atoi(v)
			}
		}
	})
	return mark
}

// A scope is what its words say; and a chain of pulls, each since the one before, gives the
// same as one pull at the end, whatever happens in between.
func TestAScopeIsWholeAndAChainOfPullsLosesNothing(t *testing.T) {
	pulls, smaller := 0, 0
	for seed := range tier.Of[uint64](1, 12) {
		g := &register{writer: open(t), rng: rand.New(rand.NewPCG(seed, 1)), now: at(0), all: map[string]fhir.Resource{}, version: map[string]int{}, events: map[string][]string{}, survivor: map[string]string{}}
		type chain struct {
			facility string
			since    time.Time
			have     map[string]int
		}
		chains := []*chain{{"", time.Time{}, map[string]int{}}, {"unit0", time.Time{}, map[string]int{}}, {"unit1", time.Time{}, map[string]int{}}}
		for range 120 {
			g.step()
			for _, c := range chains {
				if g.rng.IntN(12) > 0 {
					continue
				}
				whole, part := map[string]int{}, map[string]int{}
				g.pull(t, c.facility, time.Time{}, whole)
				if want := g.expected(c.facility); !reflect.DeepEqual(whole, want) {
					t.Fatalf("seed %d, %q: a pull gives\n%v, want\n%v", seed, c.facility, whole, want)
				}
				again := !c.since.IsZero()
				c.since = g.pull(t, c.facility, c.since, part)
				if again {
					pulls, smaller = pulls+1, smaller+btoi(len(part) < len(whole))
				}
				for key, v := range part {
					if whole[key] != v {
						t.Fatalf("seed %d, %q: %s version %d is not in the scope", seed, c.facility, key, v)
					}
					c.have[key] = v
				}
				for key, v := range whole {
					if c.have[key] != v {
						t.Fatalf("seed %d, %q: %s version %d was lost", seed, c.facility, key, v)
					}
				}
			}
		}
	}
	if t.Logf("%d pulls since another, %d gave less than the whole", pulls, smaller); smaller*2 < pulls {
		t.Errorf("of %d pulls since another only %d gave less than the whole", pulls, smaller)
	}
}
