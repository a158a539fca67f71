package salvage

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"cannulary/internal/chain"
	"cannulary/internal/eventlog"
	"cannulary/internal/freetext"
	"cannulary/internal/logfile"
	"cannulary/internal/view"
)

// salvage is a folder that was looked at, with what may have copies of its entries.
type salvage struct {
	found  *Found
	log    map[uint64]*stood // the log's whole entries
	copies []*source
	end    uint64 // the last entry that anything knows

	fingerprint string            // of the site secret, by the log's first entry
	sealed      map[string][]byte // by patient key, a value that the patient's key must open
	plain       uint64            // entries with words about a patient that are not sealed

	times []dated
	wrong []eventlog.WrongClock // declared

	chain *chain.Checker       // of the log, up to the first entry that is missing
	heads map[uint64]chain.Sum // by sequence, of those that were asked for
}

// stood is what is remembered of an entry of the log.
type stood struct {
	id  string
	sum chain.Sum
}

// source has copies: a view, or the log in a backup.
type source struct {
	path string
	view *view.Copy                  // nil for a log
	log  map[uint64]view.CopiedEvent // nil for a view
	upTo uint64

	headAt uint64 // where the view kept the log's head; 0 for nowhere
	head   chain.Sum
}

func (c *source) event(ctx context.Context, seq uint64) (view.CopiedEvent, bool, error) {
	if c.view != nil {
		return c.view.Event(ctx, seq)
	}
	e, ok := c.log[seq]
	return e, ok, nil
}

// open looks at a folder, and opens its views and the further views and backups at copies. heads are sequences
// at which the log's head is wanted.
func open(ctx context.Context, dir, shard string, copies []string, heads ...uint64) (s *salvage, err error) {
	if err := Holds(dir, LogFolder); err != nil && Holds(dir, ViewFolder) != nil {
		return nil, err
	}
	s = &salvage{log: map[uint64]*stood{}, sealed: map[string][]byte{}, heads: map[uint64]chain.Sum{}}
	for _, seq := range heads {
		s.heads[seq] = chain.Sum{}
	}
	opened := s // an error returns no s
	defer func() {
		if err != nil {
			opened.close()
		}
	}()
	if s.found, err = Look(ctx, dir, shard); err != nil {
		return nil, err
	}
	own, err := viewFiles(dir)
	if err != nil {
		return nil, err
	}
	for i, path := range append(own, copies...) {
		c, err := s.source(ctx, path)
		if err == nil {
			s.copies = append(s.copies, c)
		} else if i >= len(own) { // Look has an own one among what cannot be read
			return nil, err
		}
	}
	s.end = s.found.Log.Last
	for _, w := range s.found.Witnesses {
		s.end = max(s.end, w.Seq)
	}
	for _, c := range s.copies {
		s.end = max(s.end, c.upTo)
		s.heads[c.headAt] = chain.Sum{}
	}
	return s, s.remember()
}

// source opens a view of the same log, or the folder with the log's part of a backup.
func (s *salvage) source(ctx context.Context, path string) (*source, error) {
	if _, err := os.Stat(filepath.Join(path, LogFolder)); err == nil {
		return s.backup(path)
	}
	v, err := view.OpenCopy(ctx, path)
	if err != nil {
		return nil, err
	}
	c, _, err := v.Checkpoint(ctx)
	if err == nil && s.found.LogID != "" && c.LogID != s.found.LogID {
		err = fmt.Errorf("view %s is of another log (%s, not %s)", path, c.LogID, s.found.LogID)
	}
	if err != nil {
		return nil, errors.Join(err, v.Close())
	}
	at, head, err := v.Head(ctx)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("view %s: %w", path, err), v.Close())
	}
	return &source{path: path, view: v, upTo: c.Seq, headAt: at, head: head}, nil
}

// backup reads the log in another folder: that of a backup, or of another instance.
func (s *salvage) backup(dir string) (*source, error) {
	f := &Found{Dir: dir, Shard: s.found.Shard}
	c := &source{path: dir, log: map[uint64]view.CopiedEvent{}}
	_, err := logfile.Read(f.logDir(), eventlog.StreamName(f.Shard), func(r logfile.Record) error {
		if err := f.record(r); err != nil {
			return err
		}
		c.log[r.Seq] = view.CopiedEvent{ID: eventOf(r).GetId(), Logged: eventlog.Taken(r.Time, r.Header, f.Invented),
			Data: append([]byte(nil), r.Data...)}
		c.upTo = max(c.upTo, r.Seq)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read the copy in %s: %w", dir, err)
	}
	if s.found.LogID != "" && f.LogID != s.found.LogID {
		return nil, fmt.Errorf("the log in %s is another one (%s, not %s)", dir, f.LogID, s.found.LogID)
	}
	return c, nil
}

// remember reads the log once more.
func (s *salvage) remember() error {
	if s.found.LogErr != nil {
		return nil
	}
	s.chain = chain.New(func(seq uint64) (chain.Sum, bool, error) {
		if e := s.log[seq]; e != nil {
			return e.sum, true, nil
		}
		return chain.Sum{}, false, nil
	})
	_, err := logfile.Read(s.found.logDir(), eventlog.StreamName(s.found.Shard), func(r logfile.Record) error {
		ev := eventOf(r)
		s.log[r.Seq] = &stood{ev.GetId(), chain.SumOf(r.Data)}
		if s.chain.Seq == r.Seq-1 {
			if err := s.chain.Add(r.Data, ev); err != nil {
				return err
			}
			if _, wanted := s.heads[r.Seq]; wanted {
				s.heads[r.Seq] = s.chain.Head
			}
		}
		s.times = append(s.times, dated{r.Seq, eventlog.Taken(r.Time, r.Header, s.found.Invented)})
		for _, f := range ev.GetFacts() {
			if c := f.GetClockCorrected(); c != nil {
				s.wrong = append(s.wrong, eventlog.WrongClock{First: c.GetFirstSequence(), Last: c.GetLastSequence()})
			}
		}
		if freetext.Plain(ev) {
			s.plain++
		}
		if b := ev.GetPatientSealed(); len(b) > 0 && s.sealed[ev.GetPatientKey()] == nil {
			s.sealed[ev.GetPatientKey()] = b
		}
		if r.Seq == 1 {
			s.fingerprint = genesis(ev).GetSecretFingerprint()
		}
		return nil
	})
	return err
}

func (s *salvage) close() {
	for _, c := range s.copies {
		if c.view != nil {
			_ = c.view.Close()
		}
	}
}

// copied finds a copy of an entry: in the views and backups in their order.
func (s *salvage) copied(ctx context.Context, seq uint64) (e view.CopiedEvent, ok bool, err error) {
	for _, c := range s.copies {
		if seq > c.upTo {
			continue
		}
		e, ok, err = c.event(ctx, seq)
		if err != nil && !errors.Is(err, view.ErrCopy) {
			return e, false, err
		}
		if err == nil && ok {
			return e, true, nil
		}
	}
	return e, false, nil
}

// rest sorts the entries that the log lacks: those of which a view has a copy, and the others.
func (s *salvage) rest(ctx context.Context) (copied, lost []uint64, err error) {
	for seq := uint64(1); seq <= s.end; seq++ {
		if s.log[seq] != nil {
			continue
		}
		_, ok, err := s.copied(ctx, seq)
		if err != nil {
			return nil, nil, err
		}
		if ok {
			copied = append(copied, seq)
		} else {
			lost = append(lost, seq)
		}
	}
	return copied, lost, nil
}

// entry is what a record of the log's files is to a reader of the log.
func (s *salvage) entry(r logfile.Record) eventlog.Entry {
	return eventlog.Entry{Seq: r.Seq, Time: eventlog.Taken(r.Time, r.Header, s.found.Invented), Data: append([]byte(nil), r.Data...)}
}

// original is the time of a copy that has none of its own.
func original(e view.CopiedEvent, before time.Time) time.Time {
	if e.Logged.IsZero() {
		return before
	}
	return e.Logged
}
