package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"cannulary/internal/access"
	"cannulary/internal/facade"
	"cannulary/internal/sqlitefile"
	"cannulary/internal/view"
	"cannulary/internal/view/viewsql"
)

// grown asks for the same pages of a view that was grown to a hundred thousand events, and to as many as asked for:
// its resources are copied, each copy for patients of its own, with the search values of
// the original. So every list that the index holds is as long as it would be, or longer. The facade answers alone,
// at each size: nothing else of the service runs.
func (b *bench) grown(ctx context.Context) error {
	const between = 100_000
	have := 0
	dir := filepath.Join(b.dir, "grown")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	path := filepath.Join(dir, view.FileName())
	defer func() { _ = os.RemoveAll(dir) }()
	if err := b.copyView(path); err != nil {
		return err
	}
	var points []point
	for _, events := range []int{b.events, between, b.grow} {
		copies := min(events, b.grow) / max(b.events, 1)
		if copies <= have {
			continue
		}
		if err := b.multiply(ctx, path, max(have, 1), copies); err != nil {
			return err
		}
		have = copies
		p, err := b.pagesOf(ctx, dir, b.events*copies)
		if err != nil {
			return err
		}
		points = append(points, p)
	}
	if b.picture == "" {
		return nil
	}
	return drawGrowth(b.picture, points)
}

// pagesOf asks for pages of the view in a folder.
func (b *bench) pagesOf(ctx context.Context, dir string, events int) (point, error) {
	store, err := view.Open(ctx, dir)
	if err != nil {
		return point{}, err
	}
	defer func() { _ = store.Close() }()
	h, err := facade.New(facade.Config{Store: store, Now: time.Now, Log: b.slog})
	if err != nil {
		return point{}, err
	}
	lis, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return point{}, err
	}
	server := &http.Server{Handler: everybody(h), ReadHeaderTimeout: time.Minute}
	go func() { _ = server.Serve(lis) }()
	defer func() { _ = server.Close() }()
	db, err := viewsql.Open(filepath.Join(dir, view.FileName()))
	if err != nil {
		return point{}, err
	}
	defer func() { _ = db.Close() }()
	name := fmt.Sprintf("the facade alone, page of 50 at %d events", events)
	p, err := b.comparePages(ctx, db, "http://"+lis.Addr().String()+"/fhir", name)
	if err != nil {
		return point{}, err
	}
	p.events = events
	return p, db.QueryRowContext(ctx, `SELECT p.page_count * s.page_size / CAST(? AS REAL)
		FROM pragma_page_count('main') p, pragma_page_size('main') s`, events).Scan(&p.bytes)
}

// copyView copies the stopped instance's view into one file.
func (b *bench) copyView(path string) error {
	data, err := os.ReadFile(filepath.Join(b.data, "view", view.FileName()))
	if err == nil {
		err = os.WriteFile(path, data, 0o600)
	}
	if err != nil {
		return fmt.Errorf("copy the view: %w", err)
	}
	return nil
}

// multiply makes of each resource as many as copies, those among them that there are.
func (b *bench) multiply(ctx context.Context, path string, have, copies int) error {
	db, err := sqlitefile.OpenChecked(path, "_pragma=synchronous(OFF)", `PRAGMA cache_size = -400000`, func(error) {})
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	db.SetMaxOpenConns(1)
	var most int64
	if err := db.QueryRowContext(ctx, `SELECT max(rid) FROM resource`).Scan(&most); err != nil {
		return err
	}
	most /= int64(have)
	for n := have; n < copies; n++ {
		if n%20 == 0 {
			b.say("grow the view: %d of %d copies", n, copies)
		}
		shift := int64(n) * most
		for _, q := range []string{
			`INSERT INTO page (place, data) SELECT place + (?1 << 16), data FROM page WHERE place >> 16 <= ?3 AND ?2`,
			`INSERT INTO resource (rid, type, id, patient, version, updated, seq, slot, hash, shape, links, date, low, high,
				low_shift, high_shift)
				SELECT rid + ?1, type, CASE typeof(id) WHEN 'blob' THEN lower(hex(id)) ELSE id END || '-copy' || ?2,
				CASE patient WHEN 0 THEN 0 ELSE patient + ?1 END,
				version, updated + ?1, seq + ?1, slot, hash, shape, links, date, low, high, low_shift, high_shift FROM resource
					WHERE rid <= ?3`,
			`INSERT INTO link (target, param, rid) SELECT CASE WHEN target < 0 THEN target ELSE target + ?1 END, param, rid + ?1 FROM link
				WHERE rid <= ?3 AND ?2`,
			`INSERT INTO period (param, low, high, rid, low_shift, high_shift) SELECT param, low, high, rid + ?1, low_shift,
				high_shift FROM period WHERE rid <= ?3 AND ?2`,
			`INSERT INTO quantity (rid, param, part, value, system, code, unit) SELECT rid + ?1, param, part, value, system, code, unit
				FROM quantity WHERE rid <= ?3 AND ?2`,
		} {
			if _, err := db.ExecContext(ctx, q, shift, n, most); err != nil {
				return fmt.Errorf("grow the view: %w", err)
			}
		}
	}
	return nil
}

// comparePages measures pages of a patient's Observations, of the newest of all, and of a
// code, by turns with a bare handler that reads the same rows. name is that of the figures.
func (b *bench) comparePages(ctx context.Context, db *sql.DB, base, name string) (point, error) {
	patients, err := patientsWithPages(ctx, db)
	if err != nil {
		return point{}, err
	}
	if len(patients) > 300 {
		patients = patients[:300]
	}
	copied, err := b.plain(ctx, db, patients)
	if err != nil {
		return point{}, err
	}
	defer func() { _ = copied.Close(); _ = os.Remove(filepath.Join(b.dir, plainFile)) }()
	lis, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return point{}, err
	}
	bare := &http.Server{Handler: bareHandler(copied), ReadHeaderTimeout: time.Minute}
	go func() { _ = bare.Serve(lis) }()
	defer func() { _ = bare.Close() }()
	b.say("ask for pages of %d, of %d patients", pageSize, len(patients))
	service, reference, err := byTurns(ctx, asked{base + "/Observation?_count=50&patient=", "identity"},
		asked{"http://" + lis.Addr().String() + "/?patient=", "identity"}, patients)
	if err != nil {
		return point{}, err
	}
	if len(service) == 0 {
		return point{}, errors.New("no page was measured")
	}
	const against = "a bare handler that selects the same rows, not compressed, and writes their bytes"
	b.add(figure{Name: name + ", median", Value: quantile(service, 0.5), Unit: "ms", Reference: quantile(reference, 0.5), against: against,
		goal: ratioAtMost(4)})
	b.add(figure{Name: name + ", 99th percentile", Value: quantile(service, 0.99), Unit: "ms", Reference: quantile(reference, 0.99),
		against: against, goal: ratioAtMost(4)})
	p := point{median: quantile(service, 0.5), most: quantile(service, 0.99), bare: quantile(reference, 0.5)}
	return p, b.packed(ctx, base+"/Observation?_count=50&patient=", name, patients)
}

const plainFile = "plain.db"

// plain copies Observations of the patients into a file with the bodies as they are sent, for
// the bare handler: of each patient ten pages.
func (b *bench) plain(ctx context.Context, from *sql.DB, patients []string) (*sql.DB, error) {
	path := filepath.Join(b.dir, plainFile)
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=busy_timeout(10000)&_pragma=page_size(8192)&_pragma=mmap_size(268435456)")
	if err != nil {
		return nil, err
	}
	err = func() error {
		for _, q := range []string{
			`CREATE TABLE resource (rid INTEGER PRIMARY KEY, type TEXT NOT NULL, patient TEXT NOT NULL,
				updated INTEGER NOT NULL, body BLOB NOT NULL)`,
			`CREATE INDEX resource_patient ON resource (patient, type, updated, rid)`,
		} {
			if _, err := db.ExecContext(ctx, q); err != nil {
				return err
			}
		}
		tx, err := db.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		defer func() { _ = tx.Rollback() }()
		for _, p := range patients {
			if err := copyPages(ctx, from, tx, p); err != nil {
				return err
			}
		}
		return tx.Commit()
	}()
	if err != nil {
		return nil, errors.Join(fmt.Errorf("copy pages: %w", err), db.Close())
	}
	return db, nil
}

func copyPages(ctx context.Context, from *sql.DB, to *sql.Tx, patient string) error {
	rows, err := from.QueryContext(ctx, `SELECT v.rid, v.updated, v.body FROM
		(SELECT rid FROM main.resource WHERE patient = (SELECT rid FROM main.resource WHERE id IN (?1, unhex(?1))
				AND type = (SELECT id FROM word WHERE text = 'Patient'))
			AND type = (SELECT id FROM word WHERE text = 'Observation') ORDER BY updated, rid LIMIT ?2) o
		CROSS JOIN resource v ON v.rid = o.rid`, patient, 10*pageSize)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var rid, updated int64
		var body []byte
		if err := rows.Scan(&rid, &updated, &body); err != nil {
			return err
		}
		if _, err := to.ExecContext(ctx, `INSERT INTO resource (rid, type, patient, updated, body) VALUES (?, 'Observation', ?, ?, ?)`,
			rid, patient, updated, body); err != nil {
			return err
		}
	}
	return rows.Err()
}

// everybody lets everybody read, as an instance without access control does.
func everybody(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.ServeHTTP(w, r.WithContext(access.With(r.Context(), access.Everybody())))
	})
}
