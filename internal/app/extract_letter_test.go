package app_test

import (
	"slices"
	"testing"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/stay"
	"cannulary/internal/view"
)

// letter is package extract's letter read a second time, slowly: what of the log is in the extract of a facility.
type letter struct {
	*testing.T
	own    string
	events []view.StoredEvent
	zones  map[string]*time.Location
	// scopes are, by patient key, what the extract says one after the other: whether the record can be read whole.
	scopes map[string][]bool
}

// may lists the facts of patients that may be read, by fact id.
func (l *letter) may() map[string]bool {
	out := map[string]bool{}
	was := map[string]bool{}
	l.scopes = map[string][]bool{}
	for n := range l.events {
		known := l.events[:n+1]
		now := known[n].Logged
		ids, groups := l.groups(known)
		open := map[string]bool{}
		for key := range groups {
			open[key] = l.here(known, ids.Group(key), now)
			for _, k := range ids.Group(key) {
				if said := l.scopes[k]; open[key] != (len(said) > 0 && said[len(said)-1]) {
					l.scopes[k] = append(said, open[key])
				}
			}
		}
		for _, e := range known {
			key := e.Event.GetPatientKey()
			if key != "" && (open[ids.Survivor(key)] || e.Seq == known[n].Seq && (l.wasOpen(was, e) || e.Event.GetFacility() == l.own)) {
				for i := range e.Event.GetFacts() {
					out[record.FactID(e.Event.GetId(), i)] = true
				}
			}
		}
		for _, f := range l.facts(known) {
			if f.MergedKey != "" && (open[ids.Survivor(f.MergedKey)] || open[ids.Survivor(f.PatientKey)]) {
				out[f.ID] = true
			}
		}
		l.amendments(known, ids, out)
		was = map[string]bool{}
		for _, e := range known {
			if key := e.Event.GetPatientKey(); key != "" && open[ids.Survivor(key)] {
				was[key] = true
			}
		}
	}
	return out
}

// wasOpen reports whether the record of one of the patients whom an event names was open before it.
func (l *letter) wasOpen(was map[string]bool, e view.StoredEvent) bool {
	facts, err := record.Facts(e.Event, e.Seq, e.Logged)
	if err != nil {
		l.Fatal(err)
	}
	return was[e.Event.GetPatientKey()] || slices.ContainsFunc(facts, func(f record.Fact) bool { return was[f.MergedKey] })
}

func (l *letter) facts(known []view.StoredEvent) []record.Fact {
	facts, err := view.Facts(known)
	if err != nil {
		l.Fatal(err)
	}
	return facts
}

func (l *letter) groups(known []view.StoredEvent) (*record.Identities, map[string]bool) {
	var merges []record.Fact
	groups := map[string]bool{}
	for _, f := range l.facts(known) {
		if f.MergedKey != "" || f.Amends() {
			merges = append(merges, f)
		}
	}
	items := slices.DeleteFunc(record.Effective(merges), func(it record.Item) bool { return it.MergedKey == "" })
	ids := record.Resolve(items)
	for _, f := range l.facts(known) {
		if f.PatientKey != "" {
			groups[ids.Survivor(f.PatientKey)] = true
		}
		if f.MergedKey != "" {
			groups[ids.Survivor(f.MergedKey)] = true
		}
	}
	return ids, groups
}

func (l *letter) zone(facility string) *time.Location { return l.zones[facility] }

// here reports whether a patient is at the facility.
func (l *letter) here(known []view.StoredEvent, keys []string, now time.Time) bool {
	facts := slices.DeleteFunc(l.facts(known), func(f record.Fact) bool { return !slices.Contains(keys, f.PatientKey) })
	items := record.AtNoon(record.Effective(facts), l.zone)
	if m := stay.Read(items, l.zone, time.Time{}).At(now); m.Open && m.Facility == l.own {
		return true
	}
	today := zone.DayOf(now, l.zone(l.own))
	return slices.ContainsFunc(items, func(it record.Item) bool {
		care := it.Kind == "session_started" || it.Kind == record.KindNeedleInserted || it.BodyKind() == "session_started" ||
			it.BodyKind() == record.KindNeedleInserted
		return !it.Void && care && it.Facility == l.own && zone.DayOf(it.At, l.zone(l.own)) >= today
	})
}

// amendments adds what corrects or voids what may be read, until nothing is missing.
func (l *letter) amendments(known []view.StoredEvent, ids *record.Identities, out map[string]bool) {
	facts := l.facts(known)
	for more := true; more; {
		more = false
		for i := range facts {
			f := &facts[i]
			reverses := f.Kind == record.KindMergeReversed
			if f.PatientKey == "" || !f.Amends() && !reverses || out[f.ID] {
				continue
			}
			named := out[f.Target]
			for j := range facts {
				s := &facts[j]
				named = named || reverses && s.Kind == record.KindPatientsMerged && s.PatientKey == f.PatientKey &&
					s.MergedKey == f.MergedKey && out[s.ID]
				named = named || f.TargetSession != "" && s.HasSession() && record.SessionKey(s.SessionSystem, s.SessionValue) == f.TargetSession &&
					ids.Survivor(s.PatientKey) == ids.Survivor(f.PatientKey) && out[s.ID]
			}
			if named {
				out[f.ID], more = true, true
			}
		}
	}
}
