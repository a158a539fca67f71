package view

import (
	"context"
	"database/sql"
	"time"
)

// Cursor is a place in the order of a search: after the row of this time, event and rid.
// The zero value is the beginning. A resource that changes moves to the end of the order,
// so that whoever pages on sees it again and misses none.
type Cursor struct {
	Updated time.Time
	Seq     uint64
	RID     int64
}

// IsZero tells whether it is the beginning.
func (c Cursor) IsZero() bool { return c.RID == 0 }

// Query asks for the newest versions of resources of one type.
type Query struct {
	Type    string
	Filters []Filter // all must hold
	Count   int      // at most so many rows; 0 for none
	After   Cursor
	Total   bool // count all that match, on all pages
}

// Page is a page of resources in the order of (Updated, Seq, RID).
type Page struct {
	Mark
	Rows []Row
	More bool
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

// Search reads a page, its total and the watermark from one state of the view.
func (s *Store) Search(ctx context.Context, q Query) (page Page, err error) {
	page.Total = -1
	err = s.read(ctx, func(tx *sql.Tx) error {
		if page.Mark, err = mark(ctx, tx); err != nil {
			return err
		}
		driver, err := chooseDriver(ctx, tx, &q)
		if err != nil {
			return err
		}
		return fill(ctx, tx, &page, q.Count, q.After, q.Total, func(c *clause) {
			c.typ = q.Type
			if driver < 0 {
				c.add(` FROM resource r WHERE r.type = ?`, q.Type)
			} else {
				c.add(` FROM (`)
				driving(c, q.Filters[driver])
				c.add(`) d CROSS JOIN resource r ON r.rid = d.rid WHERE r.type = ?`, q.Type)
			}
			for i, f := range q.Filters {
				if i == driver {
					continue
				}
				c.add(` AND (0`)
				for _, cond := range f {
					c.add(` OR `)
					cond.holds(c)
				}
				c.add(`)`)
			}
		})
	})
	return page, err
}

// driving writes the rids of a filter, each once; it returns false where it cannot.
func driving(c *clause, f Filter) bool {
	for i, cond := range f {
		if i > 0 {
			c.add(` UNION `)
		}
		if !cond.rows(c) {
			return false
		}
	}
	if len(f) == 1 {
		// A token may have several systems, a resource several tokens.
		c.add(` GROUP BY rid`)
	}
	return len(f) > 0
}

// chooseDriver finds the filter that leaves the fewest resources, if that is few; else -1.
func chooseDriver(ctx context.Context, tx *sql.Tx, q *Query) (int, error) {
	best, fewest := -1, driveLimit+1
	for i, f := range q.Filters {
		c := clause{typ: q.Type}
		c.add(`SELECT count(*) FROM (SELECT 1 FROM (`)
		ok := len(f) > 0
		for n, cond := range f {
			if n > 0 {
				c.add(` UNION ALL `)
			}
			if ok = ok && cond.rows(&c); !ok {
				break
			}
		}
		if !ok {
			continue
		}
		c.add(`) LIMIT ?)`, fewest)
		var n int
		if err := tx.QueryRowContext(ctx, c.text.String(), c.args...).Scan(&n); err != nil {
			return -1, err
		}
		if n < fewest {
			best, fewest = i, n
		}
	}
	return best, nil
}

// fill reads rows and total of what from selects as r.
func fill(ctx context.Context, tx *sql.Tx, page *Page, count int, after Cursor, total bool, from func(*clause)) error {
	if count > 0 {
		var c clause
		// The bodies are fetched for the rows of the page alone, not for all that are sorted.
		c.add(`SELECT ` + rowColumns + ` FROM (SELECT r.rid, r.updated, r.seq`)
		from(&c)
		if !after.IsZero() {
			ms := millis(after.Updated)
			c.add(` AND r.updated >= ? AND (r.updated, r.seq, r.rid) > (?, ?, ?)`, ms, ms, int64(after.Seq), after.RID)
		}
		c.add(` ORDER BY r.updated, r.seq, r.rid LIMIT ?) p CROSS JOIN resource r ON r.rid = p.rid ORDER BY p.updated, p.seq, p.rid`, count+1)
		rows, err := scanRows(tx.QueryContext(ctx, c.text.String(), c.args...))
		if err != nil {
			return err
		}
		page.Rows, page.More = cut(rows, count)
		if n := len(page.Rows); n > 0 {
			last := &page.Rows[n-1]
			page.Next = Cursor{last.Updated, last.Seq, last.RID}
		}
		if after.IsZero() && !page.More {
			page.Total = len(page.Rows)
			return nil
		}
	}
	if !total {
		return nil
	}
	var c clause
	c.add(`SELECT count(*)`)
	from(&c)
	return tx.QueryRowContext(ctx, c.text.String(), c.args...).Scan(&page.Total)
}
