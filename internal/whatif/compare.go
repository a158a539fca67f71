package whatif

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Proposal is another protocol. Parameters that it leaves out keep the values of each unit's own
// protocol.
type Proposal struct {
	Version  string
	From     string // first local date in force, YYYY-MM-DD
	Protocol *cannularyv1.Protocol
}

// Options say what to compare.
type Options struct {
	Proposal
	// Facilities are those at which the proposal is put in force from its date on, in place of
	// every protocol that they adopted for that date or a later one.
	Facilities []string
	// Book holds the recorded protocols of the facilities. Zone returns their time zones.
	Book *protocol.Book
	Zone func(facility string) *time.Location
	// AsOf is the moment at which the record is compared.
	AsOf time.Time
}

// Patient is one patient's facts. The AsOf of the input is ignored.
type Patient struct {
	Key string
	track.Input
}

// Comparison compares patients one by one, so that memory need not hold all of their facts
// together. It is not safe for concurrent use.
type Comparison struct {
	o          Options
	facilities map[string]*Facility
	patients   []PatientReport
}

// New returns a comparison without patients.
func New(o Options) *Comparison {
	c := &Comparison{o: o, facilities: map[string]*Facility{}}
	for _, id := range o.Facilities {
		c.facilities[id] = c.facility(id)
	}
	return c
}

// instead returns the book with the proposal in force at its facilities.
func (o *Options) instead(b *protocol.Book) *protocol.Book {
	for _, id := range o.Facilities {
		b = b.With(id, o.From, o.Version, o.Protocol)
	}
	return b
}

// facility returns what is compared at a facility: the proposal with each protocol in force
// since it would have begun. A proposal that has not begun is compared with the protocol of its
// first day.
func (c *Comparison) facility(id string) *Facility {
	f := &Facility{Facility: id, Totals: Totals{Findings: []RuleCount{}, Holds: []RuleCount{}}}
	other, today := c.o.instead(c.o.Book), zone.Date(c.o.AsOf, c.o.Zone(id))
	for d := c.o.From; d != "" && (d <= today || d == c.o.From); d = c.o.Book.Next(id, d) {
		was, is := c.o.Book.On(id, d), other.On(id, d)
		f.Recorded = append(f.Recorded, InForce{was.Version, d, differing(&was, &is)})
	}
	f.Parameters = f.Recorded[len(f.Recorded)-1].Parameters
	return f
}

// Add compares one patient.
func (c *Comparison) Add(p Patient) {
	in := p.Input
	in.AsOf = c.o.AsOf
	other, dates := c.o.instead(in.Book), []string{c.o.From}
	for _, id := range c.o.Facilities {
		for d := in.Book.Next(id, ""); d != ""; d = in.Book.Next(id, d) {
			dates = append(dates, d)
		}
	}
	w := newWalk(in, dates)
	then, thenJ := w.judge(in.Book)
	now, nowJ := w.judge(other)

	home := thenJ.Where.Facility
	f := c.facilities[home]
	if f == nil { // the patient is at a facility without the proposal
		f = c.facility(home)
		c.facilities[home] = f
	}
	t := &f.Totals
	r := PatientReport{Patient: p.Key, Facility: home, Tracks: []TrackReport{}, Findings: []FindingChange{}, Holds: []HoldChange{}}
	t.Patients++
	for i := range thenJ.Tracks {
		a := &thenJ.Tracks[i]
		k := slices.IndexFunc(nowJ.Tracks, func(s track.State) bool { return s.Name == a.Name })
		if k < 0 {
			continue // cannot happen: both judge the same facts
		}
		t.Tracks++
		if tr, ok := t.track(a, &nowJ.Tracks[k], then[a.Name], now[a.Name]); ok {
			t.TracksChanged++
			r.Tracks = append(r.Tracks, tr)
		}
	}
	r.Findings = append(r.Findings, findings(&thenJ, &nowJ, in.Zone(home))...)
	for _, x := range r.Findings {
		t.Findings = tally(t.Findings, x.Rule, x.Change)
	}
	r.Holds = append(r.Holds, heldOtherwise(&thenJ, &nowJ, in.Zone(home))...)
	for _, x := range r.Holds {
		t.Holds = tally(t.Holds, x.Rule, x.Change)
	}
	if len(r.Tracks)+len(r.Findings)+len(r.Holds) > 0 {
		t.PatientsChanged++
		c.patients = append(c.patients, r)
	}
}

// Notes and caution of every report.
const (
	noteFacts = "Only the judgement ran again, on the recorded facts. People who worked by the other protocol would have acted differently."
	noteRest  = "Parameters that the other protocol leaves out keep the values of the unit's own protocol."
	noteDays  = "A track reached a stage on the first day that ended with the track at that stage or beyond it."
	caution   = "Decision support only. This changes nothing in the record. The unit's own protocol and licensed practice decide."
)

// Report returns the report on the patients added so far.
func (c *Comparison) Report() Report {
	r := Report{AsOf: c.o.AsOf.UTC(), Version: c.o.Version, EffectiveFrom: c.o.From, Facilities: []Facility{},
		Patients: append([]PatientReport{}, c.patients...), Notes: []string{noteFacts, noteRest, noteDays}, Caution: caution}
	var ids []string
	ahead := len(c.o.Facilities) > 0
	for id, f := range c.facilities {
		ids = append(ids, id)
		slices.SortFunc(f.Totals.Findings, func(a, b RuleCount) int { return strings.Compare(a.Rule, b.Rule) })
		slices.SortFunc(f.Totals.Holds, func(a, b RuleCount) int { return strings.Compare(a.Rule, b.Rule) })
	}
	slices.Sort(ids)
	for _, id := range ids {
		f := *c.facilities[id]
		f.Totals.Findings, f.Totals.Holds = slices.Clone(f.Totals.Findings), slices.Clone(f.Totals.Holds)
		r.Facilities = append(r.Facilities, f)
		ahead = ahead && c.o.From > zone.Date(c.o.AsOf, c.o.Zone(id))
	}
	if ahead {
		r.Notes = append(r.Notes, "The other protocol begins on "+c.o.From+
			", after the day looked at, so nothing can differ yet. Give an earlier effective_from.")
	}
	slices.SortStableFunc(r.Patients, func(a, b PatientReport) int {
		return strings.Compare(a.Facility+"\x00"+a.Patient, b.Facility+"\x00"+b.Patient)
	})
	return r
}

func tally(list []RuleCount, code, change string) []RuleCount {
	i := slices.IndexFunc(list, func(r RuleCount) bool { return r.Rule == code })
	if i < 0 {
		list, i = append(list, RuleCount{Rule: code}), len(list)
	}
	switch change {
	case Lost:
		list[i].Lost++
	case Gained:
		list[i].Gained++
	default:
		list[i].Changed++
	}
	return list
}

// track compares one track and adds to the totals; ok reports whether anything differs.
func (t *Totals) track(a, b *track.State, then, now *history) (r TrackReport, ok bool) {
	r = TrackReport{ID: a.ID, Track: a.Name, Role: track.RoleName(a.Role), Recorded: side(a), WhatIf: side(b), Sessions: []SessionChange{},
		Reached: []Reached{}}
	t.Sessions += len(then.visits)
	for _, k := range order(then.visits) {
		x, y := then.visits[k], now.visits[k]
		if x.Counted == y.Counted {
			continue
		}
		s := SessionChange{Date: x.Date, Tip: string(x.Tip), Counted: x.Counted, WhatIf: y.Counted, Why: []string{}}
		if x.Counted {
			t.SessionsLost++
			s.Why = append(s.Why, y.WhyNot...)
		} else {
			t.SessionsGained++
			s.Why = append(s.Why, x.WhyNot...)
		}
		r.Sessions = append(r.Sessions, s)
	}
	for _, m := range milestones {
		x, was := then.reached[m]
		y, is := now.reached[m]
		if x == y {
			continue
		}
		e := Reached{Stage: string(m)}
		if was {
			e.Recorded = &x
		}
		if is {
			e.WhatIf = &y
		}
		if was && is {
			later, more := days(x.Date, y.Date), y.Sessions-x.Sessions
			e.Later, e.MoreSessions = &later, &more
		}
		if m == track.Ready {
			t.ready(&e)
		}
		r.Reached = append(r.Reached, e)
	}
	stage, needle := a.Stage != b.Stage, a.Next.Needle != b.Next.Needle
	if stage {
		t.StageChanged++
	}
	if needle {
		t.NeedleChanged++
	}
	forming := !beyond(a.Folded, track.Trial) || !beyond(b.Folded, track.Trial)
	asked := forming && a.Stage != track.Retired && (a.Counted != b.Counted || r.Recorded.Needed != r.WhatIf.Needed)
	return r, stage || needle || asked || a.Next.Session != b.Next.Session || len(r.Sessions)+len(r.Reached) > 0
}

func (t *Totals) ready(e *Reached) {
	switch {
	case e.WhatIf == nil:
		t.ReadyLost++
	case e.Recorded == nil:
		t.ReadyGained++
	case *e.Later > 0:
		t.ReadyLater++
	case *e.Later < 0:
		t.ReadyEarlier++
	}
}

func side(s *track.State) Side {
	return Side{Stage: string(s.Stage), Counted: s.Counted, Needed: s.Target + len(s.Extras), Needle: string(s.Next.Needle),
		Session: s.Next.Session, Why: s.Next.Why}
}

func order(visits map[visitKey]track.Visit) []visitKey {
	out := make([]visitKey, 0, len(visits))
	for k := range visits {
		out = append(out, k)
	}
	slices.SortFunc(out, func(a, b visitKey) int {
		if c := a.at.Compare(b.at); c != 0 {
			return c
		}
		return a.n - b.n
	})
	return out
}

// days returns how many days date b is after date a.
func days(a, b string) int {
	x, errX := time.Parse(time.DateOnly, a)
	y, errY := time.Parse(time.DateOnly, b)
	if errX != nil || errY != nil { // both are made by zone.Date
		return 0
	}
	return int(y.Sub(x) / (24 * time.Hour))
}

// findings returns the findings that differ, with those that are over, oldest first.
func findings(then, now *track.Judgement, l *time.Location) []FindingChange {
	var out []FindingChange
	add := func(change, how string, f *track.Finding) {
		out = append(out, FindingChange{Change: change, Rule: f.Rule, Track: f.Track, Access: f.Access, Date: zone.Date(f.Since, l),
			Severity: string(f.Severity), Seen: f.Seen, Stands: f.Cleared.IsZero(), How: how})
	}
	old := map[string]*track.Finding{}
	for i := range then.Findings {
		old[then.Findings[i].ID] = &then.Findings[i]
	}
	for i := range now.Findings {
		y := &now.Findings[i]
		x := old[y.ID]
		delete(old, y.ID)
		if x == nil {
			add(Gained, "", y)
		} else if how := otherwise(x, y, l); how != "" {
			add(Changed, how, y)
		}
	}
	for i := range then.Findings {
		if x := &then.Findings[i]; old[x.ID] != nil {
			add(Lost, "", x)
		}
	}
	slices.SortStableFunc(out, func(a, b FindingChange) int { return strings.Compare(a.Date, b.Date) })
	return out
}

// otherwise says how the same finding differs, empty if it does not.
func otherwise(x, y *track.Finding, l *time.Location) string {
	var list []string
	if x.Severity != y.Severity {
		list = append(list, fmt.Sprintf("%s instead of %s", y.Severity, x.Severity))
	}
	if over(x, l) != over(y, l) {
		list = append(list, fmt.Sprintf("%s instead of %s", over(y, l), over(x, l)))
	}
	return strings.Join(list, "; ")
}

func over(f *track.Finding, l *time.Location) string {
	if f.Cleared.IsZero() {
		return "still standing"
	}
	return "over on " + zone.Date(f.Cleared, l)
}

// heldOtherwise returns the holds that only one of the two judgements placed.
func heldOtherwise(then, now *track.Judgement, l *time.Location) []HoldChange {
	var out []HoldChange
	only := func(change string, these, those []track.Hold) {
		for i := range these {
			h := &these[i]
			if slices.ContainsFunc(those, func(o track.Hold) bool { return o.ID == h.ID }) {
				continue
			}
			out = append(out, HoldChange{Change: change, Rule: h.Rule, Tracks: h.Tracks, Accesses: h.Accesses, Date: zone.Date(h.Since, l),
				Text: h.Text, Open: h.Lifted.IsZero()})
		}
	}
	only(Lost, then.Holds, now.Holds)
	only(Gained, now.Holds, then.Holds)
	slices.SortStableFunc(out, func(a, b HoldChange) int { return strings.Compare(a.Date, b.Date) })
	return out
}
