package view

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

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
