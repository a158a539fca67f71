package needling

import (
	"slices"
	"strings"
	"time"

	"cannulary/internal/record"
)

// held reports whether the track may not be needled when at happens.
func (w *world) held(track string, at *record.Fact) bool {
	for _, h := range w.holds {
		if w.openOn(h, track, at, until(at)) {
			return true
		}
	}
	return false
}

// heldAfter reports whether it may not be needled once at has happened.
func (w *world) heldAfter(track string, at *record.Fact) bool {
	for _, h := range w.holds {
		if w.openOn(h, track, at, with(at)) {
			return true
		}
	}
	return false
}

// inDay reports whether a moment lies in the local day of a fact.
func (w *world) inDay(at time.Time, day *record.Fact) bool {
	return !at.Before(w.midnight(w.date(day), day.Facility)) && at.Before(w.dayEnd(day))
}

// under are the used attempts of a session under one hold; doubt tells that the session is
// in doubt because of it instead. Only grounds before end are known (nil: all).
// Reading: of a hold with versions known to the day and to the minute, the day of the former
// puts a session in doubt. A session in doubt because of a hold is under it by no attempt,
// one after that day included.
func (w *world) under(s *session, h *hold, end *record.Fact) (under []entry, doubt bool) {
	for _, day := range h.days {
		for _, a := range s.used() {
			comes := before(day, end) && w.inDay(a.At, day)
			if comes && (w.on(h.soFar(with(day)), s.track, day) || w.openOn(h, s.track, a.Fact, until(a.Fact))) {
				doubt = true
			}
		}
	}
	if doubt && w.mutant != DayHoldIsOver {
		return nil, true
	}
	if h.lifted != nil && w.mutant == LiftedHoldIsForgotten {
		return nil, false
	}
	for i, a := range s.used() {
		if i > 0 && w.mutant == FirstAttemptForHold {
			break
		}
		if w.openOn(h, s.track, a.Fact, until(a.Fact)) {
			under = append(under, a)
		}
	}
	return under, false
}

// reach is what holds, and a stop of a track unused since its trial began, make of a session.
func (w *world) reach(s *session, trialSince, until *record.Fact) (first *entry, doubt bool) {
	earliest := func(a entry) {
		if first == nil || before(a.Fact, first.Fact) {
			first = &a
		}
	}
	for _, h := range w.holds {
		under, doubts := w.under(s, h, until)
		doubt = doubt || doubts
		for _, a := range under {
			earliest(a)
		}
	}
	if trialSince != nil {
		for _, a := range s.used() {
			if before(trialSince, a.Fact) && w.unusedSince(s.track, trialSince).stops[a.ID] {
				earliest(a)
			}
		}
	}
	if first != nil {
		doubt = false
	}
	return first, doubt
}

// count tells in how many sessions a needle was used under holds, and when last.
// Reading: two tracks needled in one treatment are one session here: by the reference (with
// its date if it is split), else the facility and local date.
func (w *world) count(holds []*hold) (sessions int, last string) {
	seen := map[string]bool{}
	var latest *record.Fact
	note := func(key string, a *record.Fact) {
		seen[key] = true
		if latest == nil || before(latest, a) {
			latest = a
		}
	}
	for _, track := range w.trackNames() {
		for _, s := range w.sessions(track, nil) {
			key := ""
			for _, a := range s.attempts {
				if a.HasSession() && key == "" {
					key = strings.ReplaceAll(w.anyReference(a.Fact), "\x00", " ")
				}
			}
			if key == "" {
				key = s.start().Facility + " " + s.date
			}
			for _, h := range holds {
				under, _ := w.under(s, h, nil)
				for _, a := range under {
					note(key, a.Fact)
				}
			}
		}
	}
	for _, a := range w.elsewhere() {
		if slices.ContainsFunc(holds, func(h *hold) bool { return w.underElsewhere(h, a) }) {
			key := w.anyReference(a.Fact)
			if key == "" {
				key = a.Facility + " " + w.date(a.Fact)
			}
			note(strings.ReplaceAll(key, "\x00", " "), a.Fact)
		}
	}
	if latest == nil {
		return 0, ""
	}
	return len(seen), w.date(latest)
}
