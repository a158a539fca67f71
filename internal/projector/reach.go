package projector

import (
	"cannulary/internal/record"
	"cannulary/internal/view"
)

// reach looks again at the corrections and voids whose effect the event may decide: its own,
// those that waited for it, and after a merge those of the patients concerned. What changes
// nothing must not look done to whoever sent it.
func (w *writer) reach() error {
	var look []view.StoredEvent
	add := func(list []view.StoredEvent, err error) error {
		look = append(look, list...)
		return err
	}
	names := set{}
	names.add(w.entry.Event.GetId())
	amends := false
	for i := range w.own {
		f := &w.own[i]
		amends = amends || f.Amends()
		if f.Plain() && f.HasSession() {
			names.add(record.SessionKey(f.SessionSystem, f.SessionValue))
		}
	}
	if amends {
		look = append(look, w.entry)
	}
	for _, name := range names.sorted() {
		if err := add(w.tx.Waiting(name)); err != nil {
			return err
		}
	}
	if w.merges {
		if err := add(w.tx.Waiting("")); err != nil {
			return err
		}
		for _, key := range w.judge.sorted() {
			if err := add(w.tx.AmendingOf(key)); err != nil {
				return err
			}
		}
	}
	seen := map[uint64]bool{}
	for n := 0; n < len(look); n++ {
		e := look[n]
		if seen[e.Seq] {
			continue
		}
		seen[e.Seq] = true
		facts, err := record.Facts(e.Event, e.Seq, e.Logged)
		if err != nil {
			return err
		}
		for i := range facts {
			if !facts[i].Amends() {
				continue
			}
			u, err := w.unreached(e, &facts[i])
			if err != nil {
				return err
			}
			if err := w.tx.SetUnreached(u); err != nil {
				return err
			}
			if facts[i].Target == "" {
				continue
			}
			// It may take back, or give back, a correction or void: that one's turn.
			if err := add(w.load().ByID([]string{record.EventOf(facts[i].Target)})); err != nil {
				return err
			}
		}
	}
	return nil
}

// unreached judges one correction or void of the event by what has arrived. One that was
// itself taken back waits for nothing.
func (w *writer) unreached(e view.StoredEvent, f *record.Fact) (view.Unreached, error) {
	u := view.Unreached{Fact: f.ID, Seq: f.Seq, Facility: f.Facility, Logged: f.Logged, Named: f.TargetSession}
	var events []view.StoredEvent
	if f.TargetSession != "" {
		system, value := f.VoidedSession()
		for _, key := range w.identities.Group(f.PatientKey) {
			list, err := w.load().Session(record.SessionID(key, system, value))
			if err != nil {
				return u, err
			}
			events = append(events, list...)
		}
	} else {
		u.Named = record.EventOf(f.Target)
		list, err := w.load().ByID([]string{u.Named})
		if err != nil {
			return u, err
		}
		events = list
	}
	named, err := view.Facts(events)
	if err != nil {
		return u, err
	}
	if u.Why = record.ReachOf(f, named, w.related); u.Why == record.Reached {
		return u, nil
	}
	all, err := view.Closure(w.load(), []view.StoredEvent{e}, w.related)
	if err == nil && record.Voided(all, f.ID) {
		u.Why = record.Reached
	}
	return u, err
}
