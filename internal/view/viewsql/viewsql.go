// Package viewsql opens a view's file so that SQL finds there what it holds in plain form: for
// tests, the benchmark and tools. A service asks the view.
package viewsql

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"fmt"

	"modernc.org/sqlite"

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
	var d sqlite.Driver
	err = d.RegisterDeterministicScalarFunction("body_of", 2, func(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
		page, ok := args[0].([]byte)
		slot, isSlot := args[1].(int64)
		if !ok || !isSlot {
			return nil, fmt.Errorf("body_of(%T, %T)", args[0], args[1])
		}
		return unpacker.Body(page, int(slot))
	})
	if err != nil {
		return nil, err
	}
	if err := d.RegisterDeterministicScalarFunction("id_text", 1,
		func(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
			return view.IDText(args[0])
		}); err != nil {
		return nil, err
	}
	d.RegisterConnectionHook(func(conn sqlite.ExecQuerierContext, _ string) error {
		for _, q := range append(readable, `PRAGMA query_only(1)`) {
			if _, err := conn.ExecContext(context.Background(), q, nil); err != nil {
				return fmt.Errorf("%w in %q", err, q)
			}
		}
		return nil
	})
	return sql.OpenDB(connector{&d, sqlitefile.Name(path, "_pragma=busy_timeout(10000)&_pragma=temp_store(MEMORY)")}), nil
}

// connector opens files with a driver of its own.
type connector struct {
	driver *sqlite.Driver
	name   string
}

// Connect implements driver.Connector.
func (c connector) Connect(context.Context) (driver.Conn, error) { return c.driver.Open(c.name) }

// Driver implements driver.Connector.
func (c connector) Driver() driver.Driver { return c.driver }
