package view

import (
	"context"
	"database/sql"
	"math"
	"time"
)

// EverythingQuery asks for all that is held about patients.
type EverythingQuery struct {
	Patients []string  // ids of one person's Patients
	Types    []string  // only resources of these types; empty for all
	Since    time.Time // only what changed at this time or later; zero for all
	// From and Until ask only for what has no clinical date or one that reaches into
	// [From, Until); zero for no bound. They are what clocks show, told as if they showed
	// UTC, and compared with the clock on which each date is written.
	From, Until time.Time
	Count       int
	After       Cursor
	Total       bool
}

// Everything reads a page of the patients' compartments, the Patients themselves
// included, the Provenance of what is in them (with From or Until that of the versions that
// are given, else of all versions), and the Practitioner, Organization,
// Location and Device resources that any of these refer to by a search parameter. The
// latter and the Provenance have no Patient in their rows.
func (s *Store) Everything(ctx context.Context, q EverythingQuery) (page Page, err error) {
	page.Total = -1
	err = s.read(ctx, func(tx *sql.Tx) error {
		if page.Mark, err = mark(ctx, tx); err != nil {
			return err
		}
		return fill(ctx, tx, &page, filling{count: q.Count, after: q.After, total: q.Total}, func(c *clause) {
			// UNION keeps each rid once, so the recursion ends. Only types that belong to
			// no patient are followed: a reference never leads to somebody else's data.
			c.add(` FROM (WITH RECURSIVE e(rid) AS (
				SELECT rid FROM resource r WHERE patient <> '' AND patient IN `)
			c.list(q.Patients)
			timed := !q.From.IsZero() || !q.Until.IsZero()
			if timed {
				care := overlapsCare{math.MinInt64, math.MaxInt64}
				if !q.From.IsZero() {
					care.low = millis(q.From)
				}
				if !q.Until.IsZero() {
					care.high = millis(q.Until)
				}
				// A Provenance is of a patient but has no date of care: it comes with its target.
				c.add(` AND r.type <> 'Provenance' AND `)
				care.holds(c)
			}
			c.add(` UNION SELECT p.rid FROM e CROSS JOIN resource o ON o.rid = e.rid AND o.patient <> ''
					CROSS JOIN reference f ON f.param = 'target' AND f.target = o.type || '/' || o.id
					CROSS JOIN resource p ON p.rid = f.rid AND p.type = 'Provenance'`)
			if timed {
				// What has no date, as a track, is given with every time; what of long ago once
				// changed it is not. The index leaves versions out, the reference tells them.
				c.add(` AND (instr(p.body, CAST('"' || o.type || '/' || o.id || '/_history/' || o.version || '"' AS BLOB)) > 0
					OR instr(p.body, CAST('"' || o.type || '/' || o.id || '"' AS BLOB)) > 0)`)
			}
			c.add(` UNION SELECT o.rid FROM e CROSS JOIN reference f ON f.rid = e.rid
					CROSS JOIN resource o ON o.type = substr(f.target, 1, instr(f.target, '/') - 1)
						AND o.id = substr(f.target, instr(f.target, '/') + 1)
					WHERE o.patient = '' AND o.type IN ('Practitioner', 'Organization', 'Location', 'Device')
				) SELECT rid FROM e) d CROSS JOIN resource r ON r.rid = d.rid WHERE 1`)
			if len(q.Types) > 0 {
				c.add(` AND r.type IN `)
				c.list(q.Types)
			}
			if !q.Since.IsZero() {
				c.add(` AND r.updated >= ?`, millis(q.Since))
			}
		})
	})
	return page, err
}

// list writes a list of bound values.
func (c *clause) list(values []string) {
	c.add(`(`)
	for i, v := range values {
		if i > 0 {
			c.add(`,`)
		}
		c.add(`?`, v)
	}
	c.add(`)`)
}
