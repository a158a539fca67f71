package view

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"slices"
)

// ErrTooMany is the error of a search whose page includes more than may be.
var ErrTooMany = errors.New("view: the page includes too many resources")

// included reads what a page includes, without what is on the page anyway.
func included(ctx context.Context, tx *sql.Tx, scan *scanner, q *Query, page []Row) ([]Row, error) {
	if len(page) == 0 || len(q.Includes)+len(q.RevIncludes) == 0 {
		return nil, nil
	}
	in := including{ctx: ctx, tx: tx, scan: scan, limit: q.MaxIncluded, seen: map[int64]bool{}}
	for i := range page {
		in.seen[page[i].RID] = true
	}
	for _, x := range q.Includes {
		if err := in.forward(page, x); err != nil {
			return nil, err
		}
	}
	for _, x := range q.RevIncludes {
		if err := in.reverse(page, x); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(in.rows, func(a, b Row) int { return cmp.Or(cmp.Compare(a.Type, b.Type), cmp.Compare(a.ID, b.ID)) })
	return in.rows, nil
}

type including struct {
	ctx   context.Context
	tx    *sql.Tx
	scan  *scanner
	limit int
	seen  map[int64]bool
	rows  []Row
}

// batch is how many values go into one statement.
const batch = 400

// take runs a query for resources r and keeps those that are new.
func (in *including) take(c *clause) error {
	// One more than may be tells that there are too many.
	c.add(` LIMIT ?`, in.limit+1+len(in.seen))
	rows, err := in.scan.versions(in.tx.QueryContext(in.ctx, c.text.String(), c.args...))
	if err != nil {
		return err
	}
	for _, r := range rows {
		if in.seen[r.RID] {
			continue
		}
		if len(in.rows) == in.limit {
			return ErrTooMany
		}
		in.seen[r.RID] = true
		in.rows = append(in.rows, r)
	}
	return nil
}

func (in *including) forward(page []Row, x Include) error {
	for len(page) > 0 {
		chunk := page[:min(batch, len(page))]
		page = page[len(chunk):]
		var c clause
		if x.Compartment {
			c.add(`SELECT `+rowColumns+` FROM resource r WHERE +r.type`+typeIs+` AND r.rid IN (SELECT s.patient FROM resource s
				WHERE s.rid IN `,
				"Patient")
			c.ridsOf(chunk)
			c.add(`)`)
		} else {
			// A row with a negative type is of a resource that is only referred to.
			c.add(`SELECT `+rowColumns+` FROM (SELECT DISTINCT s.rid - (j.value >> 10) AS rid FROM resource s CROSS
				JOIN json_each(s.links) j
				WHERE j.value & 1023`+paramIs+` AND s.rid IN `, x.Param)
			c.ridsOf(chunk)
			c.add(`) d CROSS JOIN resource r ON r.rid = d.rid WHERE r.type > 0`)
			if x.Target != "" {
				c.add(` AND r.type`+typeIs, x.Target)
			}
		}
		if err := in.take(&c); err != nil {
			return err
		}
	}
	return nil
}

// ridsOf writes the rids of rows as a list.
func (c *clause) ridsOf(rows []Row) {
	c.add(`(`)
	for i := range rows {
		if i > 0 {
			c.add(`,`)
		}
		c.add(`?`, rows[i].RID)
	}
	c.add(`)`)
}

func (in *including) reverse(page []Row, x RevInclude) error {
	for len(page) > 0 {
		chunk := page[:min(batch, len(page))]
		page = page[len(chunk):]
		var c clause
		c.add(`SELECT `+rowColumns+` FROM (SELECT DISTINCT l.rid FROM link l WHERE l.param`+paramIs+` AND l.target IN `, x.Param)
		c.ridsOf(chunk)
		c.add(`) d CROSS JOIN resource r ON r.rid = d.rid WHERE r.type`+typeIs, x.Type)
		if err := in.take(&c); err != nil {
			return err
		}
	}
	return nil
}
