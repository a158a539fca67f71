// Package viewsql opens a view's file so that SQL finds there what it holds in plain form: for
// tests, the benchmark and tools. A service asks the view.
package viewsql

import (
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/driver"

	"cannulary/internal/sqlitefile"
	"cannulary/internal/view"
)

// readable are views over the tables of a view's file, under the names of what they hold: ids,
// types and parameters as text, bodies unpacked.
var readable = []string{
	`CREATE TEMP VIEW resource AS SELECT r.rid, w.text AS type, id_text(r.id) AS id,
		coalesce((SELECT id_text(p.id) FROM main.resource p WHERE p.rid = r.patient), '') AS patient,
		r.version, r.updated, r.seq, r.hash, body_of((SELECT data FROM main.page WHERE place = (r.seq << 16) + (r.slot >> 5)), r.slot)
			AS body
		FROM main.resource r JOIN main.word w ON w.id = r.type`,
	`CREATE TEMP VIEW history AS SELECT rid, version, updated, seq,
		body_of((SELECT data FROM main.page WHERE place = (h.seq << 16) + (h.slot >> 5)), h.slot) AS body FROM main.history h`,
	`CREATE TEMP VIEW token AS
		SELECT r.rid, t.param, t.system, t.code, s.part FROM main.resource r JOIN main.shape_term s ON s.shape = r.shape
			JOIN main.term t ON t.id = s.term WHERE t.kind = 't'
		UNION ALL SELECT l.rid, t.param, t.system, t.code, 0 FROM main.link l JOIN main.term t ON t.id = -l.target`,
	`CREATE TEMP VIEW present AS SELECT r.rid, t.param FROM main.resource r JOIN main.shape_term s ON s.shape = r.shape
		JOIN main.term t ON t.id = s.term WHERE t.kind = 'p'`,
	`CREATE TEMP VIEW reference AS SELECT l.rid, p.name AS param,
		(SELECT text FROM main.word WHERE id = abs(o.type)) || '/' || id_text(o.id) AS target
		FROM main.link l JOIN main.param p ON p.id = l.param JOIN main.resource o ON o.rid = l.target`,
	// The same from the other side: what a resource's own row says.
	`CREATE TEMP VIEW refers AS SELECT r.rid, p.name AS param,
		(SELECT text FROM main.word WHERE id = abs(o.type)) || '/' || id_text(o.id) AS target
		FROM main.resource r CROSS JOIN json_each(r.links) j JOIN main.param p ON p.id = j.value & 1023
			JOIN main.resource o ON o.rid = r.rid - (j.value >> 10)`,
	`CREATE TEMP VIEW period AS SELECT d.rid, p.name AS param, d.low, d.high, d.low_shift, d.high_shift FROM main.dated d
		JOIN main.param p ON p.id = d.param`,
	`CREATE TEMP VIEW quantity AS SELECT q.rid, p.name AS param, q.part, q.value, s.text AS system, c.text AS code, u.text AS unit
		FROM main.quantity q
		JOIN main.param p ON p.id = q.param JOIN main.word s ON s.id = q.system JOIN main.word c ON c.id = q.code
			JOIN main.word u ON u.id = q.unit`,
}

// Open opens a view's file for reading by SQL, also beside a service that writes to it. Resources
// and their search values stand there as `readable` says, other tables as they are.
func Open(path string) (*sql.DB, error) {
	unpacker, err := view.NewUnpacker()
	if err != nil {
		return nil, err
	}
	body := func(ctx sqlite3.Context, args ...sqlite3.Value) {
		b, err := unpacker.Body(args[0].RawBlob(), args[1].Int())
		if err != nil {
			ctx.ResultError(err)
			return
		}
		ctx.ResultBlob(b)
	}
	id := func(ctx sqlite3.Context, args ...sqlite3.Value) {
		var v any
		switch args[0].Type() {
		case sqlite3.BLOB:
			v = args[0].RawBlob()
		case sqlite3.TEXT:
			v = args[0].Text()
		case sqlite3.INTEGER, sqlite3.FLOAT:
			v = args[0].Float()
		case sqlite3.NULL:
		}
		text, err := view.IDText(v)
		if err != nil {
			ctx.ResultError(err)
			return
		}
		ctx.ResultText(text)
	}
	return driver.Open(sqlitefile.Name(path, "_pragma=busy_timeout(10000)&_pragma=temp_store(MEMORY)"), func(c *sqlite3.Conn) error {
		if err := errors.Join(c.CreateFunction("body_of", 2, sqlite3.DETERMINISTIC, body),
			c.CreateFunction("id_text", 1, sqlite3.DETERMINISTIC, id)); err != nil {
			return err
		}
		for _, q := range append(slices.Clone(readable), `PRAGMA query_only = 1`) {
			if err := c.Exec(q); err != nil {
				return fmt.Errorf("%w in %q", err, q)
			}
		}
		return nil
	})
}
