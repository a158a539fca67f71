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

	"cannulary/internal/facade"
	"cannulary/internal/view"
)

// grown asks for the same pages of a view that was grown to as many events as asked for:
// its resources are copied, each copy for patients of its own, with the search values of
// the original. So every list that the index holds is as long as it would be, or longer.
func (b *bench) grown(ctx context.Context) error {
	copies := b.grow / max(b.events, 1)
	if copies < 2 {
		return nil
	}
	dir := filepath.Join(b.dir, "grown")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	path := filepath.Join(dir, view.FileName())
	if err := b.copyView(ctx, path); err != nil {
		return err
	}
	if err := b.multiply(ctx, path, copies); err != nil {
		return err
	}
	store, err := view.Open(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { _ = store.Close(); _ = os.RemoveAll(dir) }()
	h, err := facade.New(facade.Config{Store: store, Now: time.Now, Log: b.slog})
	if err != nil {
		return err
	}
	lis, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	server := &http.Server{Handler: h, ReadHeaderTimeout: time.Minute}
	go func() { _ = server.Serve(lis) }()
	defer func() { _ = server.Close() }()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=busy_timeout(10000)&_pragma=query_only(1)&_pragma=mmap_size(268435456)")
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	return b.comparePages(ctx, db, "http://"+lis.Addr().String()+"/fhir", fmt.Sprintf("FHIR page of 50 at %d events", b.events*copies))
}

// copyView copies the stopped instance's view into one file.
func (b *bench) copyView(ctx context.Context, path string) error {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(b.data, "view", view.FileName()))
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	if _, err := db.ExecContext(ctx, `VACUUM INTO ?`, path); err != nil {
		return fmt.Errorf("copy the view: %w", err)
	}
	return nil
}

// multiply makes of each resource as many as copies, the original among them.
func (b *bench) multiply(ctx context.Context, path string, copies int) error {
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=journal_mode(OFF)&_pragma=synchronous(OFF)&_pragma=cache_size(-400000)")
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	db.SetMaxOpenConns(1)
	var most int64
	if err := db.QueryRowContext(ctx, `SELECT max(rid) FROM resource`).Scan(&most); err != nil {
		return err
	}
	for n := 1; n < copies; n++ {
		if n%20 == 0 {
			b.say("grow the view: %d of %d copies", n, copies)
		}
		shift := int64(n) * most
		for _, q := range []string{
			`INSERT INTO resource (rid, type, id, patient, version, updated, seq, hash, body)
				SELECT rid + ?1, type, id || '-' || ?2, CASE patient WHEN '' THEN '' ELSE patient || '-' || ?2 END, version, updated + ?1, seq + ?1, hash, body FROM resource WHERE rid <= ?3`,
			`INSERT INTO term_use (rid, term) SELECT rid + ?1, term FROM term_use WHERE rid <= ?3 AND ?2`,
			`INSERT INTO period (param, low, high, rid, low_shift, high_shift) SELECT param, low, high, rid + ?1, low_shift, high_shift FROM period WHERE rid <= ?3 AND ?2`,
			`INSERT INTO quantity (param, value, system, code, unit, rid) SELECT param, value, system, code, unit, rid + ?1 FROM quantity WHERE rid <= ?3 AND ?2`,
		} {
			if _, err := db.ExecContext(ctx, q, shift, n, most); err != nil {
				return fmt.Errorf("grow the view: %w", err)
			}
		}
	}
	return nil
}

// comparePages measures pages of a patient's Observations, of the newest of all, and of a
// code, by turns with a bare handler that reads the same rows.
func (b *bench) comparePages(ctx context.Context, db *sql.DB, base, name string) error {
	patients, err := patientsWithPages(ctx, db)
	if err != nil {
		return err
	}
	if len(patients) > 300 {
		patients = patients[:300]
	}
	lis, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	bare := &http.Server{Handler: bareHandler(db), ReadHeaderTimeout: time.Minute}
	go func() { _ = bare.Serve(lis) }()
	defer func() { _ = bare.Close() }()
	b.say("ask for pages of %d, of %d patients", pageSize, len(patients))
	service, reference, err := byTurns(ctx, asked{base + "/Observation?_count=50&patient=", "identity"}, asked{"http://" + lis.Addr().String() + "/?patient=", "identity"}, patients)
	if err != nil {
		return err
	}
	if len(service) == 0 {
		return errors.New("no page was measured")
	}
	const against = "a bare handler that selects the same rows and writes their bytes"
	b.add(figure{Name: name + ", median", Value: quantile(service, 0.5), Unit: "ms", Reference: quantile(reference, 0.5), against: against, goal: ratioAtMost(4)})
	b.add(figure{Name: name + ", 99th percentile", Value: quantile(service, 0.99), Unit: "ms", Reference: quantile(reference, 0.99), against: against, goal: ratioAtMost(4)})
	return b.packed(ctx, base+"/Observation?_count=50&patient=", name, patients)
}
