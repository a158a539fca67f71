package acceptance_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// sharing are two identities that both have an access F1 with a track A1 on it.
func sharing() []*v1.FeedRequest {
	k := &knot{out: registrations()}
	for n, p := range []string{"INV-M1", "INV-M2"} {
		k.roster("created-"+p, p, "01T08:00", &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "F1", Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: v1.BodySide_BODY_SIDE_LEFT, Region: v1.AccessRegion_ACCESS_REGION_FOREARM}}})
		k.add(about("plan-"+p, north, p, "01T09:00", ""), planned("A1", float64(24+n)))
		for day := 3; day < 6; day++ {
			k.add(about(fmt.Sprintf("needle-%s-%d", p, day), north, p, fmt.Sprintf("%02dT08:%02d", day, n), fmt.Sprintf("T-%s-%d", p, day)), inserted("A1", 25))
		}
	}
	return k.out
}

func planned(track string, angle float64) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: &v1.TrackPlanned{Access: "F1", PlannedBy: testkit.Staff("S-101"),
		Tracks: []*v1.TrackPlan{{Track: track, Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AngleDegrees: proto.Float64(angle)}}}}}
}

// structureOf reads a BodyStructure: whether it is active, and its description.
func structureOf(tb testing.TB, t tables, id string) (active bool, description string) {
	tb.Helper()
	var b struct {
		Active      *bool
		Description string
	}
	if err := json.Unmarshal(body(t["resource"]["BodyStructure/"+id]), &b); err != nil || b.Active == nil {
		tb.Fatalf("BodyStructure/%s is %q (%v)", id, t["resource"]["BodyStructure/"+id], err)
	}
	return *b.Active, b.Description
}

// leading lists the resources that refer to a BodyStructure.
func leading(t tables, id string) (out []string) {
	for _, k := range keys(t["resource"]) {
		if strings.Contains(t["resource"][k], `"BodyStructure/`+id+`"`) {
			out = append(out, k)
		}
	}
	return out
}

// Two identities of one person both had an access F1 and a track A1: after the merge there is
// one of each, whatever comes later and under whichever identity, and a reversal gives both
// back.
func TestMergedPatientsHaveOneTrackOfAName(t *testing.T) {
	t.Parallel()
	// Both ways: nothing may depend on which key sorts first.
	for _, pair := range [][2]string{{"INV-M1", "INV-M2"}, {"INV-M2", "INV-M1"}} {
		survivor, retired := pair[0], pair[1]
		t.Run(retired+" into "+survivor, func(t *testing.T) {
			t.Parallel()
			i := start(t, filepath.Join(t.TempDir(), "first"))
			i.post(sharing())
			kept, old := patientKey(t, i, survivor), patientKey(t, i, retired)
			before := dumpOrder(t, i.dir)
			trackOf, accessOf := record.TrackID, record.AccessID
			// stand checks whose track of a name resources refer to: the other, where there is one,
			// is not active and nothing leads to it.
			stand := func(when string, now tables, name, holder, other string) {
				t.Helper()
				if active, _ := structureOf(t, now, trackOf(holder, name)); !active || len(leading(now, trackOf(holder, name))) < 2 {
					t.Errorf("%s: track %s of %s: active %v, led to by %v", when, name, holder, active, leading(now, trackOf(holder, name)))
				}
				if _, there := now["resource"]["BodyStructure/"+trackOf(other, name)]; !there {
					return
				}
				if active, _ := structureOf(t, now, trackOf(other, name)); active || len(leading(now, trackOf(other, name))) > 0 {
					t.Errorf("%s: track %s of %s: active %v, led to by %v", when, name, other, active, leading(now, trackOf(other, name)))
				}
			}
			late := &knot{}
			step := func(env *v1.Envelope, f proto.Message) tables {
				t.Helper()
				m := testkit.Request(env, f)
				late.out = append(late.out, m)
				i.post([]*v1.FeedRequest{m})
				return dumpOrder(t, i.dir)
			}

			now := step(about("merge", north, survivor, "20T08:00", ""), merged(retired))
			stand("after the merge", now, "A1", kept, old)
			if a, _ := structureOf(t, now, accessOf(kept, "F1")); !a {
				t.Error("the survivor's access is not active")
			}
			if a, _ := structureOf(t, now, accessOf(old, "F1")); a || len(leading(now, accessOf(old, "F1"))) > 0 {
				t.Errorf("the retired identity's access: active %v, led to by %v", a, leading(now, accessOf(old, "F1")))
			}
			// One maturity counts the sessions of both, on the track that resources lead to.
			if m := now["resource"]["Observation/"+fhir.MaturityID(trackOf(kept, "A1"))]; !strings.Contains(m, `"valueInteger":6`) {
				t.Errorf("the maturity is %s", m)
			}
			if m, there := now["resource"]["Observation/"+fhir.MaturityID(trackOf(old, "A1"))]; there {
				t.Errorf("the retired identity's maturity stands: %s", m)
			}
			for _, key := range []string{kept, old} {
				if c := i.cards([]string{key})[key]; strings.Count(c, `"name":"A1"`) != 1 || !strings.Contains(c, trackOf(kept, "A1")) {
					t.Errorf("the card of %s: %s", key, c)
				}
			}

			now = step(about("late", north, retired, "06T08:05", "T-late"), inserted("A1", 26))
			stand("a late needle of the retired identity", now, "A1", kept, old)
			now = step(about("late-plan", north, retired, "19T08:05", ""), planned("A1", 31))
			stand("a late plan of the retired identity", now, "A1", kept, old)
			if _, d := structureOf(t, now, trackOf(kept, "A1")); !strings.Contains(d, "31°") {
				t.Errorf("a plan posted under the retired identity is not shown: %q", d)
			}
			// A track that the retired identity alone has stays, until the survivor has one of that
			// name.
			now = step(about("late-B1", north, retired, "07T08:05", "T-late-2"), inserted("B1", 26))
			stand("a new track of the retired identity", now, "B1", old, kept)
			now = step(about("late-B1-too", north, survivor, "08T08:05", "T-late-3"), inserted("B1", 26))
			stand("a track of that name of the survivor", now, "B1", kept, old)
			if m := now["resource"]["Observation/"+fhir.MaturityID(trackOf(kept, "B1"))]; !strings.Contains(m, "BodyStructure/"+trackOf(kept, "B1")) {
				t.Errorf("the maturity of B1 is %s", m)
			}

			after := step(about("reversal", north, survivor, "21T08:00", ""), reversed(retired))
			for _, key := range []string{kept, old} {
				for _, name := range []string{"A1", "B1"} {
					if active, _ := structureOf(t, after, trackOf(key, name)); !active || len(leading(after, trackOf(key, name))) < 2 {
						t.Errorf("after the reversal track %s of %s: active %v, led to by %v", name, key, active, leading(after, trackOf(key, name)))
					}
				}
			}
			for k, v := range before["resource"] {
				if strings.HasPrefix(k, "Procedure/") && after["resource"][k] != v {
					t.Errorf("the reversal does not give back %s", k)
				}
			}
			all := append(sharing(), late.out...)
			i.stop()
			sameInAnyOrder(t, i.dir, all, after)
			sameInAnyOrder(t, i.dir, all[:len(all)-1], nil)
		})
	}
}

// sameInAnyOrder posts the messages, but for the registrations, in other orders and expects
// what another order gave; where that is not known, what the first of them gives.
func sameInAnyOrder(t *testing.T, dir string, msgs []*v1.FeedRequest, want tables) {
	t.Helper()
	n := len(registrations())
	for seed := range uint64(3) {
		mixed := append([]*v1.FeedRequest{}, msgs[n:]...)
		rand.New(rand.NewPCG(seed, 5)).Shuffle(len(mixed), func(a, b int) { mixed[a], mixed[b] = mixed[b], mixed[a] })
		other := filepath.Join(t.TempDir(), "mixed")
		copyDir(t, filepath.Join(dir, "keys"), filepath.Join(other, "keys"))
		i := start(t, other)
		for _, m := range append(registrations(), mixed...) {
			i.post([]*v1.FeedRequest{m}) // each in a transaction of its own
		}
		i.stop()
		got := dumpOrder(t, other)
		if want != nil {
			same(t, want, got)
		}
		want = got
	}
}

// The sender's name of a track finds those of that name, whosever they are; the identifier
// with a system is that of one.
func TestTracksAreIdentified(t *testing.T) {
	t.Parallel()
	i := start(t, t.TempDir())
	i.post(sharing())
	id := record.TrackID(patientKey(t, i, "INV-M1"), "A1")
	for query, want := range map[string]int{
		"identifier=A1": 2, "identifier=%7CA1": 2, "identifier=" + fhir.TrackSystem + "%7CA1": 0,
		"identifier=" + fhir.TrackSystem + "%7C" + id: 1, "identifier=" + id: 1, "identifier=%7C" + id: 0,
		"identifier=A1&patient=" + patientKey(t, i, "INV-M1"): 1,
	} {
		var b struct{ Total int }
		if err := json.Unmarshal([]byte(i.must("/fhir/BodyStructure?_total=accurate&"+query)), &b); err != nil || b.Total != want {
			t.Errorf("%s finds %d, want %d (%v)", query, b.Total, want, err)
		}
	}
}
