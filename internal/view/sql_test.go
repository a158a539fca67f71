package view_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// What takes SQL, by the name of the method and the place of the argument. Functions of the
// package that hand one of their own parameters on are found and added.
var takesSQL = map[string]int{".ExecContext": 1, ".QueryContext": 1, ".QueryRowContext": 1, ".PrepareContext": 1}

// TestSQLIsMadeOfConstants reads the package's sources: every text that reaches the database
// is made of constants of this package, or of functions that give nothing else. Values that
// a client sent can only be bound.
func TestSQLIsMadeOfConstants(t *testing.T) {
	p := readPackage(t)
	findings, sites := p.check()
	for _, f := range findings {
		t.Error(f)
	}
	if sites < 20 {
		t.Errorf("only %d places give SQL: the test does not see them", sites)
	}
	t.Logf("%d places give SQL, through %v", sites, p.sinks)
}

// TestSQLCheckCanFail shows the check what it must find.
func TestSQLCheckCanFail(t *testing.T) {
	for _, c := range []struct {
		body string
		bad  int
	}{
		{"func f(db DB, id string) { db.QueryContext(ctx, `SELECT 1 WHERE id = ?`, id) }", 0},
		{"func f(db DB, id string) { db.QueryContext(ctx, `SELECT 1 WHERE id = '` + id + `'`) }\nfunc g(db DB, r R) { f(db, r.ID) }", 1},
		{"func f(db DB, r R) { db.QueryContext(ctx, fmt.Sprintf(`SELECT %s`, r.Name)) }", 1},
		{"func f(db DB, n int) { q := `SELECT 1`; q += strings.Repeat(`,?`, n); db.ExecContext(ctx, q) }", 0},
		{"func f(db DB, r R) { q := `SELECT 1`; q += r.Name; db.ExecContext(ctx, q) }", 1},
		{"func run(db DB, q string) { db.ExecContext(ctx, q) }\nfunc f(db DB, r R) { run(db, r.Name) }", 1},
		{"func f(db DB, r R) { var b strings.Builder; b.WriteString(`SELECT `); b.WriteString(r.Name); db.ExecContext(ctx, b.String()) }", 1},
		{"type s struct{ sql string }\nfunc f(db DB, r R) { x := s{sql: r.Name}; db.ExecContext(ctx, x.sql) }", 1},
		{"type Q struct{ Type string }\nfunc f(db DB, q Q) { _ = Q{Type: `a`}; db.ExecContext(ctx, `SELECT ` + q.Type) }", 1},
		{"type s struct{ sql string }\nfunc f(db DB, r Rows) { x := s{sql: `a`}; r.Scan(&x.sql); db.ExecContext(ctx, x.sql) }", 1},
		{"func part(r R) string { return r.Name }\nfunc f(db DB, r R) { db.ExecContext(ctx, `SELECT ` + part(r)) }", 1},
		{"func part() string { return `a` }\nfunc f(db DB) { db.ExecContext(ctx, `SELECT ` + part()) }", 0},
	} {
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, "made.go", "package made\n"+c.body, 0)
		if err != nil {
			t.Fatal(err)
		}
		if findings, _ := newSources(set, []*ast.File{file}).check(); len(findings) != c.bad {
			t.Errorf("%s\nfindings: %v", c.body, findings)
		}
	}
}

// sources is a package's syntax, by name only: two functions of one name are one.
type sources struct {
	set    *token.FileSet
	consts map[string]bool
	vars   map[string][]ast.Expr // package variables
	funcs  map[string][]*ast.FuncDecl
	fields map[string][]ast.Expr // what is given to a field of that name, anywhere
	sinks  map[string]int        // name of what takes SQL and the place of the argument
	busy   map[ast.Node]bool
}

func readPackage(t *testing.T) *sources {
	t.Helper()
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	set := token.NewFileSet()
	var files []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		src, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		f, err := parser.ParseFile(set, name, src, 0)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	return newSources(set, files)
}

func newSources(set *token.FileSet, files []*ast.File) *sources {
	s := &sources{set: set, consts: map[string]bool{}, vars: map[string][]ast.Expr{}, funcs: map[string][]*ast.FuncDecl{}, fields: map[string][]ast.Expr{}, sinks: map[string]int{}, busy: map[ast.Node]bool{}}
	for k, v := range takesSQL {
		s.sinks[k] = v
	}
	structs := map[string][]string{}
	for _, f := range files {
		for _, d := range f.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				s.funcs[d.Name.Name] = append(s.funcs[d.Name.Name], d)
			case *ast.GenDecl:
				for _, spec := range d.Specs {
					switch spec := spec.(type) {
					case *ast.ValueSpec:
						for i, n := range spec.Names {
							if d.Tok == token.CONST {
								s.consts[n.Name] = true
							} else if i < len(spec.Values) {
								s.vars[n.Name] = append(s.vars[n.Name], spec.Values[i])
							}
						}
					case *ast.TypeSpec:
						if st, ok := spec.Type.(*ast.StructType); ok {
							for _, field := range st.Fields.List {
								for _, n := range field.Names {
									structs[spec.Name.Name] = append(structs[spec.Name.Name], n.Name)
								}
							}
						}
					}
				}
			}
		}
	}
	for _, f := range files {
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CompositeLit:
				name := ""
				if id, ok := n.Type.(*ast.Ident); ok {
					name = id.Name
				}
				for i, e := range n.Elts {
					if kv, ok := e.(*ast.KeyValueExpr); ok {
						if id, ok := kv.Key.(*ast.Ident); ok {
							s.fields[id.Name] = append(s.fields[id.Name], kv.Value)
						}
					} else if i < len(structs[name]) {
						s.fields[structs[name][i]] = append(s.fields[structs[name][i]], e)
					}
				}
			case *ast.UnaryExpr:
				// Whoever has the address may write there, as Scan does.
				if sel, ok := n.X.(*ast.SelectorExpr); ok && n.Op == token.AND {
					s.fields[sel.Sel.Name] = append(s.fields[sel.Sel.Name], &ast.StarExpr{X: sel})
				}
			case *ast.AssignStmt:
				for i, l := range n.Lhs {
					if sel, ok := l.(*ast.SelectorExpr); ok && len(n.Lhs) == len(n.Rhs) {
						s.fields[sel.Sel.Name] = append(s.fields[sel.Sel.Name], n.Rhs[i])
					}
				}
			}
			return true
		})
	}
	return s
}

// check looks at every call of what takes SQL until no function is added to those.
func (s *sources) check() (findings []string, sites int) {
	for added := true; added; {
		before := len(s.sinks)
		added, findings, sites = false, nil, 0
		for _, list := range s.funcs {
			for _, fn := range list {
				if fn.Body == nil {
					continue
				}
				ast.Inspect(fn.Body, func(n ast.Node) bool {
					call, ok := n.(*ast.CallExpr)
					if !ok {
						return true
					}
					place, ok := s.sinks[form(call.Fun)]
					if !ok || place >= len(call.Args) || s.prepared(call, fn) {
						return true
					}
					sites++
					for _, param := range s.unsafe(call.Args[place], fn) {
						if i := paramAt(fn, param); i >= 0 {
							added = s.sink(declared(fn), i) || added
							continue
						}
						findings = append(findings, fmt.Sprintf("%s: %s gets SQL made of %s, which is no constant", s.set.Position(call.Pos()), called(call), param))
					}
					return true
				})
			}
		}
		added = added || len(s.sinks) > before
	}
	return findings, sites
}

// sink notes that what has that name takes SQL at a place, and reports whether that is new.
func (s *sources) sink(name string, place int) bool {
	if _, known := s.sinks[name]; known {
		return false
	}
	s.sinks[name] = place
	return true
}

// form is the name of what is called, with a dot before that of a method or field.
func form(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.SelectorExpr:
		return "." + e.Sel.Name
	}
	return ""
}

func declared(fn *ast.FuncDecl) string {
	if fn.Recv != nil {
		return "." + fn.Name.Name
	}
	return fn.Name.Name
}

// prepared tells that a call runs a prepared statement: its arguments are values.
func (s *sources) prepared(call *ast.CallExpr, fn *ast.FuncDecl) bool {
	sel, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	id, ok := sel.X.(*ast.Ident)
	if !ok {
		return false
	}
	found := false
	ast.Inspect(fn.Body, func(n ast.Node) bool {
		a, ok := n.(*ast.AssignStmt)
		if !ok || len(a.Rhs) != 1 {
			return true
		}
		first, isName := a.Lhs[0].(*ast.Ident)
		from, isCall := a.Rhs[0].(*ast.CallExpr)
		if isName && isCall && first.Name == id.Name && slices.Contains([]string{"stmt", "ask", "quickly", "PrepareContext"}, called(from)) {
			found = true
		}
		return true
	})
	return found
}

func called(call *ast.CallExpr) string {
	switch f := call.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	}
	return ""
}

// paramAt is the place of a parameter, -1 if the function has none of that name.
func paramAt(fn *ast.FuncDecl, name string) int {
	i := 0
	for _, f := range fn.Type.Params.List {
		for _, n := range f.Names {
			if n.Name == name {
				return i
			}
			i++
		}
	}
	return -1
}

// unsafe lists what of an expression may be something else than a constant.
func (s *sources) unsafe(e ast.Expr, fn *ast.FuncDecl) []string {
	if s.busy[e] {
		return nil
	}
	s.busy[e] = true
	defer delete(s.busy, e)
	switch e := e.(type) {
	case *ast.BasicLit:
		return nil
	case *ast.ParenExpr:
		return s.unsafe(e.X, fn)
	case *ast.UnaryExpr:
		if e.Op == token.AND { // an address is no text: another function of that name
			return nil
		}
	case *ast.BinaryExpr:
		return append(s.unsafe(e.X, fn), s.unsafe(e.Y, fn)...)
	case *ast.CompositeLit:
		return s.all(fn, e.Elts...)
	case *ast.KeyValueExpr:
		return s.unsafe(e.Value, fn)
	case *ast.IndexExpr:
		return s.unsafe(e.X, fn)
	case *ast.SliceExpr:
		return s.unsafe(e.X, fn)
	case *ast.SelectorExpr:
		// Others may give an exported field what they like.
		if given := s.fields[e.Sel.Name]; len(given) > 0 && !e.Sel.IsExported() {
			return s.fieldOf(e.Sel.Name, given)
		}
	case *ast.Ident:
		return s.name(e.Name, fn)
	case *ast.CallExpr:
		return s.call(e, fn)
	}
	return []string{show(e)}
}

func (s *sources) all(fn *ast.FuncDecl, list ...ast.Expr) (out []string) {
	for _, e := range list {
		out = append(out, s.unsafe(e, fn)...)
	}
	return out
}

// fieldOf looks at all that is given to a field, in whatever function.
func (s *sources) fieldOf(name string, given []ast.Expr) (out []string) {
	for _, e := range given {
		fn := s.around(e)
		for _, u := range s.unsafe(e, fn) {
			out = append(out, name+" ("+u+")")
		}
	}
	return out
}

// around is the function that an expression stands in, nil outside of all.
func (s *sources) around(e ast.Expr) *ast.FuncDecl {
	for _, list := range s.funcs {
		for _, fn := range list {
			if fn.Pos() <= e.Pos() && e.End() <= fn.End() {
				return fn
			}
		}
	}
	return nil
}

// name looks at all that a name stands for: a constant, a variable of the package, or a
// local one with all that is assigned to it.
func (s *sources) name(name string, fn *ast.FuncDecl) (out []string) {
	if s.consts[name] || name == "nil" || fn != nil && pointer(fn.Type, name) {
		return nil
	}
	if fn == nil || paramAt(fn, name) >= 0 {
		if given := s.vars[name]; fn == nil && len(given) > 0 {
			return s.all(nil, given...)
		}
		return []string{name}
	}
	found := false
	is := func(e ast.Expr) bool { id, ok := e.(*ast.Ident); return ok && id.Name == name }
	ast.Inspect(fn.Body, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.AssignStmt:
			for i, l := range n.Lhs {
				if is(l) {
					found = true
					if len(n.Lhs) == len(n.Rhs) {
						out = append(out, s.unsafe(n.Rhs[i], fn)...)
					} else {
						out = append(out, s.unsafe(n.Rhs[0], fn)...)
					}
				}
			}
		case *ast.RangeStmt:
			if n.Value != nil && is(n.Value) {
				found = true
				out = append(out, s.unsafe(n.X, fn)...)
			}
		case *ast.ValueSpec:
			for i, id := range n.Names {
				if id.Name == name {
					found = true
					if i < len(n.Values) {
						out = append(out, s.unsafe(n.Values[i], fn)...)
					}
				}
			}
		case *ast.FuncLit:
			for _, f := range n.Type.Params.List {
				for _, id := range f.Names {
					if id.Name == name && pointer(n.Type, name) {
						found = true
					} else if id.Name == name {
						found = true
						out = append(out, s.literalCalls(n, fn, name)...)
					}
				}
			}
		case *ast.CallExpr:
			// What a builder was given.
			if sel, ok := n.Fun.(*ast.SelectorExpr); ok && is(sel.X) && strings.HasPrefix(sel.Sel.Name, "Write") && len(n.Args) == 1 {
				found = true
				out = append(out, s.unsafe(n.Args[0], fn)...)
			}
		}
		return true
	})
	if !found {
		if given := s.vars[name]; len(given) > 0 {
			return s.all(nil, given...)
		}
		return []string{name}
	}
	return out
}

// pointer tells that a parameter is a pointer.
func pointer(t *ast.FuncType, name string) (is bool) {
	for _, f := range t.Params.List {
		for _, n := range f.Names {
			if _, ok := f.Type.(*ast.StarExpr); ok && n.Name == name {
				is = true
			}
		}
	}
	return is
}

// literalCalls looks at what a local function is called with; it must have a name.
func (s *sources) literalCalls(lit *ast.FuncLit, fn *ast.FuncDecl, param string) (out []string) {
	place, i := -1, 0
	for _, f := range lit.Type.Params.List {
		for _, n := range f.Names {
			if n.Name == param {
				place = i
			}
			i++
		}
	}
	local := ""
	ast.Inspect(fn.Body, func(n ast.Node) bool {
		if a, ok := n.(*ast.AssignStmt); ok && len(a.Rhs) == 1 && a.Rhs[0] == lit {
			if id, ok := a.Lhs[0].(*ast.Ident); ok {
				local = id.Name
			}
		}
		return true
	})
	if local == "" {
		// It is given to a field: whoever calls that gives SQL.
		for field, given := range s.fields {
			for _, e := range given {
				if e == lit {
					s.sink("."+field, place)
					return nil
				}
			}
		}
		return []string{param}
	}
	ast.Inspect(fn.Body, func(n ast.Node) bool {
		if c, ok := n.(*ast.CallExpr); ok && called(c) == local && place < len(c.Args) {
			out = append(out, s.unsafe(c.Args[place], fn)...)
		}
		return true
	})
	return out
}

// numbers are functions that give digits, and joiners those that give what they are given.
var (
	numbers = map[string]bool{"Itoa": true, "FormatInt": true, "len": true, "min": true, "max": true, "int": true, "int64": true}
	joiners = map[string]bool{"Repeat": true, "Join": true, "TrimSuffix": true, "TrimPrefix": true, "append": true, "Sprintf": true, "Sprint": true}
)

func (s *sources) call(e *ast.CallExpr, fn *ast.FuncDecl) (out []string) {
	name := called(e)
	switch {
	case numbers[name]:
		return nil
	case name == "Repeat" && len(e.Args) == 2:
		return s.unsafe(e.Args[0], fn)
	case joiners[name]:
		return s.all(fn, e.Args...)
	case name == "String" && len(e.Args) == 0:
		if sel, ok := e.Fun.(*ast.SelectorExpr); ok {
			if sub, ok := sel.X.(*ast.SelectorExpr); ok {
				return s.written(sub.Sel.Name)
			}
			return s.unsafe(sel.X, fn)
		}
	}
	list := s.funcs[name]
	if len(list) == 0 {
		if lit := localFunc(name, fn); lit != nil {
			return s.returned(lit.Body, fn)
		}
		return []string{show(e)}
	}
	for _, callee := range list {
		if s.busy[callee] {
			continue
		}
		s.busy[callee] = true
		ast.Inspect(callee.Body, func(n ast.Node) bool {
			if _, ok := n.(*ast.FuncLit); ok {
				return false
			}
			r, ok := n.(*ast.ReturnStmt)
			if !ok || len(r.Results) == 0 {
				return true
			}
			for _, u := range s.unsafe(r.Results[0], callee) {
				if i := paramAt(callee, u); i >= 0 {
					if i < len(e.Args) {
						out = append(out, s.unsafe(e.Args[i], fn)...)
					}
					continue
				}
				out = append(out, name+" ("+u+")")
			}
			return true
		})
		delete(s.busy, callee)
	}
	return out
}

// localFunc is the function literal that a name of fn stands for.
func localFunc(name string, fn *ast.FuncDecl) (lit *ast.FuncLit) {
	if fn == nil {
		return nil
	}
	ast.Inspect(fn.Body, func(n ast.Node) bool {
		if a, ok := n.(*ast.AssignStmt); ok && len(a.Lhs) == len(a.Rhs) {
			for i, l := range a.Lhs {
				if id, ok := l.(*ast.Ident); ok && id.Name == name {
					if f, ok := a.Rhs[i].(*ast.FuncLit); ok {
						lit = f
					}
				}
			}
		}
		return true
	})
	return lit
}

// returned looks at the first results of a body.
func (s *sources) returned(body *ast.BlockStmt, fn *ast.FuncDecl) (out []string) {
	ast.Inspect(body, func(n ast.Node) bool {
		if r, ok := n.(*ast.ReturnStmt); ok && len(r.Results) > 0 {
			out = append(out, s.unsafe(r.Results[0], fn)...)
		}
		return true
	})
	return out
}

// written looks at what is written to a builder that is a field of that name.
func (s *sources) written(field string) (out []string) {
	for _, list := range s.funcs {
		for _, fn := range list {
			if fn.Body == nil {
				continue
			}
			ast.Inspect(fn.Body, func(n ast.Node) bool {
				c, ok := n.(*ast.CallExpr)
				if !ok || !strings.HasPrefix(called(c), "Write") || len(c.Args) != 1 {
					return true
				}
				sel, ok := c.Fun.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				if sub, ok := sel.X.(*ast.SelectorExpr); !ok || sub.Sel.Name != field {
					return true
				}
				for _, u := range s.unsafe(c.Args[0], fn) {
					if i := paramAt(fn, u); i >= 0 {
						s.sink(declared(fn), i)
						continue
					}
					out = append(out, field+" ("+u+")")
				}
				return true
			})
		}
	}
	return out
}

func show(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.SelectorExpr:
		return show(e.X) + "." + e.Sel.Name
	case *ast.Ident:
		return e.Name
	case *ast.CallExpr:
		return show(e.Fun) + "(…)"
	}
	return fmt.Sprintf("%T", e)
}
