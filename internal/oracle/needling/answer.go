package needling

import (
	"strings"

	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// answerTracks reports what each track is at the moment asked for.
func (w *world) answerTracks() []Track {
	var out []Track
	for _, name := range w.trackNames() {
		c := w.history(name).condition
		rules := w.rulesToday()
		t := Track{
			Name: name, Counted: c.counted, Needed: w.target(name, rules, nil) + len(c.extras),
			Extras: append([]string(nil), c.extras...), Streak: c.streak, Held: w.heldBy(name),
			Shown: w.shown(name),
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
		retired, resting := w.retired(name, nil), w.resting(name, nil, w.today())
		switch {
		case retired:
			t.Stage = "retired"
		case resting:
			t.Stage = "resting"
		default:
			t.Stage = t.Folded
		}
		if gap := days(c.lastDay, w.today()); c.lastDay != "" && !retired && (t.Folded == "forming" || t.Folded == "ready") {
			switch {
			case gap > rules.GapRestartDays:
				t.Again = w.target(name, rules, nil)
				for _, x := range c.extras {
					if c.doubted && x == rule.PegMissing {
						t.Again++
					}
				}
			case gap > rules.GapExtraDays:
				t.OneMore = true
			}
		}
		idle := t.Folded == "ready" && c.lastDay != "" && days(c.lastDay, w.today()) > rules.GapExtraDays
		switch {
		case retired || resting || len(t.Held) > 0 || w.stopped(name) || w.scabToRemove(name):
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
		if w.openOn(h, track, nil, until(nil)) {
			out = append(out, h.id)
		}
	}
	return distinct(out)
}

// shown is what the next cannulator is told to repeat.
// Reading: the plan is the latest. Of a track taken over no plan steps in, and what was
// needled before gives no gauge.
func (w *world) shown(track string) Shown {
	var out Shown
	since, taken := w.since(track, nil)
	founder := w.founder(since)
	plan := w.plan(track, nil)
	var named []string
	number := func(name string, v *float64, planned bool) float64 {
		if v == nil {
			return 0
		}
		if planned {
			named = append(named, name)
		}
		return *v
	}
	code := func(name string, v int32) int32 {
		if v != 0 {
			named = append(named, name)
		}
		return v
	}
	switch {
	case taken != nil:
		t := taken.Says
		out.Creator, out.Angle, out.Depth = w.creatorTaken(t, since), number("", t.AngleDegrees, false), number("",
			t.DepthMillimetres, false)
		out.Direction = int32(t.GetDirection())
	case founder == nil && plan != nil:
		out.Angle, out.Direction = number("angle", plan.AngleDegrees, true), code("direction", int32(plan.GetDirection()))
		out.Bevel, out.Depth = code("bevel", int32(plan.GetBevel())), number("depth", plan.DepthMillimetres, true)
	case founder != nil:
		e := &cannularyv1.NeedleInserted{}
		if sharp(*founder) {
			e = founder.Says
		}
		out.Creator, out.Angle = staff(e.GetCannulator()), number("", e.AngleDegrees, false)
		if out.Direction = int32(e.GetDirection()); out.Direction == 0 {
			out.Direction = code("direction", int32(plan.GetDirection()))
		}
		if out.Bevel = int32(e.GetBevel()); out.Bevel == 0 {
			out.Bevel = code("bevel", int32(plan.GetBevel()))
		}
		if out.Depth = number("", e.DepthMillimetres, false); e.DepthMillimetres == nil && plan != nil {
			out.Depth = number("depth", plan.DepthMillimetres, true)
		}
		if w.mutant == LaterEntryDirects {
			for _, s := range since {
				if d := s.final().Says.GetDirection(); d != 0 && successful(s.final()) {
					out.Direction = int32(d)
				}
			}
		}
	}
	out.AsPlanned, out.Gauge = strings.Join(named, ","), w.gauge(track)
	return out
}

// gauge is the newest that a plan, a takeover or a fitting entry states.
func (w *world) gauge(track string) uint32 {
	var newest *record.Fact
	var gauge uint32
	note := func(f *record.Fact, g *uint32) {
		if g != nil && (newest == nil || before(newest, f)) {
			newest, gauge = f, *g
		}
	}
	for _, p := range all[*cannularyv1.TrackPlanned](w) {
		if t := planOf(p.Says, track); t != nil {
			note(p.Fact, t.Gauge)
		}
	}
	last := 0 // the first step since the takeover
	steps := w.history(track).steps
	for i, st := range steps {
		if st.takeover != nil {
			note(st.takeover.Fact, st.takeover.Says.Gauge)
			last = i
		}
	}
	for _, st := range steps[last:] {
		if st.takeover == nil && successful(st.final()) && (st.counted || st.inTrial && st.under == nil || w.mutant == AnyEntryGivesGauge) {
			note(st.final().Fact, st.final().Says.Gauge)
		}
	}
	return gauge
}
