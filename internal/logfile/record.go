package logfile

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"
	"time"

	"github.com/minio/highwayhash"
)

// Record is one whole entry of the log.
type Record struct {
	Seq     uint64
	Time    time.Time // when the server took it
	Subject string
	Header  []byte // as it stands in the file; empty for none
	Data    []byte
}

// A record is: length (4, its highest bit says that there is a header), sequence (8), time (8, in
// nanoseconds since 1970), length of the subject (2), subject, with a header its length (4) and the
// header, data, checksum (8). All numbers are little-endian. The checksum is HighwayHash-64 of
// sequence, time, subject, header and data, under a key of stream and block. The three lengths are
// outside of it.
const (
	headSize = 22
	sumSize  = 8
	hasHead  = 1 << 31
	// The two highest bits of the sequence mark entries that were erased, and tombstones. This program
	// deletes nothing, but the server may leave such marks.
	marks = 3 << 62
	// mostBytes is more than any record takes: the largest event is 2 MB.
	mostBytes = 3 << 20
)

func keyOf(stream string, block uint64) hash.Hash64 {
	key := sha256.Sum256(fmt.Appendf(nil, "%s-%d", stream, block))
	h, err := highwayhash.New64(key[:])
	if err != nil {
		panic(err) // the key has the right size
	}
	return h
}

// layout are the three lengths of a record.
type layout struct {
	size    int // of the whole record
	header  bool
	subject int
}

// lengths reads them where they stand. ok is false where they cannot be right.
func lengths(buf []byte) (l layout, ok bool) {
	if len(buf) < headSize+sumSize {
		return l, false
	}
	n := binary.LittleEndian.Uint32(buf)
	l = layout{int(n &^ hasHead), n&hasHead != 0, int(binary.LittleEndian.Uint16(buf[20:]))}
	return l, l.fits(len(buf))
}

func (l layout) fits(room int) bool {
	least := headSize + l.subject + sumSize
	if l.header {
		least += 4
	}
	return l.size >= least && l.size <= room && l.size <= mostBytes
}

// parse reads a record of that layout. ok is false where the checksum is another one. headLength tells
// that the length of the header, which the checksum does not cover, is right too.
func parse(buf []byte, l layout, h hash.Hash64) (r Record, headLength, ok bool) {
	body := buf[headSize : l.size-sumSize]
	subject, rest := body[:l.subject], body[l.subject:]
	var length int
	if l.header {
		length, rest = int(binary.LittleEndian.Uint32(rest)), rest[4:]
	}
	h.Reset()
	for _, part := range [][]byte{buf[4:20], subject, rest} {
		_, _ = h.Write(part)
	}
	var sum [sumSize]byte
	if !bytes.Equal(h.Sum(sum[:0]), buf[l.size-sumSize:l.size]) {
		return r, false, false
	}
	r = Record{Seq: binary.LittleEndian.Uint64(buf[4:]), Time: time.Unix(0, int64(binary.LittleEndian.Uint64(buf[12:]))).UTC(),
		Subject: string(subject), Data: rest}
	if l.header {
		n := headerEnd(rest)
		r.Header, r.Data = rest[:n], rest[n:]
		return r, n == length, true
	}
	return r, true, true
}

// headerEnd is where a header ends: with the first empty line.
func headerEnd(b []byte) int {
	if i := bytes.Index(b, []byte("\r\n\r\n")); i >= 0 {
		return i + 4
	}
	return 0
}

// readBlock reads one file. After a spot that holds no whole record it looks for the next one, byte by
// byte.
func readBlock(buf []byte, path string, h hash.Hash64, last bool, res *Result, each func(Record) error) error {
	for at := 0; at < len(buf); {
		l, ok := lengths(buf[at:])
		var r Record
		var headLength bool
		if ok {
			r, headLength, ok = parse(buf[at:], l, h)
		}
		if ok {
			if !headLength {
				res.Damages = append(res.Damages, Damage{File: path, At: int64(at), After: res.Last, Read: true,
					What: fmt.Sprintf("the length of the header of entry %d is wrong", r.Seq)})
			}
			if err := res.take(r, path, at, each); err != nil {
				return err
			}
			at += l.size
			continue
		}
		next := nextRecord(buf, at+1, h)
		if r, size, found := mislabelled(buf[at:next], h); found {
			res.Damages = append(res.Damages, Damage{File: path, At: int64(at), After: res.Last, Read: true,
				What: fmt.Sprintf("a length in entry %d is wrong", r.Seq)})
			if err := res.take(r, path, at, each); err != nil {
				return err
			}
			at += size
			continue
		}
		d := Damage{File: path, At: int64(at), Bytes: int64(next - at), After: res.Last,
			What: fmt.Sprintf("%d bytes hold no whole entry", next-at)}
		if next == len(buf) && last {
			res.Tail = &d
		} else {
			res.Damages = append(res.Damages, d)
		}
		at = next
	}
	return nil
}

// take hands a record on. The numbers must go up by one; what is between them is missing.
func (res *Result) take(r Record, path string, at int, each func(Record) error) error {
	if r.Seq&marks != 0 {
		return nil
	}
	if r.Seq <= res.Last {
		res.Damages = append(res.Damages, Damage{File: path, At: int64(at), After: res.Last, What: fmt.Sprintf(
			"entry %d stands here once more", r.Seq)})
		return nil
	}
	if r.Seq > res.Last+1 {
		res.Missing = append(res.Missing, Range{res.Last + 1, r.Seq - 1})
	}
	res.Last = r.Seq
	res.Entries++
	return each(r)
}

// nextRecord finds where the next whole record begins; the end of the file where there is none.
func nextRecord(buf []byte, from int, h hash.Hash64) int {
	for at := from; at < len(buf); at++ {
		if l, ok := lengths(buf[at:]); ok {
			if _, _, ok := parse(buf[at:], l, h); ok {
				return at
			}
		}
	}
	return len(buf)
}

// mislabelled reads a record of which one length is wrong: everything else is covered by the checksum,
// so a layout with which it agrees is the right one. The record begins at the stretch's begin; it may
// end before its end, if more than one is damaged.
func mislabelled(stretch []byte, h hash.Hash64) (Record, int, bool) {
	if len(stretch) < headSize+sumSize || len(stretch) > mostBytes {
		return Record{}, 0, false
	}
	given, _ := lengths(stretch)
	try := func(l layout) (Record, bool) {
		if !l.fits(len(stretch)) {
			return Record{}, false
		}
		r, _, ok := parse(stretch, l, h)
		return r, ok
	}
	for _, header := range []bool{given.header, !given.header} {
		// The length of all is wrong: the record fills the stretch.
		if r, ok := try(layout{len(stretch), header, given.subject}); ok {
			return r, len(stretch), true
		}
		for subject := range 256 { // no subject of ours is longer
			if r, ok := try(layout{given.size, header, subject}); ok {
				return r, given.size, true
			}
		}
	}
	return Record{}, 0, false
}
