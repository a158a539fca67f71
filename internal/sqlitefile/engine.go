package sqlitefile

import (
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// The engine is C turned into Go. It lets others stand between itself and its files by tables of functions
// (https://sqlite.org/vfs.html), but its Go interface offers that for reading only. Here its own file functions stay as they
// are, and of an opened file three are wrapped: read, write, and what the device can do. Addresses are the engine's
// memory, which is not Go's.

// at is what the engine has at an address.
func at[T any](p uintptr) *T { return *(**T)(unsafe.Pointer(&p)) }

// function is the function at an address in a table, and address is what stands in a table for one.
func function[F any](p uintptr) F      { return *(*F)(unsafe.Pointer(&p)) }
func address[F any](f F) uintptr       { return *(*uintptr)(unsafe.Pointer(&f)) }
func memory(p uintptr, n int32) []byte { return unsafe.Slice(at[byte](p), n) }

type (
	openFunc  = func(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32
	moveFunc  = func(tls *libc.TLS, file, buf uintptr, n int32, off int64) int32 // read or write
	closeFunc = func(tls *libc.TLS, file uintptr) int32
)

// table is the table of functions of a checked file, and what stood in its place.
type table struct {
	sqlite3.Tsqlite3_io_methods
	system sqlite3.Tsqlite3_io_methods
}

func tableOf(file uintptr) *table { return at[table](at[sqlite3.Tsqlite3_file](file).FpMethods) }

// engine is what is known of checked files.
type engine struct {
	once      sync.Once
	err       error
	open      openFunc
	param     uintptr // listenerParam, for the engine
	last      atomic.Int64
	listeners sync.Map // by number: func(what string)
	hears     sync.Map // by the address of an open file: the same
	mu        sync.Mutex
	tables    map[[2]uintptr]uintptr // by the system's table and what the file is
}

const (
	checkedName   = "checked"
	listenerParam = "hears"
)

// files are the checked files of this process: the engine has one list of kinds of files.
var files = engine{tables: map[[2]uintptr]uintptr{}}

// known has the engine know of checked files.
func (e *engine) known() error {
	e.once.Do(func() { e.err = e.register() })
	return e.err
}

func (e *engine) register() error {
	tls := libc.NewTLS()
	system := sqlite3.Xsqlite3_vfs_find(tls, 0)
	name, err := libc.CString(checkedName)
	param, perr := libc.CString(listenerParam)
	own := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_vfs{})))
	if system == 0 || own == 0 || err != nil || perr != nil {
		return errors.New("SQLite has no files of the system")
	}
	vfs := at[sqlite3.Tsqlite3_vfs](own)
	*vfs = *at[sqlite3.Tsqlite3_vfs](system)
	e.open, e.param = function[openFunc](vfs.FxOpen), param
	vfs.FzName, vfs.FxOpen = name, address[openFunc](openFile)
	if rc := sqlite3.Xsqlite3_vfs_register(tls, own, 0); rc != sqlite3.SQLITE_OK {
		return errors.New("SQLite takes no further kind of files")
	}
	return nil
}

// what a checked file is.
const (
	aDatabase = iota
	aLog
)

func openFile(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32 {
	e := &files
	rc := e.open(tls, vfs, name, file, flags, out)
	if rc != sqlite3.SQLITE_OK || flags&(sqlite3.SQLITE_OPEN_MAIN_DB|sqlite3.SQLITE_OPEN_WAL) == 0 {
		return rc
	}
	if id := sqlite3.Xsqlite3_uri_parameter(tls, name, e.param); id != 0 {
		if f, ok := e.listeners.Load(libc.GoString(id)); ok {
			e.hears.Store(file, f)
		}
	}
	kind := uintptr(aDatabase)
	if flags&sqlite3.SQLITE_OPEN_WAL != 0 {
		kind = aLog
	}
	f := at[sqlite3.Tsqlite3_file](file)
	if f.FpMethods = e.checked(tls, f.FpMethods, kind); f.FpMethods == 0 {
		return sqlite3.SQLITE_NOMEM
	}
	return rc
}

// checked is the table of a checked file in place of the system's. There are a few, which stay.
func (e *engine) checked(tls *libc.TLS, system, kind uintptr) uintptr {
	e.mu.Lock()
	defer e.mu.Unlock()
	key := [2]uintptr{system, kind}
	if p := e.tables[key]; p != 0 {
		return p
	}
	p := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(table{})))
	if p == 0 {
		return 0
	}
	t := at[table](p)
	t.system = *at[sqlite3.Tsqlite3_io_methods](system)
	t.Tsqlite3_io_methods = t.system
	t.FiVersion = min(t.FiVersion, 2) // from 3 on pages are mapped into memory, and not read
	t.FxClose = address[closeFunc](closeFile)
	if kind == aDatabase {
		t.FxRead, t.FxWrite = address[moveFunc](readPage), address[moveFunc](writePage)
		t.FxDeviceCharacteristics = address[closeFunc](device)
	} else {
		t.FxRead = address[moveFunc](readFrame)
	}
	e.tables[key] = p
	return p
}

func closeFile(tls *libc.TLS, file uintptr) int32 {
	files.hears.Delete(file)
	return function[closeFunc](tableOf(file).system.FxClose)(tls, file)
}

// device has the engine read whole pages only.
func device(tls *libc.TLS, file uintptr) int32 {
	return function[closeFunc](tableOf(file).system.FxDeviceCharacteristics)(tls, file) &^ sqlite3.SQLITE_IOCAP_SUBPAGE_READ
}

func readPage(tls *libc.TLS, file, buf uintptr, n int32, off int64) int32 {
	rc := function[moveFunc](tableOf(file).system.FxRead)(tls, file, buf, n, off)
	if rc == sqlite3.SQLITE_OK && isPageSize(int(n)) && !pageRight(memory(buf, n)) {
		return heard(file, off/int64(n)+1, "")
	}
	return rc
}

func writePage(tls *libc.TLS, file, buf uintptr, n int32, off int64) int32 {
	if isPageSize(int(n)) {
		setSums(memory(buf, n))
	}
	return function[moveFunc](tableOf(file).system.FxWrite)(tls, file, buf, n, off)
}

// readFrame reads from a write-ahead log, whose frames the engine itself checks only when it recovers the log.
func readFrame(tls *libc.TLS, file, buf uintptr, n int32, off int64) int32 {
	rc := function[moveFunc](tableOf(file).system.FxRead)(tls, file, buf, n, off)
	if rc != sqlite3.SQLITE_OK || !isFrame(int(n), off) {
		return rc
	}
	if right, err := frameRight(rest{tls, file}, memory(buf, n), off); err != nil || !right {
		return heard(file, (off-logHeader)/int64(frameHeader+n)+1, "-wal")
	}
	return rc
}

// rest reads more of an open file.
type rest struct {
	tls  *libc.TLS
	file uintptr
}

// ReadAt implements io.ReaderAt, for a few bytes.
func (r rest) ReadAt(p []byte, off int64) (int, error) {
	buf := r.tls.Alloc(len(p))
	defer r.tls.Free(len(p))
	if rc := function[moveFunc](tableOf(r.file).system.FxRead)(r.tls, r.file, buf, int32(len(p)), off); rc != sqlite3.SQLITE_OK {
		return 0, io.ErrUnexpectedEOF
	}
	return copy(p, memory(buf, int32(len(p)))), nil
}

// heard tells who listens that a page of a file, or a frame of its log, is not what was written.
func heard(file uintptr, number int64, of string) int32 {
	if f, ok := files.hears.Load(file); ok {
		f.(func(what string))(fmt.Sprintf("%s, page %d", of, number))
	}
	return sqlite3.SQLITE_IOERR_DATA
}
