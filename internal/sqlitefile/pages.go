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
	if string(head[:16]) != "SQLite format 3\x00" || size < 512 || size&(size-1) != 0 || head[reservedAt] != reserved {
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

// SaysChecked tells whether a file's header says that its pages have checksums.
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

func pageRight(page []byte) bool {
	end := len(page) - reserved
	little := binary.LittleEndian
	return sums{}.add(page[:end]) == sums{little.Uint32(page[end:]), little.Uint32(page[end+4:])}
}
