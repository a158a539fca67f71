package view

import (
	"cmp"
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/freetext"
	"cannulary/internal/record"
	"cannulary/internal/surveil"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// Tx is the one writing transaction: what a batch of events changes.
type Tx struct {
	*writing
	// ctx does not end: for one that may, the driver starts a goroutine with every statement.
	// Whoever projects looks between events.
	ctx  context.Context
	done bool

	behind
	open opened
}

// writing is what one transaction after the other writes with.
type writing struct {
	turn     chan struct{} // held by the one transaction
	conn     *sql.Conn
	stmts    map[string]*sql.Stmt      // prepared once
	quick    map[string]quickStatement // likewise, of those that give no rows
	named    []driver.NamedValue       // of perform
	memo     *memo
	opener   freetext.Opener
	packer   *packer
	unpacker *Unpacker
	scratch  []byte // of shape
}

// Begin starts a writing transaction; it waits for the one before to end.
func (s *Store) Begin(ctx context.Context) (*Tx, error) {
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return nil, fmt.Errorf("begin: %w", ctx.Err())
	}
	t := &Tx{writing: &s.writing, ctx: context.WithoutCancel(ctx)}
	err := ctx.Err()
	if err == nil {
		err = t.run(`BEGIN IMMEDIATE`)
	}
	if err != nil {
		<-s.turn
		return nil, fmt.Errorf("begin: %w", err)
	}
	return t, nil
}

// Commit makes everything durable with the checkpoint.
func (t *Tx) Commit() error {
	if err := errors.Join(t.closePage(), t.writePages(0), t.settle()); err != nil {
		return err
	}
	if err := t.run(`COMMIT`); err != nil {
		return err
	}
	t.done = true
	t.leave()
	<-t.turn
	return nil
}

// Rollback forgets everything; after Commit it does nothing.
func (t *Tx) Rollback() {
	if !t.done {
		t.done = true
		t.memo.forget()
		t.leave()
		// Where an error has ended the transaction there is nothing to roll back.
		_ = t.run(`ROLLBACK`)
		<-t.turn
	}
}

// stmt prepares each statement once.
func (t *Tx) stmt(q string) (*sql.Stmt, error) {
	if st, ok := t.stmts[q]; ok {
		return st, nil
	}
	st, err := t.conn.PrepareContext(t.ctx, q)
	if err != nil {
		return nil, fmt.Errorf("%w in %q", err, q)
	}
	t.stmts[q] = st
	return st, nil
}

// ask prepares a statement that gives rows. All that was queued before has run.
func (t *Tx) ask(q string) (*sql.Stmt, error) {
	if err := t.settle(); err != nil {
		return nil, err
	}
	return t.stmt(q)
}

func (t *Tx) row(q string, args []any, dest ...any) (bool, error) {
	st, err := t.ask(q)
	if err != nil {
		return false, err
	}
	err = st.QueryRowContext(t.ctx, args...).Scan(dest...)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, err
}

// Checkpoint reads the checkpoint as the transaction sees it.
func (t *Tx) Checkpoint() (Checkpoint, bool, error) {
	if err := t.settle(); err != nil {
		return Checkpoint{}, false, err
	}
	return readCheckpoint(t.ctx, t.conn)
}

// SetCheckpoint moves the checkpoint.
func (t *Tx) SetCheckpoint(c Checkpoint) error {
	return t.exec(`INSERT INTO checkpoint (one, log_id, seq, event_id, logged, updated) VALUES (1, ?, ?, ?, ?, ?)
		ON CONFLICT (one) DO UPDATE SET log_id = excluded.log_id, seq = excluded.seq, event_id = excluded.event_id,
		logged = excluded.logged, updated = excluded.updated`,
		c.LogID, int64(c.Seq), c.EventID, millis(c.Logged), millis(c.Updated))
}

// StoredEvent is an event with what the log says of it.
type StoredEvent struct {
	Seq    uint64
	Logged time.Time
	Event  *logv1.Event
}

// HasEvent reports whether an event of that id was projected before.
func (t *Tx) HasEvent(id string) (bool, error) {
	if t.memo.unseen.lacks(eventKey, id) {
		return false, nil
	}
	var one int
	return t.row(`SELECT 1 FROM event WHERE id = ?`, []any{id}, &one)
}

// InsertEvent keeps the event's bytes.
func (t *Tx) InsertEvent(e StoredEvent, session string, data []byte) error {
	if known, ok := t.memo.sessions[session]; ok || t.memo.unseen.lacks(sessionKey, session) {
		rememberFew(t.memo.sessions, sessionsMost, session, append(known, e))
	}
	t.memo.came(e)
	t.memo.unseen.note(eventKey, e.Event.GetId())
	t.memo.unseen.note(sessionKey, session)
	return t.exec(`INSERT INTO event (seq, id, session, patient, facility, occurred, logged, data, sum) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		int64(e.Seq), e.Event.GetId(), session, e.Event.GetPatientKey(), e.Event.GetFacility(),
		millis(e.Event.GetOccurredAt().AsTime()), e.Logged.UnixNano(), data, sumOf(data))
}

// Amend notes that the event names a fact or a session (record.SessionKey).
func (t *Tx) Amend(target string, seq uint64) error {
	if t.memo.amended != nil {
		t.memo.amended[target] = true
	}
	return t.exec(`INSERT INTO amendment (target, seq) VALUES (?, ?) ON CONFLICT DO NOTHING`, target, int64(seq))
}

// Topic notes that the event describes the topic.
func (t *Tx) Topic(topic string, seq uint64) error {
	remember(t.memo.topics, topic, true)
	t.memo.unseen.note(topicKey, topic)
	return t.exec(`INSERT INTO topic (topic, seq) VALUES (?, ?) ON CONFLICT DO NOTHING`, topic, int64(seq))
}

// HasTopic reports whether anything of the topic was seen before.
func (t *Tx) HasTopic(topic string) (bool, error) {
	if t.memo.topics[topic] {
		return true, nil
	}
	if t.memo.unseen.lacks(topicKey, topic) {
		return false, nil
	}
	var one int
	return t.row(`SELECT 1 FROM topic WHERE topic = ? LIMIT 1`, []any{topic}, &one)
}

// Quarantine sets an event aside that cannot be understood.
func (t *Tx) Quarantine(seq uint64, eventID, patient, reason string, data []byte) error {
	return t.exec(`INSERT INTO quarantine (seq, event_id, patient, reason, data) VALUES (?, ?, ?, ?, ?)`, int64(seq), eventID,
		patient, reason, data)
}

// Aside notes an event that belongs into no view.
func (t *Tx) Aside(seq uint64, eventID, reason string) error {
	return t.exec(`INSERT INTO aside (seq, event_id, reason) VALUES (?, ?, ?)`, int64(seq), eventID, reason)
}

// loader reads events, for a transaction or for a reader.
type loader struct {
	ctx context.Context
	q   func(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	// amended reports whether anything amends the target; nil does not know.
	amended func(target string) (bool, error)
	// memo remembers the events that came lately, and of sessions that were read; nil remembers none.
	memo *memo
	// upTo is the last event that is read; 0 is the newest.
	upTo uint64
	// opener opens what people wrote in their own words; with sealed it stays sealed.
	opener freetext.Opener
	sealed bool
}

// Load gives the loader of the transaction.
func (t *Tx) Load() Loader { return t.load() }

// LoadUpTo gives the loader of the transaction that reads events as if none after seq had come.
func (t *Tx) LoadUpTo(seq uint64) Loader {
	l := t.load()
	l.upTo = seq
	return l
}

func (t *Tx) load() loader {
	return loader{ctx: t.ctx, q: func(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
		st, err := t.ask(query)
		if err != nil {
			return nil, err
		}
		return st.QueryContext(ctx, args...)
	}, amended: t.isAmended, memo: t.memo, opener: t.opener}
}

// isAmended knows all targets of corrections and voids: they are few, and nearly every
// question about them is answered with no.
func (t *Tx) isAmended(target string) (bool, error) {
	return t.has(&t.memo.amended, target, `SELECT DISTINCT target FROM amendment`)
}

// has reports whether a set that is read once holds a text.
func (t *Tx) has(known *map[string]bool, text, all string) (bool, error) {
	if *known == nil {
		list, err := t.strings(all)
		if err != nil {
			return false, err
		}
		*known = make(map[string]bool, len(list))
		for _, s := range list {
			(*known)[s] = true
		}
	}
	return (*known)[text], nil
}

// Loader reads events by what they belong to, and what amends them.
type Loader interface {
	// Session lists the events of a session, or the one of that id.
	Session(session string) ([]StoredEvent, error)
	// Topic lists the events of a topic.
	Topic(topic string) ([]StoredEvent, error)
	// TopicsWith lists the topics that begin so.
	TopicsWith(prefix string) ([]string, error)
	// Patients lists the events of the patient keys.
	Patients(keys []string) ([]StoredEvent, error)
	Since(patient string, after uint64) ([]StoredEvent, error)
	Newest(patients []string) (map[string]uint64, error)
	// ByID lists the events of those ids, as far as they have arrived.
	ByID(ids []string) ([]StoredEvent, error)
	// Amending lists the events that name any of the facts or sessions.
	Amending(targets []string) ([]StoredEvent, error)

	// Surveillance is what is stored of one patient key, People those with anything at a
	// facility; Raised are the signals given there, Seen what was known at an acknowledgement.
	Surveillance(key string) (surveil.Person, error)
	People(facility string) ([]surveil.Patient, error)
	Raised(facility string) ([]surveil.Raised, error)
	Seen(ack string) ([]string, error)
	// FirstTreatment is when the earliest treatment at a facility began.
	FirstTreatment(facility string) (began time.Time, ok bool, err error)
}

const eventColumns = `SELECT e.seq, e.logged, e.data, e.sum FROM event e `

func (l loader) Session(session string) ([]StoredEvent, error) {
	var all []StoredEvent
	known := false
	if l.memo != nil {
		all, known = l.memo.sessions[session]
	}
	if !known {
		whole := l
		whole.upTo = 0
		var err error
		if all, err = whole.events(eventColumns+`WHERE e.session = ? ORDER BY e.seq`, session); err != nil {
			return nil, err
		}
		if l.memo != nil {
			rememberFew(l.memo.sessions, sessionsMost, session, all)
		}
	}
	n := len(all)
	for l.upTo > 0 && n > 0 && all[n-1].Seq > l.upTo {
		n--
	}
	return all[:n:n], nil
}

func (l loader) Topic(topic string) ([]StoredEvent, error) {
	return l.events(eventColumns+`JOIN topic t ON t.seq = e.seq WHERE t.topic = ? ORDER BY e.seq`, topic)
}

func (l loader) TopicsWith(prefix string) ([]string, error) {
	return l.strings(`SELECT DISTINCT topic FROM topic WHERE topic >= ? AND topic < ? ORDER BY topic`, prefix, prefix+"\U0010FFFF")
}

// strings reads one text column.
func (l loader) strings(q string, args ...any) (out []string, err error) {
	err = l.each(q, args, func(scan func(...any) error) error {
		s, err := column[string](scan)
		out = append(out, s)
		return err
	})
	return out, err
}

func (l loader) Patients(keys []string) ([]StoredEvent, error) {
	return l.in(eventColumns+`WHERE e.patient IN `, ` ORDER BY e.seq`, keys)
}

func (l loader) ByID(ids []string) ([]StoredEvent, error) {
	var lately []StoredEvent
	if l.memo != nil {
		ids = slices.DeleteFunc(slices.Clone(ids), func(id string) bool {
			e, ok := l.memo.byID(id)
			if ok && (l.upTo == 0 || e.Seq <= l.upTo) {
				lately = append(lately, e)
			}
			return ok
		})
	}
	out, err := l.in(eventColumns+`WHERE e.id IN `, ` ORDER BY e.seq`, ids)
	out = append(out, lately...)
	slices.SortFunc(out, func(a, b StoredEvent) int { return cmp.Compare(a.Seq, b.Seq) })
	return out, err
}

func (l loader) Amending(targets []string) ([]StoredEvent, error) {
	if l.amended != nil {
		some := targets[:0:0]
		for _, target := range targets {
			yes, err := l.amended(target)
			if err != nil {
				return nil, err
			}
			if yes {
				some = append(some, target)
			}
		}
		targets = some
	}
	return l.in(`SELECT DISTINCT e.seq, e.logged, e.data, e.sum FROM amendment a CROSS JOIN event e ON e.seq = a.seq WHERE a.target IN `,
		` ORDER BY e.seq`, targets)
}

// listSizes are the lengths of the lists that are asked for in one statement: a few, so
// that each statement is prepared once. The last keeps below SQLite's limit of values.
var listSizes = [...]int{1, 4, 12, 40, 120, 500}

func (l loader) in(head, tail string, values []string) ([]StoredEvent, error) {
	var out []StoredEvent
	for len(values) > 0 {
		size := listSizes[len(listSizes)-1]
		for _, s := range listSizes {
			if s >= len(values) {
				size = s
				break
			}
		}
		n := min(len(values), size)
		args := make([]any, size)
		for i := range args {
			args[i] = values[min(i, n-1)]
		}
		got, err := l.events(head+`(?`+strings.Repeat(`,?`, size-1)+`)`+tail, args...)
		if err != nil {
			return nil, err
		}
		out = append(out, got...)
		values = values[n:]
	}
	return out, nil
}

func (l loader) events(q string, args ...any) ([]StoredEvent, error) {
	rows, err := l.q(l.ctx, q, args...)
	if err != nil {
		return nil, fmt.Errorf("%w in %q", err, q)
	}
	defer func() { _ = rows.Close() }()
	var out []StoredEvent
	for rows.Next() {
		var seq, logged, sum int64
		var data sql.RawBytes
		if err := rows.Scan(&seq, &logged, &data, &sum); err != nil {
			return nil, err
		}
		if l.upTo > 0 && uint64(seq) > l.upTo {
			continue
		}
		ev := &logv1.Event{}
		err := error(nil)
		if sum != sumOf(data) {
			err = errSum
		}
		if err := cmp.Or(err, proto.Unmarshal(data, ev)); err != nil {
			return nil, fmt.Errorf("the view's copy of event %d is damaged: %w; stop the service and run `cannulary rebuild`", seq, err)
		}
		if !l.sealed && freetext.Sealed(data) {
			if l.opener == nil {
				return nil, fmt.Errorf("event %d holds sealed text: Store.Opens was not called", seq)
			}
			if err := freetext.Open(l.ctx, l.opener, ev); err != nil {
				return nil, err
			}
		}
		out = append(out, StoredEvent{Seq: uint64(seq), Logged: time.Unix(0, logged).UTC(), Event: ev})
	}
	return out, rows.Err()
}

// sumOf is the checksum of an event's copy: CRC-32C, which finds every single flipped bit and every
// burst of up to 32.
func sumOf(data []byte) int64 { return int64(crc32.Checksum(data, castagnoli)) }

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

var errSum = errors.New("it does not agree with its checksum")

// Facts takes events apart.
func Facts(events []StoredEvent) ([]record.Fact, error) {
	n := 0
	for _, e := range events {
		n += len(e.Event.GetFacts())
	}
	out := make([]record.Fact, 0, n)
	for _, e := range events {
		var err error
		if out, err = record.AppendFacts(out, e.Event, e.Seq, e.Logged); err != nil {
			return nil, fmt.Errorf("event %d: %w", e.Seq, err)
		}
	}
	return out, nil
}
