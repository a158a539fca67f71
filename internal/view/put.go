package view

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"cannulary/fhir"
)

// Put stores a rendered resource. If its content differs from the newest version's, it
// becomes a new version with the given lastUpdated, the old one goes to the history and
// the search values are replaced; else nothing happens. version is the newest version.
// What one event gives is put in one go: seq names it. A resource costs less when those
// that it refers to were put before.
func (t *Tx) Put(r fhir.Resource, seq uint64, updated time.Time) (version int, changed bool, err error) {
	sum := sha256.Sum256(r.Body)
	hash := [16]byte(sum[:16])
	now, known := t.memo.resources[name{r.Type, r.ID}]
	if now.version > 0 && now.hash == hash {
		return now.version, false, nil
	}
	p, err := t.resolve(r, hash)
	if err != nil {
		return 0, false, fmt.Errorf("store %s/%s: %w", r.Type, r.ID, err)
	}
	if !known && t.memo.unseen.lacks(resourceKey, r.Type, r.ID) {
		return 1, true, t.addNew(p, seq, updated)
	}
	if !known {
		// What is not remembered is most often new.
		if added, err := t.addResource(p, seq, updated); err != nil || added {
			return 1, added, err
		}
		if now, err = t.newest(r.Type, r.ID); err != nil {
			return 0, false, err
		}
		if now.version > 0 && now.hash == hash {
			return now.version, false, nil
		}
	}
	return now.version + 1, true, t.replaceResource(p, now, seq, updated)
}

// resolved is a resource with the numbers of all that its row names.
type resolved struct {
	fhir.Resource
	index               fhir.Index // without what is found another way
	hash                [16]byte
	typ, patient, shape int64
	date                [5]any
	links               []link
}

// link is a row of link. A target of 0 is the resource itself.
type link struct{ target, param int64 }

// resolve finds those numbers. Whatever the resource names gets a row before the resource itself does.
func (t *Tx) resolve(r fhir.Resource, hash [16]byte) (p *resolved, err error) {
	p = &resolved{Resource: r, index: lean(r.Index, r), hash: hash}
	if p.typ, err = t.word(r.Type); err != nil {
		return nil, err
	}
	if r.Patient != "" && (r.Type != "Patient" || r.ID != r.Patient) {
		if p.patient, err = t.rid("Patient", r.Patient); err != nil {
			return nil, err
		}
	}
	if p.links, err = t.links(r, p.index); err != nil {
		return nil, err
	}
	if p.shape, err = t.shape(p.typ, p.index); err != nil {
		return nil, err
	}
	p.date, err = t.firstDate(p.index.Dates)
	return p, err
}

// columns are those of a version's row, in the order of the statements below.
func (p *resolved) columns(now stored, seq uint64, slot int, updated time.Time) []any {
	patient := p.patient
	if patient == 0 && p.Patient != "" {
		patient = now.rid
	}
	return append(append([]any{p.typ, patient, now.version, millis(updated), int64(seq), slot, p.hash[:], p.shape, packLinks(now.links)},
		p.date[:]...), now.rid, idValue(p.ID))
}

// packed are the links as the resource's row keeps them.
func (p *resolved) packed(rid int64) []int64 {
	out := make([]int64, len(p.links))
	for i, l := range p.links {
		if l.target == 0 {
			l.target = rid
		}
		out[i] = (rid-l.target)<<linkBits | l.param
	}
	slices.Sort(out)
	return slices.Compact(out)
}

const resourceColumns = `INSERT INTO resource (type, patient, version, updated, seq, slot, hash, shape, links, date, low, high, low_shift,
	high_shift, rid, id) `

// addNew stores a resource that surely has no row.
func (t *Tx) addNew(p *resolved, seq uint64, updated time.Time) error {
	rid, err := t.nextRID()
	if err != nil {
		return err
	}
	now := stored{rid, 1, p.hash, p.packed(rid), tablesOf(p.index)}
	return errors.Join(t.exec(resourceColumns+`VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		p.columns(now, seq, t.nextSlot(seq), updated)...), t.written(p, now, nil, now.links, seq, updated))
}

// addResource stores a resource that has no row yet. It returns false where there is one.
func (t *Tx) addResource(p *resolved, seq uint64, updated time.Time) (bool, error) {
	rid, err := t.nextRID()
	if err != nil {
		return false, err
	}
	now := stored{rid, 1, p.hash, p.packed(rid), tablesOf(p.index)}
	n, err := t.insert(resourceColumns+`SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16
		WHERE NOT EXISTS (SELECT 1 FROM resource WHERE id = ?16 AND type = -?1) ON CONFLICT DO NOTHING`,
		p.columns(now, seq, t.nextSlot(seq), updated)...)
	if err != nil || n == 0 {
		t.memo.last = rid - 1
		return false, err
	}
	return true, t.written(p, now, nil, now.links, seq, updated)
}

// replaceResource stores another version of a resource, or the first of one that others only refer to.
func (t *Tx) replaceResource(p *resolved, now stored, seq uint64, updated time.Time) error {
	before, links := now.links, p.packed(now.rid)
	if now.version > 0 {
		if err := errors.Join(t.exec(`INSERT OR ROLLBACK INTO history (rid, version, type, updated, seq, slot)
			SELECT rid, version, type, updated, seq, slot FROM resource WHERE rid = ?`, now.rid), t.unindex(now)); err != nil {
			return err
		}
	}
	now = stored{now.rid, now.version + 1, p.hash, links, tablesOf(p.index)}
	row := p.columns(now, seq, t.nextSlot(seq), updated)
	if err := t.exec(`UPDATE resource SET type = ?, patient = ?, version = ?, updated = ?, seq = ?, slot = ?, hash = ?, shape = ?,
		links = ?, date = ?, low = ?, high = ?, low_shift = ?, high_shift = ? WHERE rid = ?`, row[:len(row)-1]...); err != nil {
		return err
	}
	return t.written(p, now, without(before, links), without(links, before), seq, updated)
}

// written keeps the body and the search values of a version whose row is written.
func (t *Tx) written(p *resolved, now stored, gone, fresh []int64, seq uint64, updated time.Time) error {
	t.note(name{p.Type, p.ID}, now)
	return errors.Join(t.keep(seq, p, now.version, updated), t.setLinks(now.rid, gone, fresh),
		t.values(now.rid, p.index))
}

// Same reports whether a rendered resource has the content of the newest version.
func (t *Tx) Same(r fhir.Resource) (bool, error) {
	now, err := t.newest(r.Type, r.ID)
	sum := sha256.Sum256(r.Body)
	return now.version > 0 && now.hash == [16]byte(sum[:16]), err
}

// newest finds the newest version; its rid is 0 where neither it nor a reference to it is stored.
func (t *Tx) newest(typ, id string) (stored, error) {
	key := name{typ, id}
	if s, ok := t.memo.resources[key]; ok {
		return s, nil
	}
	word, err := t.word(typ)
	if err != nil {
		return stored{}, err
	}
	if t.memo.unseen.lacks(resourceKey, typ, id) {
		return stored{}, nil
	}
	var s stored
	var hash, links []byte
	found, err := t.row(`SELECT rid, version, hash, links FROM resource WHERE id = ? AND type IN (?, ?)`, []any{idValue(id), word, -word},
		&s.rid, &s.version, &hash, &links)
	if err != nil || !found {
		return stored{}, err
	}
	copy(s.hash[:], hash)
	s.links, s.valued = unpackLinks(links), inAny
	remember(t.memo.resources, key, s)
	return s, nil
}

// note remembers a resource that is being stored.
func (t *Tx) note(key name, s stored) {
	remember(t.memo.resources, key, s)
	t.memo.unseen.note(resourceKey, key.typ, key.id)
}

// nextRID gives a new row its number.
func (t *Tx) nextRID() (int64, error) {
	if t.memo.last == 0 {
		if _, err := t.row(`SELECT coalesce(max(rid), 0) FROM resource`, nil, &t.memo.last); err != nil {
			return 0, err
		}
	}
	t.memo.last++
	return t.memo.last, nil
}

// rid is the row of a resource, which gets one if it has none yet.
func (t *Tx) rid(typ, id string) (int64, error) {
	s, err := t.newest(typ, id)
	if err != nil || s.rid != 0 {
		return s.rid, err
	}
	if s.rid, err = t.nextRID(); err != nil {
		return 0, err
	}
	word, err := t.word(typ)
	if err != nil {
		return 0, err
	}
	t.note(name{typ, id}, s)
	return s.rid, t.exec(`INSERT INTO resource (rid, type, id) VALUES (?, ?, ?)`, s.rid, -word, idValue(id))
}

// word finds or makes the number of a word, param that of a parameter.
func (t *Tx) word(text string) (int64, error) {
	return t.number(t.memo.words, text, `INSERT INTO word (text) VALUES (?) ON CONFLICT DO NOTHING`, `SELECT id FROM word WHERE text = ?`)
}

func (t *Tx) param(text string) (int64, error) {
	return t.number(t.memo.params, text, `INSERT INTO param (name) VALUES (?) ON CONFLICT DO NOTHING`,
		`SELECT id FROM param WHERE name = ?`)
}

func (t *Tx) number(known map[string]int64, text, insert, find string) (id int64, err error) {
	if id, ok := known[text]; ok {
		return id, nil
	}
	if id, err = t.insert(insert, text); err == nil && id == 0 {
		_, err = t.row(find, []any{text}, &id)
	}
	if err != nil {
		return 0, err
	}
	remember(known, text, id)
	return id, nil
}

// insert inserts one row and returns its rowid, 0 if nothing was inserted.
func (t *Tx) insert(q string, args ...any) (int64, error) {
	st, err := t.ask(q)
	if err != nil {
		return 0, err
	}
	res, err := st.ExecContext(t.ctx, args...)
	if err != nil {
		return 0, fmt.Errorf("%w in %q", err, q)
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return 0, err
	}
	return res.LastInsertId()
}

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

// rows inserts several rows with one statement; one is the row's placeholders, of width
// values. Where the statement says OR ROLLBACK, SQLite keeps no copy of what it changes: an error ends the transaction anyway.
func (t *Tx) rows(head, one string, width int, values []any) error {
	const most = 20
	for len(values) > 0 {
		n := min(len(values)/width, most)
		if err := t.exec(head+strings.Repeat(one+",", n-1)+one, values[:n*width]...); err != nil {
			return err
		}
		values = values[n*width:]
	}
	return nil
}

// SetFacility stores name and zone.
func (t *Tx) SetFacility(id, zone, name string) error {
	return t.exec(`INSERT INTO facility (id, zone, name, day, last_logged, last_occurred, events) VALUES (?, ?, ?, '', 0, 0, 0)
		ON CONFLICT (id) DO UPDATE SET zone = excluded.zone, name = excluded.name`, id, zone, name)
}

// HeardFrom notes a sender's message from the facility.
func (t *Tx) HeardFrom(id string, logged, occurred time.Time) error {
	return t.exec(`INSERT INTO facility (id, zone, name, day, last_logged, last_occurred, events) VALUES (?, 'UTC', '', '', ?, ?, 1)
		ON CONFLICT (id) DO UPDATE SET last_logged = max(last_logged, excluded.last_logged),
		last_occurred = max(last_occurred, excluded.last_occurred), events = events + 1`, id, millis(logged), millis(occurred))
}

// DayStarted notes a local day's start.
func (t *Tx) DayStarted(id, date string) error {
	return t.exec(`UPDATE facility SET day = max(day, ?) WHERE id = ?`, date, id)
}

// Facilities lists the facilities as the transaction sees them.
func (t *Tx) Facilities() ([]Facility, error) {
	if err := t.settle(); err != nil {
		return nil, err
	}
	return facilities(t.ctx, t.conn)
}

// strings reads one text column.
func (t *Tx) strings(q string, args ...any) ([]string, error) {
	return t.load().strings(q, args...)
}

// SessionsOfPatient lists the sessions that hold facts posted for a patient key.
func (t *Tx) SessionsOfPatient(key string) ([]string, error) {
	return t.strings(`SELECT DISTINCT session FROM event WHERE patient = ? ORDER BY session`, key)
}

// SessionsOfFacility lists the sessions that hold facts of a facility.
func (t *Tx) SessionsOfFacility(id string) ([]string, error) {
	return t.strings(`SELECT DISTINCT session FROM event WHERE facility = ? ORDER BY session`, id)
}

// TopicsWith lists the topics that begin with prefix.
func (t *Tx) TopicsWith(prefix string) ([]string, error) { return t.Load().TopicsWith(prefix) }
