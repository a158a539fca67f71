package intake

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	_ "modernc.org/sqlite" // the driver, without a C compiler

	"cannulary/internal/eventlog"
	"cannulary/internal/fault"
	"cannulary/internal/sqlitefile"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// index holds every event of the log by its id, every registered facility, and some events by
// index keys (see mention.go). It is projected from the log into a file of its own and can be
// deleted at any time.
//
// `recent` holds an event from the moment it is safe in the log until it comes back through the
// projection. `coming` holds one from the moment it is sent to the log until it is safe: who looks for its id or
// for one of its index keys waits for it.
type index struct {
	db  *sql.DB
	log *eventlog.Log

	lookup, mentioned, anyMention, beneath, spanned *sql.Stmt

	mu         sync.Mutex
	recent     map[string]known
	fresh      map[string][]uint64 // index key → events in `recent`
	sessions   map[string]days     // sessions of events in `recent`
	coming     map[string][]*event // events, by their id and their index keys
	facilities map[string]place
	kept       map[string]bool // index keys of `once` that are in the file, the latest met
	seq        uint64
	moved      chan struct{} // closed and replaced whenever seq advances
	freshAt    time.Time     // a moment at which the index held all of the log; zero before the first
	failed     error
}

// known is what is kept of an event.
type known struct {
	seq  uint64
	hash []byte
}

// place is what is known of a facility.
type place struct {
	zone  string
	since int64 // the earliest of its registrations, in seconds since 1970
}

// registered adds one more registration: the latest zone and the earliest time stand.
func (p place) registered(zone string, since int64, before bool) place {
	if before {
		since = min(since, p.since)
	}
	return place{zone, since}
}

const indexBatch = 1000

// event is one whose sequence is not known yet.
type event struct {
	days                    // of the session that it has facts of
	inSession bool          // it has such
	over      chan struct{} // closed when it is in `recent`, or failed
}

// indexVersion is the version of what the index holds. An index of another version is built
// anew.
const indexVersion = 8

// openIndex opens the index in the folder, or makes it. One that is damaged, or of an older version without checksums,
// is deleted first, and one of another log is emptied. damaged hears of damage that is met later; it is called from any
// connection.
func openIndex(ctx context.Context, dir string, log *eventlog.Log, damaged func(error)) (*index, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("ingest index: %w", err)
	}
	path := filepath.Join(dir, "index.db")
	if !sqlitefile.SaysChecked(path) || IndexDamage(path) != nil {
		if err := DeleteIndex(dir); err != nil {
			return nil, fmt.Errorf("ingest index: %w", err)
		}
	}
	if err := sqlitefile.Create(path, indexPage); err != nil {
		return nil, fmt.Errorf("ingest index %s: %w", path, err)
	}
	// The index can be rebuilt, so a crash may cost it its latest rows but nothing else.
	db, err := sqlitefile.OpenChecked(path, "_pragma=busy_timeout(5000)&_txlock=immediate",
		`PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL`, damaged)
	if err != nil {
		return nil, fmt.Errorf("ingest index %s: %w", path, err)
	}
	db.SetMaxOpenConns(4)
	x := &index{db: db, log: log, recent: map[string]known{}, fresh: map[string][]uint64{}, sessions: map[string]days{},
		coming: map[string][]*event{}, facilities: map[string]place{}, kept: map[string]bool{}, moved: make(chan struct{})}
	if err := x.prepare(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("ingest index %s: %w; it can be deleted, it is rebuilt from the log", path, err), db.Close())
	}
	return x, nil
}

// indexPage is the size of a page of the index in bytes, SQLite's own default.
const indexPage = 4096

// IndexDamage says how a closed index is not what was written into it; nil where it is, where there is none, or where
// nobody can tell, because it is of an older version without checksums. It changes nothing.
func IndexDamage(path string) error {
	if !sqlitefile.SaysChecked(path) {
		return nil
	}
	return errors.Join(sqlitefile.LeftBehind(path), sqlitefile.CheckPages(path, func() error { return nil }))
}

func (x *index) prepare(ctx context.Context) error {
	var version int
	if err := x.db.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&version); err != nil {
		return err
	}
	tables := []string{}
	if version != indexVersion {
		for _, t := range []string{"checkpoint", "event", "facility", "mention", "session"} {
			tables = append(tables, `DROP TABLE IF EXISTS `+t)
		}
	}
	for _, q := range append(tables,
		`CREATE TABLE IF NOT EXISTS checkpoint (one INTEGER PRIMARY KEY CHECK (one = 1), log_id TEXT NOT NULL,
			seq INTEGER NOT NULL, event_id TEXT NOT NULL)`,
		`CREATE TABLE IF NOT EXISTS event (id BLOB PRIMARY KEY, seq INTEGER NOT NULL, hash BLOB NOT NULL) WITHOUT ROWID`,
		`CREATE TABLE IF NOT EXISTS facility (id TEXT PRIMARY KEY, zone TEXT NOT NULL, since INTEGER NOT NULL) WITHOUT ROWID`,
		`CREATE TABLE IF NOT EXISTS mention (topic TEXT NOT NULL, seq INTEGER NOT NULL, PRIMARY KEY (topic, seq)) WITHOUT ROWID`,
		`CREATE TABLE IF NOT EXISTS session (unit TEXT PRIMARY KEY, first INTEGER NOT NULL, last INTEGER NOT NULL) WITHOUT ROWID`,
		fmt.Sprintf(`PRAGMA user_version = %d`, indexVersion),
	) {
		if _, err := x.db.ExecContext(ctx, q); err != nil {
			return err
		}
	}
	var logID, eventID string
	err := x.db.QueryRowContext(ctx, `SELECT log_id, seq, event_id FROM checkpoint`).Scan(&logID, &x.seq, &eventID)
	switch {
	case errors.Is(err, sql.ErrNoRows):
	case err != nil:
		return err
	default:
		if !x.belongs(ctx, logID, eventID) {
			if err := x.empty(ctx); err != nil {
				return err
			}
		}
	}
	rows, err := x.db.QueryContext(ctx, `SELECT id, zone, since FROM facility`)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var id string
		var p place
		if err := rows.Scan(&id, &p.zone, &p.since); err != nil {
			return err
		}
		x.facilities[id] = p
	}
	if err := rows.Err(); err != nil {
		return err
	}
	for to, q := range map[**sql.Stmt]string{
		&x.lookup: `SELECT seq, hash FROM event WHERE id = ?`, &x.mentioned: `SELECT seq FROM mention WHERE topic = ?`,
		&x.anyMention: `SELECT EXISTS (SELECT 1 FROM mention WHERE topic = ?)`,
		&x.beneath:    `SELECT DISTINCT topic FROM mention WHERE topic >= ? AND topic < ?`,
		&x.spanned:    `SELECT first, last FROM session WHERE unit = ?`,
	} {
		if *to, err = x.db.PrepareContext(ctx, q); err != nil {
			return err
		}
	}
	return nil
}

// belongs reports whether the checkpoint is one of this log: it has the log's id and the very
// event.
func (x *index) belongs(ctx context.Context, logID, eventID string) bool {
	if logID != x.log.ID() {
		return false
	}
	e, err := x.log.Get(ctx, x.seq)
	if err != nil {
		return false
	}
	var ev logv1.Event
	return proto.Unmarshal(e.Data, &ev) == nil && ev.GetId() == eventID
}

func (x *index) empty(ctx context.Context) error {
	for _, q := range []string{`DELETE FROM checkpoint`, `DELETE FROM event`, `DELETE FROM facility`, `DELETE FROM mention`,
		`DELETE FROM session`} {
		if _, err := x.db.ExecContext(ctx, q); err != nil {
			return err
		}
	}
	x.seq = 0
	return nil
}

// run projects the log until ctx ends.
func (x *index) run(ctx context.Context) error {
	err := x.log.Read(ctx, x.position()+1, indexBatch, x.apply)
	if ctx.Err() != nil {
		return nil
	}
	if err != nil {
		x.mu.Lock()
		x.failed = err
		close(x.moved) // wakes those who wait for a sequence that will not come
		x.moved = make(chan struct{})
		x.mu.Unlock()
	}
	return err
}

func (x *index) apply(ctx context.Context, batch []eventlog.Entry) error {
	tx, err := x.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }()
	insert, err := tx.PrepareContext(ctx, `INSERT INTO event (id, seq, hash) VALUES (?, ?, ?) ON CONFLICT (id) DO NOTHING`)
	if err != nil {
		return err
	}
	mention, err := tx.PrepareContext(ctx, `INSERT INTO mention (topic, seq) VALUES (?, ?) ON CONFLICT DO NOTHING`)
	if err != nil {
		return err
	}
	first, err := tx.PrepareContext(ctx, `INSERT INTO mention (topic, seq) SELECT ?1, ?2
		WHERE NOT EXISTS (SELECT 1 FROM mention WHERE topic = ?1)`)
	if err != nil {
		return err
	}
	firsts := map[string]bool{}
	var last string
	var taken []*logv1.Event
	var about []string
	for _, e := range batch {
		ev := &logv1.Event{}
		if err := proto.Unmarshal(e.Data, ev); err != nil {
			// Not readable here: the projectors set it aside and raise the alarm.
			continue
		}
		id, err := hex.DecodeString(ev.GetId())
		if err != nil {
			continue
		}
		if _, err := insert.ExecContext(ctx, id, int64(e.Seq), append([]byte{}, ev.GetContentHash()...)); err != nil {
			return err
		}
		for _, t := range topics(ev) {
			about = append(about, t)
			put := mention
			if once(t) {
				if x.keeps(t) || firsts[t] {
					continue
				}
				put, firsts[t] = first, true
			}
			if _, err := put.ExecContext(ctx, t, int64(e.Seq)); err != nil {
				return err
			}
		}
		if session, d, ok := sessionOf(ev, e.Seq); ok {
			if _, err := tx.ExecContext(ctx, `INSERT INTO session (unit, first, last) VALUES (?, ?, ?)
				ON CONFLICT (unit) DO UPDATE SET first = min(first, excluded.first), last = max(last, excluded.last)`, session, d.first,
				d.last); err != nil {
				return err
			}
		}
		if zone, since, ok := began(ev); ok {
			if _, err := tx.ExecContext(ctx, `INSERT INTO facility (id, zone, since) VALUES (?, ?, ?)
				ON CONFLICT (id) DO UPDATE SET zone = excluded.zone, since = min(since, excluded.since)`, ev.GetFacility(), zone,
				since); err != nil {
				return err
			}
		}
		last = ev.GetId()
		taken = append(taken, ev)
	}
	end := batch[len(batch)-1].Seq
	if _, err := tx.ExecContext(ctx, `INSERT INTO checkpoint (one, log_id, seq, event_id) VALUES (1, ?, ?, ?)
		ON CONFLICT (one) DO UPDATE SET log_id = excluded.log_id, seq = excluded.seq, event_id = excluded.event_id`, x.log.ID(), int64(end),
		last); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	x.keep(slices.Collect(maps.Keys(firsts))...)
	x.advance(end, taken, about)
	return nil
}

// advance takes in the entries that were stored.
func (x *index) advance(end uint64, taken []*logv1.Event, about []string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, ev := range taken {
		delete(x.recent, ev.GetId())
		x.register(ev)
		if session, _, ok := sessionOf(ev, 0); ok && x.sessions[session].seq <= end {
			delete(x.sessions, session)
		}
	}
	for _, t := range about {
		if x.fresh[t] = slices.DeleteFunc(x.fresh[t], func(seq uint64) bool { return seq <= end }); len(x.fresh[t]) == 0 {
			delete(x.fresh, t)
		}
	}
	x.seq = end
	close(x.moved)
	x.moved = make(chan struct{})
}

// register takes in a facility's registration, if the event is one.
func (x *index) register(ev *logv1.Event) {
	if zone, since, ok := began(ev); ok {
		p, before := x.facilities[ev.GetFacility()]
		x.facilities[ev.GetFacility()] = p.registered(zone, since, before)
	}
}

func (x *index) position() uint64 {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.seq
}

// expect notes an event that is being sent to the log. over must be called when it is remembered or failed.
func (x *index) expect(ev *logv1.Event) (over func()) {
	e := &event{over: make(chan struct{})}
	_, e.days, e.inSession = sessionOf(ev, 0)
	keys := append(topics(ev), ev.GetId())
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, k := range keys {
		x.coming[k] = append(x.coming[k], e)
	}
	return func() {
		x.mu.Lock()
		defer x.mu.Unlock()
		close(e.over)
		for _, k := range keys {
			if x.coming[k] = slices.DeleteFunc(x.coming[k], func(o *event) bool { return o == e }); len(x.coming[k]) == 0 {
				delete(x.coming, k)
			}
		}
	}
}

// arrived waits for the events with that id or index key that are coming now. Its error is a fault.
func (x *index) arrived(ctx context.Context, key string) error {
	x.mu.Lock()
	list := slices.Clone(x.coming[key])
	x.mu.Unlock()
	for _, e := range list {
		select {
		case <-e.over:
		case <-ctx.Done():
			return ended(ctx)
		}
	}
	return nil
}

// ended is the fault of a call that waited for another message.
func ended(ctx context.Context) error {
	return fault.Wrap(fault.Unavailable, ctx.Err(), "the call ended before the message was stored", "send the same message again")
}

// find returns what is known of an event.
func (x *index) find(ctx context.Context, eventID string) (known, bool, error) {
	if err := x.arrived(ctx, eventID); err != nil {
		return known{}, false, err
	}
	x.mu.Lock()
	k, ok := x.recent[eventID]
	x.mu.Unlock()
	if ok {
		return k, true, nil
	}
	id, err := hex.DecodeString(eventID)
	if err != nil {
		return known{}, false, err
	}
	err = x.lookup.QueryRowContext(ctx, id).Scan(&k.seq, &k.hash)
	if errors.Is(err, sql.ErrNoRows) {
		return known{}, false, nil
	}
	if ctx.Err() != nil {
		return known{}, false, ctx.Err() // the sender hung up
	}
	if err != nil {
		return known{}, false, fmt.Errorf("the ingest index cannot be read: %w; start the service again: it builds the index from "+
			"the log", err)
	}
	return k, true, nil
}

// remember keeps an event that is safe in the log until it comes back through run.
func (x *index) remember(ev *logv1.Event, k known) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if k.seq > x.seq {
		x.recent[ev.GetId()] = k
		for _, t := range topics(ev) {
			x.fresh[t] = append(x.fresh[t], k.seq)
		}
		if session, d, ok := sessionOf(ev, k.seq); ok {
			if was, before := x.sessions[session]; before {
				d = d.with(was)
			}
			x.sessions[session] = d
		}
	}
	x.register(ev)
}

// facility reports whether a facility is registered. If it is not known, the index first catches up with
// the log: another process may just have accepted the registration.
func (x *index) facility(ctx context.Context, id string) (ok bool, err error) {
	if x.zone(id) != "" {
		return true, nil
	}
	st, err := x.log.State(ctx)
	if err != nil {
		return false, err
	}
	if err := x.waitFor(ctx, st.LastSeq); err != nil {
		return false, err
	}
	return x.zone(id) != "", nil
}

// waitFor returns once the index has reached seq.
func (x *index) waitFor(ctx context.Context, seq uint64) error {
	for {
		x.mu.Lock()
		at, moved, failed := x.seq, x.moved, x.failed
		x.mu.Unlock()
		if at >= seq {
			return nil
		}
		if failed != nil {
			return failed
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// refresh waits until the index holds all of the log, and records when. On a busy log the index
// is always a little behind the very end, so it waits for the end at the time of the call.
func (x *index) refresh(ctx context.Context, now func() time.Time) error {
	asked := now()
	st, err := x.log.State(ctx)
	if err != nil {
		return err
	}
	if err := x.waitFor(ctx, st.LastSeq); err != nil {
		return err
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if asked.After(x.freshAt) {
		x.freshAt = asked
	}
	return nil
}

// lag returns the time since the index was last known to hold all of the log; ok is false if it
// never was since it was opened.
func (x *index) lag(now time.Time) (lag time.Duration, ok bool) {
	x.mu.Lock()
	defer x.mu.Unlock()
	return now.Sub(x.freshAt), !x.freshAt.IsZero()
}

func (x *index) known() map[string]string {
	x.mu.Lock()
	defer x.mu.Unlock()
	out := make(map[string]string, len(x.facilities))
	for k, v := range x.facilities {
		out[k] = v.zone
	}
	return out
}

// registered reports whether the index knows the facility, without waiting for the log.
func (x *index) registered(id string) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	_, ok := x.facilities[id]
	return ok
}

// zone returns a facility's time zone as far as the index knows it now, else empty.
func (x *index) zone(facility string) string {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.facilities[facility].zone
}

func (x *index) close() error { return x.db.Close() }
