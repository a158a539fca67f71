package salvage

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"cannulary/internal/chain"
	"cannulary/internal/logfile"
	"cannulary/internal/view"
)

// Report is what a look at a whole folder found.
type Report struct {
	Dir   string `json:"dir"`
	Whole bool   `json:"whole"`
	// Record tells that all but the audit trail is whole.
	Record bool `json:"record"`
	// Mendable tells that a repair loses no entry that anything here knows.
	Mendable bool     `json:"mendable"`
	Entries  uint64   `json:"entries"` // whole ones in the log
	Last     uint64   `json:"last"`    // the last one
	Files    int      `json:"files"`
	Bytes    int64    `json:"bytes"`
	Damages  []string `json:"damages"` // all that is wrong
	Notes    []string `json:"notes"`   // what is to be known and is not wrong
	// Copied are the missing entries of which a view has a copy; Lost are those that nothing here has.
	Copied []string   `json:"copied"`
	Lost   []string   `json:"lost"`
	Copies []CopyPart `json:"copies"`
	Keys   KeyPart    `json:"keys"`
	// Trail is the audit trail; nil where there is none. It is no part of Damages and Mendable: nothing repairs it.
	Trail *TrailPart `json:"trail"`
	// Head is the log's head where it ends, or before its first missing entry; see chain.Mark.
	Head string `json:"head"`
}

// CopyPart is a view, as far as it is a second copy of the log.
type CopyPart struct {
	File      string `json:"file"`
	UpTo      uint64 `json:"upTo"`
	Events    uint64 `json:"events"`    // good copies that agree with the log, or stand for what it lacks
	Damaged   uint64 `json:"damaged"`   // copies that are not what was written
	Different uint64 `json:"different"` // good copies of other events than the log has
}

// Verify looks at log, copies, index and keys of a stopped instance. It changes nothing. marks are heads of the
// log that were printed or noted before; the log must still have them.
func Verify(ctx context.Context, dir, shard string, marks ...chain.Mark) (*Report, error) {
	var heads []uint64
	for _, m := range marks {
		heads = append(heads, m.Seq)
	}
	s, err := open(ctx, dir, shard, nil, heads...)
	if err != nil {
		return nil, err
	}
	defer s.close()
	log := s.found.Log
	r := &Report{Dir: dir, Entries: log.Entries, Last: log.Last, Files: log.Files, Bytes: log.Bytes,
		Damages: append(s.found.Problems(), s.found.Unread...), Notes: []string{}, Copies: []CopyPart{}}
	if s.found.LogErr != nil && len(r.Damages) == 0 {
		r.Damages = append(r.Damages, s.found.LogErr.Error())
	}
	if t := log.Tail; t != nil {
		r.Notes = append(r.Notes, fmt.Sprintf("after the last entry stand %d bytes of a write that was interrupted, or of damage: %s",
			t.Bytes, t))
	}
	r.Notes = append(append(r.Notes, s.notes()...), s.ahead()...)
	for _, c := range s.copies {
		part, err := s.compare(ctx, c)
		if err != nil {
			return nil, err
		}
		if found := c.view.Check(ctx); found != "" {
			r.Damages = append(r.Damages, fmt.Sprintf("the file %s is damaged: %s; `cannulary rebuild` builds it again from the log",
				c.path, found))
		}
		if part.Damaged > 0 {
			r.Damages = append(r.Damages, fmt.Sprintf("%s: %d copies of events are damaged; `cannulary rebuild` builds it again from "+
				"the log", c.path, part.Damaged))
		}
		if part.Different > 0 {
			r.Damages = append(r.Damages, fmt.Sprintf("%s: %d events differ from the log's entries of the same numbers", c.path,
				part.Different))
		}
		r.Copies = append(r.Copies, part)
	}
	r.chain(s, marks)
	if d := s.found.IndexDamage(ctx); d != "" {
		r.Damages = append(r.Damages, fmt.Sprintf("the ingest index %s is damaged: %s; the next start builds it again from the log",
			s.found.indexPath(), d))
	}
	r.Keys = s.keys(ctx)
	r.Damages = append(r.Damages, r.Keys.Damages...)
	copied, lost, err := s.rest(ctx)
	if err != nil {
		return nil, err
	}
	r.Copied, r.Lost = ranges(copied), ranges(lost)
	if r.Trail, err = lookAtTrail(ctx, dir, shard, marks); err != nil {
		return nil, err
	}
	if r.Trail == nil {
		for _, m := range marks {
			if m.Shard == trailShard(shard) {
				r.Damages = append(r.Damages, fmt.Sprintf("the head %s cannot be looked at: there is no audit trail", m.Text()))
			}
		}
	}
	r.Record = len(r.Damages) == 0
	r.Whole = r.Record && (r.Trail == nil || len(r.Trail.Damages)+len(r.Trail.Changes) == 0)
	r.Mendable = len(lost) == 0 && s.found.LogErr == nil && r.Keys.Mendable
	return r, nil
}

// chain holds the log against the chains of its writers, the heads that its views kept, and the marks.
func (r *Report) chain(s *salvage, marks []chain.Mark) {
	c := s.chain
	if c == nil || c.Seq == 0 {
		return
	}
	r.Head = chain.MarkOf(s.found.Shard, c.Seq, c.Head).Text()
	for _, f := range c.Findings {
		if f.Kind == chain.Lost {
			r.Notes = append(r.Notes, f.String())
		} else {
			r.Damages = append(r.Damages, f.String())
		}
	}
	if len(c.Writers) == 0 {
		r.Notes = append(r.Notes, "all entries are of an earlier version and have no chain: only a head shows whether they were changed")
	}
	if c.Seq < r.Last {
		r.Notes = append(r.Notes, fmt.Sprintf("chains and heads were followed up to entry %d, before the first missing one", c.Seq))
	}
	for _, v := range s.copies {
		if v.headAt > 0 && v.headAt <= c.Seq && s.heads[v.headAt] != v.head {
			r.Damages = append(r.Damages, fmt.Sprintf("%s was built from other entries: the log's head at entry %d was another one", v.path,
				v.headAt))
		}
	}
	for _, m := range marks {
		switch m.Shard {
		case s.found.Shard:
			text, ok := agrees(m, s.heads[m.Seq], c.Seq)
			if ok {
				r.Notes = append(r.Notes, text)
			} else {
				r.Damages = append(r.Damages, text)
			}
		case trailShard(s.found.Shard):
		default:
			r.Damages = append(r.Damages, fmt.Sprintf("the head %s is of shard %q, not of %q", m.Text(), m.Shard, s.found.Shard))
		}
	}
}

// agrees holds a head that was noted against what is at its entry now, and says in words whether nothing was changed.
// upTo is how far the entries could be followed.
func agrees(m chain.Mark, head chain.Sum, upTo uint64) (text string, ok bool) {
	switch {
	case m.Seq > upTo:
		return fmt.Sprintf("the head %s cannot be looked at: the entries can be followed up to %d only", m.Text(), upTo), false
	case !m.Is(head):
		return fmt.Sprintf("the head %s does not agree: an entry up to %d was changed, removed or put in since, or a repair found "+
			"entries lost; now it is %s", m.Text(), m.Seq, chain.MarkOf(m.Shard, m.Seq, head).Text()), false
	}
	return fmt.Sprintf("the head %s agrees: no entry up to %d was changed since it was noted", m.Text(), m.Seq), true
}

// notes says what a look could not see.
func (s *salvage) notes() []string {
	var out []string
	if s.plain > 0 {
		out = append(out, fmt.Sprintf("%d entries of an earlier version hold what people wrote about a patient in their own words, not "+
			"sealed: an erasure does not reach them", s.plain))
	}
	if kept, _ := view.Aside(filepath.Join(s.found.Dir, ViewFolder)); kept {
		out = append(out, fmt.Sprintf("a damaged view is kept as %s: whoever looks for the cause may want it, and `cannulary repair "+
			"--copy` takes its good copies of entries; delete it when you do not need it", view.AsideName))
	}
	if len(s.copies) == 0 {
		out = append(out, "there is no view, so there is no second copy of any entry")
	}
	for _, w := range s.found.Witnesses {
		if strings.Contains(w.From, "mark") {
			return out
		}
	}
	return append(out, fmt.Sprintf("%s is not there: nobody can tell whether the log lost its last entries",
		filepath.Join(s.found.Dir, HeadFile)))
}

// compare holds a view's copies against the log.
func (s *salvage) compare(ctx context.Context, c *source) (CopyPart, error) {
	p := CopyPart{File: c.path, UpTo: c.upTo}
	for seq := uint64(1); seq <= c.upTo; seq++ {
		if err := ctx.Err(); err != nil {
			return p, err
		}
		e, ok, err := c.event(ctx, seq)
		switch {
		case errors.Is(err, view.ErrCopy):
			p.Damaged++
		case err != nil:
			return p, err
		case !ok: // a test, or a repeat
		case s.log[seq] == nil || s.log[seq].sum == chain.SumOf(e.Data):
			p.Events++
		case s.log[seq].id == e.ID: // the log's has its own checksum
			p.Damaged++
		default:
			p.Different++
		}
	}
	return p, nil
}

// ranges words numbers that go up.
func ranges(list []uint64) []string {
	out := []string{}
	for i := 0; i < len(list); {
		j := i
		for j+1 < len(list) && list[j+1] == list[j]+1 {
			j++
		}
		out = append(out, logfile.Range{First: list[i], Last: list[j]}.String())
		i = j + 1
	}
	return out
}

// Text words the report for a person.
func (r *Report) Text() string {
	var b strings.Builder
	line := func(name, format string, a ...any) { fmt.Fprintf(&b, "%-9s %s\n", name, fmt.Sprintf(format, a...)) }
	line("log", "%d whole entries, the last is %d; %d files, %.1f MB", r.Entries, r.Last, r.Files, float64(r.Bytes)/1e6)
	for _, c := range r.Copies {
		line("copy", "%s: %d good copies of entries up to %d", filepath.Base(c.File), c.Events, c.UpTo)
	}
	line("keys", "%s", r.Keys.Text)
	if r.Head != "" {
		line("head", "%s", r.Head)
	}
	for _, n := range r.Notes {
		line("note", "%s", n)
	}
	for _, d := range r.Damages {
		line("DAMAGED", "%s", d)
	}
	r.Trail.text(line)
	if len(r.Copied) > 0 {
		line("mendable", "a view has a copy of entries %s", strings.Join(r.Copied, ", "))
	}
	if len(r.Lost) > 0 {
		line("LOST", "nothing here has entries %s any more", strings.Join(r.Lost, ", "))
	}
	switch {
	case r.Whole:
		line("so", "everything that was looked at is whole")
	case r.Record:
		line("so", "the record is whole, the audit trail is not, and nothing repairs it: keep a copy of the folder %s, runbook "+
			"CannularyTrailChanged", TrailFolder)
	case r.Mendable:
		line("so", "damaged, and `cannulary repair` repairs it without loss")
	default:
		line("so", "damaged, and not all of it can be repaired from this folder; a backup or another view may help: "+
			"`cannulary repair --copy FILE --keys-from FOLDER`")
	}
	return b.String()
}
