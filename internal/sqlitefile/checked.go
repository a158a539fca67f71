package sqlitefile

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// OpenChecked opens a file that Create made. Pages are checked whenever they are read from the file, and frames whenever
// they are read from its write-ahead log. What does not agree is an error of whoever reads, and damaged hears of it; it is
// called from any connection and more than once. Statements are run on every new connection.
func OpenChecked(path, options, statements string, damaged func(error)) (*sql.DB, error) {
	e := &files
	if err := e.known(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	id := fmt.Sprint(e.last.Add(1))
	e.listeners.Store(id, func(what string) { damaged(fmt.Errorf("%s%s: %w", path, what, ErrDamaged)) })
	d := &sqlite.Driver{}
	d.RegisterConnectionHook(func(conn sqlite.ExecQuerierContext, _ string) error {
		// A page that SQLite writes into the write-ahead log before its transaction ends may be written there
		// a second time. The checksum of its frame is wrong in between.
		_, err := conn.ExecContext(context.Background(), `PRAGMA cache_spill = 0; `+statements, nil)
		return err
	})
	return sql.OpenDB(connector{d, Name(path, options+"&vfs="+checkedName+"&"+listenerParam+"="+id), id}), nil
}

// IsDamage reports whether an error of SQLite says that a file is not what was written into it.
func IsDamage(err error) bool {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return false
	}
	primary := e.Code() & 0xff
	return e.Code() == sqlite3.SQLITE_IOERR_DATA || primary == sqlite3.SQLITE_CORRUPT || primary == sqlite3.SQLITE_NOTADB
}

// NoRoom reports whether an error of SQLite says that a file could not grow: the disk is full, or a limit on files is reached.
func NoRoom(err error) bool {
	e, ok := errors.AsType[*sqlite.Error](err)
	// Where what connections share has no room, SQLite calls it an I/O error: https://sqlite.org/rescode.html#ioerr_shmsize.
	return ok && (e.Code()&0xff == sqlite3.SQLITE_FULL || e.Code() == sqlite3.SQLITE_IOERR_SHMSIZE)
}

// connector opens files with a driver of its own.
type connector struct {
	driver   *sqlite.Driver
	name     string
	listener string // its number
}

// Close implements io.Closer: with its database, whoever listened is forgotten.
func (c connector) Close() error {
	files.listeners.Delete(c.listener)
	return nil
}

// Connect implements driver.Connector.
func (c connector) Connect(context.Context) (driver.Conn, error) { return c.driver.Open(c.name) }

// Driver implements driver.Connector.
func (c connector) Driver() driver.Driver { return c.driver }
