package card

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// minutes is the format of instants: in the facility's time, with the zone's name.
const minutes = "2006-01-02 15:04 MST"

// hold returns the holds that are shown as one, in words.
func hold(g []track.Hold, j *track.Judgement, local *time.Location) Hold {
	h := g[0]
	out := Hold{ID: h.ID, IDs: []string{}, Rule: h.Rule, Tracks: list(h.Tracks), Accesses: list(h.Accesses), Since: h.Since.UTC(),
		Seen: cmp.Or(h.Text, "what was seen is not recorded"), Asked: h.Asked, Clears: h.Clears, PlacedBy: h.By.GetValue(),
		Ground: h.Ground, GroundWithdrawn: true}
	for _, x := range g {
		out.IDs = append(out.IDs, x.ID)
		out.GroundWithdrawn = out.GroundWithdrawn && x.GroundWithdrawn
		if x.Needled > out.NeedledSessions {
			out.NeedledSessions, out.NeedledLast = x.Needled, x.NeedledLast
		}
	}
	if h.DayKnown {
		out.Day = h.Date
	}
	r, known := rule.Of(h.Rule)
	if known {
		out.Asked, out.Clears, out.Urgent = cmp.Or(h.Asked, r.Asks), cmp.Or(h.Clears, r.EndedBy(rule.Stop)), r.Urgent && !j.GivenUp(&h)
	}
	out.Scope = strings.Join(h.Places(), ", ")
	parts := []string{stop(Capital(out.Seen))}
	say := func(format string, a ...any) { parts = append(parts, fmt.Sprintf(format, a...)) }
	since, by := h.Since.In(local).Format(minutes), ""
	if h.DayKnown {
		since = h.Date + ", time not recorded"
	}
	if h.Rule == rule.Person {
		by = " by " + cmp.Or(out.PlacedBy, "a person whose name is not recorded")
	}
	if j.GivenUp(&h) {
		out.Text = fmt.Sprintf(
			"A hold%s on %s, which is no longer used, was never lifted: %s (since %s; %s). Ask the lead nurse to lift it.",
			by, out.Scope, strings.TrimSuffix(out.Seen, "."), since, together(g, h.Rule))
		return out
	}
	if out.Urgent {
		say("Do not needle. Call now.")
	} else {
		say("Do not needle.")
	}
	say("Hold%s since %s (%s).", by, since, h.Rule)
	if len(g) > 1 {
		say("%d reports are shown as this one hold. Lift them together.", len(g))
	}
	if n := out.NeedledSessions; n > 0 {
		say("A needle was used during this hold in %s, last on %s.", count(n, "session"), out.NeedledLast)
	}
	if out.GroundWithdrawn {
		say("The reason for this hold was later corrected or withdrawn. The hold stays until a person lifts it.")
	}
	say("What clears it: %s The local protocol and the treating team decide.",
		stop(cmp.Or(out.Clears, "a named person lifts it, with a reason")))
	out.Text = strings.Join(parts, " ")
	return out
}

// together names the rule, and how many reports are shown as one.
func together(g []track.Hold, code string) string {
	if len(g) > 1 {
		return fmt.Sprintf("%s, %d reports", code, len(g))
	}
	return code
}

// Named names the holds that are shown as this one, by their ids.
func (h *Hold) Named() string {
	if len(h.IDs) > 1 {
		return fmt.Sprintf("%d holds, to be lifted together: %s", len(h.IDs), strings.Join(h.IDs, ", "))
	}
	return "Hold " + h.ID
}

// Places names what the hold is on.
func (h *Hold) Places() []string {
	return (&track.Hold{Accesses: h.Accesses, Tracks: h.Tracks}).Places()
}

// Loud names what the hold is on, in capitals but for the names.
func (h *Hold) Loud() string { return Loud(h.Places()...) }

// heldBy returns the oldest hold on the access itself, nil if there is none.
func heldBy(access string, holds []Hold) *Hold {
	for i := range holds {
		if slices.Contains(holds[i].Accesses, access) {
			return &holds[i]
		}
	}
	return nil
}

// grave orders severities, the gravest first.
func grave(s rule.Severity) int {
	switch s {
	case rule.Stop:
		return 0
	case rule.Caution:
		return 1
	}
	return 2
}

// findings returns the findings that match, in words, gravest first, then oldest. days is the
// result of dated.
func findings(standing []track.Finding, days map[string]string, match func(*track.Finding) bool) []Finding {
	var kept []track.Finding
	for i := range standing {
		if match(&standing[i]) {
			kept = append(kept, standing[i])
		}
	}
	slices.SortStableFunc(kept, func(a, b track.Finding) int {
		return cmp.Or(cmp.Compare(grave(a.Severity), grave(b.Severity)), a.Since.Compare(b.Since))
	})
	out := []Finding{}
	for _, f := range kept {
		x := Finding{ID: f.ID, Rule: f.Rule, Severity: string(f.Severity), Since: f.Since.UTC(), Seen: f.Seen, Text: stop(Capital(f.Seen)),
			Asked: f.Asked, Clears: f.Clears, Facts: list(f.Facts), Hold: f.Hold, Protocol: f.Protocol}
		if len(f.Facts) > 0 {
			x.Day = days[f.Facts[0]]
		}
		switch {
		case f.Track != "":
			x.Scope = "track " + f.Track
		case f.Access != "":
			x.Scope = "access " + f.Access
		}
		out = append(out, x)
	}
	return out
}

// shown reports whether a track or an access of the card shows the finding. The card says all
// others of the patient, so that none is lost.
func shown(f *track.Finding, j *track.Judgement) bool {
	for i := range j.Tracks {
		if f.Track != "" && j.Tracks[i].Name == f.Track {
			return true
		}
	}
	for i := range j.Accesses {
		if f.Track == "" && f.Access != "" && j.Accesses[i].Name == f.Access {
			return true
		}
	}
	return false
}

// use returns the access in use: that of the latest session or insertion, else the only one that
// is not retired.
func use(in Input, j track.Judgement, holds []Hold) Use {
	accessOf := map[string]string{}
	for i := range j.Tracks {
		accessOf[j.Tracks[i].Name] = j.Tracks[i].Access
	}
	var u Use
	var at time.Time
	for i := range in.Items {
		it := &in.Items[i]
		if it.Void || it.At.After(in.AsOf) {
			continue
		}
		name := ""
		switch b := it.Body.(type) {
		case *cannularyv1.SessionStarted:
			name = b.GetAccess()
		case *cannularyv1.SessionEnded:
			name = b.GetAccess()
		case *cannularyv1.NeedleInserted:
			name = cmp.Or(b.GetAccess(), accessOf[b.GetTrack()])
		}
		if name != "" {
			u.Access, at = name, it.At
		}
	}
	var current []*track.AccessState
	for i := range j.Accesses {
		a := &j.Accesses[i]
		if !a.Retired {
			current = append(current, a)
		} else if a.Name == u.Access {
			u.Access = ""
		}
	}
	var how string
	switch {
	case u.Access != "":
		how = "used at the latest session, on " + at.In(in.location()).Format(time.DateOnly)
	case len(current) == 1:
		u.Access, how = current[0].Name, "the only one recorded"
	case len(current) > 1:
		u.Text = "Which access is in use is not recorded. Ask the last cannulator."
		return u
	default:
		u.Text = "No access in use is recorded."
		return u
	}
	u.Text = fmt.Sprintf("Access %s (%s).", u.Access, how)
	if h := heldBy(u.Access, holds); h != nil {
		u.Held = true
		u.Text = fmt.Sprintf("Access %s (%s) is on hold: %s. Do not needle it.", u.Access, how, strings.TrimSuffix(h.Seen, "."))
		return u
	}
	var held, free []string
	for i := range j.Tracks {
		t := &j.Tracks[i]
		switch {
		case t.Access != u.Access || t.Stage == track.Retired:
		case len(t.Held) > 0:
			held = append(held, t.Name)
		default:
			free = append(free, t.Name)
		}
	}
	if len(held) > 0 {
		u.Held = len(free) == 0
		u.Text += fmt.Sprintf(" On hold in it: track %s.", strings.Join(held, ", track "))
	}
	return u
}
