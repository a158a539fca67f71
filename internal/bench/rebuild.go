package main

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"time"

	_ "modernc.org/sqlite" // the reference writes with the driver that the view uses

	"cannulary/internal/app"
	"cannulary/internal/view"
	"cannulary/internal/view/viewsql"
)

// rebuild builds the view from the log, opening both included. The reference writes rows
// alone, half of them before and half after; its rate is divided by the rows that an event
// makes, so that both are events.
func (b *bench) rebuild(ctx context.Context) error {
	// Some seven rows an event, in transactions of 500 events, as the service has them.
	rows, batch := min(150_000, b.events*7/2), 3500
	b.say("write %d bare rows", rows)
	before, err := bareRows(ctx, filepath.Join(b.dir, "rows.db"), rows, batch)
	if err != nil {
		return err
	}
	b.say("build the view of %d events", b.events)
	began := time.Now()
	a, err := app.New(ctx, app.Config{Dir: b.data, View: true, HTTP: "127.0.0.1:0", Now: time.Now, Slog: b.slog})
	if err != nil {
		return err
	}
	defer a.Stop()
	a.Start()
	st, err := a.Log().State(ctx)
	if err != nil {
		return err
	}
	if err := a.Projector().WaitFor(ctx, st.LastSeq); err != nil {
		return err
	}
	took := time.Since(began)
	counts, err := a.Store().Counts(ctx)
	if err != nil {
		return err
	}
	if counts.Quarantine > 0 {
		return fmt.Errorf("%d events were not understood", counts.Quarantine)
	}
	a.Stop()
	db, err := openView(b.data)
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	if err := db.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM resource) + (SELECT count(*) FROM history),
		(SELECT sum(length(body)) FROM resource) + (SELECT coalesce(sum(length(body)), 0) FROM history)`).
		Scan(&b.rows, &b.body); err != nil {
		return err
	}
	// An event is a row itself: the view keeps a copy.
	perEvent := b.rows/float64(b.events) + 1
	b.say("write %d bare rows again: an event makes %.1f, of %.0f bytes on average", rows, perEvent, float64(b.body)/b.rows)
	after, err := bareRows(ctx, filepath.Join(b.dir, "rows.db"), rows, batch)
	if err != nil {
		return err
	}
	rate := 2 * float64(rows) / (before + after).Seconds()
	b.add(figure{Name: "view rebuilt from the log", Value: float64(b.events) / took.Seconds(), Unit: "events/s", Reference: rate / perEvent,
		against: fmt.Sprintf("bare SQLite upserts of 1.5 kB with two indices, %.0f rows/s, at %.1f rows an event", rate, perEvent),
		goal:    ratioAtLeast(0.3)})
	return nil
}

// openView opens the view's file for reading, beside the service.
func openView(data string) (*sql.DB, error) {
	return viewsql.Open(filepath.Join(data, "view", view.FileName()))
}

// bareRows reports how long it takes to upsert n rows into a new file that is set up as the
// view's, in transactions of batch rows.
func bareRows(ctx context.Context, path string, n, batch int) (time.Duration, error) {
	db, err := sql.Open("sqlite",
		"file:"+path+
			"?_pragma=busy_timeout(10000)&_pragma=page_size(8192)&_journal_mode=WAL"+
			"&_pragma=synchronous(NORMAL)&_pragma=cache_size(-32000)"+
			"&_pragma=wal_autocheckpoint(4000)&_pragma=temp_store(MEMORY)&_txlock=immediate")
	if err != nil {
		return 0, err
	}
	db.SetMaxOpenConns(1)
	defer func() { _ = db.Close(); _ = os.Remove(path) }()
	for _, q := range []string{
		`CREATE TABLE bare (rid INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, patient INTEGER NOT NULL, updated INTEGER NOT NULL,
			body BLOB NOT NULL)`,
		`CREATE INDEX bare_patient ON bare (patient, updated)`,
	} {
		if _, err := db.ExecContext(ctx, q); err != nil {
			return 0, err
		}
	}
	body := make([]byte, 1500)
	ids := make([]string, n)
	raw := make([]byte, 16)
	for i := range ids {
		if _, err := rand.Read(raw); err != nil {
			return 0, err
		}
		ids[i] = hex.EncodeToString(raw)
	}
	began := time.Now()
	for i := 0; i < n; {
		if err := func() error {
			tx, err := db.BeginTx(ctx, nil)
			if err != nil {
				return err
			}
			defer func() { _ = tx.Rollback() }()
			st, err := tx.PrepareContext(ctx, `INSERT INTO bare (id, patient, updated, body) VALUES (?, ?, ?, ?)
				ON CONFLICT (id) DO UPDATE SET patient = excluded.patient, updated = excluded.updated, body = excluded.body`)
			if err != nil {
				return err
			}
			defer func() { _ = st.Close() }()
			for end := min(n, i+batch); i < end; i++ {
				if _, err := st.ExecContext(ctx, ids[i], i%60, i, body); err != nil {
					return err
				}
			}
			return tx.Commit()
		}(); err != nil {
			return 0, err
		}
	}
	return time.Since(began), nil
}
