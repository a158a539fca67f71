package facade_test

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"cannulary/internal/facade"
	"cannulary/internal/oracle/search"
)

// draw draws searches from what is in the world: values that are there, values near them,
// and nonsense.
type draw struct {
	*rand.Rand
	w      *world
	values map[string][]search.Value // by "Type parameter"
	owners map[string][]*search.Resource
	// exact draws values that are there and that fit the form.
	exact bool
}

func newDraw(w *world, seed uint64) *draw {
	return &draw{rand.New(rand.NewPCG(seed, 1)), w, map[string][]search.Value{}, map[string][]*search.Resource{}, false}
}

// term is one parameter of a query, with the form that it has.
type term struct{ form, name, value string }

// forms are the ways in which a parameter can be asked for: modifiers, prefixes with
// precisions, parts of values.
func forms(p *facade.Param) []string {
	var out []string
	switch p.Type {
	case facade.TokenParam:
		out = []string{"code", "system|code", "|code", "system|", "list"}
		if withoutSystem(p) {
			out = []string{"code", "list"}
		}
		if slices.Contains(p.Modifiers(), "not") {
			out = append(out, ":not", ":not list")
		}
	case facade.ReferenceParam:
		if p.Logical {
			out = []string{":identifier value", ":identifier system|value", ":identifier |value", ":identifier system|", ":identifier list"}
			break
		}
		out = []string{"id", "Type/id", "url", "list"}
		for _, t := range p.Targets {
			out = append(out, ":"+t)
		}
		if p.Chains() {
			for _, t := range facade.Types() {
				if t.Name == p.Targets[0] {
					for i := range t.Params {
						out = append(out, "."+t.Params[i].Name)
					}
				}
			}
		}
	case facade.DateParam:
		for _, op := range prefixes() {
			for _, precision := range []string{"year", "month", "day", "minute", "second", "fraction"} {
				out = append(out, op+" "+precision)
			}
		}
		out = append(out, "list")
	case facade.QuantityParam:
		for _, op := range prefixes() {
			for _, unit := range []string{"number", "number||code", "number|system|code"} {
				out = append(out, op+" "+unit)
			}
		}
		out = append(out, "number||unit", "more digits", "fewer digits", "power", "list")
	case facade.StringParam:
		out = []string{"whole", "beginning", "other case", "no accents", "list", ":contains", ":exact", ":exact other case"}
	case facade.URIParam:
		out = []string{"whole", "part", "list"}
	case facade.CompositeParam:
		out = []string{"pair", "list", "crossed"}
		if strings.HasSuffix(p.Name, "quantity") {
			for _, op := range prefixes() {
				out = append(out, "pair "+op)
			}
		}
	}
	if slices.Contains(p.Modifiers(), "missing") {
		out = append(out, ":missing=true", ":missing=false")
	}
	return out
}

// withoutSystem are the tokens that are ids and booleans.
func withoutSystem(p *facade.Param) bool {
	return p.Name == "_id" || p.Name == "active" || p.Name == "actual" || p.Name == "standing"
}

// prefixes are R4's; ap is not offered.
func prefixes() []string { return []string{"", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb"} }

// of lists all values that resources of the type have under a parameter.
func (d *draw) of(typ, param string) []search.Value {
	key := typ + " " + param
	list, ok := d.values[key]
	if !ok {
		for _, r := range d.w.c.All(typ) {
			list = append(list, d.w.c.Values(r, param)...)
		}
		d.values[key] = list
	}
	return list
}

// having is a resource that has a value under the parameter, nil if none has.
func (d *draw) having(typ, param string) *search.Resource {
	key := typ + " " + param
	if _, ok := d.owners[key]; !ok {
		d.owners[key] = slices.DeleteFunc(slices.Clone(d.w.c.All(typ)), func(r *search.Resource) bool { return len(d.w.c.Values(r, param)) == 0 })
	}
	list := d.owners[key]
	if len(list) == 0 {
		return nil
	}
	return list[d.IntN(len(list))]
}

// value is one of them, or one of a resource's if that is not nil.
func (d *draw) value(r *search.Resource, typ, param string) search.Value {
	list := d.of(typ, param)
	if r != nil && d.IntN(4) > 0 {
		if own := d.w.c.Values(r, param); len(own) > 0 {
			list = own
		}
	}
	if len(list) == 0 || !d.exact && d.IntN(12) == 0 {
		return d.nonsense(typ, param)
	}
	return list[d.IntN(len(list))]
}

func (d *draw) nonsense(typ, param string) search.Value {
	t := awkward()
	text := t[d.IntN(len(t))]
	target := d.target(typ, param)
	id := []string{"nobody", "bare"}[d.IntN(2)]
	if list := d.w.ids[target]; len(list) > 0 && d.IntN(2) == 0 {
		id = list[d.IntN(len(list))] // also that of a merged patient, to which nothing refers
	}
	v := search.Value{System: "urn:nothing", Code: text, Reference: target + "/" + id, Number: fmt.Sprint(d.IntN(300)), Unit: "mg"}
	v.Parts = []search.Value{{Code: text}, {Code: text, Number: "7"}}
	return v
}

// target is a type that the reference may name: others are refused.
func (d *draw) target(typ, param string) string {
	for _, t := range facade.Types() {
		if t.Name == typ {
			if p := t.Param(param); p != nil && len(p.Targets) > 0 {
				return p.Targets[d.IntN(len(p.Targets))]
			}
		}
	}
	return ""
}

// term draws one parameter in a form; r may name the resource whose values are preferred.
func (d *draw) term(r *search.Resource, typ string, p *facade.Param, form string) term {
	out := term{form: form, name: p.Name}
	name, value, ok := strings.Cut(form, "=")
	if ok && name == ":missing" {
		out.name, out.value = p.Name+name, value
		return out
	}
	if rest, ok := strings.CutPrefix(form, "."); ok {
		inner := facade.Param{}
		target := p.Targets[0]
		for _, t := range facade.Types() {
			if t.Name == target {
				inner = *t.Param(rest)
			}
		}
		var to *search.Resource
		if r != nil {
			for _, v := range d.w.c.Values(r, p.Name) {
				if x := d.w.c.Get(v.Reference); x != nil {
					to = x
				}
			}
		}
		f := forms(&inner)
		f = slices.DeleteFunc(f, func(s string) bool { return strings.HasPrefix(s, ".") })
		t := d.term(to, target, &inner, f[d.IntN(len(f))])
		out.name, out.value = p.Name+"."+t.name, t.value
		return out
	}
	if word, rest, _ := strings.Cut(form, " "); strings.HasPrefix(word, ":") {
		out.name, form = p.Name+word, rest
		if p.Type == facade.ReferenceParam && !p.Logical {
			form = "id"
		}
	}
	n := 1
	if strings.HasSuffix(form, "list") {
		n = 2 + d.IntN(2)
	}
	var list []string
	for range n {
		v := d.value(r, typ, p.Name)
		if d.exact && !fits(v, p, form) {
			if list := d.fitting(typ, p, form); len(list) > 0 {
				v = list[d.IntN(len(list))]
			}
		}
		if p.Type == facade.ReferenceParam && !p.Logical {
			// A value of the type that the modifier names, and one that is literal.
			want := strings.TrimPrefix(out.name, p.Name+":")
			for k := 0; k < 300 && (want != out.name && !strings.HasPrefix(v.Reference, want+"/") || v.Reference == ""); k++ {
				v = d.value(nil, typ, p.Name)
			}
			if v.Reference == "" {
				v = d.nonsense(typ, p.Name)
			}
		}
		list = append(list, d.single(v, p, form))
	}
	out.value = strings.Join(list, ",")
	return out
}

// fitting are the values of the type that fit a form.
func (d *draw) fitting(typ string, p *facade.Param, form string) []search.Value {
	key := typ + " " + p.Name + " " + form
	list, ok := d.values[key]
	if !ok {
		list = slices.DeleteFunc(slices.Clone(d.of(typ, p.Name)), func(v search.Value) bool { return !fits(v, p, form) })
		d.values[key] = list
	}
	return list
}

// fits reports whether a search for the value in the form can find what has it.
func fits(v search.Value, p *facade.Param, form string) bool {
	if len(v.Parts) > 0 && p.Type == facade.CompositeParam {
		return v.Parts[0].Code != "" && (v.Parts[1].Code != "" || v.Parts[1].Number != "")
	}
	switch {
	case strings.HasSuffix(form, "|code") && strings.HasPrefix(form, "|"), strings.HasPrefix(form, "|value"):
		return v.System == "" && v.Code != ""
	case strings.HasPrefix(form, "system|"):
		return v.System != "" && v.Code != ""
	case form == ":exact other case":
		return strings.EqualFold(v.Code, "twin") || v.Code == "debut_long" || strings.Contains(strings.ToLower(v.Code), "(01)ab")
	case strings.HasSuffix(form, "fraction"):
		return strings.Contains(v.Code, ".")
	case strings.HasSuffix(form, "minute"):
		return strings.Contains(v.Code, "T")
	case strings.HasSuffix(form, "second"):
		return len(v.Code) >= 19 && v.Code[17:19] != "00" && !strings.Contains(v.Code, ".")
	case strings.HasSuffix(form, "number||unit"):
		return v.Unit != "" && v.Number != ""
	case strings.HasSuffix(form, "number|system|code"), strings.HasSuffix(form, "number||code"):
		return v.System != "" && v.Code != "" && v.Number != ""
	}
	return true
}

func (d *draw) single(v search.Value, p *facade.Param, form string) string {
	esc := search.Escape
	switch p.Type {
	case facade.TokenParam:
		if withoutSystem(p) {
			return esc(or(v.Code, "x"))
		}
		return d.token(v.System, v.Code, form)
	case facade.ReferenceParam:
		if p.Logical {
			return d.token(v.System, v.Code, strings.Replace(form, "value", "code", 1))
		}
		typ, id, _ := strings.Cut(v.Reference, "/")
		switch form {
		case "Type/id":
			return esc(typ + "/" + id)
		case "url":
			if v.Canonical != "" && d.IntN(2) == 0 {
				return esc(v.Canonical)
			}
			return esc(base + "/" + typ + "/" + id)
		case "list":
			return []string{esc(id), esc(v.Reference), base + "/" + esc(v.Reference)}[d.IntN(3)]
		}
		return esc(id)
	case facade.DateParam:
		op, precision, _ := strings.Cut(form, " ")
		if form == "list" {
			op, precision = prefixes()[d.IntN(9)], []string{"year", "month", "day", "minute", "second", "fraction"}[d.IntN(6)]
		}
		return op + d.date(v.Code, precision)
	case facade.QuantityParam:
		return d.quantity(v, form)
	case facade.StringParam:
		return esc(d.text(v.Code, form))
	case facade.URIParam:
		// Whole letters: what is no text is refused.
		if r := []rune(v.Code); form == "part" && len(r) > 2 {
			return esc(string(r[:len(r)-1-d.IntN(len(r)/2)]))
		}
		return esc(v.Code)
	}
	// A composite.
	a, b := v.Parts[0], v.Parts[1]
	first := d.token(a.System, a.Code, []string{"code", "system|code", "system|", "|code"}[d.IntN(4)])
	if form == "crossed" {
		// A code of one with the value of another: what ignores the pairing finds too much.
		other := d.w.c.Values(d.w.any(d.Rand, "Observation"), p.Name)
		if len(other) > 0 {
			b = other[d.IntN(len(other))].Parts[1]
		}
	}
	if b.Number == "" {
		return first + "$" + d.token(b.System, b.Code, []string{"code", "system|code", "system|"}[d.IntN(3)])
	}
	op, _ := strings.CutPrefix(form, "pair ")
	if op == "pair" || op == "list" || op == "crossed" {
		op = ""
	}
	return first + "$" + d.quantity(b, op+" "+[]string{"number", "number||code", "number|system|code"}[d.IntN(3)])
}

func (d *draw) token(system, code, form string) string {
	esc := search.Escape
	if !d.exact && d.IntN(15) == 0 {
		code = strings.ToUpper(code)
	}
	switch form {
	case "system|code":
		return esc(system) + "|" + esc(code)
	case "|code":
		return "|" + esc(code)
	case "system|":
		return esc(or(system, "urn:s")) + "|"
	case "", "list":
		if d.IntN(2) == 0 {
			return esc(system) + "|" + esc(code)
		}
	}
	return esc(or(code, "x"))
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// date writes a moment of an element, or one near it, to a precision, in some zone.
func (d *draw) date(text, precision string) string {
	if list := strings.Fields(text); len(list) > 0 {
		text = list[d.IntN(len(list))]
	}
	var at time.Time
	for _, layout := range []string{time.RFC3339Nano, time.DateOnly, "2006-01", "2006"} {
		if t, err := time.ParseInLocation(layout, text, d.w.zone); err == nil {
			at = t
			break
		}
	}
	if at.IsZero() {
		at = time.Date(2025, 1, 1+d.IntN(90), d.IntN(24), d.IntN(60), 0, 0, time.UTC)
	}
	step := map[string]time.Duration{"year": 366 * 24 * time.Hour, "month": 31 * 24 * time.Hour, "day": 24 * time.Hour, "minute": time.Minute, "second": time.Second, "fraction": time.Millisecond}[precision]
	near := d.IntN(6)
	if d.exact {
		near = 6
	}
	switch near {
	case 0:
		at = at.Add(step)
	case 1:
		at = at.Add(-step)
	case 2:
		at = at.Add(time.Duration(d.IntN(86400)) * time.Second)
	}
	// Without a zone the digits are mostly those on the clock on which the element is written.
	own := at.Location()
	zone := [...]*time.Location{own, time.UTC, time.FixedZone("", 19800), time.FixedZone("", -4*3600), d.w.zone}[d.IntN(5)]
	layout := map[string]string{"year": "2006", "month": "2006-01", "day": "2006-01-02", "minute": "2006-01-02T15:04", "second": "2006-01-02T15:04:05", "fraction": "2006-01-02T15:04:05.000"}[precision]
	if strings.Contains(layout, "T") && (zone != own || d.IntN(2) == 0) {
		layout += "Z07:00"
	}
	if !strings.Contains(layout, "T") && d.exact {
		zone = own
	}
	return at.In(zone).Format(layout)
}

func (d *draw) quantity(v search.Value, form string) string {
	esc := search.Escape
	op, rest, ok := strings.Cut(form, " ")
	if !ok || op == "more" || op == "fewer" || strings.HasPrefix(op, "number") {
		op, rest = "", form
	}
	number := d.number(v.Number)
	switch rest {
	case "more digits":
		if !strings.ContainsAny(number, "eE") {
			if !strings.Contains(number, ".") {
				number += "."
			}
			number += strings.Repeat("0", 1+d.IntN(2))
		}
	case "fewer digits":
		if x, ok := new(big.Rat).SetString(number); ok {
			number = x.FloatString(0)
		}
	case "power":
		if x, ok := new(big.Float).SetString(number); ok {
			number = x.Text('e', d.IntN(3))
		}
	case "number||unit":
		return op + number + "||" + esc(or(v.Unit, v.Code))
	case "number||code":
		return op + number + "||" + esc(or(v.Code, "mg"))
	case "number|system|code":
		return op + number + "|" + esc(v.System) + "|" + esc(or(v.Code, "mg"))
	case "list":
		return prefixes()[d.IntN(9)] + number
	}
	return op + number
}

// number is a value or one near it.
func (d *draw) number(s string) string {
	x, ok := new(big.Rat).SetString(s)
	if !ok {
		return "100"
	}
	near := d.IntN(6)
	if d.exact {
		near = 6
	}
	switch near {
	case 0:
		x.Add(x, big.NewRat(1, 2))
	case 1:
		x.Sub(x, big.NewRat(1, 10))
	case 2:
		x.Add(x, big.NewRat(1, 1))
	default:
		return s
	}
	return strings.TrimSuffix(x.FloatString(1), ".0")
}

func (d *draw) text(s, form string) string {
	switch form {
	case "beginning", ":contains":
		r := []rune(s)
		if len(r) > 1 {
			from := 0
			if form == ":contains" {
				from = d.IntN(len(r) - 1)
			}
			return string(r[from : from+1+d.IntN(len(r)-from)])
		}
	case "other case":
		if d.IntN(2) == 0 {
			return strings.ToUpper(s)
		}
		return strings.ToLower(s)
	case "no accents":
		return strings.NewReplacer("É", "E", "é", "e", "Ü", "U", "ö", "o", "Ú", "U", "ã", "a").Replace(s)
	}
	return s
}
