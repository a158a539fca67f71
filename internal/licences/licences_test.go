package licences_test

import (
	"runtime/debug"
	"strings"
	"testing"
	"testing/fstest"

	"cannulary/internal/licences"
)

// Every module of the build must have its text; one that has none, or that of another version, is named.
func TestPrint(t *testing.T) {
	const whole = `[{"module":"Go and its standard library","version":"go1","texts":[{"file":"LICENSE","text":"of Go\\n"}]},
		{"module":"example.org/a","version":"v1.2.0","texts":[{"file":"LICENSE","text":"of a"},{"file":"NOTICE","text":"more of a"}]},
		{"module":"example.org/fork","version":"v3.0.0","texts":[{"file":"LICENSE","text":"of the fork"}]},
		{"module":"example.org/empty","version":"v1.0.0","texts":[]}]`
	dep := func(path, version string) *debug.Module { return &debug.Module{Path: path, Version: version} }
	replaced := dep("example.org/b", "v0.1.0")
	replaced.Replace = dep("example.org/fork", "v3.0.0")
	for name, c := range map[string]struct {
		collected string
		deps      []*debug.Module
		says      string // empty: printed
	}{
		"all":              {whole, []*debug.Module{dep("example.org/a", "v1.2.0"), replaced}, ""},
		"nothing":          {"", nil, "the licences were not collected: build with `make build`"},
		"another version":  {whole, []*debug.Module{dep("example.org/a", "v1.3.0")}, "the licence of example.org/a v1.3.0 was not collected; build with `make build`"},
		"a module without": {whole, []*debug.Module{dep("example.org/empty", "v1.0.0")}, "the licence of example.org/empty v1.0.0 was not collected"},
		"not Go's":         {`[{"module":"example.org/a","version":"v1.2.0","texts":[{"file":"LICENSE","text":"of a"}]}]`, nil, "the licence of Go and its standard library go1 was not"},
		"damaged":          {"[", nil, "read the licences: unexpected end of JSON input"},
	} {
		from := fstest.MapFS{}
		if c.collected != "" {
			from[licences.File] = &fstest.MapFile{Data: []byte(c.collected)}
		}
		var out strings.Builder
		err := licences.Print(&out, from, &debug.BuildInfo{GoVersion: "go1", Deps: c.deps})
		if c.says != "" {
			if err == nil || !strings.Contains(err.Error(), c.says) || out.Len() > 0 {
				t.Errorf("%s: %v, want %q; printed %q", name, err, c.says, out.String())
			}
			continue
		}
		want := "example.org/a v1.2.0, LICENSE\n=============================\n\nof a\n\nexample.org/a v1.2.0, NOTICE\n"
		if err != nil || !strings.Contains(out.String(), want) || !strings.Contains(out.String(), "of the fork") || !strings.Contains(out.String(), "of Go") {
			t.Errorf("%s: %v, printed %q", name, err, out.String())
		}
	}
}
