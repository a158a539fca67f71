// Package sqlitefile opens SQLite files for database/sql, with checksums of their pages (OpenChecked) or without.
package sqlitefile

import (
	"database/sql"
	"errors"
	"os"
	"slices"
	"strings"

	_ "modernc.org/sqlite" // the driver, without a C compiler
)

// Open opens a file whose pages have no checksums.
func Open(path, options string) (*sql.DB, error) { return sql.Open("sqlite", Name(path, options)) }

// Beside are the ends of the names of what SQLite keeps beside a file.
var Beside = [...]string{"-wal", "-shm", "-journal"}

// Remove removes a closed file and what lies beside it. The file goes first: with its log of writes gone it could be
// neither the old state nor the new one, while a log without a file meets none.
func Remove(path string) error {
	errs := []error{os.Remove(path)}
	for _, end := range Beside {
		errs = append(errs, os.Remove(path+end))
	}
	return errors.Join(slices.DeleteFunc(errs, func(err error) bool { return errors.Is(err, os.ErrNotExist) })...)
}

// Name is what sql.Open takes for the file at path with options, written as
// _pragma=query_only(1)&_txlock=immediate. In a URI %, ? and # do not stand for themselves:
// written plainly, a folder with one of them in its name would be another folder, and files
// of two packages one file. Source: https://sqlite.org/uri.html, section 3.1.
func Name(path, options string) string {
	return "file:" + strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(path) + "?" + options
}
