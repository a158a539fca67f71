// Package sqlitefile names a SQLite file for database/sql.
package sqlitefile

import "strings"

// Name is what sql.Open takes for the file at path with options, written as
// _pragma=query_only(1)&_txlock=immediate. In a URI %, ? and # do not stand for themselves:
// written plainly, a folder with one of them in its name would be another folder, and files
// of two packages one file. Source: https://sqlite.org/uri.html, section 3.1.
func Name(path, options string) string {
	return "file:" + strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(path) + "?" + options
}
