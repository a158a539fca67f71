package view

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"cannulary/fhir"
)

// links lists the rows of link that a resource has.
func (t *Tx) links(r fhir.Resource, x fhir.Index) ([]link, error) {
	var out []link
	for _, v := range x.References {
		param, err := t.param(v.Param)
		if err != nil {
			return nil, err
		}
		l := link{param: param}
		if v.Type != r.Type || v.ID != r.ID {
			if l.target, err = t.rid(v.Type, v.ID); err != nil {
				return nil, err
			}
		}
		out = append(out, l)
	}
	for _, v := range x.Tokens {
		if own(v.Param) {
			id, err := t.term(term{"t", v.Param, v.Code, v.System})
			if err != nil {
				return nil, err
			}
			out = append(out, link{target: -id})
		}
	}
	return out, nil
}

// linkBits are the bits of a parameter's number in resource.links.
const linkBits = 10

// own tells that a token parameter's values are hardly ever shared: they are links.
func own(param string) bool { return strings.HasSuffix(param, "identifier") }

// packLinks writes links as a JSON array, which SQLite reads; nil for none.
func packLinks(links []int64) any {
	if len(links) == 0 {
		return nil
	}
	b := make([]byte, 0, 8*len(links)+2)
	for i, n := range links {
		b = append(b, "[,"[min(i, 1)])
		b = strconv.AppendInt(b, n, 10)
	}
	return string(append(b, ']'))
}

// unpackLinks reads what packLinks wrote.
func unpackLinks(packed []byte) []int64 {
	var out []int64
	var n, sign int64 = 0, 1
	for _, b := range packed {
		switch {
		case b == '-':
			sign = -1
		case b >= '0' && b <= '9':
			n = 10*n + int64(b-'0')
		case b == ',' || b == ']':
			out = append(out, sign*n)
			n, sign = 0, 1
		}
	}
	return out
}

// setLinks removes rows of link and adds others.
func (t *Tx) setLinks(rid int64, gone, add []int64) error {
	for _, n := range gone {
		if err := t.exec(`DELETE FROM link WHERE target = ? AND param = ? AND rid = ?`, rid-n>>linkBits, n&(1<<linkBits-1),
			rid); err != nil {
			return err
		}
	}
	rows := make([]any, 0, 3*len(add))
	for _, n := range add {
		rows = append(rows, rid-n>>linkBits, n&(1<<linkBits-1), rid)
	}
	return t.rows(`INSERT OR ROLLBACK INTO link (target, param, rid) VALUES `, `(?,?,?)`, 3, rows)
}

// tables are those that hold search values beside a resource's row and links.
type tables uint8

const (
	inPeriod tables = 1 << iota
	inQuantity
	inString
	inAny = inPeriod | inQuantity | inString
)

// tablesOf tells where values stores those of an index.
func tablesOf(x fhir.Index) (in tables) {
	if len(x.Dates) > 1 {
		in |= inPeriod
	}
	if len(x.Quantities) > 0 {
		in |= inQuantity
	}
	if len(x.Strings) > 0 {
		in |= inString
	}
	return in
}

// unindex removes the search values that stand in tables of their own, but for links.
func (t *Tx) unindex(s stored) error {
	var errs []error
	if s.valued&inPeriod != 0 {
		errs = append(errs, t.exec(`DELETE FROM period WHERE rid = ?`, s.rid))
	}
	if s.valued&inQuantity != 0 {
		errs = append(errs, t.exec(`DELETE FROM quantity WHERE rid = ?`, s.rid))
	}
	if s.valued&inString != 0 {
		errs = append(errs, t.exec(`DELETE FROM string WHERE rid = ?`, s.rid))
	}
	return errors.Join(errs...)
}

// without lists what is not in a sorted list.
func without(list, sorted []int64) (out []int64) {
	for _, n := range list {
		if _, in := slices.BinarySearch(sorted, n); !in {
			out = append(out, n)
		}
	}
	return out
}

// shape finds or makes the shape of a resource. It is remembered by the values as they come.
func (t *Tx) shape(typ int64, x fhir.Index) (int64, error) {
	b := binary.AppendVarint(t.scratch[:0], typ)
	add := func(texts ...string) {
		for _, text := range texts {
			b = append(binary.AppendUvarint(b, uint64(len(text))), text...)
		}
	}
	for _, v := range x.Tokens {
		add(v.Param)
		if !own(v.Param) {
			add(v.System, v.Code)
			b = binary.AppendUvarint(b, uint64(v.Part))
		}
	}
	for _, v := range x.References {
		add(v.Param)
	}
	for _, v := range x.Dates {
		add(v.Param)
	}
	for _, v := range x.Quantities {
		add(v.Param)
	}
	for _, v := range x.Strings {
		add(v.Param)
	}
	t.scratch = b
	if id, ok := t.memo.shapes[string(b)]; ok {
		return id, nil
	}
	id, err := t.newShape(typ, x)
	remember(t.memo.shapes, string(b), id)
	return id, err
}

// newShape finds or makes a shape by its terms.
func (t *Tx) newShape(typ int64, x fhir.Index) (int64, error) {
	var set []shaped
	add := func(part int, k term) error {
		id, err := t.term(k)
		set = append(set, shaped{id, part})
		return err
	}
	has := func(param string) error { return add(0, term{kind: "p", param: param}) }
	var errs []error
	for _, v := range x.Tokens {
		errs = append(errs, has(v.Param))
		if !own(v.Param) && !slices.ContainsFunc(composed[v.Param], func(p string) bool {
			return slices.Contains(x.Tokens, fhir.Token{Param: p, System: v.System, Code: v.Code, Part: v.Part})
		}) {
			errs = append(errs, add(v.Part, term{"t", v.Param, v.Code, v.System}))
		}
	}
	for _, v := range x.References {
		errs = append(errs, has(v.Param))
	}
	for _, v := range x.Dates {
		errs = append(errs, has(v.Param))
	}
	for _, v := range x.Quantities {
		errs = append(errs, has(v.Param))
	}
	for _, v := range x.Strings {
		errs = append(errs, has(v.Param))
	}
	if err := errors.Join(errs...); err != nil {
		return 0, err
	}
	slices.SortFunc(set, func(a, b shaped) int { return cmp.Or(cmp.Compare(a.term, b.term), a.part-b.part) })
	set = slices.Compact(set)
	key := binary.AppendVarint(nil, typ)
	for _, s := range set {
		key = binary.AppendVarint(binary.AppendVarint(key, s.term), int64(s.part))
	}
	sum := sha256.Sum256(key)
	id, err := t.insert(`INSERT INTO shape (key) VALUES (?) ON CONFLICT DO NOTHING`, sum[:16])
	if err != nil {
		return 0, err
	}
	if id == 0 {
		_, err = t.row(`SELECT id FROM shape WHERE key = ?`, []any{sum[:16]}, &id)
		return id, err
	}
	var rows []any
	for _, s := range set {
		rows = append(rows, s.term, id, s.part)
	}
	return id, t.rows(`INSERT INTO shape_term (term, shape, part) VALUES `, `(?,?,?)`, 3, rows)
}

// shaped is a term of a shape.
type shaped struct {
	term int64
	part int
}

// firstDate gives the columns of the first date, all nil where there is none.
func (t *Tx) firstDate(dates []fhir.Period) (out [5]any, err error) {
	if len(dates) == 0 {
		return out, nil
	}
	v := dates[0]
	id, err := t.param(v.Param)
	return [5]any{id, millis(v.Low), millis(v.High), shift(v.Low), shift(v.High)}, err
}

// values stores the search values that stand in tables of their own, but for links.
func (t *Tx) values(rid int64, x fhir.Index) error {
	var periods, quantities, strs []any
	for _, v := range x.Dates[min(1, len(x.Dates)):] {
		param, err := t.param(v.Param)
		if err != nil {
			return err
		}
		periods = append(periods, param, millis(v.Low), millis(v.High), rid, shift(v.Low), shift(v.High))
	}
	for _, v := range x.Quantities {
		param, err := t.param(v.Param)
		if err != nil {
			return err
		}
		quantities = append(quantities, rid, param, v.Part, v.Value)
		for _, text := range []string{v.System, v.Code, v.Unit} {
			word, err := t.word(text)
			if err != nil {
				return err
			}
			quantities = append(quantities, word)
		}
	}
	for _, v := range x.Strings {
		strs = append(strs, v.Param, v.Value, foldText(v.Value), rid)
	}
	return errors.Join(
		t.rows(`INSERT OR IGNORE INTO period (param, low, high, rid, low_shift, high_shift) VALUES `, `(?,?,?,?,?,?)`, 6, periods),
		t.rows(`INSERT OR IGNORE INTO quantity (rid, param, part, value, system, code, unit) VALUES `, `(?,?,?,?,?,?,?)`, 7, quantities),
		t.rows(`INSERT INTO string (param, value, folded, rid) VALUES `, `(?,?,?,?)`, 4, strs))
}

// shift is by how many seconds the time's clock is ahead of UTC.
func shift(t time.Time) int64 {
	_, offset := t.Zone()
	return int64(offset)
}

// foldText makes a string fit for comparison as FHIR R4's string search asks: without regard
// to case (as Unicode folds it) and accents.
func foldText(s string) string {
	var b strings.Builder
	for _, r := range norm.NFD.String(cases.Fold().String(norm.NFD.String(s))) {
		if !unicode.Is(unicode.Mn, r) {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// composed are the parameters that a composed one stands for: searches ask for those, so
// that no value is stored twice.
var composed = map[string][]string{
	"combo-code":               {"code", "component-code"},
	"combo-value-concept":      {"value-concept", "component-value-concept"},
	"combo-value-quantity":     {"value-quantity", "component-value-quantity"},
	"combo-data-absent-reason": {"data-absent-reason", "component-data-absent-reason"},
}

// parts are the parameters by which a value of param is stored.
func parts(param string) []string {
	if p, ok := composed[param]; ok {
		return p
	}
	return []string{param}
}

// lean leaves out the references that are found another way, to the patient in whose compartment
// the resource is (patient, subject), and the quantities of composed parameters.
func lean(x fhir.Index, r fhir.Resource) fhir.Index {
	refs, quantities := x.References, x.Quantities
	x.References = make([]fhir.Reference, 0, len(refs))
	for _, v := range refs {
		// A Provenance names the patient whose own versions it is about; its compartment is wider.
		if v.Param != "patient" && v.Param != "subject" || v.ID != r.Patient || r.Type == "Provenance" {
			x.References = append(x.References, v)
		}
	}
	x.Quantities = make([]fhir.Quantity, 0, len(quantities))
	for _, v := range quantities {
		if !slices.ContainsFunc(composed[v.Param], func(p string) bool {
			return slices.Contains(quantities, fhir.Quantity{Param: p, System: v.System, Code: v.Code, Unit: v.Unit, Value: v.Value,
				Part: v.Part})
		}) {
			x.Quantities = append(x.Quantities, v)
		}
	}
	return x
}

// term finds or makes the number of a search value.
func (t *Tx) term(key term) (int64, error) {
	if id, ok := t.memo.terms[key]; ok {
		return id, nil
	}
	if t.memo.unseen.lacks(termKey, key.kind, key.param, key.code, key.system) {
		return t.newTerm(key)
	}
	// A value that is not remembered is most often new.
	id, err := t.insert(`INSERT INTO term (kind, param, code, system) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING`,
		key.kind, key.param, key.code, key.system)
	if err == nil && id == 0 {
		_, err = t.row(`SELECT id FROM term WHERE param = ? AND code = ? AND system = ? AND kind = ?`,
			[]any{key.param, key.code, key.system, key.kind}, &id)
	}
	if err != nil {
		return 0, err
	}
	t.noteTerm(key, id)
	return id, nil
}

// newTerm makes the number of a search value that surely has none.
func (t *Tx) newTerm(key term) (int64, error) {
	if t.memo.lastTerm == 0 {
		if _, err := t.row(`SELECT coalesce(max(id), 0) FROM term`, nil, &t.memo.lastTerm); err != nil {
			return 0, err
		}
	}
	id := t.memo.lastTerm + 1
	t.noteTerm(key, id)
	return id, t.exec(`INSERT INTO term (id, kind, param, code, system) VALUES (?, ?, ?, ?, ?)`, id, key.kind, key.param, key.code,
		key.system)
}

func (t *Tx) noteTerm(key term, id int64) {
	remember(t.memo.terms, key, id)
	t.memo.unseen.note(termKey, key.kind, key.param, key.code, key.system)
	if t.memo.lastTerm > 0 {
		t.memo.lastTerm = max(t.memo.lastTerm, id)
	}
}
