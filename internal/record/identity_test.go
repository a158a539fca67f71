package record_test

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"cannulary/internal/record"
)

func TestResolve(t *testing.T) {
	voided := merge("m1", "a", "b", 1)
	voided.Void = true
	for sentence, c := range map[string]struct {
		items   []record.Item
		want    string // who each of a, b, c, d is today
		refused string
	}{
		"nobody is merged":            {nil, "a b c d", ""},
		"the retired is the survivor": {[]record.Item{merge("m1", "a", "b", 1)}, "a a c d", ""},
		"a chain leads to its end": {[]record.Item{merge("m1", "b", "a", 1), merge("m2", "c", "b", 2),
			merge("m3", "d", "c", 3)}, "d d d d", ""},
		"a chain that arrives from its end": {[]record.Item{merge("m3", "d", "c", 1), merge("m2", "c", "b", 2),
			merge("m1", "b", "a", 3)}, "d d d d", ""},
		"two into one": {[]record.Item{merge("m1", "a", "b", 1), merge("m2", "a", "c", 2)}, "a a a d", ""},
		"a merge back closes a cycle": {[]record.Item{merge("m1", "a", "b", 1), merge("m2", "b", "a", 2)},
			"a a c d", "m2"},
		"a merge of the whole chain into its beginning": {[]record.Item{merge("m1", "b", "a", 1), merge("m2", "c", "b", 2),
			merge("m3", "a", "c", 3)}, "c c c d", "m3"},
		"a merge into oneself": {[]record.Item{merge("m1", "a", "a", 1)}, "a b c d", "m1"},
		"the retired cannot be retired again": {[]record.Item{merge("m1", "a", "b", 1), merge("m2", "c", "b", 2)},
			"a a c d", "m2"},
		"clinical time decides, not the id": {[]record.Item{merge("m1", "c", "b", 2), merge("m2", "a", "b", 1)},
			"a a c d", "m1"},
		"of one moment the lower id comes first": {[]record.Item{merge("m2", "c", "b", 1), merge("m1", "a", "b", 1)},
			"a a c d", "m2"},
		"a reversal gives the identity back": {[]record.Item{merge("m1", "a", "b", 1),
			reversal("r1", "a", "b", 2)}, "a b c d", ""},
		"a reversal in the middle of a chain": {[]record.Item{merge("m1", "b", "a", 1), merge("m2", "c", "b", 2),
			reversal("r1", "c", "b", 3)}, "b b c d", ""},
		"a reversal of what was not merged": {[]record.Item{reversal("r1", "a", "b", 1)}, "a b c d", "r1"},
		"a reversal of a merge into another": {[]record.Item{merge("m1", "a", "b", 1), reversal("r1", "c", "b", 2)},
			"a a c d", "r1"},
		"after a reversal it may be merged again": {[]record.Item{merge("m1", "a", "b", 1), reversal("r1", "a", "b", 2),
			merge("m2", "c", "b", 3)}, "a c c d", ""},
		"after a reversal the other way round": {[]record.Item{merge("m1", "a", "b", 1), reversal("r1", "a", "b", 2),
			merge("m2", "b", "a", 3)}, "b b c d", ""},
		"a voided merge never was": {[]record.Item{voided, merge("m2", "b", "a", 2)}, "b b c d", ""},
	} {
		for range 2 {
			ids := record.Resolve(c.items)
			var got []string
			for _, k := range []string{"a", "b", "c", "d"} {
				got = append(got, ids.Survivor(k))
			}
			if s := strings.Join(got, " "); s != c.want || strings.Join(ids.Refused, " ") != c.refused {
				t.Errorf("%s: %q, refused %v; want %q, refused %q", sentence, s, ids.Refused, c.want, c.refused)
			}
			slices.Reverse(c.items)
		}
	}
}

func TestGroups(t *testing.T) {
	ids := record.Resolve([]record.Item{merge("m1", "b", "d", 1), merge("m2", "b", "c", 2), merge("m3", "a", "b", 3)})
	for _, k := range []string{"a", "b", "c", "d"} {
		if got := ids.Group(k); !slices.Equal(got, []string{"a", "b", "c", "d"}) {
			t.Errorf("group of %s: %v", k, got)
		}
	}
	if got := ids.Group("z"); !slices.Equal(got, []string{"z"}) {
		t.Errorf("group of one: %v", got)
	}
	if ids.MergedInto("c") != "b" || ids.MergedInto("a") != "" || !slices.Equal(ids.MergedDirectly("b"), []string{"c", "d"}) ||
		len(ids.MergedDirectly("d")) != 0 {
		t.Error("direct merges")
	}
	var none *record.Identities
	if none.Survivor("a") != "a" || !slices.Equal(none.Group("a"), []string{"a"}) || none.MergedInto("a") != "" ||
		none.MergedDirectly("a") != nil {
		t.Error("without any merge each is its own")
	}
	after := record.Resolve([]record.Item{merge("m1", "b", "d", 1), merge("m2", "b", "c", 2)})
	if got := record.Changed(ids, after); !slices.Equal(got, []string{"a", "b", "c", "d"}) {
		t.Errorf("changed by taking back the last merge: %v", got)
	}
	if got := record.Changed(ids, ids); len(got) != 0 {
		t.Errorf("changed by nothing: %v", got)
	}
	if got := record.Changed(nil, after); !slices.Equal(got, []string{"b", "c", "d"}) {
		t.Errorf("changed by the first merges: %v", got)
	}
}

// TestResolveProperties draws merges and reversals at random: in any order of arrival the
// same, every chain ends, and a survivor is retired by nobody.
func TestResolveProperties(t *testing.T) {
	keys := []string{"a", "b", "c", "d", "e"}
	rapid.Check(t, func(t *rapid.T) {
		var items []record.Item
		for i := range rapid.IntRange(0, 12).Draw(t, "facts") {
			into, retired := rapid.SampledFrom(keys).Draw(t, "survivor"), rapid.SampledFrom(keys).Draw(t, "retired")
			at := rapid.IntRange(0, 4).Draw(t, "minute")
			if id := fmt.Sprintf("f%02d", i); rapid.IntRange(0, 2).Draw(t, "kind") > 0 {
				items = append(items, merge(id, into, retired, at))
			} else {
				items = append(items, reversal(id, into, retired, at))
			}
		}
		ids := record.Resolve(items)
		mixed := record.Resolve(rapid.Permutation(items).Draw(t, "arrival"))
		if !reflect.DeepEqual(ids, mixed) {
			t.Fatalf("%+v, in another order %+v", ids, mixed)
		}
		for _, k := range keys {
			s := ids.Survivor(k)
			if ids.Survivor(s) != s || ids.MergedInto(s) != "" {
				t.Fatalf("%s survives %s but is retired itself", s, k)
			}
			if g := ids.Group(k); g[0] != s || !slices.Contains(g, k) {
				t.Fatalf("group of %s: %v", k, g)
			}
		}
	})
}
