package app

import (
	"context"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"syscall"
	"time"

	"cannulary/internal/chain"
	"cannulary/internal/view"
)

// Status is the state of an instance.
type Status struct {
	Version     string `json:"version"`
	Ready       bool   `json:"ready"`
	Shard       string `json:"shard"`
	LogID       string `json:"logId"`
	LogSequence uint64 `json:"logSequence"`
	LogBytes    uint64 `json:"logBytes"`
	LogMaxBytes int64  `json:"logMaxBytes"`
	LogWarnings int64  `json:"logWarnings"`
	// LogRecoveries counts messages of the embedded server about its last, disorderly end.
	LogRecoveries int64  `json:"logRecoveries"`
	LogMissing    uint64 `json:"logMissing"` // entries that the log lost
	LogMissingAt  uint64 `json:"logMissingAt,omitempty"`
	LogChecked    uint64 `json:"logChecked"` // last sequence that the running pass has read
	LogWhole      bool   `json:"logWhole"`   // every entry was read since the start
	// Head is the log's head as far as it was projected, signed: see chain.Mark. VerificationKey checks the
	// signature. Findings are what a log that nobody touched would not have, the first of them in words.
	Head            string   `json:"head,omitempty"`
	VerificationKey string   `json:"verificationKey,omitempty"`
	Findings        int      `json:"chainFindings"`
	FindingTexts    []string `json:"chainFindingTexts,omitempty"`
	// Trail is the audit trail.
	Trail       *TrailStatus `json:"trail,omitempty"`
	Projected   uint64       `json:"projected"`
	Lag         uint64       `json:"lag"`
	Failed      string       `json:"failed,omitempty"`
	Quarantined int          `json:"quarantined"`
	Aside       int          `json:"aside"`
	// WithoutEffect is the number of corrections and voids that change nothing in the record
	// now. Amendments are the oldest of them.
	WithoutEffect int               `json:"withoutEffect"`
	Amendments    []AmendmentStatus `json:"amendmentsWithoutEffect"`
	Facilities    []FacilityStatus  `json:"facilities"`
	Resources     []view.TypeCount  `json:"resources"`
	DataBytes     int64             `json:"dataBytes"`
	DiskFree      uint64            `json:"diskFreeBytes"`
}

// AmendmentStatus is a correction or void that changes nothing, in the sender's own terms.
type AmendmentStatus struct {
	Facility string    `json:"facility"`
	Logged   time.Time `json:"logged"`
	Source   string    `json:"source"`
	Message  string    `json:"message"`
	Fact     int       `json:"fact"` // its place in the message, from 0
	Kind     string    `json:"kind"`
	Names    string    `json:"names"` // what it names
	Why      string    `json:"why"`
}

// mostAmendments is how many of them a status lists.
const mostAmendments = 20

func amendments(list []view.UnreachedFact) []AmendmentStatus {
	out := []AmendmentStatus{}
	for i := range list {
		u, f := &list[i], &list[i].By
		out = append(out, AmendmentStatus{Facility: u.Facility, Logged: u.Logged.UTC(), Source: f.Source,
			Message: u.Message, Fact: f.Ordinal,
			Kind: string(f.Kind), Names: f.Names(), Why: u.Why.Says()})
	}
	return out
}

// FacilityStatus is when a facility last sent something.
type FacilityStatus struct {
	ID           string    `json:"id"`
	Messages     int       `json:"messages"`
	LastMessage  time.Time `json:"lastMessage"`
	LastOccurred time.Time `json:"lastOccurred"`
	Day          string    `json:"day"`
}

// Status returns the state of the instance.
func (a *App) Status(ctx context.Context) (Status, error) {
	st, err := a.log.State(ctx)
	if err != nil {
		return Status{}, err
	}
	s := Status{Version: a.cfg.Version, Ready: a.Ready(), Shard: a.log.Shard(), LogID: a.log.ID(), LogSequence: st.LastSeq,
		LogBytes: st.Bytes, LogMaxBytes: st.MaxBytes, Amendments: []AmendmentStatus{}, Facilities: []FacilityStatus{},
		Resources: []view.TypeCount{}}
	if a.server != nil {
		s.LogWarnings, s.LogRecoveries = a.server.Warnings(), a.server.Recoveries()
	}
	s.Trail = a.trailStatus()
	c := a.Checked()
	s.LogMissing, s.LogMissingAt, s.LogChecked, s.LogWhole = a.missing(st.Missing), c.First, c.UpTo, c.Whole
	if a.projector != nil {
		s.Projected = min(a.projector.Sequence(), st.LastSeq)
		s.Lag = st.LastSeq - s.Projected
		if err := a.projector.Failed(); err != nil {
			s.Failed = err.Error()
		}
	}
	if err := a.withheld(); err != nil && !a.gathers() {
		s.Failed = err.Error()
	} else if a.store != nil {
		c, err := a.store.Counts(ctx)
		if err != nil {
			return Status{}, err
		}
		s.Quarantined, s.Aside, s.Resources = c.Quarantine, c.Aside, c.Resources
		list, total, err := a.store.Unreached(ctx, mostAmendments)
		if err != nil {
			return Status{}, err
		}
		s.WithoutEffect, s.Amendments = total, amendments(list)
		if err := a.chainStatus(ctx, &s); err != nil {
			return Status{}, err
		}
		for _, f := range c.Facilities {
			s.Facilities = append(s.Facilities, FacilityStatus{f.ID, f.Events, f.LastLogged, f.LastOccurred, f.Day})
		}
	}
	s.DataBytes, s.DiskFree = disk(a.cfg.Dir)
	return s, nil
}

// chainStatus fills in what is known of the chains of the log's writers.
func (a *App) chainStatus(ctx context.Context, s *Status) error {
	m, err := a.head(ctx)
	if err != nil {
		return err
	}
	if m.Seq > 0 {
		s.Head, s.VerificationKey = m.String(), a.ring.VerificationKey()
	}
	list, err := a.store.Findings(ctx)
	s.Findings = len(list)
	for _, f := range list[:min(len(list), findingsSaid)] {
		s.FindingTexts = append(s.FindingTexts, f.String())
	}
	return err
}

// disk returns the size of the folder and the free room beside it; 0 for what cannot be read.
func disk(dir string) (used int64, free uint64) {
	_ = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			if i, err := d.Info(); err == nil {
				used += i.Size()
			}
		}
		return nil
	})
	free, _ = diskFree(dir)
	return used, free
}

// diskFree returns the free room beside the folder; ok is false if it cannot be read.
func diskFree(dir string) (free uint64, ok bool) {
	var sf syscall.Statfs_t
	if syscall.Statfs(dir, &sf) != nil {
		return 0, false
	}
	return sf.Bavail * uint64(sf.Bsize), true
}

// exportRoom returns the free room for exports. If it cannot be read, exports run without a
// check.
func (a *App) exportRoom() uint64 {
	if free, ok := diskFree(a.cfg.Dir); ok {
		return free
	}
	return math.MaxUint64
}

// Text returns the status in about ten lines.
func (s Status) Text(now time.Time) string {
	state := "ready"
	switch {
	case s.Failed != "":
		state = "FAILED: " + s.Failed
	case !s.Ready:
		state = "catching up"
	}
	out := fmt.Sprintf("cannulary   %s, %s\n", s.Version, state)
	out += fmt.Sprintf("log         shard %s, %d events, %s of %s (%.1f %%), id %s\n", s.Shard, s.LogSequence, size(int64(s.LogBytes)),
		size(s.LogMaxBytes), 100*float64(s.LogBytes)/float64(max(1, s.LogMaxBytes)), s.LogID)
	out += "entries     " + s.entries() + "\n"
	if s.Head != "" {
		m, _ := chain.ParseMark(s.Head)
		out += fmt.Sprintf("head        %s\n", m.Short())
	}
	for _, f := range s.FindingTexts {
		out += fmt.Sprintf("finding     %s\n", f)
	}
	out += fmt.Sprintf("warnings    %d of the embedded log server, %d lines about recovering after it was not stopped in order\n",
		s.LogWarnings, s.LogRecoveries)
	if t := s.Trail; t != nil {
		out += fmt.Sprintf("trail       %d entries, %s of %s (%.1f %%), %d kept on disk\n", t.Entries, size(int64(t.Bytes)),
			size(t.MaxBytes), 100*float64(t.Bytes)/float64(max(1, t.MaxBytes)), t.Kept)
		for _, f := range t.FindingTexts {
			out += fmt.Sprintf("finding     in the trail: %s\n", f)
		}
	}
	out += fmt.Sprintf("view        %d projected, %d behind\n", s.Projected, s.Lag)
	out += fmt.Sprintf("quarantine  %d events not understood, %d aside (tests, repeats)\n", s.Quarantined, s.Aside)
	if s.WithoutEffect > 0 {
		out += fmt.Sprintf("no effect   corrections and voids that change nothing as the record stands: %d, the oldest:\n", s.WithoutEffect)
		for _, a := range s.Amendments[:min(3, len(s.Amendments))] {
			out += fmt.Sprintf("            %s: %s %q (%s) names %s: %s\n", a.Facility, a.Source, a.Message, a.Kind, a.Names, a.Why)
		}
	}
	n := 0
	for _, r := range s.Resources {
		n += r.Count
	}
	out += fmt.Sprintf("resources   %d of %d types\n", n, len(s.Resources))
	out += fmt.Sprintf("disk        %s used, %s free\n", size(s.DataBytes), size(int64(s.DiskFree)))
	for _, f := range s.Facilities {
		ago := now.Sub(f.LastMessage).Round(time.Second)
		out += fmt.Sprintf("facility    %s: %d messages, last %s ago, newest fact %s, day %s\n", f.ID, f.Messages, ago,
			f.LastOccurred.UTC().Format("2006-01-02 15:04Z"), f.Day)
	}
	if len(s.Facilities) == 0 {
		out += "facility    none registered yet\n"
	}
	return out
}

// entries says whether all entries are there.
func (s Status) entries() string {
	switch {
	case s.LogMissing > 0 && s.LogMissingAt > 0:
		return fmt.Sprintf("%d MISSING, the first is %d: the log is damaged, keep the data folder", s.LogMissing, s.LogMissingAt)
	case s.LogMissing > 0:
		return fmt.Sprintf("%d MISSING: the log is damaged, keep the data folder", s.LogMissing)
	case !s.LogWhole:
		return fmt.Sprintf("checked up to %d so far, none missing", s.LogChecked)
	}
	return fmt.Sprintf("none missing up to %d (checked at start and daily)", s.LogChecked)
}

func size(n int64) string {
	switch {
	case n >= 1<<30:
		return fmt.Sprintf("%.1f GiB", float64(n)/(1<<30))
	case n >= 1<<20:
		return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20))
	}
	return fmt.Sprintf("%.0f KiB", float64(n)/(1<<10))
}
