package salvage

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io/fs"
	"path/filepath"

	"google.golang.org/protobuf/encoding/protowire"

	"cannulary/internal/eventlog"
	"cannulary/internal/intake"
	"cannulary/internal/logfile"
)

func (f *Found) indexPath() string { return filepath.Join(f.Dir, "ingest", "index.db") }

// IndexDamage says how the ingest index differs from the log; empty where it does not, or where one of them is not
// there. An index that lacks an event would take it a second time.
func (f *Found) IndexDamage(ctx context.Context) string {
	if f.LogErr != nil || errors.Is(f.indexErr, fs.ErrNotExist) {
		return ""
	}
	if f.indexErr != nil {
		return f.indexErr.Error()
	}
	if err := intake.IndexDamage(f.indexPath()); err != nil {
		return err.Error()
	}
	var sum uint64
	if err := intake.IndexEntries(ctx, f.indexPath(), func(seq uint64, id string) { sum += pairSum(seq, id) }); err != nil {
		return err.Error()
	}
	if sum == f.indexSum {
		return ""
	}
	return f.indexCompared(ctx)
}

// indexCompared compares entry by entry, which takes memory. An event that stands twice in the log has its first number
// in the index.
func (f *Found) indexCompared(ctx context.Context) string {
	inLog, there := map[string]uint64{}, map[uint64]bool{}
	_, err := logfile.Read(f.logDir(), eventlog.StreamName(f.Shard), func(r logfile.Record) error {
		there[r.Seq] = true
		if id := eventOf(r).GetId(); r.Seq <= f.indexUpTo && id != "" && inLog[id] == 0 {
			inLog[id] = r.Seq
		}
		return ctx.Err()
	})
	if err != nil {
		return err.Error()
	}
	known, wrong := 0, 0
	err = intake.IndexEntries(ctx, f.indexPath(), func(seq uint64, id string) {
		switch {
		case inLog[id] == seq:
			known++
		case there[seq] || seq > f.indexUpTo: // of an entry that the log lost it knows more than the log
			wrong++
		}
	})
	switch {
	case err != nil:
		return err.Error()
	case wrong > 0 || known < len(inLog):
		return fmt.Sprintf("%d of its entries are not the log's, and %d of the log's are not in it", wrong, len(inLog)-known)
	}
	return ""
}

// pairSum is added up over all entries: a sum in any order.
func pairSum(seq uint64, id string) uint64 {
	h := fnv.New64a()
	var b [8]byte
	binary.LittleEndian.PutUint64(b[:], seq)
	_, _ = h.Write(b[:])
	_, _ = h.Write([]byte(id))
	return h.Sum64()
}

// idOf reads the id of an event without reading the rest; it is the first field. Empty where it is not.
func idOf(data []byte) string {
	n, kind, size := protowire.ConsumeTag(data)
	if n != 1 || kind != protowire.BytesType {
		return ""
	}
	id, size := protowire.ConsumeBytes(data[size:])
	if size < 0 {
		return ""
	}
	return string(id)
}
