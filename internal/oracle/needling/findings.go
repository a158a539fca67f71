package needling

import (
	cannularyv1 "cannulary/proto/cannulary/v1"

	"sort"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/track/rule"
)

// finding is one finding while it is worked out.
type finding struct {
	rule     string
	severity rule.Severity
	track    string
	access   string
	aspect   string
	ground   *record.Fact
	named    *record.Fact // stands for the ground in the id; nil is the ground
	others   []*record.Fact
	since    time.Time // of the ground, unless told otherwise
	ends     *record.Fact
	cleared  time.Time // the moment of what ends it, or of the calendar
	holds    bool      // it opened a hold: retirement leaves it alone
}

// earliest leaves out zero times.
func earliest(times ...time.Time) time.Time {
	var first time.Time
	for _, t := range times {
		if !t.IsZero() && (first.IsZero() || t.Before(first)) {
			first = t
		}
	}
	return first
}

// raise adds a finding, cleared by retirement or takeover if by nothing earlier.
func (w *world) raise(f finding) {
	if f.since.IsZero() {
		f.since = w.moment(f.ground)
	}
	calendar := f.cleared
	f.cleared = earliest(calendar, w.moment(f.ends))
	if f.track != "" && f.access == "" {
		// Reading: the access of a finding about a track is where the track lay at the ground.
		f.access = w.accessOf(f.track, f.ground)
	}
	if !f.holds {
		for _, r := range w.retirements(f) {
			if before(f.ground, r) && (f.ends == nil || before(r, f.ends)) {
				f.ends, f.cleared = r, earliest(calendar, w.moment(r))
			}
		}
	}
	w.findings = append(w.findings, &f)
}

// retirements are those of what the finding is about.
func (w *world) retirements(f finding) []*record.Fact {
	if f.track != "" {
		out := w.retiring(f.track)
		for _, t := range all[*cannularyv1.TrackTakenOver](w) {
			if t.Says.GetTrack() == f.track {
				out = append(out, t.Fact) // the fold starts anew
			}
		}
		return out
	}
	return w.accessRetirements(f.access)
}

// answerFindings lists the findings. Reading: what would end before its ground's moment (in
// sessions that overlap) ends at that moment; where two sessions without a reference share
// a ground, there is one finding, which stands while it does for either.
func (w *world) answerFindings() []Finding {
	byID := map[string]Finding{}
	for _, f := range w.findings {
		at := "access " + f.access
		if f.track != "" {
			at = "track " + f.track
		}
		if f.aspect != "" {
			at += " " + f.aspect
		}
		facts := []string{f.ground.ID}
		for _, o := range f.others {
			facts = append(facts, o.ID)
		}
		named := f.ground
		if f.named != nil {
			named = f.named
		}
		a := Finding{
			ID: record.FindingID(f.rule, at, named.ID), Rule: f.rule, Severity: string(f.severity), Track: f.track, Access: f.access,
			Since: f.since, Cleared: f.cleared, Facts: distinct(facts),
		}
		if !a.Cleared.IsZero() && a.Cleared.Before(a.Since) {
			a.Cleared = a.Since
		}
		if same, ok := byID[a.ID]; ok && (same.Cleared.IsZero() || !a.Cleared.IsZero() && a.Cleared.Before(same.Cleared)) {
			continue
		}
		byID[a.ID] = a
	}
	out := make([]Finding, 0, len(byID))
	for _, f := range byID {
		out = append(out, f)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].ID < out[j].ID })
	return out
}
