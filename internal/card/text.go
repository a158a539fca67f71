package card

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
)

// Columns is the width of Text.
const Columns = 100

// Location returns the facility's time zone, UTC if it is not known.
func (c *Card) Location() *time.Location {
	if l, err := zone.Load(c.TimeZone); err == nil {
		return l
	}
	return time.UTC
}

// Time returns an instant in the facility's time, with the zone's name.
func (c *Card) Time(t time.Time) string { return t.In(c.Location()).Format(minutes) }

// When says since when a finding stands, without an hour if only its day is known.
func (c *Card) When(f Finding) string { return cmp.Or(f.Day, c.Time(f.Since)) }

// Held reports whether a finding's hold is open. Then the hold says everything.
func (c *Card) Held(f Finding) bool {
	return f.Hold != "" && slices.ContainsFunc(c.Holds, func(h Hold) bool { return slices.Contains(h.IDs, f.Hold) })
}

// page writes lines of at most Columns characters.
type page struct{ b strings.Builder }

// line writes text after a label, wrapped. Further lines are indented to the label's width. It
// drops control characters in free text.
func (p *page) line(label, format string, a ...any) {
	indent := strings.Repeat(" ", utf8.RuneCountInString(label))
	at, begun := label, false
	for _, word := range strings.Fields(printable(fmt.Sprintf(format, a...))) {
		if begun && utf8.RuneCountInString(at)+1+utf8.RuneCountInString(word) > Columns {
			p.b.WriteString(strings.TrimRight(at, " ") + "\n")
			at, begun = indent, false
		}
		if begun {
			at += " "
		}
		at += word
		begun = true
	}
	p.b.WriteString(strings.TrimRight(at, " ") + "\n")
}

func (p *page) blank() { p.b.WriteString("\n") }

// printable replaces by a blank every character that a terminal could obey.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, s)
}

// Text returns the card as plain text, for a terminal or a printer without a browser.
func Text(c Card) string {
	p := &page{}
	if c.Past != "" {
		p.line("NOT THE PRESENT: ", "%s", stop(c.Past))
		p.blank()
	}
	p.line("PATIENT   ", "%s, born %s", cmp.Or(c.Patient.Name, "(name not stated)"), cmp.Or(c.Patient.BirthDate, "(not stated)"))
	for _, id := range c.Patient.Identifiers {
		p.line("          ", "%s | %s", id.System, id.Value)
	}
	last := "none yet"
	if c.LastFactAt != nil {
		last = c.Time(*c.LastFactAt)
	}
	p.line("FACILITY  ", "%s, as of %s, last fact %s", cmp.Or(c.Facility, "(not known)"), c.Time(c.AsOf), last)
	for _, h := range c.Holds {
		p.blank()
		p.line("HOLD      ", "%s: NO NEEDLE", h.Loud())
		if h.Urgent {
			p.line("          ", "URGENT: CALL THE PHYSICIAN OR SURGEON NOW")
		}
		p.line("          ", "%s", h.Text)
		p.line("          ", "%s", h.Named())
	}
	for _, t := range c.Tracks {
		for _, f := range t.Findings {
			if f.Severity == "stop" && len(t.Held) == 0 && t.Next.Needle == "none" {
				p.blank()
				p.line("NO NEEDLE ", "%s", Loud(cmp.Or(f.Scope, "track "+t.Name)))
				p.finding("          ", &c, f)
			}
		}
	}
	switch {
	case len(c.Holds) > 0:
		p.blank()
	case c.Unrecorded() != "":
		p.line("HOLDS     ", "%s", c.Unrecorded())
	default:
		p.line("HOLDS     ", "none recorded")
	}
	for _, n := range c.Notices {
		p.line("NOTICE    ", "%s", n)
	}
	p.line("IN USE    ", "%s", c.Use.Text)
	for _, a := range c.Accesses {
		p.access(&c, a)
	}
	for _, f := range c.Findings {
		p.finding("FOUND     ", &c, f)
	}
	for _, h := range c.History {
		p.line("HISTORY   ", "%s", h.Text)
		p.line("          ", "%s", h.Named())
	}
	for _, t := range c.Tracks {
		p.blank()
		p.line("", "%s", strings.Repeat("=", Columns))
		p.track(&c, t)
	}
	p.treatments(&c)
	p.blank()
	p.line("", "%s", c.Caution)
	return p.b.String()
}

// Described returns the access in a line: kind, side, place, whether in use, examined, measured.
func (c *Card) Described(a Access) string {
	parts := []string{cmp.Or(a.Kind, "kind not recorded"), strings.TrimSpace(a.Side + " " + a.Region)}
	if parts[1] == "" {
		parts[1] = "side and place not recorded"
	}
	if a.Retired {
		return strings.Join(append(parts, "no longer used"), ", ")
	}
	if a.InUse {
		parts = append(parts, "in use")
	}
	if a.Held {
		parts = append(parts, "ON HOLD")
	}
	if a.ExaminedAt == nil {
		parts = append(parts, "no examination recorded")
	} else {
		parts = append(parts, "examined "+c.Time(*a.ExaminedAt))
	}
	if a.Flow != nil && a.FlowAt != nil {
		parts = append(parts, fmt.Sprintf("flow %g mL/min on %s", *a.Flow, a.FlowAt.In(c.Location()).Format(time.DateOnly)))
	}
	if x := a.Pressure; x != nil {
		trend := "no significant trend"
		if x.Rising {
			trend = "RISING"
		}
		parts = append(parts, fmt.Sprintf("venous pressure over %d sessions with %dG: %+.1f mmHg in twelve sessions, %s", x.N, x.Gauge,
			x.SlopePerTwelve, trend))
	}
	return strings.Join(parts, ", ")
}

func (p *page) access(c *Card, a Access) {
	p.line("ACCESS    ", "%s: %s", a.Name, c.Described(a))
	for _, f := range a.Findings {
		p.finding("          ", c, f)
	}
}

// finding writes a finding, unless its hold stands above.
func (p *page) finding(label string, c *Card, f Finding) {
	if c.Held(f) {
		return
	}
	p.line(label, "%s: %s Since %s. What clears it: %s [%s]", strings.ToUpper(f.Severity), f.Text, c.When(f),
		stop(cmp.Or(f.Clears, "not said")), f.Rule)
}

func (p *page) track(c *Card, t Track) {
	review := ""
	if t.UnderReview {
		review = "   UNDER REVIEW"
	}
	p.b.WriteString(printable(fmt.Sprintf("%s TRACK %s (access %s)   %s%s", strings.ToUpper(cmp.Or(t.Role, "unknown")), t.Name,
		cmp.Or(t.Access, "not stated"), strings.ToUpper(t.Stage), review)) + "\n")
	if t.Declared != "" {
		p.line("  ", "%s", Sentence(t.Declared))
	}
	for _, r := range t.Remarks {
		p.line("  ", "%s", r)
	}
	p.blank()
	if t.Next.Needle == "none" {
		p.b.WriteString("  >>>  NO NEEDLE\n")
	} else {
		p.b.WriteString(printable("  >>>  "+strings.ToUpper(t.Next.Needle)+" NEEDLE   "+strings.Join(Geometry(t), "   ")) + "\n")
	}
	p.blank()
	if t.Next.Caution != "" {
		p.line("  LOOK FIRST: ", "%s", t.Next.Caution)
	}
	p.line("  why: ", "%s", t.Next.Reason())
	if len(t.Next.Who) > 0 {
		p.line("  who: ", "%s", strings.Join(t.Next.Who, ", "))
	}
	for _, e := range t.Added() {
		p.line("  ", "One of the %d sessions was added: %s [%s]", t.Course(), stop(e.Text), e.Rule)
	}
	for _, f := range t.Findings {
		if f.Scope != "access "+t.Access { // the access shows them
			p.finding("  ", c, f)
		}
	}
	if t.Stage == "retired" {
		p.visits(t)
		return
	}
	phase := ""
	for i, s := range t.Preparation {
		if s.Phase != phase {
			phase = s.Phase
			p.line("  ", "%s", strings.ToUpper(PhaseTitle(phase)))
		}
		p.line(fmt.Sprintf("  %2d  ", i+1), "%s", s.Text)
	}
	if len(t.OnResistance) > 0 {
		p.line("  ", "ON RESISTANCE")
	}
	for _, s := range t.OnResistance {
		p.line("   -  ", "%s", s)
	}
	p.visits(t)
	if figures := Figures(t); len(figures) > 0 {
		p.line("  ", "FIGURES")
		for _, f := range figures {
			p.line("      ", "%s", f)
		}
	}
	p.line("  ", "HANDOVER")
	for _, h := range t.Handover {
		p.line(fmt.Sprintf("      %-28s", h.Name), "%s", h.Text)
	}
}

// treatments writes the sessions without a needle in a track.
func (p *page) treatments(c *Card) {
	if len(c.Treatments) == 0 {
		return
	}
	p.blank()
	p.line("", "%s", "LAST SESSIONS WITHOUT A NEEDLE IN A TRACK")
	for _, t := range c.Treatments {
		for i, l := range TreatmentText(t) {
			p.line([]string{"  ", "      "}[min(i, 1)], "%s", l)
		}
	}
	if says := Rotation(c.Treatments); says != "" {
		p.line("  ", "%s", says)
	}
}

func (p *page) visits(t Track) {
	if len(t.Recent) > 0 {
		p.line("  ", "LAST SESSIONS")
	}
	for _, v := range t.Recent {
		p.line("      ", "%s", VisitText(v))
	}
}

// Geometry says how the needle goes in, in short parts, and names what is not recorded.
func Geometry(t Track) []string {
	n := t.Next
	out := []string{Known(n.Gauge, "%dG", "gauge not recorded"), Known(n.AngleDegrees, "%g°", "angle not recorded"),
		cmp.Or(way(n.Direction), "direction not recorded"), Known(n.DepthMillimetres, "%g mm deep", "depth not recorded")}
	if t.Bevel != "" {
		out = append(out, "bevel "+t.Bevel)
	}
	return append(out, Session(t)...)
}

// Reason returns why, without the caution that comes first.
func (n *Next) Reason() string {
	return cmp.Or(strings.TrimSpace(strings.TrimPrefix(n.Why, n.Caution)), n.Why)
}

// Session says which session of its course comes next: one part, or none if it has no number.
func Session(t Track) []string {
	n := t.Next
	switch {
	case n.Session == 0 || n.Needle == "none":
		return nil
	case n.Needle == "sharp" && n.Session <= t.Course():
		return []string{fmt.Sprintf("session %d of %d", n.Session, t.Course())}
	case n.Needle == "blunt":
		return []string{fmt.Sprintf("trial session %d", n.Session)}
	}
	return []string{fmt.Sprintf("session %d", n.Session)}
}

// Figures returns the figures of a track, one a line.
func Figures(t Track) []string {
	var out []string
	switch a := t.Trends.Angles; {
	case a == nil:
	case a.N == 1:
		out = append(out, fmt.Sprintf("Angle of the last entry: %.1f°", a.Mean))
	default:
		out = append(out, fmt.Sprintf("Angle of the last %d entries: mean %.1f°, standard deviation %.1f°", a.N, a.Mean, a.Deviation))
	}
	if h := t.Trends.Haemostasis; h != nil {
		text := fmt.Sprintf("Bleeding usually stops after %.3g min (last %d sessions). More than %.3g min is longer than usual",
			h.Usual, h.N, h.Limit)
		if h.Run > 0 {
			text += ", as in the last " + strings.TrimPrefix(count(h.Run, "session"), "1 ")
		}
		out = append(out, text)
	}
	if b := t.Trends.Blunt; b != nil {
		out = append(out, fmt.Sprintf("Blunt sessions: %d of %d without rescue or failure (%.0f %%, exact 95 %% limits %.0f to %.0f %%)",
			b.Successful, b.Sessions, 100*float64(b.Successful)/float64(b.Sessions), 100*b.Lower, 100*b.Upper))
		text := fmt.Sprintf("Rescues: %d (running sum %.2f, signal at %.2f)", b.Rescues, b.RescueSum, b.RescueLimit)
		if b.RescueLimit > 0 && b.RescueSum >= b.RescueLimit {
			text += ". SIGNAL: more rescues than a track should need"
		}
		out = append(out, text)
	}
	return out
}

// Course is track.State.Course.
func (t *Track) Course() int {
	s := track.State{Target: t.SessionsTarget, Again: t.Again, OneMore: t.OneMore} // the target holds the extra sessions
	return s.Course()
}

// Added returns the sessions of that course that rules added, none once sharp sessions do not count any more.
func (t *Track) Added() []Extra {
	switch stage := track.Stage(t.Stage); {
	case stage != track.Planned && stage != track.Forming && stage != track.Ready:
		return nil
	case t.Again == 0:
		return t.Extras
	}
	dropped := t.SessionsTarget - t.Again
	return slices.DeleteFunc(slices.Clone(t.Extras), func(e Extra) bool { return dropped == len(t.Extras) || e.Rule != rule.PegMissing })
}
