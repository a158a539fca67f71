package reference

import ()

// answerTracks tells what each track is at the moment asked for.
func (w *world) answerTracks() []Track {
	var out []Track
	for _, name := range w.trackNames() {
		c := w.history(name).condition
		rules := w.rulesToday()
		t := Track{
			Name: name, Counted: c.counted, Needed: w.target(name, rules, nil) + len(c.extras),
			Extras: append([]string(nil), c.extras...), Streak: c.streak, Held: w.heldBy(name),
		}
		ready := w.formed(&c, name, rules, nil) && (len(t.Held) == 0 || w.mutant == ReadyIgnoresHolds)
		best := c.best
		if w.mutant == TrialCurrentStreak {
			best = c.streak
		}
		// Reading: a sharp-only track is established under a sharp-only protocol of the day
		// asked for, by the longest streak it ever had.
		switch {
		case c.trial && (c.established || best >= rules.TrialSessions):
			t.Folded = "established"
		case c.trial:
			t.Folded = "trial"
		case ready && rules.SharpOnly && best >= rules.TrialSessions:
			t.Folded = "established"
		case ready:
			t.Folded = "ready"
		case c.founded || len(w.sessions(name, nil)) > 0:
			t.Folded = "forming"
		default:
			t.Folded = "planned"
		}
		retired, resting := w.retired(name, nil), w.resting(name)
		switch {
		case retired:
			t.Stage = "retired"
		case resting:
			t.Stage = "resting"
		default:
			t.Stage = t.Folded
		}
		idle := t.Folded == "ready" && c.lastDay != "" && days(c.lastDay, w.today()) > rules.GapExtraDays
		switch {
		case retired || resting || len(t.Held) > 0 || w.scabToRemove(name):
			t.Needle = "none"
		case t.Folded == "planned" || t.Folded == "forming" || rules.SharpOnly || idle:
			t.Needle = "sharp"
		default:
			t.Needle = "blunt"
		}
		out = append(out, t)
	}
	return out
}

// heldBy lists the holds that are open on the track at the end.
func (w *world) heldBy(track string) []string {
	var out []string
	for _, h := range w.holds {
		if h.openAt(nil) && h.covers(track, w.accessOf(track, nil)) {
			out = append(out, h.id)
		}
	}
	return distinct(out)
}
