package sqlitefile

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"time"
)

// ErrDamaged says that a file is not what was written into it.
var ErrDamaged = errors.New("it does not agree with its checksums")

// CheckPages reads a file whose pages have checksums, also beside a program that writes into it, and changes
// nothing. The error is ErrDamaged where a page does not agree; a page that has its newest version in the write-ahead
// log is left out, because a write of it into the file may have been interrupted. pause is called after every
// stretch that was read, and ends the check with its error.
func CheckPages(path string, pause func() error) (err error) {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	var head [100]byte
	if n, err := f.ReadAt(head[:], 0); err != nil {
		if n == 0 { // empty: nothing was written into it yet
			return nilAtEnd(err)
		}
		return fmt.Errorf("%s: %w: it ends within its header", path, ErrDamaged)
	}
	size := int(binary.BigEndian.Uint16(head[16:]))
	if string(head[:16]) != magic || !isPageSize(size) || head[reservedAt] != reserved {
		return fmt.Errorf("%s: %w: its header is not that of such a file", path, ErrDamaged)
	}
	buf := make([]byte, max(1, stretch/size)*size)
	for at := int64(0); ; {
		n, err := f.ReadAt(buf, at)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		for i := 0; i+size <= n; i += size {
			if pageRight(buf[i : i+size]) {
				continue
			}
			if err := confirm(f, path, at+int64(i), buf[i:i+size]); err != nil {
				return err
			}
		}
		if n < len(buf) {
			return nil
		}
		at += int64(n)
		if err := pause(); err != nil {
			return err
		}
	}
}

// SaysChecked reports whether a file's header says that its pages have checksums.
func SaysChecked(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer func() { _ = f.Close() }()
	var head [reservedAt + 1]byte
	_, err = f.ReadAt(head[:], 0)
	return err == nil && head[reservedAt] == reserved
}

// stretch is how many bytes are read at once.
const stretch = 1 << 20

// confirm looks again at a page that does not agree: it may have been read while it was written.
func confirm(f io.ReaderAt, path string, at int64, page []byte) error {
	for range 5 {
		time.Sleep(20 * time.Millisecond)
		if _, err := f.ReadAt(page, at); err != nil {
			return err
		}
		if pageRight(page) {
			return nil
		}
	}
	number := uint32(at/int64(len(page))) + 1
	log, err := readFrames(path + "-wal")
	if err != nil || log.pages[number] {
		return err
	}
	return fmt.Errorf("%s: %w: page %d", path, ErrDamaged, number)
}

// A page ends with its checksum: SQLite leaves these bytes alone. Source: https://sqlite.org/cksumvfs.html.
const (
	reserved   = 8
	reservedAt = 20 // where a file's header says how many bytes are reserved in each page
)

func pageRight(page []byte) bool {
	end := len(page) - reserved
	little := binary.LittleEndian
	return sums{}.add(page[:end]) == sums{little.Uint32(page[end:]), little.Uint32(page[end+4:])}
}

func setSums(page []byte) {
	end := len(page) - reserved
	s := sums{}.add(page[:end])
	binary.LittleEndian.PutUint32(page[end:], s[0])
	binary.LittleEndian.PutUint32(page[end+4:], s[1])
}

// Create makes an empty file whose pages have checksums, with a write-ahead log. A file that is there, and not empty,
// stays as it is. Source: https://sqlite.org/fileformat2.html.
func Create(path string, pageSize int) error {
	if i, err := os.Stat(path); err == nil && i.Size() > 0 {
		return nil
	}
	page := make([]byte, pageSize)
	big := binary.BigEndian
	copy(page, magic)
	big.PutUint16(page[16:], uint16(pageSize))
	copy(page[18:], []byte{2, 2, reserved, 64, 32, 32}) // a write-ahead log; fractions that never differ
	for _, at := range []int{24, 28, 92} {              // changes, pages, and of which change that number is
		big.PutUint32(page[at:], 1)
	}
	page[100] = 13 // a table's leaf without rows
	big.PutUint16(page[105:], uint16(pageSize-reserved))
	setSums(page)
	// Written beside it, so that an interrupted write is not taken for damage.
	if err := os.WriteFile(path+"-new", page, 0o600); err != nil {
		return err
	}
	return os.Rename(path+"-new", path)
}

const magic = "SQLite format 3\x00"
