package view

import (
	"context"
	"database/sql"
	"encoding/json"
	"iter"
	"maps"
	"slices"
	"time"
)

// Snapshot is one state of the view, however many events arrive while it is read. While it
// is open the file's write-ahead log keeps growing: read it and let it go.
type Snapshot struct {
	// Mark is how far the view had come. A zero Watermark is an empty view.
	Mark
	ctx  context.Context
	tx   *sql.Tx
	scan *scanner
}

// Snapshot runs f on one state of the view.
func (s *Store) Snapshot(ctx context.Context, f func(*Snapshot) error) error {
	return s.read(ctx, func(tx *sql.Tx) error {
		m, err := mark(ctx, tx) // the first statement: it settles which state is read
		if err != nil {
			return err
		}
		return f(&Snapshot{Mark: m, ctx: ctx, tx: tx, scan: s.scanner()})
	})
}

// StreamQuery asks for the newest versions of all resources of one type.
type StreamQuery struct {
	Type  string
	Since time.Time // only what changed at this time or later; zero for all; a Scope has its own
	// Scope says whose resources; nil for all there are. It must come from the same snapshot.
	Scope *Scope
	// AnyOf are searches of which one must find the resource, each a list of filters that
	// must all hold; empty for no such condition.
	AnyOf [][]Filter
}

// streamPage is how many rows are sorted at a time: they bound the memory that a stream
// takes, however many resources there are.
const streamPage = 500

// Stream calls f with each row in the order of (Updated, Seq, RID), each resource once.
// The row is f's until it returns. An error of f ends the stream.
func (n *Snapshot) Stream(q StreamQuery, f func(*Row) error) error {
	after := Cursor{}
	for {
		count, err := n.page(&q, &after, f)
		if err != nil || count < streamPage {
			return err
		}
	}
}

// page streams what follows after and moves it on.
func (n *Snapshot) page(q *StreamQuery, after *Cursor, f func(*Row) error) (count int, err error) {
	c := clause{typ: q.Type}
	// As in a search the pages are fetched for what is sorted, not before.
	c.add(`SELECT `+rowColumns+` FROM (SELECT r.rid, r.updated, r.seq FROM resource r WHERE r.type`+typeIs, q.Type)
	if !after.IsZero() {
		ms := millis(after.Updated)
		c.add(` AND r.updated >= ? AND (r.updated, r.seq, r.rid) > (?, ?, ?)`, ms, ms, int64(after.Seq), after.RID)
	}
	q.Scope.holds(&c, q.Type, q.Since)
	q.search(&c)
	c.add(` ORDER BY r.updated, r.seq, r.rid LIMIT ?) p CROSS JOIN resource r ON r.rid = p.rid ORDER BY p.updated, p.seq,
		p.rid`, streamPage)
	rows, err := n.tx.QueryContext(n.ctx, c.text.String(), c.args...)
	if err != nil {
		return 0, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		r, err := n.scan.version(rows)
		if err != nil {
			return count, err
		}
		if err := f(&r); err != nil {
			return count, err
		}
		*after = Cursor{r.Updated, r.Seq, r.RID}
		count++
	}
	return count, rows.Err()
}

func (q *StreamQuery) search(c *clause) {
	if len(q.AnyOf) == 0 {
		return
	}
	c.add(` AND (0`)
	for _, all := range q.AnyOf {
		c.add(` OR (1`)
		for _, f := range all {
			c.add(` AND (0`)
			for _, cond := range f {
				c.add(` OR `)
				cond.holds(c)
			}
			c.add(`)`)
		}
		c.add(`)`)
	}
	c.add(`)`)
}

// sharedTypes belong to no patient; resources about patients refer to them.
func sharedTypes() []string { return []string{"Practitioner", "Organization", "Location", "Device"} }

// Scope is the set of resources about some patients: their compartments, the Provenance of
// what is in them, the Groups that they belong to, and the Practitioner, Organization,
// Location and Device resources that any of these refer to by a search parameter.
//
// One since a time has of these what changed at that time or later; besides, a shared
// resource that something of that refers to, although it did not change itself, and all
// about a patient who may have come into the scope since. So a scope from the beginning
// and those that follow it, each since the watermark of the one before, are together the
// scope from the beginning at the end: nothing is lost.
type Scope struct {
	since     time.Time
	everybody bool
	members   string // the rids of the Patients as a JSON array; not used for everybody
	fresh     string // those of them who may be new since
	group     string // the id of their Group; empty for all Groups
	shared    string // rids of shared resources as a JSON array
}

// Everybody is the scope of all patients.
func (n *Snapshot) Everybody(since time.Time) (*Scope, error) {
	s := &Scope{since: since, everybody: true}
	return s, n.share(s)
}

// clockBack is more than the log's clock steps back at once: an event that a state with
// the watermark W lacks was logged later than W less this.
const clockBack = time.Hour

// OfFacility is the scope of the patients with facts of a facility, with all identities
// that survivor answers the same for; group is the id of the Group that they form. Whoever
// has no fact of its own there from before since counts as new: a patient who came, and a
// survivor who got its facts by a merge.
func (n *Snapshot) OfFacility(facility, group string, since time.Time, survivor func(id string) string) (*Scope, error) {
	own, err := n.strings(`SELECT DISTINCT patient FROM event WHERE facility = ? AND patient <> ''`, facility)
	if err != nil {
		return nil, err
	}
	members := map[string]bool{}
	for _, id := range own {
		members[id], members[survivor(id)] = true, true
	}
	rids, err := n.patients(members, survivor)
	if err != nil {
		return nil, err
	}
	s := &Scope{since: since, group: group, members: numbers(maps.Values(rids)), fresh: `[]`}
	if !since.IsZero() {
		before, err := n.strings(`SELECT DISTINCT patient FROM event WHERE facility = ?1 AND patient <> ''
			AND seq < (SELECT coalesce(min(seq), 1 << 62) FROM event WHERE logged >= ?2)`, facility, since.Add(-clockBack).UnixNano())
		if err != nil {
			return nil, err
		}
		for _, id := range before {
			delete(rids, id)
		}
		s.fresh = numbers(maps.Values(rids))
	}
	return s, n.share(s)
}

// patients finds the rows of Patients, by id, that survivor answers a member for, and of the
// members themselves.
func (n *Snapshot) patients(members map[string]bool, survivor func(id string) string) (map[string]int64, error) {
	rows, err := n.tx.QueryContext(n.ctx, `SELECT rid, id, type > 0 FROM resource WHERE type IN
		(SELECT id FROM word WHERE text = 'Patient' UNION ALL SELECT -id FROM word WHERE text = 'Patient')`)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	out := map[string]int64{}
	for rows.Next() {
		var rid int64
		var id idText
		var known bool
		if err := rows.Scan(&rid, &id, &known); err != nil {
			return nil, err
		}
		if members[string(id)] || known && members[survivor(string(id))] {
			out[string(id)] = rid
		}
	}
	return out, rows.Err()
}

func (n *Snapshot) strings(q string, args ...any) ([]string, error) {
	return all(n.ctx, n.tx, column[string], q, args...)
}

// holds writes the conditions, after an AND, that the resource r of the type is in the
// scope; without one, that it changed since.
func (s *Scope) holds(c *clause, typ string, since time.Time) {
	c.add(` AND `)
	switch {
	case s == nil:
		changed(c, `r`, since)
	case slices.Contains(sharedTypes(), typ):
		c.add(`r.rid IN (SELECT value FROM json_each(?))`, s.shared)
	default:
		s.about(c, typ, s.since)
	}
}

// changed writes that the resource by that name changed since.
func changed(c *clause, name string, since time.Time) {
	if since.IsZero() {
		c.add(`1`)
	} else {
		c.add(name+`.updated >= ?`, millis(since))
	}
}

// about writes that the resource r, of a type that is not shared, is about the patients,
// and that it changed since or the patient is new.
func (s *Scope) about(c *clause, typ string, since time.Time) {
	switch typ {
	case "Provenance":
		c.add(`EXISTS (SELECT 1 FROM json_each(r.links) j CROSS JOIN resource o ON o.rid = r.rid - (j.value >> 10)
			WHERE j.value & 1023 = (SELECT id FROM param WHERE name = 'target') AND `)
		s.patient(c, `o`, func() {
			changed(c, `r`, since)
			if !s.everybody && !since.IsZero() {
				// A merge may have brought the target to a member, with a new version; its
				// Provenance then comes with it.
				c.add(` OR `)
				changed(c, `o`, since)
			}
		})
		c.add(`)`)
	case "Group":
		if s.group != "" {
			c.add(`r.id = ? AND `, idValue(s.group))
		}
		changed(c, `r`, since)
	default:
		s.patient(c, `r`, func() { changed(c, `r`, since) })
	}
}

// patient writes that the resource by that name is in the compartment of one of the
// patients, and that the condition holds or the patient is new.
func (s *Scope) patient(c *clause, name string, condition func()) {
	if s.everybody {
		c.add(`(` + name + `.patient <> 0 AND (`)
		condition()
		c.add(`))`)
		return
	}
	c.add(`(`+name+`.patient IN (SELECT value FROM json_each(?)) AND (`, s.members)
	condition()
	c.add(` OR `+name+`.patient IN (SELECT value FROM json_each(?))))`, s.fresh)
}

// share finds the shared resources of the scope.
func (n *Snapshot) share(s *Scope) error {
	all, err := n.closure(s, time.Time{})
	if err != nil {
		return err
	}
	if !s.since.IsZero() {
		// What is referred to by something that changed, and what changed itself.
		some, err := n.closure(s, s.since)
		if err != nil {
			return err
		}
		own, err := n.rids(`SELECT rid FROM resource WHERE rid IN (SELECT value FROM json_each(?))
			AND updated >= ?`, numbers(maps.Keys(all)),
			millis(s.since))
		if err != nil {
			return err
		}
		for _, rid := range own {
			some[rid] = true
		}
		if all, err = n.follow(some, own); err != nil {
			return err
		}
	}
	s.shared = numbers(maps.Keys(all))
	return nil
}

// closure finds the shared resources that resources about the patients refer to which
// changed since, and those that these refer to.
func (n *Snapshot) closure(s *Scope, since time.Time) (map[int64]bool, error) {
	found := map[int64]bool{}
	var c clause
	referred(&c)
	c.add(`(CASE r.type`)
	for _, typ := range []string{"Provenance", "Group"} {
		c.add(` WHEN (SELECT id FROM word WHERE text = ?) THEN `, typ)
		s.about(&c, typ, since)
	}
	c.add(` ELSE `)
	s.about(&c, "", since)
	c.add(` END))`)
	first, err := n.rids(c.text.String(), c.args...)
	if err != nil {
		return nil, err
	}
	for _, rid := range first {
		found[rid] = true
	}
	return n.follow(found, first)
}

// follow adds to found what the resources in from refer to, and so on.
func (n *Snapshot) follow(found map[int64]bool, from []int64) (map[int64]bool, error) {
	for len(from) > 0 {
		set := map[int64]bool{}
		for _, rid := range from {
			set[rid] = true
		}
		var c clause
		referred(&c)
		c.add(`r.rid IN (SELECT value FROM json_each(?)))`, numbers(maps.Keys(set)))
		to, err := n.rids(c.text.String(), c.args...)
		if err != nil {
			return nil, err
		}
		from = from[:0]
		for _, rid := range to {
			if !found[rid] {
				found[rid] = true
				from = append(from, rid)
			}
		}
	}
	return found, nil
}

// referred begins a query for the shared resources to which a resource r refers of which
// what follows holds. It walks through the shared resources, which are few.
func referred(c *clause) {
	// The sign keeps SQLite from an index in which thousands have no patient.
	c.add(`SELECT o.rid FROM resource o WHERE +o.patient = 0 AND o.type IN (SELECT id FROM word WHERE text IN `)
	c.list(sharedTypes())
	c.add(`) AND EXISTS (SELECT 1 FROM link l CROSS JOIN resource r ON r.rid = l.rid WHERE l.target = o.rid AND `)
}

func (n *Snapshot) rids(q string, args ...any) ([]int64, error) {
	return all(n.ctx, n.tx, column[int64], q, args...)
}

// numbers writes numbers, ascending, as a JSON array: one value to bind, however many.
func numbers(list iter.Seq[int64]) string {
	b, err := json.Marshal(append([]int64{}, slices.Sorted(list)...))
	if err != nil {
		panic(err) // numbers always encode
	}
	return string(b)
}
