package salvage

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/eventlog"
	"cannulary/internal/intake"
	"cannulary/internal/logfile"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// Found is what the folder of a stopped instance holds of its log.
type Found struct {
	Dir, Shard string
	Log        logfile.Result
	// LogErr is logfile.ErrNone or logfile.ErrCannot; nil where the files were read.
	LogErr   error
	LogID    string
	Invented bool // the log holds invented facts, and its entries say when they arrived
	// Witnesses say that entries were there.
	Witnesses []Witness
	// Unread are files beside the log that cannot be read, with the reason.
	Unread []string

	indexUpTo, indexSum uint64 // how far the ingest index came; the sum of the log's entries up to there
	indexErr            error  // why the index cannot be read
}

// Witness is something beside the log that knows an entry of it.
type Witness struct {
	From  string // for a person: "the view view-9.db"
	Seq   uint64 // the newest entry that it knows
	same  func(logfile.Record, *logv1.Event) bool
	agree bool // the log has that very entry
}

// Look reads the log's files and what says how far the log went. It changes nothing.
func Look(ctx context.Context, dir, shard string) (*Found, error) {
	views, err := viewFiles(dir)
	if err != nil {
		return nil, err
	}
	f := &Found{Dir: dir, Shard: shard}
	for _, path := range views {
		c, _, err := checkpointOf(ctx, path)
		f.viewed(path, c, err)
	}
	return f, f.look(ctx)
}

// LookAtStart is Look for whoever is about to open the views anyway: it has them opened as they are,
// which after a crash writes into them, and copies nothing.
func LookAtStart(ctx context.Context, dir, shard string) (*Found, error) {
	kept, err := view.List(ctx, filepath.Join(dir, ViewFolder))
	if err != nil {
		return nil, err
	}
	f := &Found{Dir: dir, Shard: shard}
	for _, k := range kept {
		f.viewed(k.Path, k.At, k.Err)
	}
	return f, f.look(ctx)
}

// viewed takes in how far a view came.
func (f *Found) viewed(path string, c view.Checkpoint, err error) {
	name := "the view " + filepath.Base(path)
	if err != nil {
		f.Unread = append(f.Unread, fmt.Sprintf("%s cannot be read: %v", name, err))
		return
	}
	f.witness(name, c.LogID, c.Seq, c.EventID)
}

func (f *Found) look(ctx context.Context) error {
	if err := f.witnesses(ctx); err != nil {
		return err
	}
	var err error
	f.Log, err = logfile.Read(f.logDir(), eventlog.StreamName(f.Shard), f.record)
	if errors.Is(err, logfile.ErrNone) || errors.Is(err, logfile.ErrCannot) {
		f.LogErr, err = err, nil
	}
	return err
}

func (f *Found) logDir() string { return filepath.Join(f.Dir, LogFolder) }

// The names in an instance's folder that matter here.
const (
	LogFolder  = "log"
	ViewFolder = "view"
	KeyFolder  = "keys"
	// HeadFile is that of eventlog.Head.
	HeadFile = "acknowledged"
)

// witnesses gathers what knows entries beside the views.
func (f *Found) witnesses(ctx context.Context) error {
	h, ok, err := eventlog.ReadHead(filepath.Join(f.Dir, HeadFile))
	switch {
	case errors.Is(err, eventlog.ErrHead):
		f.Unread = append(f.Unread, err.Error())
	case err != nil:
		return err
	case ok:
		f.Witnesses = append(f.Witnesses, Witness{From: "the mark of the newest acknowledged entry", Seq: h.Seq,
			same: func(r logfile.Record, _ *logv1.Event) bool { return eventlog.HeadSum(r.Data) == h.Sum }})
	}
	log, seq, event, err := intake.IndexAt(ctx, f.indexPath())
	f.indexUpTo, f.indexErr = seq, err
	if err == nil {
		f.witness("the ingest index", log, seq, event)
	}
	return nil
}

// witness adds one that names the event of its newest entry. One of another log says nothing of this
// one.
func (f *Found) witness(from, log string, seq uint64, event string) {
	if seq == 0 {
		return
	}
	f.Witnesses = append(f.Witnesses, Witness{From: from, Seq: seq, same: func(_ logfile.Record, ev *logv1.Event) bool {
		return f.LogID != log || ev.GetId() == event || event == ""
	}})
}

// viewFiles lists the views in an instance's folder, the newest version first.
func viewFiles(dir string) ([]string, error) {
	list, err := os.ReadDir(filepath.Join(dir, ViewFolder))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("look for views: %w", err)
	}
	version := func(path string) (n int) {
		_, _ = fmt.Sscanf(filepath.Base(path), "view-%d.db", &n)
		return n
	}
	var out []string
	for _, e := range list {
		if strings.HasSuffix(e.Name(), ".db") && version(e.Name()) > 0 {
			out = append(out, filepath.Join(dir, ViewFolder, e.Name()))
		}
	}
	slices.SortFunc(out, func(a, b string) int { return version(b) - version(a) })
	return out, nil
}

func checkpointOf(ctx context.Context, path string) (c view.Checkpoint, ok bool, err error) {
	v, err := view.OpenCopy(ctx, path)
	if err != nil {
		return c, false, err
	}
	c, ok, err = v.Checkpoint(ctx)
	return c, ok, errors.Join(err, v.Close())
}

// record takes an entry in, while the log is read.
func (f *Found) record(r logfile.Record) error {
	if r.Seq == 1 {
		g := genesis(eventOf(r))
		f.LogID, f.Invented = g.GetLogId(), g.GetInvented()
	}
	if r.Seq <= f.indexUpTo {
		f.indexSum += pairSum(r.Seq, idOf(r.Data))
	}
	for i := range f.Witnesses {
		if w := &f.Witnesses[i]; w.Seq == r.Seq {
			w.agree = w.same(r, eventOf(r))
		}
	}
	return nil
}

// eventOf reads an entry; an event that cannot be read is empty.
func eventOf(r logfile.Record) *logv1.Event {
	ev := &logv1.Event{}
	if proto.Unmarshal(r.Data, ev) != nil {
		ev.Reset()
	}
	return ev
}

// genesis returns what the first event of a log or trail says of it; nil where the event says something else.
func genesis(ev *logv1.Event) *logv1.Genesis {
	if len(ev.GetFacts()) != 1 {
		return nil
	}
	return ev.GetFacts()[0].GetGenesis()
}

// Problems lists what is wrong with the log, each in a sentence without its full stop; none where it may be
// opened. The end of a log whose last write was interrupted is no problem where that write was
// acknowledged to nobody.
func (f *Found) Problems() []string {
	var out []string
	for _, d := range f.Log.Damages {
		out = append(out, d.String())
	}
	for _, m := range f.Log.Missing {
		out = append(out, fmt.Sprintf("entries are missing: %s", m))
	}
	for _, w := range f.Witnesses {
		switch {
		case errors.Is(f.LogErr, logfile.ErrNone):
			out = append(out, fmt.Sprintf("the log is gone, but %s has entry %d", w.From, w.Seq))
		case f.LogErr != nil:
		case w.Seq > f.Log.Last:
			out = append(out, fmt.Sprintf("the log ends at entry %d, but %s has entry %d", f.Log.Last, w.From, w.Seq))
		case !w.agree && !f.missing(w.Seq):
			out = append(out, fmt.Sprintf("entry %d of the log is not the one that %s has: the log lost its end and went on", w.Seq,
				w.From))
		}
	}
	return out
}

func (f *Found) missing(seq uint64) bool {
	return slices.ContainsFunc(f.Log.Missing, func(r logfile.Range) bool { return r.First <= seq && seq <= r.Last })
}

// Damaged is why a log must not be opened.
type Damaged struct {
	Dir      string
	Problems []string
}

func (d *Damaged) Error() string {
	more := ""
	if n := len(d.Problems) - 1; n > 0 {
		more = fmt.Sprintf(" (and %d more)", n)
	}
	return fmt.Sprintf("the log in %s is damaged: %s%s; it was not opened and nothing was changed, since opening it would cut entries "+
		"off; see what is left with `cannulary verify --data %s`, then repair it into a new folder with `cannulary repair` (runbook "+
		"CannularyLogDamaged)", filepath.Join(d.Dir, LogFolder), d.Problems[0], more, d.Dir)
}

// Refusal is a *Damaged where the log must not be opened.
func (f *Found) Refusal() error {
	if p := f.Problems(); len(p) > 0 {
		return &Damaged{f.Dir, p}
	}
	return nil
}
