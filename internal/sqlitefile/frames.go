package sqlitefile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
)

// The layout of a write-ahead log. Source: https://sqlite.org/fileformat2.html#walformat. A checksum of a frame goes on
// from that of the frame before it.
const (
	logHeader   = 32
	frameHeader = 24
	logMagic    = 0x377f0682 // of a log whose checksums are made of little-endian words, as the library's are
)

// isPageSize reports whether a file's pages may be so long; nothing else that is read of a file is.
func isPageSize(n int) bool { return n >= 512 && n&(n-1) == 0 }

// isFrame reports whether a read of so many bytes there is that of a frame's page.
func isFrame(n int, off int64) bool {
	return isPageSize(n) && off >= logHeader+frameHeader && (off-logHeader)%int64(frameHeader+n) == frameHeader
}

// sums are the two halves of a checksum.
type sums [2]uint32

// add goes on with a checksum. len(b) is a multiple of 8.
func (s sums) add(b []byte) sums {
	for ; len(b) >= 8; b = b[8:] {
		s[0] += binary.LittleEndian.Uint32(b) + s[1]
		s[1] += binary.LittleEndian.Uint32(b[4:]) + s[0]
	}
	return s
}

func bigSums(b []byte) sums { return sums{binary.BigEndian.Uint32(b), binary.BigEndian.Uint32(b[4:])} }

// frameRight reports whether the page of a frame, read at off, agrees with the checksum in the frame's header.
func frameRight(f io.ReaderAt, page []byte, off int64) (bool, error) {
	var own [frameHeader]byte
	if _, err := f.ReadAt(own[:], off-frameHeader); err != nil {
		return false, err
	}
	before := off - frameHeader - int64(frameHeader+len(page)) + 16 // the checksum of the frame before
	if off == logHeader+frameHeader {
		before = 24 // that of the log's header
	}
	var prior [8]byte
	if _, err := f.ReadAt(prior[:], before); err != nil {
		return false, err
	}
	return bigSums(prior[:]).add(own[:8]).add(page) == bigSums(own[16:]), nil
}

// frames are what SQLite takes from a write-ahead log when it recovers it.
type frames struct {
	salt  [8]byte
	count uint32          // up to the last commit
	pages map[uint32]bool // the pages that these frames hold
}

// readFrames reads a write-ahead log; no file is a log without frames.
func readFrames(path string) (out frames, err error) {
	out.pages = map[uint32]bool{}
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return out, nil
	}
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	var head [logHeader]byte
	if _, err := io.ReadFull(f, head[:]); err != nil {
		return out, nilAtEnd(err)
	}
	copy(out.salt[:], head[16:24])
	size := binary.BigEndian.Uint32(head[8:])
	sum := sums{}.add(head[:24])
	if binary.BigEndian.Uint32(head[:]) != logMagic || size < 512 || size > 65536 || sum != bigSums(head[24:]) {
		return out, nil
	}
	frame := make([]byte, frameHeader+size)
	var open []uint32 // pages of the transaction that is not committed yet
	for n := uint32(1); ; n++ {
		if _, err := io.ReadFull(f, frame); err != nil {
			return out, nilAtEnd(err)
		}
		sum = sum.add(frame[:8]).add(frame[frameHeader:])
		if !bytes.Equal(frame[8:16], out.salt[:]) || sum != bigSums(frame[16:]) {
			return out, nil
		}
		open = append(open, binary.BigEndian.Uint32(frame))
		if binary.BigEndian.Uint32(frame[4:]) == 0 {
			continue
		}
		out.count = n
		for _, p := range open {
			out.pages[p] = true
		}
		open = open[:0]
	}
}

func nilAtEnd(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return nil
	}
	return err
}

// LeftBehind looks at what an unclean end left beside a file, before SQLite opens it; it writes nothing. SQLite recovers
// the write-ahead log up to the first frame that is not right, and says nothing. A frame that was not written whole
// is no damage. A frame of which the file has the page already was written whole, and synced: where it is not right any
// more, recovery would mix new pages with old ones. The index beside the log says how many frames were taken over.
// Source: https://sqlite.org/walformat.html.
func LeftBehind(path string) error {
	index, err := os.ReadFile(path + "-shm")
	if errors.Is(err, os.ErrNotExist) || err == nil && len(index) < indexHeader {
		return nil
	}
	if err != nil {
		return err
	}
	head := index[:48]
	sum := sums{}.add(head[:40])
	little := binary.LittleEndian
	if sum != (sums{little.Uint32(head[40:]), little.Uint32(head[44:])}) {
		return nil // it was being written, or is damaged itself: SQLite makes it anew
	}
	most, taken := little.Uint32(head[16:]), little.Uint32(index[128:])
	if most == 0 || taken > most {
		return nil
	}
	f, err := readFrames(path + "-wal")
	if err != nil {
		return err
	}
	count := f.count
	if !bytes.Equal(f.salt[:], head[32:40]) {
		count = 0
	}
	if i, err := os.Stat(path + "-wal"); err == nil && i.Size() > 0 && count < taken {
		return fmt.Errorf("%s-wal: %w: %d frames are right, of %d that were written into the file", path, ErrDamaged, count, taken)
	}
	return nil
}

const indexHeader = 136
