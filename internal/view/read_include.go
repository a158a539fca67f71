package view

import (
	"context"
	"database/sql"
	"errors"
	"sort"
)

// ErrTooMany is the error of a search whose page includes more than may be.
var ErrTooMany = errors.New("view: the page includes too many resources")

// included reads what a page includes, without what is on the page anyway.
func included(ctx context.Context, tx *sql.Tx, q *Query, page []Row) ([]Row, error) {
	if len(page) == 0 || len(q.Includes)+len(q.RevIncludes) == 0 {
		return nil, nil
	}
	in := including{ctx: ctx, tx: tx, limit: q.MaxIncluded, seen: map[int64]bool{}}
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
	sort.Slice(in.rows, func(i, j int) bool {
		if in.rows[i].Type != in.rows[j].Type {
			return in.rows[i].Type < in.rows[j].Type
		}
		return in.rows[i].ID < in.rows[j].ID
	})
	return in.rows, nil
}

type including struct {
	ctx   context.Context
	tx    *sql.Tx
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
	rows, err := scanRows(in.tx.QueryContext(in.ctx, c.text.String(), c.args...))
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
			var ids []string
			for i := range chunk {
				ids = append(ids, chunk[i].Patient)
			}
			c.add(`SELECT ` + rowColumns + ` FROM resource r WHERE r.type = 'Patient' AND r.id IN `)
			c.list(ids)
		} else {
			c.add(`SELECT `+rowColumns+` FROM (SELECT DISTINCT t.code FROM term_use u CROSS JOIN term t ON t.id = u.term AND t.kind = 'r' AND +t.param = ? WHERE u.rid IN (`, x.Param)
			for i := range chunk {
				c.add([]string{`,?`, `?`}[btoi(i == 0)], chunk[i].RID)
			}
			c.add(`)) d CROSS JOIN resource r ON r.type = substr(d.code, 1, instr(d.code, '/') - 1) AND r.id = substr(d.code, instr(d.code, '/') + 1) WHERE 1`)
			if x.Target != "" {
				c.add(` AND r.type = ?`, x.Target)
			}
		}
		if err := in.take(&c); err != nil {
			return err
		}
	}
	return nil
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (in *including) reverse(page []Row, x RevInclude) error {
	for len(page) > 0 {
		chunk := page[:min(batch, len(page))]
		page = page[len(chunk):]
		var targets []string
		for i := range chunk {
			targets = append(targets, chunk[i].Type+"/"+chunk[i].ID)
		}
		var c clause
		c.add(`SELECT `+rowColumns+` FROM (SELECT DISTINCT u.rid FROM term t CROSS JOIN term_use u ON u.term = t.id WHERE t.kind = 'r' AND t.param = ? AND t.system = '' AND t.code IN `, x.Param)
		c.list(targets)
		c.add(`) d CROSS JOIN resource r ON r.rid = d.rid WHERE r.type = ?`, x.Type)
		if err := in.take(&c); err != nil {
			return err
		}
	}
	return nil
}
