package record_test

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"cannulary/internal/record"
	v1 "cannulary/proto/cannulary/v1"
)

// say puts what stands into words: "n1 15, n2 16 by c1, n3 void".
func say(items []record.Item) string {
	var out []string
	for _, it := range items {
		s := it.ID
		if n, ok := it.Body.(*v1.NeedleInserted); ok {
			s += fmt.Sprintf(" %d", n.GetGauge())
		}
		if it.CorrectedBy != "" {
			s += " by " + it.CorrectedBy
		}
		if it.Void {
			s += " void"
		}
		out = append(out, s)
	}
	return strings.Join(out, ", ")
}

func TestWhatStands(t *testing.T) {
	n1, n2 := insertion("n1", 15), insertion("n2", 15)
	n2.At = minute(1)
	otherKind := correction("c1", "n1", 1, 0, 17)
	otherKind.Body = &v1.PegPlaced{Track: "A1"}
	moved := correction("c1", "n1", 1, 0, 15)
	moved.Correction.CorrectedOccurredAt = timestamppb.New(minute(5))
	elsewhere := correction("c1", "f1", 1, 0, 15)
	facility := insertion("f1", 15)
	facility.PatientKey, elsewhere.PatientKey, elsewhere.Facility = "", "", "invented-south"
	for sentence, c := range map[string]struct {
		facts []record.Fact
		want  string
	}{
		"a fact stands as it was sent":          {[]record.Fact{n1}, "n1 15"},
		"facts stand in the order of the chair": {[]record.Fact{n2, n1}, "n1 15, n2 15"},
		"a correction replaces the fact, which keeps its id": {[]record.Fact{n1,
			correction("c1", "n1", 1, 0, 16)}, "n1 16 by c1"},
		"the highest revision wins": {[]record.Fact{n1, correction("c1", "n1", 2, 0, 16),
			correction("c2", "n1", 1, 9, 17)}, "n1 16 by c1"},
		"of one revision the later asserted wins": {[]record.Fact{n1, correction("c1", "n1", 1, 9, 16),
			correction("c2", "n1", 1, 8, 17)}, "n1 16 by c1"},
		"of one revision and time the higher id wins": {[]record.Fact{n1, correction("c1", "n1", 1, 9, 16),
			correction("c2", "n1", 1, 9, 17)}, "n1 17 by c2"},
		"a correction moves the fact in time":                    {[]record.Fact{n1, n2, moved}, "n2 15, n1 15 by c1"},
		"a correction of another kind has no effect":             {[]record.Fact{n1, otherKind}, "n1 15"},
		"a facility's fact is not corrected by another facility": {[]record.Fact{facility, elsewhere}, "f1 15"},
		"a correction of what has not arrived waits":             {[]record.Fact{correction("c1", "n1", 1, 0, 16)}, ""},
		"a void takes the fact back":                             {[]record.Fact{n1, n2, void("v1", "n1")}, "n1 15 void, n2 15"},
		"a void beats a correction": {[]record.Fact{n1, void("v1", "n1"),
			correction("c1", "n1", 9, 9, 16)}, "n1 16 by c1 void"},
		"a void of a void puts the fact back": {[]record.Fact{n1, void("v1", "n1"),
			void("v2", "v1")}, "n1 15"},
		"a void of a void of a void takes it back again": {[]record.Fact{n1, void("v1", "n1"), void("v2", "v1"),
			void("v3", "v2")}, "n1 15 void"},
		"one standing void is enough": {[]record.Fact{n1, void("v1", "n1"), void("v2", "n1"),
			void("v3", "v1")}, "n1 15 void"},
		"a voided correction leaves the original": {[]record.Fact{n1, correction("c1", "n1", 1, 0, 16),
			void("v1", "c1")}, "n1 15"},
		"a voided correction leaves the one below it": {[]record.Fact{n1, correction("c1", "n1", 1, 0, 16),
			correction("c2", "n1", 2, 0, 17), void("v1", "c2")}, "n1 16 by c1"},
		"a void of itself counts as void": {[]record.Fact{n1, void("v1", "v1")}, "n1 15"},
		"two voids of each other count as void": {[]record.Fact{n1, void("v1", "v2"),
			void("v2", "v1")}, "n1 15"},
		"a void that lies on a cycle takes nothing back": {[]record.Fact{n1, void("v1", "n1"), void("v2", "v3"),
			void("v3", "v2"), void("v4", "v1")}, "n1 15"},
		"a void from outside that names a cycle's void stands": {[]record.Fact{n1, void("v1", "v2"), void("v2", "v1"),
			void("v3", "v1"), void("v4", "n1"), void("v5", "v3")}, "n1 15 void"},
		"a session's void takes back its facts alone": {[]record.Fact{during("T-1", n1), during("T-2", n2),
			sessionVoid("s1", "T-1")}, "n1 15 void, n2 15"},
		"a session's void does not touch facts without a session": {[]record.Fact{n1, sessionVoid("s1", "T-1")}, "n1 15"},
		"a voided session void gives the session back": {[]record.Fact{during("T-1", n1), sessionVoid("s1", "T-1"),
			void("v1", "s1")}, "n1 15"},
		"a session's void beats a correction": {[]record.Fact{during("T-1", n1), sessionVoid("s1", "T-1"),
			correction("c1", "n1", 1, 0, 16)}, "n1 16 by c1 void"},
		"a fact of a session may be void on its own when the session's is": {[]record.Fact{during("T-1", n1), sessionVoid("s1", "T-1"),
			void("v1", "s1"), void("v2", "n1")}, "n1 15 void"},
	} {
		if got := say(record.Effective(c.facts)); got != c.want {
			t.Errorf("%s: %q, want %q", sentence, got, c.want)
		}
		slices.Reverse(c.facts)
		if got := say(record.Effective(c.facts)); got != c.want {
			t.Errorf("%s, the other way round: %q, want %q", sentence, got, c.want)
		}
	}
}

func TestWhatDoesNotStandIsKeptHighestFirst(t *testing.T) {
	items := record.Effective([]record.Fact{
		insertion("n1", 13), correction("c1", "n1", 1, 0, 14), correction("c2", "n1", 2, 0, 15),
		correction("c3", "n1", 3, 0, 16), correction("c4", "n1", 4, 0, 17), void("v1", "c4"),
	})
	var gauges []uint32
	for _, f := range items[0].Superseded {
		n, ok := f.Body.(*v1.NeedleInserted)
		if !ok || f.ID != "n1" {
			t.Fatalf("superseded %v", f)
		}
		gauges = append(gauges, n.GetGauge())
	}
	// The one that stands is 16; then 15 and 14, which it outdid, 17, which was taken back,
	// and the original.
	if say(items) != "n1 16 by c3" || !slices.Equal(gauges, []uint32{15, 14, 17, 13}) {
		t.Errorf("%s, superseded %v", say(items), gauges)
	}
}

func TestKnownGivesWhatTheLogHeld(t *testing.T) {
	n1, c1 := insertion("n1", 15), correction("c1", "n1", 1, 0, 16)
	n1.Logged, c1.Logged = minute(1), minute(3)
	facts := []record.Fact{n1, c1}
	for at, want := range map[int]string{0: "", 1: "n1 15", 2: "n1 15", 3: "n1 16 by c1", 9: "n1 16 by c1"} {
		if got := say(record.Effective(record.Known(facts, minute(at)))); got != want {
			t.Errorf("known at minute %d: %q, want %q", at, got, want)
		}
	}
}

// history draws a heap of facts that name each other at random, themselves among them.
func history(t *rapid.T) []record.Fact {
	size := rapid.IntRange(0, 14).Draw(t, "facts")
	name := func(i int) string { return fmt.Sprintf("f%02d", i) }
	var out []record.Fact
	for i := range size {
		target := name(rapid.IntRange(0, size).Draw(t, "target"))
		session := rapid.SampledFrom([]string{"", "T-1", "T-2"}).Draw(t, "session")
		gauge := rapid.Uint32Range(13, 18).Draw(t, "gauge")
		var f record.Fact
		switch rapid.IntRange(0, 4).Draw(t, "kind") {
		case 0, 1:
			f = insertion(name(i), gauge)
			f.At = minute(rapid.IntRange(0, 2).Draw(t, "minute"))
		case 2:
			f = correction(name(i), target, rapid.Uint32Range(1, 2).Draw(t, "revision"), rapid.IntRange(0, 1).Draw(t, "asserted"), gauge)
			if rapid.Bool().Draw(t, "moves") {
				f.Correction.CorrectedOccurredAt = timestamppb.New(minute(rapid.IntRange(0, 2).Draw(t, "corrected")))
			}
		case 3:
			f = void(name(i), target)
		case 4:
			f = sessionVoid(name(i), rapid.SampledFrom([]string{"T-1", "T-2"}).Draw(t, "voided"))
		}
		if session != "" {
			f = during(session, f)
		}
		out = append(out, f)
	}
	return out
}

// TestAnyOrderOfArrivalGivesTheSame is the promise that late and mixed-up feeds rest on.
func TestAnyOrderOfArrivalGivesTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		facts := history(t)
		want := record.Effective(facts)
		mixed := rapid.Permutation(facts).Draw(t, "arrival")
		if got := record.Effective(mixed); !reflect.DeepEqual(got, want) {
			t.Fatalf("%s, in another order %s", say(want), say(got))
		}
	})
}

// TestVoidsByTheirDefinition compares with the rule taken literally: a fact is void if a
// void that is not void names it or its session, or if it lies on a cycle of voids.
func TestVoidsByTheirDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		facts := history(t)
		byID := map[string]*record.Fact{}
		for i := range facts {
			byID[facts[i].ID] = &facts[i]
		}
		onCycle := func(id string) bool {
			at := byID[id]
			for range facts {
				if at == nil || at.Kind != record.KindFactVoided {
					return false
				}
				if at = byID[at.Target]; at != nil && at.ID == id {
					return true
				}
			}
			return false
		}
		var isVoid func(id string) bool
		isVoid = func(id string) bool {
			if onCycle(id) {
				return true
			}
			for _, f := range facts {
				if f.Kind == record.KindFactVoided && f.Target == id && !isVoid(f.ID) {
					return true
				}
			}
			return false
		}
		for _, it := range record.Effective(facts) {
			want := isVoid(it.ID)
			for _, f := range facts {
				want = want || f.Kind == record.KindSessionVoided && it.HasSession() &&
					f.TargetSession == record.SessionKey(it.SessionSystem, it.SessionValue) && !isVoid(f.ID)
			}
			if it.Void != want {
				t.Fatalf("%s is void: %v, by the definition %v", it.ID, it.Void, want)
			}
		}
	})
}

// TestBeforeIsAStrictTotalOrder draws three facts of different ids.
func TestBeforeIsAStrictTotalOrder(t *testing.T) {
	one := func(t *rapid.T, id string) *record.Fact {
		f := insertion(id, 15)
		f.At = minute(rapid.IntRange(0, 1).Draw(t, "minute"))
		switch rapid.IntRange(0, 3).Draw(t, "kind") {
		case 0:
			f.Body = &v1.NeedleInserted{AttemptOrdinal: rapid.Uint32Range(0, 2).Draw(t, "attempt")}
		case 1:
			f.Kind, f.Body = record.KindHoldPlaced, &v1.HoldPlaced{}
		case 2:
			f.Kind, f.Body = "track_planned", &v1.TrackPlanned{}
		case 3:
			f = correction(id, "x", 1, 0, 15)
		}
		return &f
	}
	rapid.Check(t, func(t *rapid.T) {
		names := rapid.Permutation([]string{"a", "b", "c"}).Draw(t, "ids")
		a, b, c := one(t, names[0]), one(t, names[1]), one(t, names[2])
		if record.Before(a, a) {
			t.Fatal("a fact comes before itself")
		}
		if record.Before(a, b) == record.Before(b, a) {
			t.Fatal("of two facts not exactly one comes first")
		}
		if record.Before(a, b) && record.Before(b, c) && !record.Before(a, c) {
			t.Fatal("the order goes round in a circle")
		}
	})
}

func TestTheOrderOfTheChair(t *testing.T) {
	first := insertion("z1", 15)
	second := insertion("a1", 15)
	second.Body = &v1.NeedleInserted{AttemptOrdinal: 2}
	of := func(id string, k record.Kind) record.Fact {
		return record.Fact{ID: id, At: minute(0), Kind: k, Body: &v1.PegPlaced{}}
	}
	later := of("a0", record.KindAccessExamined)
	later.At = minute(1)
	// The order within one moment: the project's own, no published source.
	want := []record.Fact{
		of("z", "session_started"), of("y", record.KindAccessExamined), of("x", record.KindSitePrepared), of("w", record.KindPegRemoved),
		first, second, of("v", record.KindNeedleRemoved), of("u", record.KindPegPlaced), of("t", record.KindHoldPlaced),
		of("s", record.KindHoldLifted), later,
	}
	items := make([]record.Item, 0, len(want))
	for i := len(want) - 1; i >= 0; i-- {
		items = append(items, record.Item{Fact: want[i]})
	}
	record.Sort(items)
	for i := range items {
		if items[i].ID != want[i].ID {
			t.Errorf("place %d: %s (%s), want %s (%s)", i, items[i].ID, items[i].Kind, want[i].ID, want[i].Kind)
		}
	}
}
