package view

import (
	"context"
	"database/sql"
	"time"
)

// ChangesQuery asks for the versions of all resources of some types, newest first.
type ChangesQuery struct {
	Types []string
	Since time.Time // only versions of this time or later; zero for all
	// Before is the place after which to go on; the zero value is the newest.
	Before Cursor
	Count  int // at most so many; 0 for none
}

// ChangesPage is a page of versions.
type ChangesPage struct {
	Mark
	Rows []Row
	More bool
	Next Cursor
}

// Changes reads a page of versions. One event gives a resource one version at most, so
// (time, event, resource) names one.
func (s *Store) Changes(ctx context.Context, q ChangesQuery) (page ChangesPage, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		if page.Mark, err = mark(ctx, tx); err != nil || q.Count <= 0 || len(q.Types) == 0 {
			return err
		}
		var c clause
		// Each part walks down its own index and stops soon; only what they find is sorted.
		part := func(table, columns, join string, typ string) {
			c.add(`SELECT * FROM (SELECT v.rid AS rid, v.type AS type, `+columns+`, v.version AS version,
				v.updated AS updated, v.seq AS seq, v.slot AS slot FROM `+table+` v`+join+` WHERE v.type`+typeIs, typ)
			if !q.Since.IsZero() {
				c.add(` AND v.updated >= ?`, millis(q.Since))
			}
			if !q.Before.IsZero() {
				ms := millis(q.Before.Updated)
				c.add(` AND v.updated <= ? AND (v.updated, v.seq, v.rid) < (?, ?, ?)`, ms, ms, int64(q.Before.Seq), q.Before.RID)
			}
			c.add(` ORDER BY v.updated DESC, v.seq DESC, v.rid DESC LIMIT ?)`, q.Count+1)
		}
		c.add(`SELECT ` + rowColumns + ` FROM (`)
		for i, typ := range q.Types {
			if i > 0 {
				c.add(` UNION ALL `)
			}
			part(`resource`, `v.id AS id, v.patient AS patient`, ``, typ)
			c.add(` UNION ALL `)
			part(`history`, `o.id AS id, o.patient AS patient`, ` CROSS JOIN resource o ON o.rid = v.rid`, typ)
		}
		c.add(`) r ORDER BY r.updated DESC, r.seq DESC, r.rid DESC LIMIT ?`, q.Count+1)
		rows, err := s.scanner().versions(tx.QueryContext(ctx, c.text.String(), c.args...))
		if err != nil {
			return err
		}
		page.Rows, page.More = cut(rows, q.Count)
		if n := len(page.Rows); n > 0 {
			last := &page.Rows[n-1]
			page.Next = Cursor{last.Updated, last.Seq, last.RID}
		}
		return nil
	})
	return page, err
}
