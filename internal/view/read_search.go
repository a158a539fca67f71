package view

import (
	"context"
	"database/sql"
	"time"
)

// Cursor is a place in the order of a search: after the row of this time, event and rid.
// The zero value is the beginning.
type Cursor struct {
	// Updated is the row's lastUpdated, or the beginning of the date that is sorted by.
	Updated time.Time
	Seq     uint64
	RID     int64
}

// IsZero reports whether it is the beginning.
func (c Cursor) IsZero() bool { return c.RID == 0 }

// Order is the order of a search. The zero value is that of meta.lastUpdated: a resource
// that changes moves to the end, so that whoever pages on sees it again and misses none.
// In any other order a resource that changes between two pages may move to where the
// reader was before; the next pull from the watermark gets it.
type Order struct {
	// Rows are sorted by the earliest value of this date parameter. Those without a value come last. Empty is
	// meta.lastUpdated.
	Date string
	// Descending is the newest first.
	Descending bool
}

// Include asks for the resources that those of a page refer to by a parameter.
type Include struct {
	Param string
	// Target is the type of resource that is wanted; empty for any.
	Target string
	// Compartment tells that the parameter names the patient in whose compartment it is.
	Compartment bool
}

// RevInclude asks for the resources of a type that refer to those of a page by a parameter.
type RevInclude struct{ Type, Param string }

// Query asks for the newest versions of resources of one type.
type Query struct {
	Type        string
	Filters     []Filter // all must hold
	Order       Order
	Count       int // at most so many rows; 0 for none
	After       Cursor
	Total       bool // count all that match, on all pages
	Includes    []Include
	RevIncludes []RevInclude
	// MaxIncluded is how many included resources a page may have.
	MaxIncluded int
}

// Page is a page of resources in the order asked for.
type Page struct {
	Mark
	Rows []Row
	// Included are the resources that were asked for beside Rows, none of them in Rows, by
	// type and id.
	Included []Row
	More     bool
	// Next is the place after the last row.
	Next Cursor
	// Total counts all that match, on all pages; -1 where it was neither asked for nor
	// known anyway.
	Total int
}

// driveLimit is up to how many index rows a search begins with that index and sorts what
// it finds. Above, it walks in the order of the answer, where such frequent values soon
// fill a page.
const driveLimit = 4000

// Search reads a page, what it includes, its total and the watermark from one state of the
// view. It errs with ErrTooMany where a page includes more than MaxIncluded.
func (s *Store) Search(ctx context.Context, q Query) (page Page, err error) {
	page.Total = -1
	err = s.read(ctx, func(tx *sql.Tx) error {
		if page.Mark, err = mark(ctx, tx); err != nil {
			return err
		}
		driver, exact, err := chooseDriver(ctx, tx, &q)
		if err != nil {
			return err
		}
		scan := s.scanner()
		if err := fill(ctx, tx, scan, &page, filling{q.Count, q.After, q.Total, q.Order}, func(c *clause) {
			selecting(c, &q, driver, exact)
		}); err != nil {
			return err
		}
		page.Included, err = included(ctx, tx, scan, &q, page.Rows)
		return err
	})
	return page, err
}

// HasToken reports whether a resource was ever given the code under a token parameter.
func (s *Store) HasToken(ctx context.Context, param, code string) (has bool, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		return tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM term WHERE param IN (?, ?, ?) AND code = ? AND kind = 't')`,
			append(three(param), code)...).Scan(&has)
	})
	return has, err
}

// selecting writes from which rows r a search takes.
func selecting(c *clause, q *Query, driver int, exact bool) {
	c.typ = q.Type
	if driver < 0 {
		c.add(` FROM resource r WHERE r.type`+typeIs, q.Type)
	} else {
		c.add(` FROM (`)
		driving(c, q.Filters[driver])
		c.add(`) d CROSS JOIN resource r ON r.rid = d.rid WHERE r.type`+typeIs, q.Type)
	}
	for i, f := range q.Filters {
		if i == driver && exact {
			continue
		}
		c.add(` AND `)
		f.holds(c)
	}
}

// driving writes the rids of a filter, each once.
func driving(c *clause, f Filter) {
	for i, cond := range f {
		if i > 0 {
			c.add(` UNION `)
		}
		cond.rows(c)
	}
	if len(f) == 1 {
		// A token may have several systems, a resource several tokens.
		c.add(` GROUP BY rid`)
	}
}

// chooseDriver finds the filter that leaves the fewest resources, if that is few; else -1.
// exact tells that the filter holds of all that it leads to.
func chooseDriver(ctx context.Context, tx *sql.Tx, q *Query) (best int, exact bool, err error) {
	best, fewest := -1, driveLimit+1
	for i, f := range q.Filters {
		c := clause{typ: q.Type}
		c.add(`SELECT count(*) FROM (SELECT 1 FROM (`)
		ok, all := len(f) > 0, true
		for n, cond := range f {
			if n > 0 {
				c.add(` UNION ALL `)
			}
			found, holds := cond.rows(&c)
			if ok, all = ok && found, all && holds; !ok {
				break
			}
		}
		if !ok {
			continue
		}
		c.add(`) LIMIT ?)`, fewest)
		var n int
		if err := tx.QueryRowContext(ctx, c.text.String(), c.args...).Scan(&n); err != nil {
			return -1, false, err
		}
		if n < fewest {
			best, fewest, exact = i, n, all
		}
	}
	return best, exact, nil
}

// filling is what part of the rows is read, and in which order.
type filling struct {
	count int
	after Cursor
	total bool
	order Order
}

// key writes what is sorted by first.
func (o Order) key(c *clause) {
	if o.Date == "" {
		c.add(`r.updated`)
		return
	}
	last := int64(1) << 60
	if o.Descending {
		last = -last
	}
	c.add(`coalesce(nullif(min(CASE r.date WHEN (SELECT id FROM param WHERE name = ?) THEN r.low ELSE 1 << 60 END,
		coalesce((SELECT min(p.low) FROM period p WHERE p.rid = r.rid AND +p.param`+paramIs+`), 1 << 60)), 1 << 60), ?)`,
		o.Date, o.Date, last)
}

// fill reads rows and total of what from selects as r.
func fill(ctx context.Context, tx *sql.Tx, scan *scanner, page *Page, f filling, from func(*clause)) error {
	if f.count > 0 {
		var c clause
		// Pages are fetched for the rows of the answer alone, not for all that are sorted.
		c.add(`SELECT ` + rowColumns + `, p.k, p.s FROM (SELECT r.rid, `)
		f.order.key(&c)
		c.add(` AS k, `)
		seq := `r.seq`
		if f.order.Date != "" {
			seq = `0`
		}
		c.add(seq + ` AS s`)
		from(&c)
		than, direction := `>`, ``
		if f.order.Descending {
			than, direction = `<`, ` DESC`
		}
		if !f.after.IsZero() {
			ms := millis(f.after.Updated)
			if f.order.Date == "" {
				c.add(` AND r.updated `+than+`= ?`, ms) // leads to the index
			}
			c.add(` AND (`)
			f.order.key(&c)
			c.add(`, `+seq+`, r.rid) `+than+` (?, ?, ?)`, ms, int64(f.after.Seq), f.after.RID)
		}
		by := func(table string) string {
			return ` ORDER BY ` + table + `k` + direction + `, ` + table + `s` + direction + `, ` + table + `rid` + direction
		}
		if f.order.Date == "" {
			c.add(` ORDER BY r.updated` + direction + `, r.seq` + direction + `, r.rid` + direction)
		} else {
			c.add(` ORDER BY k` + direction + `, s` + direction + `, r.rid` + direction)
		}
		c.add(` LIMIT ?) p CROSS JOIN resource r ON r.rid = p.rid`+by(`p.`), f.count+1)
		if err := page.read(ctx, tx, scan, &c, f.count); err != nil {
			return err
		}
		if f.after.IsZero() && !page.More {
			page.Total = len(page.Rows)
			return nil
		}
	}
	if !f.total {
		return nil
	}
	var c clause
	c.add(`SELECT count(*)`)
	from(&c)
	return tx.QueryRowContext(ctx, c.text.String(), c.args...).Scan(&page.Total)
}

// read reads at most count rows with their places in the order.
func (p *Page) read(ctx context.Context, tx *sql.Tx, scan *scanner, c *clause, count int) error {
	rows, err := tx.QueryContext(ctx, c.text.String(), c.args...)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		if len(p.Rows) == count {
			p.More = true
			break
		}
		var k, s int64
		r, err := scan.version(rows, &k, &s)
		if err != nil {
			return err
		}
		p.Rows = append(p.Rows, r)
		p.Next = Cursor{fromMillis(k), uint64(s), r.RID}
	}
	return rows.Err()
}
