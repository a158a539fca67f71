package trail

import (
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	_ "modernc.org/sqlite" // the driver, without a C compiler

	"cannulary/internal/chain"
	"cannulary/internal/eventlog"
	"cannulary/internal/fault"
	"cannulary/internal/sqlitefile"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// index finds entries of the stream by patient, principal and time, and follows its chain. It is projected from
// the stream into a file of its own and can be deleted at any time. The entries themselves stay in the stream.
type index struct {
	db   *sql.DB
	cfg  Config
	path string

	mu     sync.Mutex
	seq    uint64
	head   chain.Mark
	found  []chain.Finding
	lost   *chain.Finding // what was noticed at the start, until the process ends
	moved  chan struct{}  // closed and replaced whenever seq advances
	asked  chan struct{}  // somebody waits
	failed error

	stop context.CancelFunc
	work sync.WaitGroup
}

const (
	indexFile = "index.db"
	// indexVersion is the version of what the index holds. An index of another version is built anew.
	indexVersion = 1
	indexPage    = 4096
	indexBatch   = 1000
)

func openIndex(ctx context.Context, cfg Config) (*index, error) {
	x := &index{cfg: cfg, path: filepath.Join(cfg.Dir, indexFile), moved: make(chan struct{}), asked: make(chan struct{}, 1)}
	if !sqlitefile.SaysChecked(x.path) || sqlitefile.LeftBehind(x.path) != nil {
		_ = sqlitefile.Remove(x.path) // what cannot be removed cannot be opened either
	}
	err := x.open(ctx)
	if err != nil {
		if lost := (*lostError)(nil); errors.As(err, &lost) {
			x.lost = &lost.finding
			cfg.Slog.Error("entries of the audit trail are gone: what its index had is not in the stream any more; runbook "+
				"CannularyTrailChanged", "why", err, "indexHad", lost.finding.Last, "streamHas", lost.finding.First)
		}
		_ = sqlitefile.Remove(x.path) // what cannot be removed cannot be opened either
		err = x.open(ctx)
	}
	if err != nil {
		return nil, fmt.Errorf("index of the trail %s: %w; it can be deleted, it is built again from the stream", x.path, err)
	}
	return x, nil
}

func (x *index) open(ctx context.Context) error {
	if err := sqlitefile.Create(x.path, indexPage); err != nil {
		return err
	}
	// The index can be built again, so a crash may cost it its latest rows but nothing else.
	db, err := sqlitefile.OpenChecked(x.path, "_pragma=busy_timeout(5000)&_txlock=immediate",
		`PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL`, x.fail)
	if err != nil {
		return err
	}
	db.SetMaxOpenConns(4)
	x.db = db
	if err := x.prepare(ctx); err != nil {
		return errors.Join(err, db.Close())
	}
	return nil
}

func (x *index) prepare(ctx context.Context) error {
	var version int
	if err := x.db.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&version); err != nil {
		return err
	}
	if version != 0 && version != indexVersion {
		return errors.New("it is of another version")
	}
	for _, q := range []string{
		// chain is the chain.Checker, in JSON.
		`CREATE TABLE IF NOT EXISTS checkpoint (one INTEGER PRIMARY KEY CHECK (one = 1), stream TEXT NOT NULL, seq INTEGER NOT NULL,
			chain TEXT NOT NULL)`,
		// An entry that stands twice in the stream is here once. at is in milliseconds since 1970.
		`CREATE TABLE IF NOT EXISTS entry (seq INTEGER PRIMARY KEY, id BLOB NOT NULL UNIQUE, at INTEGER NOT NULL, who TEXT NOT NULL)`,
		`CREATE INDEX IF NOT EXISTS entry_at ON entry (at, seq)`,
		`CREATE INDEX IF NOT EXISTS entry_who ON entry (who, at, seq)`,
		`CREATE TABLE IF NOT EXISTS told (patient BLOB NOT NULL, at INTEGER NOT NULL, seq INTEGER NOT NULL,
			PRIMARY KEY (patient, at, seq)) WITHOUT ROWID`,
		fmt.Sprintf(`PRAGMA user_version = %d`, indexVersion),
	} {
		if _, err := x.db.ExecContext(ctx, q); err != nil {
			return err
		}
	}
	c, err := x.checker(ctx)
	if err == nil {
		err = x.belongs(ctx, c)
	}
	return err
}

// checker reads how far the index has come.
func (x *index) checker(ctx context.Context) (*chain.Checker, error) {
	c := chain.New(x.sumAt(ctx))
	var stream, text string
	err := x.db.QueryRowContext(ctx, `SELECT stream, chain FROM checkpoint`).Scan(&stream, &text)
	if errors.Is(err, sql.ErrNoRows) {
		return c, nil
	}
	if err != nil {
		return nil, err
	}
	var kept checked
	if err := json.Unmarshal([]byte(text), &kept); err != nil {
		return nil, err
	}
	if stream != x.cfg.Log.ID() {
		return nil, &lostError{"the index is of another stream", chain.Finding{Kind: chain.Gap, Last: kept.Seq, From: 1, To: kept.Seq}}
	}
	c.Seq, c.Head, c.Findings = kept.Seq, kept.Head, kept.Findings
	if kept.Writers != nil {
		c.Writers = kept.Writers
	}
	return c, nil
}

// checked is what is kept of a chain.Checker.
type checked struct {
	Seq      uint64
	Head     chain.Sum
	Writers  map[string]chain.Last
	Findings []chain.Finding
}

// belongs refuses an index that has come further than its stream.
func (x *index) belongs(ctx context.Context, c *chain.Checker) error {
	st, err := x.cfg.Log.State(ctx)
	if err == nil && c.Seq > st.LastSeq {
		err = &lostError{"the index is of a stream that was longer",
			chain.Finding{Kind: chain.Gap, First: st.LastSeq, Last: c.Seq, From: st.LastSeq + 1, To: c.Seq}}
	}
	x.advance(c)
	return err
}

// lostError says that the stream lacks entries that the index had.
type lostError struct {
	why     string
	finding chain.Finding
}

func (l *lostError) Error() string { return l.why }

func (x *index) sumAt(ctx context.Context) func(uint64) (chain.Sum, bool, error) {
	return func(seq uint64) (chain.Sum, bool, error) {
		e, err := x.cfg.Log.Get(ctx, seq)
		if eventlog.IsMissing(err) {
			return chain.Sum{}, false, nil
		}
		return chain.SumOf(e.Data), err == nil, err
	}
}

// advance says how far the index has come.
func (x *index) advance(c *chain.Checker) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.seq, x.head, x.found = c.Seq, chain.MarkOf(x.cfg.Log.Shard(), c.Seq, c.Head), append([]chain.Finding(nil), c.Findings...)
	if x.lost != nil {
		x.found = append(x.found, *x.lost)
	}
	close(x.moved)
	x.moved = make(chan struct{})
}

func (x *index) fail(err error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.failed == nil {
		x.failed = err
		x.cfg.Slog.Error("the index of the trail stopped: AuditEvents are not answered until the process starts again", "err", err)
		close(x.moved)
		x.moved = make(chan struct{})
	}
}

// follow reads the stream until ctx ends. While the stream does not answer it tries again.
func (x *index) follow(ctx context.Context) {
	for ctx.Err() == nil {
		c, err := x.checker(ctx)
		if err == nil {
			err = x.cfg.Log.Read(ctx, c.Seq+1, indexBatch, func(ctx context.Context, batch []eventlog.Entry) error {
				return x.take(ctx, c, batch)
			})
		}
		if errors.Is(err, eventlog.ErrGap) || errors.Is(err, errIndex) {
			x.fail(err)
			return
		}
		if ctx.Err() == nil {
			select {
			case <-ctx.Done():
			case <-time.After(lookEvery):
			}
		}
	}
}

var errIndex = errors.New("the index of the trail cannot be written")

// take takes entries in.
func (x *index) take(ctx context.Context, c *chain.Checker, batch []eventlog.Entry) error {
	tx, err := x.db.BeginTx(ctx, nil)
	if err != nil {
		return x.stopped(ctx, err)
	}
	defer func() { _ = tx.Rollback() }()
	for _, e := range batch {
		a := &logv1.Access{}
		if e.Seq > 1 && proto.Unmarshal(e.Data, a) != nil { // the first is the stream's genesis, an event
			a.Reset()
		}
		if err := c.Add(e.Data, &logv1.Event{Link: a.GetLink()}); err != nil {
			return err
		}
		if len(a.GetId()) > 0 {
			if err := put(ctx, tx, e.Seq, a); err != nil {
				return x.stopped(ctx, err)
			}
		}
	}
	text, err := json.Marshal(checked{c.Seq, c.Head, c.Writers, c.Findings})
	if err == nil {
		_, err = tx.ExecContext(ctx, `INSERT OR REPLACE INTO checkpoint (one, stream, seq, chain) VALUES (1, ?, ?, ?)`,
			x.cfg.Log.ID(), c.Seq, string(text))
	}
	if err == nil {
		err = tx.Commit()
	}
	if err != nil {
		return x.stopped(ctx, err)
	}
	x.advance(c)
	select {
	case <-x.asked:
	case <-ctx.Done():
	case <-time.After(indexRest):
	}
	return nil
}

// indexRest is how long the index rests after a transaction while nobody asks, so that entries come together.
const indexRest = 250 * time.Millisecond

func (x *index) stopped(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return fmt.Errorf("%w: %w", errIndex, err)
}

func put(ctx context.Context, tx *sql.Tx, seq uint64, a *logv1.Access) error {
	at := a.GetAt().AsTime().UnixMilli()
	r, err := tx.ExecContext(ctx, `INSERT INTO entry (seq, id, at, who) VALUES (?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`, seq,
		a.GetId(), at, a.GetPrincipal())
	if err != nil {
		return err
	}
	if n, err := r.RowsAffected(); err != nil || n == 0 {
		return err
	}
	told, err := tx.PrepareContext(ctx, `INSERT OR IGNORE INTO told (patient, at, seq) VALUES (?, ?, ?)`)
	if err != nil {
		return err
	}
	defer func() { _ = told.Close() }()
	for _, p := range a.GetPatients() {
		if _, err := told.ExecContext(ctx, p, at, seq); err != nil {
			return err
		}
	}
	return nil
}

// begin follows the stream until close.
func (x *index) begin() {
	ctx, stop := context.WithCancel(context.Background())
	x.stop = stop
	x.work.Go(func() { x.follow(ctx) })
}

func (x *index) close() error {
	x.stop()
	x.work.Wait()
	return x.db.Close()
}

// Query asks for entries, newest first. Its zero fields ask for nothing.
type Query struct {
	Patients []string // keys of one patient: of all identities
	By       string   // principal
	// From and Until bound the time of the request: From is part of it, Until is not.
	From, Until time.Time
	Count       int // most entries; above 0
	After       Place
}

// Place is where a page of a search ends. Zero is the beginning.
type Place struct {
	At  int64 // milliseconds since 1970
	Seq uint64
}

// Found is an entry with its place.
type Found struct {
	Place
	Access *logv1.Access
}

// Search returns the entries that are asked for, of all that were in the stream when it was called. more reports
// that there are further ones.
func (t *Trail) Search(ctx context.Context, q Query) (list []Found, more bool, err error) {
	if err := t.caughtUp(ctx); err != nil {
		return nil, false, err
	}
	text, args := q.sql()
	rows, err := t.index.db.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, false, fmt.Errorf("search the trail: %w", err)
	}
	var places []Place
	for rows.Next() {
		var p Place
		if err := rows.Scan(&p.At, &p.Seq); err != nil {
			return nil, false, errors.Join(err, rows.Close())
		}
		places = append(places, p)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, false, fmt.Errorf("search the trail: %w", err)
	}
	if len(places) > q.Count {
		places, more = places[:q.Count], true
	}
	for _, p := range places {
		f, err := t.at(ctx, p)
		if err != nil {
			return nil, false, err
		}
		list = append(list, f)
	}
	return list, more, nil
}

// sql is the statement of a query.
func (q *Query) sql() (string, []any) {
	var b strings.Builder
	var args []any
	and := " WHERE "
	add := func(text string, more ...any) {
		b.WriteString(and + text)
		args = append(args, more...)
		and = " AND "
	}
	from := "entry e"
	if len(q.Patients) > 0 {
		from = "told p JOIN entry e ON e.seq = p.seq"
		marks := []string{}
		var keys []any
		for _, key := range q.Patients {
			raw, _ := hex.DecodeString(key) // what is no key has no entry
			marks, keys = append(marks, "?"), append(keys, raw)
		}
		add("p.patient IN ("+strings.Join(marks, ", ")+")", keys...)
	}
	if q.By != "" {
		add("e.who = ?", q.By)
	}
	if !q.From.IsZero() {
		add("e.at >= ?", q.From.UnixMilli())
	}
	if !q.Until.IsZero() {
		add("e.at < ?", q.Until.UnixMilli())
	}
	if q.After != (Place{}) {
		add("(e.at, e.seq) < (?, ?)", q.After.At, q.After.Seq)
	}
	// An entry may name several identities of a patient.
	return "SELECT DISTINCT e.at, e.seq FROM " + from + b.String() + " ORDER BY e.at DESC, e.seq DESC LIMIT ?", append(args, q.Count+1)
}

// at reads an entry from the stream.
func (t *Trail) at(ctx context.Context, p Place) (Found, error) {
	e, err := t.cfg.Log.Get(ctx, p.Seq)
	if err != nil {
		return Found{}, fault.Wrap(fault.Unavailable, err, "an entry of the audit trail could not be read",
			"try again; if it lasts, ask the operator")
	}
	a := &logv1.Access{}
	if err := proto.Unmarshal(e.Data, a); err != nil {
		return Found{}, fmt.Errorf("read entry %d of the trail: %w", p.Seq, err)
	}
	return Found{p, a}, nil
}

// Get returns the entry with an id of 32 hexadecimal digits; ok is false where there is none.
func (t *Trail) Get(ctx context.Context, id string) (f Found, ok bool, err error) {
	raw, bad := hex.DecodeString(id)
	if bad != nil {
		return Found{}, false, nil
	}
	if err := t.caughtUp(ctx); err != nil {
		return Found{}, false, err
	}
	var p Place
	err = t.index.db.QueryRowContext(ctx, `SELECT at, seq FROM entry WHERE id = ?`, raw).Scan(&p.At, &p.Seq)
	if errors.Is(err, sql.ErrNoRows) {
		return Found{}, false, nil
	}
	if err != nil {
		return Found{}, false, fmt.Errorf("look an entry of the trail up: %w", err)
	}
	f, err = t.at(ctx, p)
	return f, err == nil, err
}

// caughtUp waits until the index has all that is in the stream now.
func (t *Trail) caughtUp(ctx context.Context) error {
	behind := func(err error) error {
		return fault.Wrap(fault.Unavailable, err, "the audit trail cannot be searched now",
			"try again in a moment; if it lasts, ask the operator")
	}
	if t.index == nil {
		return behind(errors.New("this process keeps no index"))
	}
	ctx, cancel := context.WithTimeout(ctx, indexWait)
	defer cancel()
	st, err := t.cfg.Log.State(ctx)
	if err != nil {
		return behind(err)
	}
	for {
		t.index.mu.Lock()
		seq, failed, moved := t.index.seq, t.index.failed, t.index.moved
		t.index.mu.Unlock()
		switch {
		case failed != nil:
			return behind(failed)
		case seq >= st.LastSeq:
			return nil
		}
		select {
		case t.index.asked <- struct{}{}:
		default:
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return behind(fmt.Errorf("the index is at entry %d of %d", seq, st.LastSeq))
		}
	}
}

// indexWait is how long a search waits for the index.
const indexWait = 10 * time.Second

// Head returns the head of the stream as far as the index has come, and what its chain shows that a stream which
// nobody touched would not have. The mark is empty without an index.
func (t *Trail) Head() (chain.Mark, []chain.Finding) {
	if t == nil || t.index == nil {
		return chain.Mark{}, nil
	}
	t.index.mu.Lock()
	defer t.index.mu.Unlock()
	return t.index.head, t.index.found
}
