package view

import (
	_ "embed"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"

	"cannulary/fhir"
)

// dictionary holds one rendered resource of each kind, so that a page of one resource is small
// too. It belongs to SchemaVersion: pages can be read with their own dictionary only.
//
//go:generate go run ./dictionary
//go:embed dictionary.ndjson
var dictionary []byte

// dictionaryID marks the pages that were packed with the dictionary.
const dictionaryID = 0xCA770000 + SchemaVersion

// pageBits: a page holds the bodies of so many slots, 1<<pageBits.
const pageBits = 5

// place is the key of the page that holds a slot of an event.
func place(seq uint64, slot int) int64 { return int64(seq)<<16 | int64(slot>>pageBits) }

// placeOf is place in SQL, of the row r.
const placeOf = `((r.seq << 16) + (r.slot >> 5))`

// maxPage is more than any page takes, unpacked.
const maxPage = 256 << 20

// Unpacker reads pages. It is safe for concurrent use.
type Unpacker struct{ decoder *zstd.Decoder }

// NewUnpacker makes an Unpacker.
func NewUnpacker() (*Unpacker, error) {
	d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(readers), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxMemory(maxPage),
		zstd.WithDecoderDictRaw(dictionaryID, dictionary))
	if err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	return &Unpacker{d}, nil
}

// Body reads the body of a slot from its page.
func (u *Unpacker) Body(page []byte, slot int) ([]byte, error) {
	_, bodies, err := u.bodies(page, nil)
	if err != nil {
		return nil, err
	}
	return bodyAt(bodies, slot)
}

func bodyAt(bodies [][]byte, slot int) ([]byte, error) {
	if i := slot & (1<<pageBits - 1); i < len(bodies) {
		return bodies[i], nil
	}
	return nil, errDamaged
}

var errDamaged = errors.New("a page of the view is damaged; delete the view to rebuild it")

// bodies reads all bodies of a page: their number, their lengths, and they themselves. They lie
// in whole, which is buffer where that is large enough.
func (u *Unpacker) bodies(page, buffer []byte) (whole []byte, out [][]byte, err error) {
	whole, err = u.decoder.DecodeAll(page, buffer[:0])
	if err != nil {
		return nil, nil, fmt.Errorf("%w (%w)", errDamaged, err)
	}
	raw := whole
	var lengths []int
	n, size := binary.Uvarint(raw)
	for ; size > 0 && n > 0 && n <= 1<<pageBits; n-- {
		raw = raw[size:]
		var length uint64
		length, size = binary.Uvarint(raw)
		lengths = append(lengths, int(length))
	}
	if size <= 0 {
		return nil, nil, errDamaged
	}
	raw = raw[size:]
	out = make([][]byte, len(lengths))
	for i, length := range lengths {
		if length < 0 || length > len(raw) {
			return nil, nil, errDamaged
		}
		out[i], raw = raw[:length:length], raw[length:]
	}
	return whole, out, nil
}

// packer makes pages. It is safe for concurrent use.
type packer struct {
	encoder *zstd.Encoder
	raw     sync.Pool // of *[]byte: what is packed
}

func newPacker() (*packer, error) {
	e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithLowerEncoderMem(true), zstd.WithWindowSize(1<<17),
		zstd.WithEncoderCRC(true), zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderDictRaw(dictionaryID, dictionary))
	if err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	return &packer{encoder: e}, nil
}

func (p *packer) pack(of bodies) []byte {
	buffer, _ := p.raw.Get().(*[]byte)
	if buffer == nil {
		buffer = new([]byte)
	}
	defer p.raw.Put(buffer)
	raw := binary.AppendUvarint((*buffer)[:0], uint64(len(of.ends)))
	begin := 0
	for _, end := range of.ends {
		raw = binary.AppendUvarint(raw, uint64(end-begin))
		begin = end
	}
	raw = append(raw, of.whole...)
	*buffer = raw
	return p.encoder.EncodeAll(raw, nil)
}

// bodies are those of a page, one after the other; ends are where each one ends.
type bodies struct {
	whole []byte
	ends  []int
}

// at is the body of a slot.
func (b bodies) at(slot int) ([]byte, error) {
	i := slot & (1<<pageBits - 1)
	if i >= len(b.ends) {
		return nil, errDamaged
	}
	begin := 0
	if i > 0 {
		begin = b.ends[i-1]
	}
	return slices.Clone(b.whole[begin:b.ends[i]]), nil
}

// opened is the event whose versions are being stored, and the bodies of its last page.
type opened struct {
	seq    uint64
	slot   int // the next
	page   bodies
	packed []packing // the pages before it that are not written yet
	free   []bodies  // of pages that were written, to be used again
}

// packing is a page that is being packed, beside what is stored meanwhile.
type packing struct {
	place int64
	page  bodies
	data  chan []byte
}

// packingMost bounds the pages that are not written yet.
const packingMost = 32

// nextSlot is the slot of the next body that is kept of an event.
func (t *Tx) nextSlot(seq uint64) int {
	if t.open.seq != seq {
		return 0
	}
	return t.open.slot
}

// keep puts the body of a version into the next slot of the event.
func (t *Tx) keep(seq uint64, p *resolved, version int, updated time.Time) error {
	slot := t.nextSlot(seq)
	if t.open.seq != seq || len(t.open.page.ends) == 1<<pageBits {
		if err := t.closePage(); err != nil {
			return err
		}
	}
	t.open.seq, t.open.slot = seq, slot+1
	page := &t.open.page
	page.whole = fhir.AppendWithMeta(page.whole, p.Body, p.ID, p.Profile, version, updated)
	page.ends = append(page.ends, len(page.whole))
	return nil
}

// closePage has the page that is open packed.
func (t *Tx) closePage() error {
	if len(t.open.page.ends) == 0 {
		return nil
	}
	p := packing{place(t.open.seq, t.open.slot-1), t.open.page, make(chan []byte, 1)}
	t.open.page = bodies{}
	if n := len(t.open.free); n > 0 {
		t.open.page, t.open.free = t.open.free[n-1], t.open.free[:n-1]
	}
	t.open.packed = append(t.open.packed, p)
	go func() { p.data <- t.packer.pack(p.page) }()
	return t.writePages(packingMost)
}

// writePages writes the oldest pages until at most so many are left.
func (t *Tx) writePages(most int) error {
	for len(t.open.packed) > most {
		p := t.open.packed[0]
		t.open.packed = t.open.packed[1:]
		data := <-p.data
		t.open.free = append(t.open.free, bodies{p.page.whole[:0], p.page.ends[:0]})
		if err := t.exec(`INSERT INTO page (place, data) VALUES (?, ?)`, p.place, data); err != nil {
			return err
		}
	}
	return nil
}

// body reads a body, also one whose page is not written yet.
func (t *Tx) body(seq uint64, slot int) ([]byte, error) {
	at := place(seq, slot)
	if len(t.open.page.ends) > 0 && at == place(t.open.seq, t.open.slot-1) {
		return t.open.page.at(slot)
	}
	for _, p := range t.open.packed {
		if p.place == at {
			return p.page.at(slot)
		}
	}
	var data []byte
	if found, err := t.row(`SELECT data FROM page WHERE place = ?`, []any{at}, &data); err != nil || !found {
		return nil, errors.Join(err, errDamaged)
	}
	return t.unpacker.Body(data, slot)
}
