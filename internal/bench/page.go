package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"path/filepath"
	"time"

	"cannulary/internal/app"
)

const (
	pageSize     = 50
	pageRequests = 1500 // of each of the two
)

// pages asks for pages of a patient's Observations, one after the other, by turns from the
// service and from a handler that selects the same rows and writes their bytes.
func (b *bench) pages(ctx context.Context) error {
	a, err := app.New(ctx, app.Config{Dir: b.data, View: true, HTTP: "127.0.0.1:0", Now: time.Now, Slog: b.slog})
	if err != nil {
		return err
	}
	defer a.Stop()
	a.Start()
	if err := untilReady(ctx, a); err != nil {
		return err
	}
	db, err := openView(b.data)
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	_, err = b.comparePages(ctx, db, "http://"+a.HTTPAddr()+"/fhir", fmt.Sprintf("FHIR page of 50 at %d events", b.events))
	return err
}

func patientsWithPages(ctx context.Context, db *sql.DB) ([]string, error) {
	rows, err := db.QueryContext(ctx, `SELECT id_text(p.id) FROM main.resource r JOIN main.resource p ON p.rid = r.patient
		WHERE r.type = (SELECT id FROM word WHERE text = 'Observation') GROUP BY r.patient HAVING count(*) > ?`, pageSize)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	var out []string
	for rows.Next() {
		var p string
		if err := rows.Scan(&p); err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	if len(out) == 0 {
		return nil, errors.New("no patient has a page of observations; take more months")
	}
	return out, nil
}

func bareHandler(db *sql.DB) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		rows, err := db.QueryContext(r.Context(),
			`SELECT body FROM resource WHERE patient = ? AND type = 'Observation' ORDER BY updated, rid LIMIT ?`,
			r.URL.Query().Get("patient"), pageSize)
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		defer func() { _ = rows.Close() }()
		n := 0
		for rows.Next() {
			var body sql.RawBytes
			if err := rows.Scan(&body); err != nil {
				http.Error(w, err.Error(), http.StatusInternalServerError)
				return
			}
			n++
			_, _ = w.Write(body)
		}
		if rows.Err() != nil || n != pageSize {
			// The status is out; a broken connection tells the client.
			panic(http.ErrAbortHandler)
		}
	})
}

// asked is what is asked for and how it may be packed: gzip, or identity for not at all.
type asked struct{ url, coding string }

// byTurns returns the latencies of both in milliseconds, the first hundred of each left out.
func byTurns(ctx context.Context, service, reference asked, patients []string) (of, ref []float64, err error) {
	client := &http.Client{Timeout: 30 * time.Second}
	defer client.CloseIdleConnections()
	const warm = 100
	for i := range pageRequests + warm {
		p := patients[i%len(patients)]
		a, _, err := get(ctx, client, service.url+p, service.coding)
		if err != nil {
			return nil, nil, err
		}
		z, _, err := get(ctx, client, reference.url+p, reference.coding)
		if err != nil {
			return nil, nil, err
		}
		if i >= warm {
			of, ref = append(of, a), append(ref, z)
		}
	}
	return of, ref, nil
}

// packed measures the same pages compressed against themselves plain: what it takes until
// they are read on this machine, unpacking left out, and how small they become.
func (b *bench) packed(ctx context.Context, url, name string, patients []string) error {
	small, plain, err := byTurns(ctx, asked{url, "gzip"}, asked{url, "identity"}, patients)
	if err != nil {
		return err
	}
	client := &http.Client{Timeout: 30 * time.Second}
	defer client.CloseIdleConnections()
	var sizes [2]float64
	for i, coding := range []string{"gzip", "identity"} {
		_, n, err := get(ctx, client, url+patients[0], coding)
		if err != nil {
			return err
		}
		sizes[i] = float64(n)
	}
	b.add(figure{Name: name + ", compressed, median", Value: quantile(small, 0.5), Unit: "ms", Reference: quantile(plain, 0.5),
		against: "the same page not compressed, on one machine", goal: ratioAtMost(2.5)})
	b.add(figure{Name: name + ", compressed, size", Value: sizes[0], Unit: "B", Reference: sizes[1],
		against: "the same page not compressed", goal: ratioAtMost(0.2)})
	return nil
}

// get reads one answer whole and tells the milliseconds it took and its bytes on the wire.
func get(ctx context.Context, client *http.Client, url, coding string) (ms float64, size int64, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return 0, 0, err
	}
	// Set by hand: then the client does not unpack.
	req.Header.Set("Accept-Encoding", coding)
	began := time.Now()
	resp, err := client.Do(req)
	if err != nil {
		return 0, 0, err
	}
	defer func() { _ = resp.Body.Close() }()
	n, err := io.Copy(io.Discard, resp.Body)
	took := time.Since(began)
	if err != nil {
		return 0, 0, err
	}
	least, packed := int64(pageSize*100), resp.Header.Get("Content-Encoding") == "gzip"
	if packed {
		least /= 20
	}
	if resp.StatusCode != http.StatusOK || packed != (coding == "gzip") || n < least {
		return 0, 0, fmt.Errorf("%s answered %s with %d bytes, packed: %t", url, resp.Status, n, packed)
	}
	return float64(took.Microseconds()) / 1000, n, nil
}

// disk reports what the stopped instance takes on disk. The reference is what it cannot do
// without: the events and the resources that an EHR reads, with their history.
func (b *bench) disk(context.Context) error {
	used, err := b.used()
	if err != nil {
		return err
	}
	n := float64(b.events)
	b.add(figure{Name: "disk, all folders of an instance", Value: used / n, Unit: "B/event", Reference: float64(b.logBytes+b.body) / n,
		against: "bytes of the event and of the resource versions that it makes", goal: valueBelow(5000)})
	return nil
}

// used is how many bytes the stopped instance has on disk.
func (b *bench) used() (float64, error) {
	var used int64
	err := filepath.WalkDir(b.data, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		i, err := d.Info()
		if err == nil {
			used += i.Size()
		}
		return err
	})
	return float64(used), err
}
