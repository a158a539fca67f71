package eventlog

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"sync"
)

// Head is the newest entry that was acknowledged, kept in a small file outside the log's folder and
// synced before the acknowledgement. With it a log that lost its end is told from one whose last
// write was interrupted. It proves nothing against somebody who can write to the disk.
type Head struct {
	Seq uint64
	Sum [sumBytes]byte // of the entry's data
}

const sumBytes = 16

// HeadSum is the checksum of an entry's data in a Head: the first 16 bytes of SHA-256.
func HeadSum(data []byte) [sumBytes]byte {
	sum := sha256.Sum256(data)
	return [sumBytes]byte(sum[:sumBytes])
}

// The file has two slots, written in turn, each in a disk sector of its own: an interrupted write
// leaves the other one. A slot is sequence (8), sum (16), CRC-32C of both (4).
const (
	slotSize  = 28
	slotApart = 4096
)

// ReadHead reads the file. ok is false where there is none yet.
func ReadHead(path string) (h Head, ok bool, err error) {
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return h, false, nil
	}
	if err != nil {
		return h, false, fmt.Errorf("read how far the log was acknowledged: %w", err)
	}
	defer func() { _ = f.Close() }()
	h, slot, err := newestHead(f)
	return h, slot >= 0, err
}

// newestHead reads the newer slot; slot is -1 where nothing was written yet.
func newestHead(f *os.File) (h Head, slot int64, err error) {
	slot = -1
	written := false
	for i := range int64(2) {
		var b [slotSize]byte
		n, err := f.ReadAt(b[:], i*slotApart)
		if err != nil && !errors.Is(err, io.EOF) {
			return h, -1, fmt.Errorf("read how far the log was acknowledged: %w", err)
		}
		written = written || n > 0
		if s, good := slotOf(b[:n]); good && (slot < 0 || s.Seq > h.Seq) {
			h, slot = s, i
		}
	}
	if written && slot < 0 {
		return h, -1, fmt.Errorf("%w: %s no longer says how far the log was acknowledged; if `cannulary verify` finds everything else "+
			"whole, move the file away: the next start makes a new one", ErrHead, f.Name())
	}
	return h, slot, nil
}

// ErrHead says that the file with the newest acknowledged entry cannot be read.
var ErrHead = errors.New("a file beside the log is damaged")

func slotOf(b []byte) (h Head, ok bool) {
	if len(b) < slotSize || binary.LittleEndian.Uint32(b[slotSize-4:]) != crc32.Checksum(b[:slotSize-4], castagnoli) {
		return h, false
	}
	return Head{binary.LittleEndian.Uint64(b), [sumBytes]byte(b[8:])}, true
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// header writes heads. One sync serves all who wait for it.
type header struct {
	file *os.File

	mu      sync.Mutex
	newest  Head
	synced  uint64
	slot    int64 // the one to write next
	syncing bool
	moved   chan struct{} // closed and replaced after each sync
}

func openHeader(path string) (*header, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("keep how far the log was acknowledged: %w", err)
	}
	h, slot, err := newestHead(f)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return &header{file: f, newest: h, synced: h.Seq, slot: 1 - max(slot, 0), moved: make(chan struct{})}, nil
}

// reach returns once the file says that the entry was acknowledged, or a later one. Without that the
// entry must not be acknowledged.
func (h *header) reach(to Head) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if to.Seq > h.newest.Seq {
		h.newest = to
	}
	for h.synced < to.Seq {
		if h.syncing {
			moved := h.moved
			h.mu.Unlock()
			<-moved
			h.mu.Lock()
			continue
		}
		h.syncing = true
		next := h.newest
		h.mu.Unlock()
		err := h.write(next)
		h.mu.Lock()
		h.syncing = false
		close(h.moved)
		h.moved = make(chan struct{})
		if err != nil {
			return fmt.Errorf("keep how far the log was acknowledged: %w", err)
		}
		h.synced = next.Seq
	}
	return nil
}

func (h *header) write(to Head) error {
	var b [slotSize]byte
	binary.LittleEndian.PutUint64(b[:], to.Seq)
	copy(b[8:], to.Sum[:])
	binary.LittleEndian.PutUint32(b[slotSize-4:], crc32.Checksum(b[:slotSize-4], castagnoli))
	if _, err := h.file.WriteAt(b[:], h.slot*slotApart); err != nil {
		return err
	}
	h.slot = 1 - h.slot
	return h.file.Sync()
}

func (h *header) close() error { return h.file.Close() }
