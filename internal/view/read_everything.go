package view

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"
)

// EverythingQuery asks for all that is held about patients.
type EverythingQuery struct {
	Patients []string  // ids of one person's Patients
	Types    []string  // only resources of these types; empty for all
	Since    time.Time // only what changed at this time or later; zero for all
	// From and Until ask only for what has no clinical date or one that reaches into
	// [From, Until); zero for no bound. They are what clocks show, given as if they showed
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
		all, err := s.everything.of(&q, page.Mark, func() ([]placed, error) { return everythingOf(ctx, tx, &q) })
		if err != nil {
			return err
		}
		rest := all
		if !q.After.IsZero() {
			after := placed{millis(q.After.Updated), int64(q.After.Seq), q.After.RID}
			n, found := slices.BinarySearchFunc(all, after, placed.compare)
			if found {
				n++
			}
			rest = all[n:]
		}
		page.More = q.Count > 0 && len(rest) > q.Count
		if q.Total || q.Count > 0 && !page.More && q.After.IsZero() {
			page.Total = len(all)
		}
		rest = rest[:min(max(q.Count, 0), len(rest))]
		if len(rest) == 0 {
			return nil
		}
		last := rest[len(rest)-1]
		page.Next = Cursor{fromMillis(last.updated), uint64(last.seq), last.rid}
		rids := func(yield func(int64) bool) {
			for _, p := range rest {
				if !yield(p.rid) {
					return
				}
			}
		}
		page.Rows, err = s.scanner().versions(tx.QueryContext(ctx, `SELECT `+rowColumns+` FROM json_each(?) j
			CROSS JOIN resource r ON r.rid = j.value ORDER BY r.updated, r.seq, r.rid`, numbers(rids)))
		return err
	})
	return page, err
}

// placed is a resource's place in the order of an answer.
type placed struct{ updated, seq, rid int64 }

func (p placed) compare(o placed) int {
	return cmp.Or(cmp.Compare(p.updated, o.updated), cmp.Compare(p.seq, o.seq), cmp.Compare(p.rid, o.rid))
}

// everythingOf finds the places of all that a query asks for, in their order.
func everythingOf(ctx context.Context, tx *sql.Tx, q *EverythingQuery) ([]placed, error) {
	g := gathering{ctx: ctx, tx: tx, q: q, types: map[int64]bool{}, found: map[int64]bool{}, shared: map[int64]gathered{}}
	if err := g.wanted(); err != nil {
		return nil, err
	}
	// What refers to nobody in particular is needed to follow references: there is little of it.
	if err := g.collect(func(c *clause) {
		c.add(`SELECT r.rid, r.updated, r.seq, r.type, r.links FROM resource r WHERE +r.patient = 0 AND r.type IN (SELECT id FROM word
			WHERE text IN `)
		c.list(sharedTypes())
		c.add(`)`)
	}, func(r gathered) { g.shared[r.rid] = r }); err != nil {
		return nil, err
	}
	timed := !q.From.IsZero() || !q.Until.IsZero()
	inCompartment := func(c *clause) {
		c.add(`r.patient IN `)
		c.patients(q.Patients)
		if timed {
			care := overlapsCare{math.MinInt64, math.MaxInt64}
			if !q.From.IsZero() {
				care.low = millis(q.From)
			}
			if !q.Until.IsZero() {
				care.high = millis(q.Until)
			}
			// A Provenance is of a patient but has no date of care: it comes with its target.
			c.add(` AND r.type NOT IN (SELECT id FROM word WHERE text = 'Provenance') AND `)
			care.holds(c)
		}
	}
	if err := g.collect(func(c *clause) {
		c.add(`SELECT r.rid, r.updated, r.seq, r.type, r.links FROM resource r WHERE `)
		inCompartment(c)
	}, g.take); err != nil {
		return nil, err
	}
	err := g.collect(func(c *clause) {
		c.add(`SELECT p.rid, p.updated, p.seq, p.type, p.links FROM resource r
			CROSS JOIN link f ON f.target = r.rid AND f.param = (SELECT id FROM param WHERE name = 'target')
			CROSS JOIN resource p ON p.rid = f.rid AND p.type = (SELECT id FROM word WHERE text = 'Provenance') WHERE `)
		inCompartment(c)
		if timed {
			// What has no date, as a track, is given with every time; what of long ago once
			// changed it is not. A Provenance is about versions of its own event.
			c.add(` AND p.seq = r.seq`)
		}
	}, g.take)
	slices.SortFunc(g.out, placed.compare)
	return g.out, err
}

// gathering collects what an everything query asks for.
type gathering struct {
	ctx    context.Context
	tx     *sql.Tx
	q      *EverythingQuery
	types  map[int64]bool // the numbers of the types that are asked for
	found  map[int64]bool
	shared map[int64]gathered // resources of sharedTypes
	out    []placed
}

// gathered is a resource with what it refers to.
type gathered struct {
	placed
	typ   int64
	links []int64
}

// wanted reads the numbers of the types that are asked for.
func (g *gathering) wanted() error {
	var c clause
	c.add(`SELECT id FROM word WHERE text IN `)
	c.list(g.q.Types)
	ids, err := all(g.ctx, g.tx, column[int64], c.text.String(), c.args...)
	for _, id := range ids {
		g.types[id] = true
	}
	return err
}

// collect runs a query and f on what it finds.
func (g *gathering) collect(query func(*clause), f func(gathered)) error {
	var c clause
	query(&c)
	rows, err := g.tx.QueryContext(g.ctx, c.text.String(), c.args...)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var r gathered
		var links sql.RawBytes
		if err := rows.Scan(&r.rid, &r.updated, &r.seq, &r.typ, &links); err != nil {
			return err
		}
		if !g.found[r.rid] {
			r.links = unpackLinks(links)
			f(r)
		}
	}
	return rows.Err()
}

// take adds a resource and, of those of sharedTypes, what it refers to: a reference never leads
// to somebody else's data.
func (g *gathering) take(r gathered) {
	if g.found[r.rid] {
		return
	}
	g.found[r.rid] = true
	if (len(g.q.Types) == 0 || g.types[r.typ]) && (g.q.Since.IsZero() || r.updated >= millis(g.q.Since)) {
		g.out = append(g.out, r.placed)
	}
	for _, n := range r.links {
		if to, ok := g.shared[r.rid-n>>linkBits]; ok {
			g.take(to)
		}
	}
}

// kept are the newest answers to everything queries: a reader who pages through one asks for
// the same again. They hold for one state of the view. It is safe for concurrent use.
type kept struct {
	mu   sync.Mutex
	list []keptPlaces // the newest last
}

type keptPlaces struct {
	key    string
	mark   Mark
	places []placed
}

// keptLimit is how many answers are kept.
const keptLimit = 4

// of gives the kept places, or those that find gives.
func (k *kept) of(q *EverythingQuery, m Mark, find func() ([]placed, error)) ([]placed, error) {
	key := fmt.Sprintf("%q %q %d %d %d", q.Patients, q.Types, q.Since.UnixNano(), q.From.UnixNano(), q.Until.UnixNano())
	same := func(p keptPlaces) bool { return p.key == key && p.mark == m }
	k.mu.Lock()
	i := slices.IndexFunc(k.list, same)
	if i >= 0 {
		defer k.mu.Unlock()
		return k.list[i].places, nil
	}
	k.mu.Unlock()
	places, err := find()
	if err != nil {
		return nil, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.list = append(slices.DeleteFunc(k.list, func(p keptPlaces) bool { return p.key == key }), keptPlaces{key, m, places})
	k.list = k.list[max(0, len(k.list)-keptLimit):]
	return places, nil
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
