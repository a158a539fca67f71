package card

import (
	"fmt"
	"slices"
	"strings"

	"cannulary/internal/draw"
)

// retiredDrawn is how many given-up tracks of an access are drawn.
const retiredDrawn = 4

// Limbs returns the accesses in use with their tracks, as they are drawn. A catheter has no place
// along a vessel and is not drawn.
func (c *Card) Limbs() []draw.Limb {
	var out []draw.Limb
	for i := range c.Accesses {
		a := &c.Accesses[i]
		tracks := c.tracksOf(a.Name)
		used := slices.ContainsFunc(tracks, func(t *Track) bool { return t.Stage != "retired" })
		if a.Retired || !used && (!a.InUse || len(tracks) == 0) || strings.Contains(a.Kind, "catheter") {
			continue
		}
		l := draw.Limb{Access: a.Name, Kind: a.Kind, Side: a.Side, Region: a.Region}
		if h := heldBy(a.Name, c.Holds); h != nil {
			l.NoNeedle = strings.TrimSuffix(h.Seen, ".")
		}
		for _, f := range a.Findings {
			if f.Severity != "note" && !c.Held(f) {
				l.Unplaced = append(l.Unplaced, fmt.Sprintf("%s: %s (where along the vessel is not recorded)", Capital(f.Severity),
					strings.TrimSuffix(f.Seen, ".")))
			}
		}
		c.sites(&l, tracks)
		out = append(out, l)
	}
	if tracks := c.tracksOf(""); slices.ContainsFunc(tracks, func(t *Track) bool { return t.Stage != "retired" }) {
		l := draw.Limb{Access: "not recorded"}
		c.sites(&l, tracks)
		out = append(out, l)
	}
	for i := range out {
		out[i].ID = fmt.Sprintf("limb-%d", i+1)
	}
	return out
}

func (c *Card) tracksOf(access string) []*Track {
	var out []*Track
	for i := range c.Tracks {
		if c.Tracks[i].Access == access {
			out = append(out, &c.Tracks[i])
		}
	}
	return out
}

// sites puts the tracks on a limb.
func (c *Card) sites(l *draw.Limb, tracks []*Track) {
	var used []*Track
	retired := 0
	for _, t := range tracks {
		s := draw.Site{Track: t.Name, Role: t.Role, Direction: t.Next.Direction, Retired: t.Stage == "retired"}
		if t.SiteMillimetres != nil {
			s.At = new(float64(*t.SiteMillimetres))
		}
		if s.Retired {
			if retired++; retired <= retiredDrawn {
				l.Sites = append(l.Sites, s)
			}
			continue
		}
		l.KeepAway = max(l.KeepAway, float64(t.KeepAway))
		if t.Next.Needle == "none" {
			s.NoNeedle = c.WhyNone(*t)
		}
		used = append(used, t)
		l.Sites = append(l.Sites, s)
	}
	if n := retired - retiredDrawn; n > 0 {
		l.Unplaced = append(l.Unplaced, fmt.Sprintf("%s older, given up, not drawn", count(n, "more track")))
	}
	if len(used) != 2 || used[0].Role == used[1].Role || used[0].Role == "" || used[1].Role == "" {
		return
	}
	// The tips were measured for the newer of the two plans.
	l.TwoInUse = true
	newer := used[0]
	if used[1].PlannedAt != nil && (newer.PlannedAt == nil || used[1].PlannedAt.After(*newer.PlannedAt)) {
		newer = used[1]
	}
	if newer.TipDistance != nil {
		l.Tips = new(float64(*newer.TipDistance))
	}
}

// WhyNone says in a few words why a track gets no needle.
func (c *Card) WhyNone(t Track) string {
	var seen []string
	for _, h := range holdsOf(t, c.Holds) {
		seen = append(seen, strings.TrimSuffix(h.Seen, "."))
	}
	if len(seen) > 0 {
		return strings.Join(seen, "; ")
	}
	if t.Stage == "retired" {
		return "the track is retired"
	}
	for _, f := range t.Findings {
		if f.Severity == "stop" {
			return strings.TrimSuffix(f.Seen, ".")
		}
	}
	return strings.TrimSuffix(t.Next.Reason(), ".")
}

// Sides returns, by name, the tracks that get a needle as they are drawn from the side.
func (c *Card) Sides() map[string]draw.Side {
	out := map[string]draw.Side{}
	for i, t := range c.Tracks {
		if n := t.Next; n.Needle != "none" {
			out[t.Name] = draw.Side{ID: fmt.Sprintf("side-%d", i+1), Track: t.Name, Tip: n.Needle, Angle: n.AngleDegrees,
				Depth: n.DepthMillimetres, Direction: n.Direction, Bevel: t.Bevel}
		}
	}
	return out
}
