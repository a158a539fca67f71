package main

import (
	"strings"
	"testing"
)

func TestRead(t *testing.T) {
	const good = `{"resourceType":"Flag","id":"a","status":"active","code":{"text":"x"},"subject":{"reference":"Patient/p"}}` + "\n"
	for _, c := range []struct{ says, in, out, err string }{
		{"two of a type", good + good, "2 resources of 1 types\n", ""},
		{"the last line without its end", strings.TrimSuffix(good, "\n"), "1 resources of 1 types\n", ""},
		{"nothing", "", "", "there was nothing to read"},
		{"no JSON", good + "x\n", "", "line 2 is no JSON document"},
		{"an element that is missing", good + strings.Replace(good, `"status":"active",`, "", 1), "", "line 2, Flag/a, is refused"},
		{"a code that there is not", strings.Replace(good, "active", "open", 1), "", "line 1, Flag/a, is refused"},
		{"an element that there is not", strings.Replace(good, "status", "state", 1), "", "line 1, Flag/a, is refused"},
	} {
		var out strings.Builder
		err := run(strings.NewReader(c.in), &out)
		if (err != nil) != (c.err != "") || err != nil && !strings.Contains(err.Error(), c.err) || out.String() != c.out {
			t.Errorf("%s: %q, %v", c.says, out.String(), err)
		}
	}
}
