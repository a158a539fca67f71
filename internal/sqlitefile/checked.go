package sqlitefile

import (
	"database/sql"
	"fmt"
	"sync"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/driver"
	"github.com/ncruces/go-sqlite3/vfs"
)

// reserved is how many bytes of each page SQLite leaves to the page's checksum. Byte 20 of the file says so.
// Source: https://sqlite.org/cksumvfs.html.
const reserved = 8

// OpenChecked opens a file in which each page has a checksum, and makes it if it is not there. Pages are
// checked whenever they are read from the file, and frames whenever they are read from its write-ahead log.
// What does not agree is an error of whoever reads, and damaged hears of it; it is called from any
// connection and more than once. Statements are run on every new connection.
func OpenChecked(path, options, statements string, damaged func(error)) (*sql.DB, error) {
	registered()
	return driver.Open(Name(path, options+"&vfs="+checkedName), func(c *sqlite3.Conn) error {
		if err := c.ConfigLog(func(code sqlite3.ExtendedErrorCode, text string) {
			if isDamage(code) {
				damaged(fmt.Errorf("%s: %s", path, text))
			}
		}); err != nil {
			return err
		}
		if _, err := c.FileControl("main", sqlite3.FCNTL_RESERVE_BYTES, reserved); err != nil {
			return err
		}
		// A page that SQLite writes into the write-ahead log before its transaction ends may be written there
		// a second time. The checksum of its frame is wrong in between.
		return c.Exec(`PRAGMA cache_spill = 0; ` + statements)
	})
}

// isDamage tells whether SQLite's error says that the file is not what was written.
func isDamage(code sqlite3.ExtendedErrorCode) bool {
	return code == sqlite3.IOERR_DATA || code.Code() == sqlite3.CORRUPT || code.Code() == sqlite3.NOTADB
}

const checkedName = "checked"

var registered = sync.OnceFunc(func() { vfs.Register(checkedName, checked{vfs.Find("")}) })

// checked is the system's files, of which a database and its write-ahead log are checked when they are read.
// The library checks the pages of a database whose header says that they have checksums.
type checked struct{ vfs.VFS }

// file is what the library can do with a file of the system. It does not map files into memory.
type file interface {
	vfs.FileLockState
	vfs.FileHasMoved
	vfs.FileSizeHint
	vfs.FilePersistWAL
	vfs.FilePowersafeOverwrite
	vfs.FileSharedMemory
}

// OpenFilename implements vfs.VFSFilename.
func (c checked) OpenFilename(name *vfs.Filename, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	system, ok := c.VFS.(vfs.VFSFilename)
	if !ok {
		return nil, flags, sqlite3.CANTOPEN
	}
	opened, flags, err := system.OpenFilename(name, flags)
	if err != nil {
		return nil, flags, err
	}
	f, ok := opened.(file)
	switch {
	case !ok && flags&(vfs.OPEN_MAIN_DB|vfs.OPEN_WAL) != 0:
		return nil, flags, sqlite3.CANTOPEN // a version of the library that does more, or less, than this one
	case flags&vfs.OPEN_MAIN_DB != 0:
		return &database{f}, flags, nil
	case flags&vfs.OPEN_WAL != 0:
		return &writeAhead{f}, flags, nil
	}
	return opened, flags, nil
}

// database refuses a file whose header says that its pages have no checksums: then nothing would be checked.
type database struct{ file }

// ReadAt implements vfs.File. SQLite looks at the header alone first; its error would not be heard of.
func (d *database) ReadAt(p []byte, off int64) (int, error) {
	n, err := d.file.ReadAt(p, off)
	if off == 0 && n >= 512 && p[reservedAt] != reserved {
		return 0, sqlite3.IOERR_DATA
	}
	return n, err
}

// reservedAt is where a file's header says how many bytes are reserved in each page.
const reservedAt = 20

// writeAhead is a write-ahead log.
type writeAhead struct{ file }

// ReadAt implements vfs.File. SQLite itself checks frames only when it recovers the log.
func (w *writeAhead) ReadAt(p []byte, off int64) (int, error) {
	n, err := w.file.ReadAt(p, off)
	if n < len(p) || !isPage(len(p), off) {
		return n, err
	}
	if right, cerr := frameRight(w.file, p, off); cerr != nil || !right {
		return 0, sqlite3.IOERR_DATA
	}
	return n, err
}
