package chain

import (
	"crypto/sha256"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	logv1 "cannulary/proto/cannulary/log/v1"
)

// Sum is the SHA-256 of an entry's bytes, or a head.
type Sum [sha256.Size]byte

// SumOf is the sum of an entry's bytes.
func SumOf(data []byte) Sum { return sha256.Sum256(data) }

// WriterSize is the length of a writer's name, in bytes.
const WriterSize = 8

// Writer is the end of a writer's chain: all that its next entry needs.
type Writer struct {
	name    [WriterSize]byte
	ordinal uint64
	before  Sum
	after   uint64
}

// NewWriter begins a chain behind the log's entry with the sequence after, whose sum is before. The name must
// be random.
func NewWriter(name [WriterSize]byte, after uint64, before Sum) Writer {
	return Writer{name: name, before: before, after: after}
}

// linkField is the number of the field `link` of an event.
const linkField = 14

// Link appends the link to an event's bytes. next is the chain's end once the entry is stored; until then the
// chain has not moved.
func (w Writer) Link(event []byte) (data []byte, next Writer, err error) {
	l := &logv1.Link{Writer: w.name[:], Ordinal: w.ordinal + 1, Before: w.before[:], After: w.after}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(l)
	if err != nil {
		return nil, w, err
	}
	data = make([]byte, 0, len(event)+len(b)+4)
	data = append(data, event...)
	data = protowire.AppendTag(data, linkField, protowire.BytesType)
	data = protowire.AppendBytes(data, b)
	return data, Writer{name: w.name, ordinal: l.GetOrdinal(), before: SumOf(data)}, nil
}
