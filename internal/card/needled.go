package card

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Treatment is a session without a needle in a track: rope ladder, a graft, a catheter. The card
// shows it so that the next cannulator knows what was done and what went wrong.
type Treatment struct {
	Date      string      `json:"date"` // local
	Access    string      `json:"access,omitempty"`
	PumpSpeed *uint32     `json:"pumpSpeedMillilitresPerMinute,omitempty"`
	Needles   []OneNeedle `json:"needles"`
	// Problems are complications in words, each once.
	Problems []string `json:"problems"`
}

// OneNeedle is one needle of such a session: its last attempt, and what came before.
type OneNeedle struct {
	Access             string   `json:"access,omitempty"`
	Role               string   `json:"role,omitempty"`
	Pattern            string   `json:"pattern,omitempty"` // how needles are placed on the access, in words
	Needle             string   `json:"needle"`            // sharp, blunt, or none if it is not recorded
	Gauge              *uint32  `json:"gauge,omitempty"`
	AngleDegrees       *float64 `json:"angleDegrees,omitempty"`
	DepthMillimetres   *float64 `json:"depthMillimetres,omitempty"`
	Direction          string   `json:"direction,omitempty"`
	Site               string   `json:"site,omitempty"` // where it went in, in words
	Attempts           int      `json:"attempts"`
	Success            bool     `json:"success"`
	Passes             *uint32  `json:"passes,omitempty"` // of all attempts that recorded them
	Resistance         string   `json:"resistance,omitempty"`
	Pain               *uint32  `json:"pain,omitempty"`
	HaemostasisMinutes *float64 `json:"haemostasisMinutes,omitempty"`
	Who                string   `json:"who,omitempty"`
}

// recentTreatments is how many of them the card shows.
const recentTreatments = 5

// gathering is a treatment while its facts are gathered.
type gathering struct {
	Treatment
	at      time.Time
	session bool // it was begun or ended
	tracked bool // a needle went into a track
}

// treatments returns the sessions without a needle in a track, newest first. A session in which one
// needle went into a track and another did not is shown too, with the other needle only.
func treatments(in *Input) []Treatment {
	var order []string
	found := map[string]*gathering{}
	of := func(key, facility string, at time.Time) *gathering {
		g := found[key]
		if g == nil {
			g = &gathering{Treatment: Treatment{Needles: []OneNeedle{}, Problems: []string{}}, at: at}
			g.Date = zone.Date(at, in.locationOf(facility))
			found[key] = g
			order = append(order, key)
		}
		return g
	}
	for i := range in.Items {
		it := &in.Items[i]
		if it.Void || it.At.After(in.AsOf) {
			continue
		}
		switch b := it.Body.(type) {
		case *cannularyv1.SessionStarted:
			g := of(it.Session, it.Facility, it.At)
			g.session, g.Access, g.PumpSpeed = true, cmp.Or(b.GetAccess(), g.Access), cmp.Or(b.PumpSpeedMillilitresPerMinute, g.PumpSpeed)
		case *cannularyv1.SessionEnded:
			g := of(it.Session, it.Facility, it.At)
			g.session, g.Access, g.PumpSpeed = true, cmp.Or(b.GetAccess(), g.Access), cmp.Or(b.PumpSpeedMillilitresPerMinute, g.PumpSpeed)
		case *cannularyv1.NeedleInserted:
			g := of(it.Session, it.Facility, it.At)
			if b.GetTrack() != "" {
				g.tracked = true
				continue
			}
			g.insert(b)
		case *cannularyv1.NeedleRemoved:
			if b.GetTrack() != "" {
				continue
			}
			g := of(it.Session, it.Facility, it.At)
			if n := g.needle(b.GetAccess(), track.RoleName(b.GetRole())); n != nil {
				n.HaemostasisMinutes = b.HaemostasisMinutes
			}
		case *cannularyv1.ComplicationSeen:
			g := of(it.Session, it.Facility, it.At)
			if b.GetTrack() != "" {
				continue
			}
			if name := enum(b.GetKind(), "COMPLICATION_KIND_"); !slices.Contains(g.Problems, name) {
				g.Problems = append(g.Problems, name)
			}
		}
	}
	out := []Treatment{}
	var kept []*gathering
	for _, key := range order {
		if g := found[key]; len(g.Needles) > 0 || !g.tracked && (g.session || len(g.Problems) > 0) {
			kept = append(kept, g)
		}
	}
	slices.SortStableFunc(kept, func(a, b *gathering) int { return b.at.Compare(a.at) })
	for _, g := range kept[:min(len(kept), recentTreatments)] {
		slices.SortStableFunc(g.Needles, func(a, b OneNeedle) int {
			return cmp.Compare(cmp.Or(a.Role, "without"), cmp.Or(b.Role, "without"))
		})
		out = append(out, g.Treatment)
	}
	return out
}

// needle returns the session's needle of that access and role, nil if there is none.
func (g *gathering) needle(access, role string) *OneNeedle {
	for i := range g.Needles {
		if n := &g.Needles[i]; n.Role == role && (n.Access == access || access == "") {
			return n
		}
	}
	return nil
}

// insert adds an attempt. The last one says what is in place.
func (g *gathering) insert(b *cannularyv1.NeedleInserted) {
	role := track.RoleName(b.GetRole())
	n := g.needle(b.GetAccess(), role)
	if n == nil {
		g.Needles = append(g.Needles, OneNeedle{Access: b.GetAccess(), Role: role})
		n = &g.Needles[len(g.Needles)-1]
	}
	g.Access = cmp.Or(g.Access, b.GetAccess())
	n.Attempts++
	n.Needle = cmp.Or(enum(b.GetTip(), "NEEDLE_TIP_"), string(track.None))
	n.Pattern = cmp.Or(enum(b.GetPattern(), "NEEDLING_PATTERN_"), n.Pattern)
	n.Gauge, n.AngleDegrees, n.DepthMillimetres, n.Direction = b.Gauge, b.AngleDegrees, b.DepthMillimetres, direction(b.GetDirection())
	n.Site = b.GetSite()
	n.Success = b.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL
	n.Resistance, n.Pain, n.Who = resistance(b.GetResistance()), b.PainScore, b.GetCannulator().GetValue()
	if b.Passes != nil {
		sum := *b.Passes
		if n.Passes != nil {
			sum += *n.Passes
		}
		n.Passes = &sum
	}
}

// Way says how a needle went in, in short parts, and names what is not recorded.
func (n *OneNeedle) Way() string {
	needle := n.Needle
	if needle == string(track.None) {
		needle = "needle not recorded"
	}
	parts := []string{needle + " " + Known(n.Gauge, "%dG", "gauge not recorded")}
	parts = append(parts, Known(n.AngleDegrees, "%g°", "angle not recorded"), cmp.Or(way(n.Direction), "direction not recorded"))
	if n.DepthMillimetres != nil {
		parts = append(parts, fmt.Sprintf("%g mm deep", *n.DepthMillimetres))
	}
	if n.Pattern != "" {
		parts = append(parts, n.Pattern)
	}
	if n.Site != "" {
		parts = append(parts, "at "+n.Site)
	}
	return strings.Join(parts, ", ")
}

// Trouble says what went wrong with a needle, empty if nothing is recorded.
func (n *OneNeedle) Trouble() string {
	var parts []string
	if n.Attempts > 1 {
		parts = append(parts, count(n.Attempts, "attempt"))
	}
	if n.Passes != nil && *n.Passes > 1 {
		parts = append(parts, Passes(*n.Passes))
	}
	if n.Resistance != "" && n.Resistance != "none" {
		parts = append(parts, n.Resistance+" resistance")
	}
	if n.Pain != nil && *n.Pain > 0 {
		parts = append(parts, fmt.Sprintf("pain %d of 10", *n.Pain))
	}
	if n.HaemostasisMinutes != nil {
		parts = append(parts, fmt.Sprintf("bleeding stopped after %g min", *n.HaemostasisMinutes))
	}
	if !n.Success {
		parts = append(parts, "could not be used")
	}
	return strings.Join(parts, ", ")
}

// TreatmentText returns a session in lines: the first says when and where, then one for each needle.
func TreatmentText(t Treatment) []string {
	head := t.Date + ": access " + cmp.Or(t.Access, "not recorded")
	if t.PumpSpeed != nil {
		head += fmt.Sprintf(", pump %d mL/min", *t.PumpSpeed)
	}
	if len(t.Needles) == 0 {
		head += ", no needle recorded"
	}
	if len(t.Problems) > 0 {
		head += ". Problems: " + strings.Join(t.Problems, ", ")
	}
	out := []string{head}
	for i := range t.Needles {
		n := &t.Needles[i]
		line := Capital(cmp.Or(n.Role, "role not recorded")) + ": " + n.Way()
		if x := n.Trouble(); x != "" {
			line += "; " + x
		}
		out = append(out, line+"; by "+cmp.Or(n.Who, NotRecorded))
	}
	return out
}

// What is said where needles without a track are shown: SpotUnknown if the spot of one is not on record.
const (
	SpotUnknown = "Not every spot is recorded. Look for the last marks, and choose a spot away from them."
	SpotKnown   = "Choose a spot away from the last ones."
)

// Rotation says what to do where the spot changes each time, empty if no needle of these sessions was
// placed so.
func Rotation(list []Treatment) string {
	says := ""
	for i := range list {
		for k := range list[i].Needles {
			if list[i].Needles[k].Site == "" {
				return SpotUnknown
			}
			says = SpotKnown
		}
	}
	return says
}
