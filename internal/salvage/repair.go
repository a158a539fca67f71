package salvage

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/durable"
	"cannulary/internal/eventlog"
	"cannulary/internal/keyring"
	"cannulary/internal/logfile"
	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Repaired is what a repair did.
type Repaired struct {
	Repair  string   `json:"repair"` // its id, also in the metadata of the new stream
	Into    string   `json:"into"`
	Entries uint64   `json:"entries"`
	Copied  []string `json:"copied"` // entries that were taken from a view
	Lost    []string `json:"lost"`   // entries that nobody had any more
	// Moved are events that had got the number of an older one, and stand at the end now.
	Moved uint64         `json:"moved"`
	Keys  keyring.Mended `json:"keys"`
}

// Options say how to repair.
type Options struct {
	Dir, Shard string
	Into       string           // a folder that is empty or not there yet
	Copies     []string         // further views, and folders with the log of a backup
	Keys       []keyring.Secret // of a backup, for those that are damaged
	Now        func() time.Time
	Slog       *slog.Logger
}

// Repair makes a new instance's folder with all entries of the log, each with its number, its bytes and its time.
// What the files of the log do not hold is taken from the views. For every entry that nothing holds a
// `loss recorded` takes the number, so that no other moves. Keys are copied, and the audit trail as it is; view and
// index are left out, they are built from the new log. The damaged folder stays as it is.
func Repair(ctx context.Context, o Options) (out *Repaired, err error) {
	s, err := open(ctx, o.Dir, o.Shard, o.Copies)
	if err != nil {
		return nil, err
	}
	defer s.close()
	if errors.Is(s.found.LogErr, logfile.ErrCannot) {
		return nil, fmt.Errorf("%w; restore a backup", s.found.LogErr)
	}
	if s.end == 0 {
		return nil, fmt.Errorf("nothing in %s has any entry: there is nothing to repair", o.Dir)
	}
	if Within(o.Into, o.Dir) {
		return nil, fmt.Errorf("%s lies in the folder that is repaired: name a folder beside it with --into", o.Into)
	}
	if err := emptyFolder(o.Into); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, removeMade(o.Into))
		}
	}()
	finished, err := Fill(o.Into, ByRepair)
	if err != nil {
		return nil, err
	}
	keys, err := mendKeys(ctx, o)
	if err != nil {
		return nil, err
	}
	if out, err = s.write(ctx, o); err != nil {
		return nil, err
	}
	if err := copyTrail(ctx, o.Dir, o.Into, o.Shard); err != nil {
		return nil, err
	}
	out.Keys = keys
	return out, finished()
}

// Unfinished is the file by which a command marks the folder that it fills, until all is in it.
const Unfinished = "repair-unfinished"

// Filling is a command that fills a folder.
type Filling string

// The commands that fill one.
const (
	ByRepair  Filling = "repair"
	ByRestore Filling = "restore"
)

// Fill marks a folder that a command begins to fill, on the disk before anything else is in it. The command calls
// finished when all is in it.
func Fill(dir string, by Filling) (finished func() error, err error) {
	path := filepath.Join(dir, Unfinished)
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err == nil {
		_, err = fmt.Fprintf(f, "A %s fills this folder. While this file is here, entries are missing from the log beside it.\n", by)
		err = errors.Join(err, f.Sync(), f.Close(), durable.Sync(dir))
	}
	if err != nil {
		return nil, fmt.Errorf("the folder that a %s fills: %w", by, err)
	}
	return func() error { return errors.Join(os.Remove(path), durable.Sync(dir)) }, nil
}

// CheckFinished refuses a folder in which a repair or a restore was interrupted: its log ends too early, and nothing else
// in it would say so.
func CheckFinished(dir string) error {
	said, err := os.ReadFile(filepath.Join(dir, Unfinished))
	if err != nil {
		return nil
	}
	by, from := ByRepair, "the folder that it read"
	if strings.HasPrefix(string(said), "A "+string(ByRestore)) {
		by, from = ByRestore, "the backup"
	}
	return fmt.Errorf("%s holds what an interrupted %s left, and not all entries: delete this folder, then run `cannulary %s` again; "+
		"%s is as it was", dir, by, by, from)
}

func (s *salvage) write(ctx context.Context, o Options) (out *Repaired, err error) {
	id := make([]byte, 16)
	_, _ = rand.Read(id) // it never fails
	out = &Repaired{Repair: hex.EncodeToString(id), Into: o.Into, Copied: []string{}, Lost: []string{}}
	srv, err := eventlog.StartServer(filepath.Join(o.Into, LogFolder), eventlog.DefaultMaxBytes+s.found.Log.Bytes, o.Slog)
	if err != nil {
		return nil, err
	}
	defer srv.Stop()
	nc, err := srv.Connect()
	if err != nil {
		return nil, err
	}
	defer nc.Close()
	to, err := eventlog.Restore(ctx, nc, eventlog.Config{Shard: o.Shard, MaxBytes: eventlog.DefaultMaxBytes, Replicas: 1,
		Head: filepath.Join(o.Into, HeadFile)}, out.Repair)
	if err != nil {
		return nil, err
	}
	w := &mender{salvage: s, to: to, out: out, now: o.Now()}
	if s.found.LogErr == nil {
		take := func(r logfile.Record) error { return w.take(ctx, r) }
		if _, err := logfile.Read(s.found.logDir(), eventlog.StreamName(o.Shard), take); err != nil {
			return nil, err
		}
	}
	if err := w.upTo(ctx, s.end+1); err != nil {
		return nil, err
	}
	for _, e := range w.moved {
		if err := w.append(ctx, e.Data, e.Time); err != nil {
			return nil, err
		}
	}
	if err := w.repaired(ctx); err != nil {
		return nil, err
	}
	out.Entries, out.Moved, out.Copied, out.Lost = w.last.Seq, uint64(len(w.moved)), ranges(w.copied), ranges(w.lost)
	return out, to.Close(ctx, w.last)
}

// mender writes the new log.
type mender struct {
	*salvage
	to           *eventlog.Restorer
	out          *Repaired
	last         eventlog.Entry
	moved        []eventlog.Entry
	copied, lost []uint64
	now          time.Time
}

// take appends an entry of the log, after what is missing before it. If a view has another event under
// its number, that one was acknowledged first and keeps the number.
func (w *mender) take(ctx context.Context, r logfile.Record) error {
	if err := w.upTo(ctx, r.Seq); err != nil {
		return err
	}
	e := w.entry(r)
	c, ok, err := w.salvage.copied(ctx, r.Seq)
	if err != nil {
		return err
	}
	if ok && c.ID != eventOf(r).GetId() && !c.Logged.IsZero() {
		w.moved = append(w.moved, e)
		w.copied = append(w.copied, r.Seq)
		return w.append(ctx, c.Data, c.Logged)
	}
	return w.append(ctx, e.Data, e.Time)
}

// upTo appends what the log lacks before an entry.
func (w *mender) upTo(ctx context.Context, seq uint64) error {
	for w.last.Seq+1 < seq {
		missing := w.last.Seq + 1
		c, ok, err := w.salvage.copied(ctx, missing)
		if err != nil {
			return err
		}
		if ok {
			w.copied = append(w.copied, missing)
			err = w.append(ctx, c.Data, original(c, w.last.Time))
		} else {
			w.lost = append(w.lost, missing)
			err = w.loss(ctx, missing)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// loss appends what stands for a lost entry.
func (w *mender) loss(ctx context.Context, seq uint64) error {
	if seq == 1 {
		return errors.New("the log's first entry is lost, and with it the log's identity: restore a backup")
	}
	at := w.last.Time
	if at.IsZero() {
		at = w.now
	}
	return w.say(ctx, fmt.Sprintf("loss/%d", seq), at,
		&logv1.Fact{Fact: &logv1.Fact_LossRecorded{LossRecorded: &logv1.LossRecorded{FirstSequence: seq, LastSequence: seq}}})
}

// repaired appends the event of the repair itself: the log says that it was mended, and how.
func (w *mender) repaired(ctx context.Context) error {
	return w.say(ctx, "repair/"+w.out.Repair, w.now.UTC(), &logv1.Fact{Fact: &logv1.Fact_LogRepaired{LogRepaired: &logv1.LogRepaired{
		Repair: w.out.Repair, Copied: uint64(len(w.copied)), Lost: uint64(len(w.lost)), Moved: uint64(len(w.moved))}}})
}

// say appends an event of the service itself.
func (w *mender) say(ctx context.Context, message string, at time.Time, f *logv1.Fact) error {
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(&logv1.Event{
		Id: record.EventID(eventlog.ServiceSource, message), Source: eventlog.ServiceSource, SourceMessageId: message,
		ContentHash: []byte(message), OccurredAt: timestamppb.New(at), Precision: cannularyv1.TimePrecision_TIME_PRECISION_SECOND,
		Facts: []*logv1.Fact{f},
	})
	if err != nil {
		return err
	}
	return w.append(ctx, data, at)
}

func (w *mender) append(ctx context.Context, data []byte, at time.Time) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	w.last = eventlog.Entry{Seq: w.last.Seq + 1, Time: at, Data: data}
	return w.to.Append(ctx, w.last)
}

// emptyFolder makes the folder, or refuses one that holds anything.
func emptyFolder(dir string) error {
	if dir == "" {
		return errors.New("no folder to repair into is given; name an empty one with --into")
	}
	list, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("the folder to repair into: %w", err)
	}
	if err := CheckFinished(dir); err != nil {
		return err
	}
	if len(list) > 0 {
		return fmt.Errorf("%s is not empty (it holds %s): name a folder that is empty or not there yet with --into", dir, list[0].Name())
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("the folder to repair into: %w", err)
	}
	return nil
}

// removeMade removes what a repair that failed left.
func removeMade(into string) error {
	var errs []error
	for _, part := range []string{LogFolder, KeyFolder, HeadFile, TrailFolder, Unfinished} {
		errs = append(errs, os.RemoveAll(filepath.Join(into, part)))
	}
	return errors.Join(errs...)
}
