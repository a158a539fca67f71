package card

import (
	"cmp"
	"slices"
	"sort"
	"strings"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/track/rule"
	"cannulary/internal/worklist"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Source is where a fact comes from on which something on the card rests.
type Source struct {
	Fact string    `json:"fact"` // its id
	What string    `json:"what"` // its kind, in words
	At   time.Time `json:"at"`   // when it happened
	// Day is the local date of a fact of which only the day is known.
	Day        string    `json:"day,omitempty"`
	ArrivedAt  time.Time `json:"arrivedAt"`
	System     string    `json:"system"`               // the system that sent it
	RecordedBy string    `json:"recordedBy,omitempty"` // empty if it is not recorded
	Facility   string    `json:"facility"`
	Corrected  bool      `json:"corrected,omitempty"`
	Void       bool      `json:"void,omitempty"`
}

// sources returns the facts that the card's holds, findings and tracks rest on, oldest first. wanted begins with those of the tracks.
func sources(in *Input, c *Card, wanted map[string]bool) []Source {
	each := func(list []Finding) {
		for i := range list {
			for _, id := range list[i].Facts {
				wanted[id] = true
			}
		}
	}
	each(c.Findings)
	for i := range c.Accesses {
		each(c.Accesses[i].Findings)
	}
	for i := range c.Tracks {
		each(c.Tracks[i].Findings)
	}
	for _, h := range slices.Concat(c.Holds, c.History) {
		wanted[h.Ground] = true
	}
	out := []Source{}
	for i := range in.Items {
		it := &in.Items[i]
		if !wanted[it.ID] || it.At.After(in.AsOf) {
			continue
		}
		s := Source{Fact: it.ID, What: strings.ReplaceAll(string(it.Kind), "_", " "), At: in.from(&it.Fact).UTC(),
			ArrivedAt: it.Logged.UTC(),
			System:    it.Source, RecordedBy: it.Recorder.GetValue(), Facility: it.Facility, Corrected: it.CorrectedBy != "", Void: it.Void}
		if it.Precision == cannularyv1.TimePrecision_TIME_PRECISION_DAY && in.Zone != nil {
			s.Day = zone.Date(it.At, in.Zone(it.Facility))
		}
		out = append(out, s)
	}
	slices.SortStableFunc(out, func(a, b Source) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Fact, b.Fact)) })
	return out
}

// RuleOf says what a rule asks in general and what it rests on.
func RuleOf(code string) rule.Rule {
	r, _ := rule.Of(code)
	return r
}

// Schedule is when the patient is dialysed as a rule.
type Schedule struct {
	Days  []string `json:"days"` // names of weekdays in English, from Monday on
	Shift string   `json:"shift,omitempty"`
	Chair string   `json:"chair,omitempty"`
}

// Due says whether the patient is due on a date, as the unit's work list has it.
type Due struct {
	Date string `json:"date"` // local
	Due  bool   `json:"due"`
	// Hospital is the date since when the patient is in hospital, empty if not.
	Hospital string `json:"hospital,omitempty"`
}

// daysDue is for how many dates the card says whether the patient is due.
const daysDue = 2

// due returns the schedule in force, nil if there is none, and whether the patient is due on the
// card's date and the next.
func due(in *Input) (*Schedule, []Due) {
	out := []Due{}
	if in.Zone == nil {
		return nil, out
	}
	p := in.Person
	if p == nil {
		n := sort.Search(len(in.Items), func(i int) bool { return in.Items[i].At.After(in.AsOf) })
		read, _ := worklist.Fold(in.Items[:n], in.Zone)
		p = &read
	}
	today := zone.DayOf(in.AsOf, in.location())
	for n := range daysDue {
		d := today + zone.Day(n)
		at := p.On(in.facility, d)
		x := Due{Date: d.String(), Due: at.Due}
		if at.Hospital != 0 {
			x.Hospital = at.Hospital.String()
		}
		out = append(out, x)
	}
	if !p.On(in.facility, today).Scheduled {
		return nil, out
	}
	s := Schedule{Days: []string{}}
	for _, of := range p.Schedules {
		if of.Facility != in.facility {
			continue
		}
		s.Shift, s.Chair = of.Shift, of.Chair
		for _, d := range slices.Sorted(slices.Values(of.Days)) {
			s.Days = append(s.Days, Capital(enum(d, "WEEKDAY_")))
		}
	}
	return &s, out
}

// basisOf returns the fact of the takeover, else of the plan; empty if neither is among the items.
func basisOf(items []record.Item, taken *cannularyv1.TrackTakenOver, planned *cannularyv1.TrackPlanned) string {
	for i := range items {
		switch b := items[i].Body.(type) {
		case *cannularyv1.TrackTakenOver:
			if b == taken {
				return items[i].ID
			}
		case *cannularyv1.TrackPlanned:
			if taken == nil && b == planned {
				return items[i].ID
			}
		}
	}
	return ""
}
