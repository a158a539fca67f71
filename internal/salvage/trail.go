package salvage

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/chain"
	"cannulary/internal/eventlog"
	"cannulary/internal/logfile"
	"cannulary/internal/sqlitefile"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// The audit trail in an instance's folder. The files of its stream are in trailStream; trailKept has the entries that
// the stream did not take yet.
const (
	TrailFolder = "trail"
	trailStream = "stream"
	trailKept   = "kept"
	trailIndex  = "index.db"
)

// TrailStream is the folder of the trail's own log server, in an instance's folder.
func TrailStream(dir string) string { return filepath.Join(dir, TrailFolder, trailStream) }

// TrailPart is what the files of an audit trail hold.
type TrailPart struct {
	Entries uint64 `json:"entries"` // whole ones
	Last    uint64 `json:"last"`
	Bytes   int64  `json:"bytes"`
	// Head is that of the trail where it ends, or before its first missing entry. Its shard ends with -trail.
	Head string `json:"head,omitempty"`
	// Damages are of the files, and Changes what its chains and the heads that were given show.
	Damages []string `json:"damages"`
	Changes []string `json:"changes"`
	Notes   []string `json:"notes"`
}

// TrailDamages says what is wrong with the files of a stopped instance's trail, as far as a server that opens them would cut
// entries off; none where there is no trail. It changes nothing.
func TrailDamages(ctx context.Context, dir, shard string) ([]string, error) {
	id := ""
	res, err := logfile.Read(TrailStream(dir), eventlog.TrailName(shard), func(r logfile.Record) error {
		if r.Seq == 1 {
			id = genesis(eventOf(r)).GetLogId()
		}
		return ctx.Err()
	})
	if errors.Is(err, logfile.ErrNone) {
		return nil, nil
	}
	if res.Tail == nil {
		id = "" // whoever opens the trail opens its index as well, and asks it; to look at it now may take a copy of it
	}
	return trailDamages(ctx, dir, id, &res, err)
}

// trailDamages words what is wrong. The index of the trail with that id is the witness of its end: what it had was
// acknowledged. It is not asked without an id.
func trailDamages(ctx context.Context, dir, id string, res *logfile.Result, err error) ([]string, error) {
	out := []string{}
	switch {
	case errors.Is(err, logfile.ErrCannot):
		return append(out, err.Error()), nil
	case err != nil:
		return nil, err
	}
	for _, d := range res.Damages {
		out = append(out, d.String())
	}
	for _, m := range res.Missing {
		out = append(out, fmt.Sprintf("entries are missing: %s", m))
	}
	if id != "" {
		if of, seq := trailIndexAt(ctx, filepath.Join(dir, TrailFolder, trailIndex)); of == id && seq > res.Last {
			out = append(out, fmt.Sprintf("the trail ends at entry %d, but its index has entry %d", res.Last, seq))
		}
	}
	return out, nil
}

// trailIndexAt reads how far the index of a trail came, and of which trail it is. One that cannot be read is no witness: it
// is made again of the trail.
func trailIndexAt(ctx context.Context, path string) (id string, seq uint64) {
	db, err := sqlitefile.LookChecked(path)
	if err != nil {
		return "", 0
	}
	defer func() { _ = db.Close() }()
	if err := db.QueryRowContext(ctx, `SELECT stream, seq FROM checkpoint`).Scan(&id, &seq); err != nil {
		return "", 0
	}
	return id, seq
}

// trailShard is the shard in the heads of a shard's trail.
func trailShard(shard string) string { return shard + "-trail" }

// sumsKept is how many of the last entries' sums are at hand: a writer's first entry names the last one that it found.
const sumsKept = 1 << 16

// lookAtTrail reads the trail of a stopped instance and follows its chains; nil where there is none. marks are heads
// that were noted before; those of others than the trail are passed over.
func lookAtTrail(ctx context.Context, dir, shard string, marks []chain.Mark) (*TrailPart, error) {
	sums := make(map[uint64]chain.Sum)
	c := chain.New(func(seq uint64) (chain.Sum, bool, error) {
		s, ok := sums[seq]
		return s, ok, nil
	})
	heads := map[uint64]chain.Sum{}
	for _, m := range marks {
		if m.Shard == trailShard(shard) {
			heads[m.Seq] = chain.Sum{}
		}
	}
	id := ""
	res, err := logfile.Read(TrailStream(dir), eventlog.TrailName(shard), func(r logfile.Record) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		if r.Seq == 1 {
			id = genesis(eventOf(r)).GetLogId()
		}
		if c.Seq != r.Seq-1 {
			return nil // behind a missing one nothing can be followed
		}
		a := &logv1.Access{}
		if r.Seq > 1 && proto.Unmarshal(r.Data, a) != nil { // the first is the stream's genesis, an event
			a.Reset()
		}
		sums[r.Seq] = chain.SumOf(r.Data)
		delete(sums, r.Seq-sumsKept)
		if err := c.Add(r.Data, &logv1.Event{Link: a.GetLink()}); err != nil {
			return err
		}
		if _, wanted := heads[r.Seq]; wanted {
			heads[r.Seq] = c.Head
		}
		return nil
	})
	if errors.Is(err, logfile.ErrNone) {
		return nil, nil
	}
	t := &TrailPart{Entries: res.Entries, Last: res.Last, Bytes: res.Bytes, Changes: []string{}, Notes: []string{}}
	if t.Damages, err = trailDamages(ctx, dir, id, &res, err); err != nil {
		return nil, err
	}
	if c.Seq > 0 {
		t.Head = chain.MarkOf(trailShard(shard), c.Seq, c.Head).Text()
	}
	if res.Tail != nil {
		t.Notes = append(t.Notes, fmt.Sprintf("after the last entry stand %d bytes of a write that was interrupted, or of damage: %s",
			res.Tail.Bytes, res.Tail))
	}
	for _, f := range c.Findings {
		if f.Kind == chain.Lost {
			t.Notes = append(t.Notes, f.String())
		} else {
			t.Changes = append(t.Changes, f.String())
		}
	}
	for _, m := range marks {
		if m.Shard == trailShard(shard) {
			t.hold(m, heads[m.Seq], c.Seq)
		}
	}
	return t, nil
}

// hold holds a head that was noted against the trail, which was followed up to an entry.
func (t *TrailPart) hold(m chain.Mark, head chain.Sum, upTo uint64) {
	text, ok := agrees(m, head, upTo)
	if ok {
		t.Notes = append(t.Notes, text)
	} else {
		t.Changes = append(t.Changes, text)
	}
}

// text words the trail for a person.
func (t *TrailPart) text(line func(name, format string, a ...any)) {
	if t == nil {
		line("trail", "there is no audit trail")
		return
	}
	line("trail", "%d whole entries, the last is %d; %.1f MB", t.Entries, t.Last, float64(t.Bytes)/1e6)
	if t.Head != "" {
		line("head", "%s", t.Head)
	}
	for _, n := range t.Notes {
		line("note", "the audit trail: %s", n)
	}
	for _, d := range t.Damages {
		line("DAMAGED", "the audit trail: %s", d)
	}
	for _, c := range t.Changes {
		line("CHANGED", "the audit trail: %s", c)
	}
}

// copyTrail copies the files of a trail, and what it keeps for its stream, from one folder into another that has none.
func copyTrail(ctx context.Context, from, into, shard string) error {
	files, err := TrailFiles(from, shard)
	if err != nil {
		return err
	}
	for _, name := range files {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := copyFile(filepath.Join(from, name), filepath.Join(into, name)); err != nil {
			return fmt.Errorf("copy the audit trail: %w", err)
		}
	}
	return nil
}

// TrailFiles lists the files of a trail, by their paths below the instance's folder: its stream's, and the kept
// entries. There are none where there is no trail.
func TrailFiles(dir, shard string) ([]string, error) {
	files, err := logfile.Files(TrailStream(dir), eventlog.TrailName(shard))
	if err != nil && !errors.Is(err, logfile.ErrNone) {
		return nil, err
	}
	var out []string
	// The kept entries come first: what is written into the stream while they are copied is then there twice, and not lost.
	for _, path := range append([]string{filepath.Join(dir, TrailFolder, trailKept)}, files...) {
		if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
			continue
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return nil, err
		}
		out = append(out, rel)
	}
	return out, nil
}

// MoveKept moves the entries that a trail keeps for its stream from its folder into that of a new trail.
func MoveKept(from, to string) error {
	if err := os.MkdirAll(to, 0o700); err != nil {
		return err
	}
	err := os.Rename(filepath.Join(from, trailKept), filepath.Join(to, trailKept))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// copyFile makes a new file of the bytes of another and returns once it is on the disk.
func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()
	if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
		return err
	}
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}
