package deploycheck

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Every test that a page under deploy/ names is there: a control that nothing attacks must not look attacked.
func TestEveryTestThatAPageNamesIsThere(t *testing.T) {
	var code strings.Builder
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		b, err := os.ReadFile(path)
		code.Write(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile(`\b(Test[A-Z]\w+)(…?)`)
	n := 0
	for page, text := range read(t, "*.md") {
		for _, m := range names.FindAllStringSubmatch(text, -1) {
			n++
			want := "\nfunc " + m[1]
			if m[2] == "" {
				want += "("
			}
			if !strings.Contains(code.String(), want) {
				t.Errorf("%s names %s, which is nowhere", page, m[0])
			}
		}
	}
	if n < 10 {
		t.Errorf("the pages name only %d tests", n)
	}
}
