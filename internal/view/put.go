package view

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"cannulary/fhir"
)

// stored is what Put must know of a resource's newest version.
type stored struct {
	rid     int64
	version int
	hash    [16]byte
}

// memo remembers what the one writer knows anyway, so that it need not be asked again. It
// holds nothing that is not in the file; a transaction that is taken back empties it.
type memo struct {
	resources map[string]stored // "Type/id"
	terms     map[term]int64
	topics    map[string]bool // that have an event
	amended   map[string]bool // all targets of corrections and voids; nil is not read yet
}

// term is a search value as the table of that name holds it.
type term struct{ kind, param, code, system string }

// memoLimit bounds each of the maps: some megabytes.
const memoLimit = 30000

func newMemo() *memo {
	return &memo{resources: map[string]stored{}, terms: map[term]int64{}, topics: map[string]bool{}}
}

func (m *memo) forget() { *m = *newMemo() }

// Put stores a rendered resource. If its content differs from the newest version's, it
// becomes a new version with the given lastUpdated, the old one goes to the history and
// the search values are replaced; else nothing happens. version is the newest version.
func (t *Tx) Put(r fhir.Resource, seq uint64, updated time.Time) (version int, changed bool, err error) {
	sum := sha256.Sum256(r.Body)
	hash := [16]byte(sum[:16])
	now, err := t.newest(r.Type, r.ID)
	if err != nil {
		return 0, false, err
	}
	if now.version > 0 && now.hash == hash {
		return now.version, false, nil
	}
	first := now.version == 0
	now.version++
	now.hash = hash
	body := fhir.WithMeta(r.Body, r.ID, r.Profile, now.version, updated)
	if first {
		if now.rid, err = t.insert(`INSERT INTO resource (type, id, patient, version, updated, seq, hash, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
			r.Type, r.ID, r.Patient, now.version, millis(updated), int64(seq), hash[:], body); err != nil {
			return 0, false, fmt.Errorf("store %s/%s: %w", r.Type, r.ID, err)
		}
	} else if err := t.replace(r, now, seq, updated, body); err != nil {
		return 0, false, err
	}
	if err := t.index(now.rid, r, first); err != nil {
		return 0, false, err
	}
	if len(t.memo.resources) >= memoLimit {
		t.memo.resources = map[string]stored{}
	}
	t.memo.resources[r.Type+"/"+r.ID] = now
	return now.version, true, nil
}

// Same tells whether a rendered resource has the content of the newest version.
func (t *Tx) Same(r fhir.Resource) (bool, error) {
	now, err := t.newest(r.Type, r.ID)
	sum := sha256.Sum256(r.Body)
	return now.version > 0 && now.hash == [16]byte(sum[:16]), err
}

// newest finds the newest version; its version is 0 where there is none.
func (t *Tx) newest(typ, id string) (stored, error) {
	key := typ + "/" + id
	if s, ok := t.memo.resources[key]; ok {
		return s, nil
	}
	var s stored
	var hash []byte
	found, err := t.row(`SELECT rid, version, hash FROM resource WHERE type = ? AND id = ?`, []any{typ, id}, &s.rid, &s.version, &hash)
	if err != nil || !found {
		return stored{}, err
	}
	copy(s.hash[:], hash)
	if len(t.memo.resources) < memoLimit {
		t.memo.resources[key] = s
	}
	return s, nil
}

// insert inserts one row and returns its rowid, 0 if nothing was inserted.
func (t *Tx) insert(q string, args ...any) (int64, error) {
	st, err := t.stmt(q)
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

// replace moves the newest version to the history and puts another in its place.
func (t *Tx) replace(r fhir.Resource, now stored, seq uint64, updated time.Time, body []byte) error {
	if err := t.exec(`INSERT INTO history (rid, version, type, updated, seq, body) SELECT rid, version, type, updated, seq, body FROM resource WHERE rid = ?`, now.rid); err != nil {
		return err
	}
	return t.exec(`UPDATE resource SET patient = ?, version = ?, updated = ?, seq = ?, hash = ?, body = ? WHERE rid = ?`,
		r.Patient, now.version, millis(updated), int64(seq), now.hash[:], body, now.rid)
}

// index stores the search values of one resource in place of those it had.
func (t *Tx) index(rid int64, r fhir.Resource, first bool) error {
	x := lean(r.Index, r)
	want := make([]int64, 0, len(x.Tokens)+len(x.References))
	for _, v := range x.Tokens {
		id, err := t.term("t", v.Param, v.Code, v.System)
		if err != nil {
			return err
		}
		want = append(want, id)
	}
	for _, v := range x.References {
		id, err := t.term("r", v.Param, v.Type+"/"+v.ID, "")
		if err != nil {
			return err
		}
		want = append(want, id)
	}
	slices.Sort(want)
	want = slices.Compact(want)
	if !first {
		var err error
		if want, err = t.unindex(rid, want); err != nil {
			return err
		}
	}
	terms := make([]any, 0, 2*len(want))
	for _, id := range want {
		terms = append(terms, rid, id)
	}
	if err := t.rows(`INSERT INTO term_use (rid, term) VALUES `, `(?,?)`, 2, terms); err != nil {
		return err
	}
	var periods []any
	for _, v := range x.Dates {
		periods = append(periods, v.Param, millis(v.Low), millis(v.High), rid, shift(v.Low), shift(v.High))
	}
	if err := t.rows(`INSERT OR IGNORE INTO period (param, low, high, rid, low_shift, high_shift) VALUES `, `(?,?,?,?,?,?)`, 6, periods); err != nil {
		return err
	}
	var quantities []any
	for _, v := range x.Quantities {
		quantities = append(quantities, v.Param, v.Value, v.System, v.Code, v.Unit, rid)
	}
	if err := t.rows(`INSERT INTO quantity (param, value, system, code, unit, rid) VALUES `, `(?,?,?,?,?,?)`, 6, quantities); err != nil {
		return err
	}
	var strs []any
	for _, v := range x.Strings {
		strs = append(strs, v.Param, v.Value, Fold(v.Value), rid)
	}
	return t.rows(`INSERT INTO string (param, value, folded, rid) VALUES `, `(?,?,?,?)`, 4, strs)
}

// shift is by how many milliseconds the time's clock is ahead of UTC.
func shift(t time.Time) int64 {
	_, offset := t.Zone()
	return int64(offset) * 1000
}

// Fold makes a string fit for comparison as FHIR R4's string search asks: without regard
// to case (as Unicode folds it) and accents.
func Fold(s string) string {
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

// lean leaves out the search values that are found another way: those of composed
// parameters, and the patient in whose compartment the resource is (patient, subject).
func lean(x fhir.Index, r fhir.Resource) fhir.Index {
	out := fhir.Index{Dates: x.Dates, Strings: x.Strings, Tokens: make([]fhir.Token, 0, len(x.Tokens)), Quantities: make([]fhir.Quantity, 0, len(x.Quantities))}
	for _, v := range x.Tokens {
		if !slices.ContainsFunc(composed[v.Param], func(p string) bool {
			return slices.Contains(x.Tokens, fhir.Token{Param: p, System: v.System, Code: v.Code})
		}) {
			out.Tokens = append(out.Tokens, v)
		}
	}
	for _, v := range x.References {
		// A Provenance names the patient whose own versions it is about; its compartment is wider.
		if v.Param != "patient" && v.Param != "subject" || v.ID != r.Patient || r.Type == "Provenance" {
			out.References = append(out.References, v)
		}
	}
	for _, v := range x.Quantities {
		if !slices.ContainsFunc(composed[v.Param], func(p string) bool {
			return slices.Contains(x.Quantities, fhir.Quantity{Param: p, System: v.System, Code: v.Code, Unit: v.Unit, Value: v.Value})
		}) {
			out.Quantities = append(out.Quantities, v)
		}
	}
	return out
}

// unindex removes the search values that a resource no longer has. Of the terms in want,
// which ascend, it answers those that the resource does not have yet.
func (t *Tx) unindex(rid int64, want []int64) (fresh []int64, err error) {
	st, err := t.stmt(`SELECT term FROM term_use WHERE rid = ?`)
	if err != nil {
		return nil, err
	}
	rows, err := st.QueryContext(t.ctx, rid)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	var gone []int64
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return nil, err
		}
		if i, ok := slices.BinarySearch(want, id); ok {
			want = slices.Delete(want, i, i+1)
		} else {
			gone = append(gone, id)
		}
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	for _, id := range gone {
		if err := t.exec(`DELETE FROM term_use WHERE rid = ? AND term = ?`, rid, id); err != nil {
			return nil, err
		}
	}
	for _, q := range []string{`DELETE FROM period WHERE rid = ?`, `DELETE FROM quantity WHERE rid = ?`, `DELETE FROM string WHERE rid = ?`} {
		if err := t.exec(q, rid); err != nil {
			return nil, err
		}
	}
	return want, nil
}

// term finds or makes the number of a search value.
func (t *Tx) term(kind, param, code, system string) (int64, error) {
	key := term{kind, param, code, system}
	if id, ok := t.memo.terms[key]; ok {
		return id, nil
	}
	// A value that is not remembered is most often new.
	id, err := t.insert(`INSERT INTO term (kind, param, code, system) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING`, kind, param, code, system)
	if err != nil {
		return 0, err
	}
	if id == 0 {
		if _, err := t.row(`SELECT id FROM term WHERE param = ? AND code = ? AND system = ? AND kind = ?`, []any{param, code, system, kind}, &id); err != nil {
			return 0, err
		}
	}
	if len(t.memo.terms) >= memoLimit {
		t.memo.terms = map[term]int64{}
	}
	t.memo.terms[key] = id
	return id, nil
}

// rows inserts several rows with one statement; one is the row's placeholders, of width
// values.
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
func (t *Tx) Facilities() ([]Facility, error) { return facilities(t.ctx, t.tx) }

// strings reads one text column.
func (t *Tx) strings(q string, args ...any) ([]string, error) {
	st, err := t.stmt(q)
	if err != nil {
		return nil, err
	}
	rows, err := st.QueryContext(t.ctx, args...)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	var out []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, rows.Err()
}

// UnitsOfPatient lists the units that hold facts posted for a patient key.
func (t *Tx) UnitsOfPatient(key string) ([]string, error) {
	return t.strings(`SELECT DISTINCT unit FROM event WHERE patient = ? ORDER BY unit`, key)
}

// UnitsOfFacility lists the units that hold facts of a facility.
func (t *Tx) UnitsOfFacility(id string) ([]string, error) {
	return t.strings(`SELECT DISTINCT unit FROM event WHERE facility = ? ORDER BY unit`, id)
}

// TopicsWith lists the topics that begin with prefix.
func (t *Tx) TopicsWith(prefix string) ([]string, error) { return t.Load().TopicsWith(prefix) }
