package deploycheck_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// make check leaves out of the race detector's sight what the Makefile calls pure. None of that may start a goroutine.
func TestWhatIsPureStartsNoGoroutine(t *testing.T) {
	root := filepath.Join("..", "..")
	makefile, err := os.ReadFile(filepath.Join(root, "Makefile"))
	if err != nil {
		t.Fatal(err)
	}
	line := regexp.MustCompile(`(?m)^PURE := (.+)$`).FindSubmatch(makefile)
	if line == nil {
		t.Fatal("the Makefile has no PURE")
	}
	pure, err := regexp.Compile(strings.ReplaceAll(string(line[1]), "$$", "$"))
	if err != nil {
		t.Fatal(err)
	}
	files, starts := 0, map[string]string{}
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		rel, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		name := "cannulary/" + filepath.ToSlash(rel)
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				starts[name] = path
			case *ast.CallExpr:
				if s, ok := n.Fun.(*ast.SelectorExpr); ok && s.Sel.Name == "Go" {
					starts[name] = path
				}
			}
			return true
		})
		if pure.MatchString(name) {
			files++
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for name, path := range starts {
		if pure.MatchString(name) {
			t.Errorf("%s starts a goroutine: take %s out of the Makefile's PURE", path, name)
		}
	}
	if files < 100 || len(starts) < 10 {
		t.Errorf("%d files are pure, %d packages start goroutines: the test does not see them", files, len(starts))
	}
}
