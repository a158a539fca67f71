package view

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Row is one version of one resource.
type Row struct {
	RID     int64
	Type    string
	ID      string
	Patient string // the Patient in whose compartment it is; empty if in none
	Version int    // from 1
	Updated time.Time
	Seq     uint64 // the event that gave this version
	// Previous is when the version before was given; zero for the first one.
	Previous time.Time
	Body     []byte // the resource's JSON with its meta
}

// Mark is how far a view had come when it was read.
type Mark struct {
	// Watermark is the newest lastUpdated that was given: all that changes later bears
	// this time or a later one. Zero in an empty view.
	Watermark time.Time
	Seq       uint64
}

// read runs the function in one read transaction, so that all its statements see the same
// state of the view.
func (s *Store) read(ctx context.Context, f func(tx *sql.Tx) error) error {
	tx, err := s.r.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return fmt.Errorf("view: begin reading: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	if err := f(tx); err != nil {
		return fmt.Errorf("view: %w", err)
	}
	return nil
}

func mark(ctx context.Context, tx *sql.Tx) (Mark, error) {
	c, ok, err := readCheckpoint(ctx, tx)
	if err != nil || !ok {
		return Mark{}, err
	}
	return Mark{Watermark: c.Updated, Seq: c.Seq}, nil
}

// rowColumns are what scanner.version reads, of a version r.
const rowColumns = `r.rid, (SELECT text FROM word WHERE id = r.type), r.id,
	(SELECT p.id FROM resource p WHERE p.rid = r.patient), r.version, r.updated, r.seq, r.slot,
	(SELECT data FROM page WHERE place = ` + placeOf + `)`

// all runs a query and gathers what one reads of each of its rows.
func all[T any](ctx context.Context, q queryer, one func(scan func(...any) error) (T, error), query string,
	args ...any) (out []T, err error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		v, err := one(rows.Scan)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

// column reads a row of one column.
func column[T any](scan func(...any) error) (v T, err error) {
	err = scan(&v)
	return v, err
}

// typeIs compares with the number of a type, or of another word, which is bound as text.
const typeIs = ` = (SELECT id FROM word WHERE text = ?)`

// scanner reads rows. It unpacks a page once for the rows that follow each other.
type scanner struct {
	unpacker *Unpacker
	place    int64 // of the page that is unpacked
	bodies   [][]byte
	raw      []byte // that they lie in
}

func (s *Store) scanner() *scanner { return &scanner{unpacker: s.unpacker, place: -1} }

func (s *scanner) version(rows *sql.Rows, more ...any) (Row, error) {
	var r Row
	var id, patient idText
	var updated, seq int64
	var slot int
	var page sql.RawBytes
	if err := rows.Scan(append([]any{&r.RID, &r.Type, &id, &patient, &r.Version, &updated, &seq, &slot, &page}, more...)...); err != nil {
		return Row{}, err
	}
	r.ID, r.Patient, r.Updated, r.Seq = string(id), string(patient), fromMillis(updated), uint64(seq)
	var err error
	if at := place(r.Seq, slot); at != s.place {
		s.place = -1
		if s.raw, s.bodies, err = s.unpacker.bodies(page, s.raw); err != nil {
			return Row{}, err
		}
		s.place = at
	}
	r.Body, err = bodyAt(s.bodies, slot)
	r.Body = bytes.Clone(r.Body)
	return r, err
}

func (s *scanner) versions(rows *sql.Rows, err error) ([]Row, error) {
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	var out []Row
	for rows.Next() {
		r, err := s.version(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// Get reads the newest version of a resource; ok is false where there is none.
func (s *Store) Get(ctx context.Context, typ, id string) (row Row, ok bool, err error) {
	// One statement sees one state: no transaction is needed around it.
	rows, err := s.r.QueryContext(ctx, `SELECT `+rowColumns+`,
		(SELECT h.updated FROM history h WHERE h.rid = r.rid AND h.version < r.version ORDER BY h.version DESC LIMIT 1)
		FROM resource r WHERE r.type`+typeIs+` AND r.id = ?`, typ, idValue(id))
	if err != nil {
		return Row{}, false, fmt.Errorf("view: read %s: %w", typ, err)
	}
	defer func() { _ = rows.Close() }()
	if rows.Next() {
		var previous sql.NullInt64
		if row, err = s.scanner().version(rows, &previous); previous.Valid {
			row.Previous = fromMillis(previous.Int64)
		}
		ok = true
	}
	if err = errors.Join(err, rows.Err()); err != nil {
		return Row{}, false, fmt.Errorf("view: read %s: %w", typ, err)
	}
	return row, ok, nil
}

// versions lists a resource's versions, with that one that is not in the history table.
const versions = `(SELECT r.rid, r.type, r.id, r.patient, r.version, r.updated, r.seq, r.slot
		FROM resource r WHERE r.type = (SELECT id FROM word WHERE text = ?1) AND r.id = ?2
	UNION ALL SELECT r.rid, r.type, r.id, r.patient, h.version, h.updated, h.seq, h.slot
		FROM resource r JOIN history h ON h.rid = r.rid WHERE r.type = (SELECT id FROM word WHERE text = ?1) AND r.id = ?2)`

// Version reads one version of a resource; ok is false where there is none.
func (s *Store) Version(ctx context.Context, typ, id string, version int) (row Row, ok bool, err error) {
	rows, err := s.scanner().versions(s.r.QueryContext(ctx, `SELECT `+rowColumns+` FROM `+versions+` r WHERE r.version = ?3`, typ,
		idValue(id), version))
	if err != nil {
		return Row{}, false, fmt.Errorf("view: read %s: %w", typ, err)
	}
	if len(rows) == 0 {
		return Row{}, false, nil
	}
	return rows[0], true, nil
}

// HistoryQuery asks for the versions of one resource, newest first.
type HistoryQuery struct {
	Type, ID string
	Since    time.Time // only versions of this time or later; zero for all
	// From and Until ask only for versions that were the newest at some moment from From on
	// and before Until; zero for all.
	From, Until time.Time
	Before      int // only versions below this one; 0 for all
	Count       int // at most so many
}

// HistoryPage is a page of versions.
type HistoryPage struct {
	Mark
	Rows  []Row
	Total int  // versions since Since, on all pages
	More  bool // versions below the last of Rows exist
}

// History reads versions of a resource; ok is false where the resource does not exist.
func (s *Store) History(ctx context.Context, q HistoryQuery) (page HistoryPage, ok bool, err error) {
	since := int64(-1 << 62)
	if !q.Since.IsZero() {
		since = millis(q.Since)
	}
	before := int64(1) << 62
	if q.Before > 0 {
		before = int64(q.Before)
	}
	var from, until int64
	at := `?6 <= ?7` // at any time; comparing each version with all later ones would take its time
	if !q.Until.IsZero() {
		from, until, at = millis(q.From), millis(q.Until), current
	}
	err = s.read(ctx, func(tx *sql.Tx) error {
		var one int
		err := tx.QueryRowContext(ctx, `SELECT 1 FROM resource WHERE type`+typeIs+` AND id = ?`, q.Type, idValue(q.ID)).Scan(&one)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		ok = true
		if page.Mark, err = mark(ctx, tx); err != nil {
			return err
		}
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM `+versions+` r WHERE r.updated >= ?3 AND `+at, q.Type, idValue(q.ID), since,
			before, q.Count+1, from, until).Scan(&page.Total); err != nil {
			return err
		}
		if q.Count <= 0 {
			return nil
		}
		page.Rows, err = s.scanner().versions(tx.QueryContext(ctx, `SELECT `+rowColumns+` FROM `+versions+` r
			WHERE r.updated >= ?3 AND r.version < ?4 AND `+at+` ORDER BY r.version DESC
				LIMIT ?5`, q.Type, idValue(q.ID), since, before, q.Count+1,
			from, until))
		page.Rows, page.More = cut(page.Rows, q.Count)
		return err
	})
	return page, ok, err
}

// current is a version that was the newest at some moment of the time asked for: it was
// given before the time's end, and none after it was given before the time began.
const current = `r.updated < ?7 AND NOT EXISTS (SELECT 1 FROM ` + versions + ` n WHERE n.version > r.version AND n.updated <= ?6)`

// cut drops the row that was read only to know whether there are more.
func cut(rows []Row, count int) ([]Row, bool) {
	if len(rows) <= count {
		return rows, false
	}
	return rows[:count], true
}
