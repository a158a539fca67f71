// Command index writes the search index of a view to stdout, one JSON object a line, so
// that a script which knows the standard can compare it with the resources:
//
//	go run ./internal/e2e/index FOLDER     (the folder that holds the view's file)
//
// It reads the file only, also while a service writes to it. A line is
//
//	{"kind":"facility","id":"unit-a","zone":"Europe/Lisbon"}
//	{"kind":"token","type":"Procedure","id":"…","param":"code","system":"…","code":"…"}
//	{"kind":"reference", …, "target":"Patient/…"}
//	{"kind":"date", …, "low":1767225600000,"high":1767312000000,"localLow":1767229200000,"localHigh":1767315600000}
//	                              milliseconds, [low, high)
//	{"kind":"quantity", …, "value":6.4,"system":"…","code":"min"}
//	{"kind":"string", …, "text":"…"}
//
// The file leaves out what a search finds another way, so the same is derived here: the
// values of a composed parameter (combo-code is code and component-code), the patient in
// whose compartment a resource is, _id and _lastUpdated, which are columns of the resource.
package main

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"

	"cannulary/fhir"
	"cannulary/internal/facade"
	"cannulary/internal/view"
	"cannulary/internal/view/viewsql"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: index FOLDER   (the folder that holds the view's file)")
		os.Exit(2)
	}
	w := bufio.NewWriterSize(os.Stdout, 1<<20)
	if err := errors.Join(dump(context.Background(), os.Args[1], w), w.Flush()); err != nil {
		fmt.Fprintln(os.Stderr, "index:", err)
		os.Exit(1)
	}
}

// line is one search value of one resource, or one facility.
type line struct {
	Kind   string  `json:"kind"`
	Type   string  `json:"type,omitempty"`
	ID     string  `json:"id"`
	Param  string  `json:"param,omitempty"`
	System *string `json:"system,omitempty"`
	Code   *string `json:"code,omitempty"`
	Target string  `json:"target,omitempty"`
	Low    *int64  `json:"low,omitempty"`  // left out where the period has no start
	High   *int64  `json:"high,omitempty"` // left out where it has no end
	// What the clock shows on which it is written, as if it were UTC.
	LocalLow  *int64   `json:"localLow,omitempty"`
	LocalHigh *int64   `json:"localHigh,omitempty"`
	Value     *float64 `json:"value,omitempty"`
	Text      string   `json:"text,omitempty"`
	Zone      string   `json:"zone,omitempty"`
}

// composed are the parameters that a search answers from two others: view/put.go's parts.
var composed = map[string][]string{
	"code":                         {"combo-code"},
	"component-code":               {"combo-code"},
	"value-concept":                {"combo-value-concept"},
	"component-value-concept":      {"combo-value-concept"},
	"value-quantity":               {"combo-value-quantity"},
	"component-value-quantity":     {"combo-value-quantity"},
	"data-absent-reason":           {"combo-data-absent-reason"},
	"component-data-absent-reason": {"combo-data-absent-reason"},
}

type dumper struct {
	ctx context.Context
	tx  *sql.Tx
	out *json.Encoder
	// offered reports the parameters of each type; compartment those that name its patient.
	offered, compartment map[string]map[string]bool
}

func dump(ctx context.Context, dir string, w *bufio.Writer) error {
	path := filepath.Join(dir, view.FileName())
	if _, err := os.Stat(path); err != nil {
		return err
	}
	db, err := viewsql.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	// One transaction: one state.
	tx, err := db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }()
	d := &dumper{ctx: ctx, tx: tx, out: json.NewEncoder(w), offered: map[string]map[string]bool{},
		compartment: map[string]map[string]bool{}}
	d.out.SetEscapeHTML(false)
	for _, t := range facade.Types() {
		d.offered[t.Name], d.compartment[t.Name] = map[string]bool{}, map[string]bool{}
		for _, p := range t.Params {
			d.offered[t.Name][p.Name] = true
			d.compartment[t.Name][p.Name] = p.Compartment
		}
	}
	return errors.Join(d.facilities(), d.resources(), d.tokens(), d.references(), d.periods(), d.quantities(), d.strings())
}

// each calls row for every row of a query.
func (d *dumper) each(query string, row func(*sql.Rows) error) error {
	rows, err := d.tx.QueryContext(d.ctx, query)
	if err != nil {
		return fmt.Errorf("%w in %q", err, query)
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		if err := row(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// write writes a value under its parameter and under those that are composed of it.
func (d *dumper) write(l line) error {
	if err := d.out.Encode(l); err != nil {
		return err
	}
	for _, param := range composed[l.Param] {
		if d.offered[l.Type][param] {
			l.Param = param
			if err := d.out.Encode(l); err != nil {
				return err
			}
		}
	}
	return nil
}

func (d *dumper) facilities() error {
	return d.each(`SELECT id, zone FROM facility ORDER BY id`, func(r *sql.Rows) error {
		l := line{Kind: "facility"}
		if err := r.Scan(&l.ID, &l.Zone); err != nil {
			return err
		}
		return d.out.Encode(l)
	})
}

func (d *dumper) resources() error {
	return d.each(`SELECT type, id, patient, updated FROM resource ORDER BY rid`, func(r *sql.Rows) error {
		var typ, id, patient string
		var updated int64
		if err := r.Scan(&typ, &id, &patient, &updated); err != nil {
			return err
		}
		none, next := "", updated+1
		lines := []line{
			{Kind: "token", Type: typ, ID: id, Param: "_id", System: &none, Code: &id},
			{Kind: "date", Type: typ, ID: id, Param: "_lastUpdated", Low: &updated, High: &next, LocalLow: &updated, LocalHigh: &next},
		}
		if patient != "" {
			for param, is := range d.compartment[typ] {
				if is {
					lines = append(lines, line{Kind: "reference", Type: typ, ID: id, Param: param, Target: "Patient/" + patient})
				}
			}
		}
		for _, l := range lines {
			if err := d.out.Encode(l); err != nil {
				return err
			}
		}
		return nil
	})
}

func (d *dumper) tokens() error {
	return d.each(`SELECT r.type, r.id, t.param, t.code, t.system FROM token t JOIN resource r ON r.rid = t.rid`, func(r *sql.Rows) error {
		l := line{Kind: "token", Code: new(string), System: new(string)}
		if err := r.Scan(&l.Type, &l.ID, &l.Param, l.Code, l.System); err != nil {
			return err
		}
		return d.write(l)
	})
}

func (d *dumper) references() error {
	return d.each(`SELECT r.type, r.id, f.param, f.target FROM reference f JOIN resource r ON r.rid = f.rid`, func(r *sql.Rows) error {
		l := line{Kind: "reference"}
		if err := r.Scan(&l.Type, &l.ID, &l.Param, &l.Target); err != nil {
			return err
		}
		return d.write(l)
	})
}

func (d *dumper) periods() error {
	beginning, end := fhir.BeginningOfTime().UnixMilli(), fhir.EndOfTime().UnixMilli()
	return d.each(
		`SELECT r.type, r.id, p.param, p.low, p.high, p.low + p.low_shift, p.high + p.high_shift FROM period p
			JOIN resource r ON r.rid = p.rid`, func(r *sql.Rows) error {
			l := line{Kind: "date"}
			var low, high, localLow, localHigh int64
			if err := r.Scan(&l.Type, &l.ID, &l.Param, &low, &high, &localLow, &localHigh); err != nil {
				return err
			}
			if low != beginning {
				l.Low, l.LocalLow = &low, &localLow
			}
			if high != end {
				l.High, l.LocalHigh = &high, &localHigh
			}
			return d.write(l)
		})
}

func (d *dumper) quantities() error {
	return d.each(`SELECT r.type, r.id, q.param, q.value, q.system, q.code FROM quantity q JOIN resource r ON r.rid = q.rid`,
		func(r *sql.Rows) error {
			l := line{Kind: "quantity"}
			var value float64
			var system, code string
			if err := r.Scan(&l.Type, &l.ID, &l.Param, &value, &system, &code); err != nil {
				return err
			}
			if math.IsNaN(value) || math.IsInf(value, 0) {
				return fmt.Errorf("the quantity %s of %s/%s is %v", l.Param, l.Type, l.ID, value)
			}
			l.Value, l.System, l.Code = &value, &system, &code
			return d.write(l)
		})
}

func (d *dumper) strings() error {
	return d.each(`SELECT r.type, r.id, s.param, s.value FROM string s JOIN resource r ON r.rid = s.rid`, func(r *sql.Rows) error {
		l := line{Kind: "string"}
		if err := r.Scan(&l.Type, &l.ID, &l.Param, &l.Text); err != nil {
			return err
		}
		return d.write(l)
	})
}
