package trail

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"sync"
)

// spool keeps entries on disk until the stream takes them. A record is its length (4 bytes), the CRC-32C of the
// entry (4 bytes) and the entry. One sync serves all who wait for it.
type spool struct {
	mu      sync.Mutex
	file    *os.File
	size    int64
	entries int // in the file
	// written and safe count the entries since the start, in the file and on disk.
	written, safe uint64
	syncing       bool
	moved         *sync.Cond
}

const recordHead = 8

// longest is the largest record that is believed; a longer one is damage.
const longest = 4 << 20

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// openSpool opens the file, or makes it. What stands behind the last whole record was never acknowledged, because
// its sync had not returned; it is cut off.
func openSpool(path string) (*spool, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("trail: %w", err)
	}
	s := &spool{file: f}
	s.moved = sync.NewCond(&s.mu)
	s.size, err = read(f, func([]byte) error { s.entries++; return nil })
	if err == nil {
		err = f.Truncate(s.size)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("trail: read %s: %w", path, err), f.Close())
	}
	return s, nil
}

// read hands over the whole records from the beginning on, and returns where they end.
func read(f *os.File, handle func([]byte) error) (end int64, err error) {
	r := bufio.NewReader(io.NewSectionReader(f, 0, 1<<62))
	for {
		var head [recordHead]byte
		if _, err := io.ReadFull(r, head[:]); err != nil {
			return end, ended(err)
		}
		n := binary.LittleEndian.Uint32(head[:])
		if n > longest {
			return end, nil
		}
		data := make([]byte, n)
		if _, err := io.ReadFull(r, data); err != nil {
			return end, ended(err)
		}
		if crc32.Checksum(data, castagnoli) != binary.LittleEndian.Uint32(head[4:]) {
			return end, nil
		}
		if err := handle(data); err != nil {
			return end, err
		}
		end += recordHead + int64(n)
	}
}

func ended(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return nil
	}
	return err
}

// append returns when the entry is on disk.
func (s *spool) append(data []byte) error {
	record := make([]byte, recordHead, recordHead+len(data))
	binary.LittleEndian.PutUint32(record, uint32(len(data)))
	binary.LittleEndian.PutUint32(record[4:], crc32.Checksum(data, castagnoli))
	record = append(record, data...)
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, err := s.file.WriteAt(record, s.size); err != nil {
		return err
	}
	s.size += int64(len(record))
	s.entries++
	s.written++
	for mine := s.written; s.safe < mine; {
		if s.syncing {
			s.moved.Wait()
			continue
		}
		s.syncing = true
		to := s.written
		s.mu.Unlock()
		err := s.file.Sync()
		s.mu.Lock()
		s.syncing = false
		s.moved.Broadcast()
		if err != nil {
			return err
		}
		s.safe = max(s.safe, to)
	}
	return nil
}

// drain hands over the entries in their order and empties the file when all were taken. It stops at the first
// that is not; then all come again, under their ids. Entries that come meanwhile are taken as well.
func (s *spool) drain(take func(data []byte) error) error {
	done := int64(0)
	for {
		s.mu.Lock()
		if s.size == done {
			defer s.mu.Unlock()
			if err := s.file.Truncate(0); err != nil {
				return err
			}
			// Whoever waits for the disk has its entry in the stream.
			s.size, s.entries, s.safe = 0, 0, s.written
			return s.file.Sync()
		}
		end := s.size
		s.mu.Unlock()
		at := int64(0)
		if _, err := read(s.file, func(data []byte) error {
			at += recordHead + int64(len(data))
			if at <= done || at > end {
				return nil
			}
			return take(data)
		}); err != nil {
			return err
		}
		if at < end {
			return errors.New("a kept entry of the trail cannot be read any more")
		}
		done = end
	}
}

// waiting is how many entries are kept.
func (s *spool) waiting() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.entries
}

func (s *spool) close() error { return s.file.Close() }
