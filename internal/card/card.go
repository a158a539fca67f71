// Package card makes the chairside card: what the cannulator must know of one patient
// before needling, each advice with its reason. It is pure; who the patient is, and how
// far behind the view is, it is told.
package card

import (
	"fmt"
	"sort"
	"strings"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Caution stands on every card.
const Caution = "Decision support only. This card judges the recorded sessions, pegs, rests and the holds that people placed; it does not judge the examination. Examine the access before touching it: with no thrill or bruit, with redness, pus, swelling, thin skin or a non-healing scab, do not needle and call. The unit's protocol and a licensed practitioner decide."

// Card is the answer for one patient at one moment.
type Card struct {
	Patient     Patient    `json:"patient"`
	Facility    string     `json:"facility"`
	AsOf        time.Time  `json:"asOf"`
	KnownAt     time.Time  `json:"knownAt"`
	LastFactAt  *time.Time `json:"lastFactAt"`
	Lagging     bool       `json:"lagging"`
	Quarantined int        `json:"quarantined"`
	Holds       []Hold     `json:"holds"`
	Tracks      []Track    `json:"tracks"`
	Notices     []string   `json:"notices"`
	Caution     string     `json:"caution"`
}

// Patient is what positive identification needs.
type Patient struct {
	ID          string       `json:"id"`
	Name        string       `json:"name,omitempty"`
	BirthDate   string       `json:"birthDate,omitempty"`
	Identifiers []Identifier `json:"identifiers"`
	Asked       string       `json:"askedFor,omitempty"` // set when a merged identity was asked for
}

// Identifier is one of the patient's.
type Identifier struct {
	System string `json:"system"`
	Value  string `json:"value"`
}

// Hold is an open hold: no needle until a person lifts it.
type Hold struct {
	ID              string    `json:"id"`
	Rule            string    `json:"rule"`
	Scope           string    `json:"scope"`
	Since           time.Time `json:"since"`
	Text            string    `json:"text"`
	Clears          string    `json:"clears"`
	GroundWithdrawn bool      `json:"groundWithdrawn"`
}

// Track is one track on the card.
type Track struct {
	ID              string    `json:"id"`
	Name            string    `json:"name"`
	Role            string    `json:"role"`
	Access          string    `json:"access"`
	Stage           string    `json:"stage"`
	UnderReview     bool      `json:"underReview"`
	Declared        string    `json:"declared,omitempty"`
	SessionsCounted int       `json:"sessionsCounted"`
	SessionsTarget  int       `json:"sessionsTarget"`
	Extras          []Extra   `json:"extras"`
	Next            Next      `json:"next"`
	Findings        []Finding `json:"findings"`
	Recent          []Visit   `json:"recent"`
	ProtocolVersion string    `json:"protocolVersion"`
}

// Extra is one more forming session that a rule asks for.
type Extra struct {
	Rule string `json:"rule"`
	Text string `json:"text"`
}

// Next is the next needle and why.
type Next struct {
	Needle           string   `json:"needle"`
	Session          int      `json:"session,omitempty"`
	Gauge            *uint32  `json:"gauge,omitempty"`
	AngleDegrees     *float64 `json:"angleDegrees,omitempty"`
	Direction        string   `json:"direction,omitempty"`
	DepthMillimetres *float64 `json:"depthMillimetres,omitempty"`
	Who              []string `json:"who"`
	Why              string   `json:"why"`
}

// Finding is a judgement of a rule on the track.
type Finding struct {
	Rule     string    `json:"rule"`
	Severity string    `json:"severity"`
	Since    time.Time `json:"since"`
	Text     string    `json:"text"`
	Clears   string    `json:"clears"`
	Facts    []string  `json:"facts"`
}

// Visit is one recent session in the track.
type Visit struct {
	Date         string   `json:"date"`
	Needle       string   `json:"needle"`
	Attempts     int      `json:"attempts"`
	Success      bool     `json:"success"`
	Counted      bool     `json:"counted"`
	WhyNot       []string `json:"whyNot,omitempty"`
	AngleDegrees *float64 `json:"angleDegrees,omitempty"`
	Gauge        *uint32  `json:"gauge,omitempty"`
	Who          string   `json:"who,omitempty"`
}

// Input is what a card is made of.
type Input struct {
	track.Input
	Patient     Patient
	KnownAt     time.Time
	Lagging     bool
	Quarantined int
}

// Build makes the card.
func Build(in Input) Card {
	states, holds := track.Fold(in.Input)
	c := Card{
		Patient: in.Patient, Facility: in.Facility, AsOf: in.AsOf.UTC(), KnownAt: in.KnownAt.UTC(),
		Lagging: in.Lagging, Quarantined: in.Quarantined,
		Holds: []Hold{}, Tracks: []Track{}, Notices: []string{}, Caution: Caution,
	}
	reviews := openReviews(in.Items, in.AsOf)
	for i := range in.Items {
		if it := &in.Items[i]; !it.Void && !it.At.After(in.AsOf) && (c.LastFactAt == nil || it.At.After(*c.LastFactAt)) {
			at := it.At.UTC()
			c.LastFactAt = &at
		}
	}
	for _, h := range holds {
		c.Holds = append(c.Holds, hold(h))
	}
	for _, s := range states {
		c.Tracks = append(c.Tracks, one(s, reviews))
	}
	if in.Lagging {
		c.Notices = append(c.Notices, "This view is behind the log: newer facts may exist. Ask again in a moment, or check with the last cannulator.")
	}
	if in.Quarantined > 0 {
		c.Notices = append(c.Notices, fmt.Sprintf("%d messages could not be understood and are not in this card; one of them may be about this patient.", in.Quarantined))
	}
	if n := whereabouts(in); n != "" {
		c.Notices = append(c.Notices, n)
	}
	if len(c.Tracks) == 0 {
		c.Notices = append(c.Notices, "No constant-site track is recorded for this patient.")
	}
	return c
}

func hold(h track.Hold) Hold {
	scope := "track " + h.Track
	if h.Track == "" {
		scope = "access " + h.Access
	}
	text := h.Text
	if h.GroundWithdrawn {
		text += " (ground withdrawn)"
	}
	return Hold{ID: h.ID, Rule: h.Rule, Scope: scope, Since: h.Since.UTC(), Text: text,
		Clears: "a person lifts it by name, with a reason, naming this hold's id", GroundWithdrawn: h.GroundWithdrawn}
}

func one(s track.State, reviews map[string]bool) Track {
	t := Track{
		ID: s.ID, Name: s.Name, Role: role(s.Role), Access: s.Access, Stage: string(s.Stage),
		UnderReview:     reviews["track "+s.Name] || reviews["access "+s.Access],
		SessionsCounted: s.Counted, SessionsTarget: s.Target + len(s.Extras),
		Extras: []Extra{}, Findings: []Finding{}, Recent: []Visit{}, Next: next(s), ProtocolVersion: s.Protocol.Version,
	}
	for _, e := range s.Extras {
		t.Extras = append(t.Extras, Extra(e))
	}
	if s.Taken != nil {
		t.Declared = declared(s)
	}
	for _, v := range s.Recent {
		t.Recent = append(t.Recent, Visit{Date: v.Date, Needle: string(v.Tip), Attempts: v.Attempts, Success: v.Success,
			Counted: v.Counted, WhyNot: v.WhyNot, AngleDegrees: v.Angle, Gauge: v.Gauge, Who: v.Who.GetValue()})
	}
	return t
}

func declared(s track.State) string {
	parts := []string{"declared, not recorded here: " + strings.ToLower(strings.TrimPrefix(s.Taken.GetStage().String(), "TRACK_STAGE_"))}
	if s.Taken.InUseSince != nil {
		parts = append(parts, "in use since "+s.Taken.GetInUseSince())
	}
	return strings.Join(append(parts, "by "+s.Taken.GetDeclaredBy().GetValue(), "on "+s.Taken.GetEvidence()), ", ")
}

// next chooses the next needle and says why.
func next(s track.State) Next {
	n := Next{Needle: string(track.None), Who: []string{}}
	geometry := func() {
		n.Gauge, n.AngleDegrees, n.DepthMillimetres, n.Direction = s.Gauge, s.ReferenceAngle, s.Depth, direction(s.Direction)
	}
	needed := s.Target + len(s.Extras)
	switch {
	case s.Stage == track.Retired:
		n.Why = "the track was given up: " + or(s.Retired, "no reason recorded")
		if s.Replaced != "" {
			n.Why += "; track " + s.Replaced + " replaces it"
		}
	case len(s.Held) > 0:
		n.Why = "a hold is open: no needle here until a person lifts it"
	case s.Stage == track.Resting:
		n.Why = "the track rests " + or(s.Rest, "(no reason recorded)")
	case s.Stage == track.Planned:
		geometry()
		n.Needle, n.Session = string(track.Sharp), 1
		n.Why = fmt.Sprintf("planned, no needle yet: the first insertion is sharp, by someone rated to create tracks, and sets angle, direction and depth for the %d sessions to come", needed)
	case s.Stage == track.Forming:
		geometry()
		n.Needle, n.Session, n.Who = string(track.Sharp), s.Counted+1, who(s)
		n.Why = fmt.Sprintf("forming: %d of %d sharp sessions count; not ready: %s", s.Counted, needed, strings.Join(s.NotReady, "; "))
	case s.Stage == track.Ready && s.Protocol.SharpOnly:
		geometry()
		n.Needle, n.Session, n.Who = string(track.Sharp), s.Counted+1, who(s)
		n.Why = "formed; the unit's protocol keeps tracks sharp"
	case s.Stage == track.Ready:
		geometry()
		n.Needle, n.Session, n.Who = string(track.Blunt), 1, who(s)
		n.Why = fmt.Sprintf("ready: %d of %d sharp sessions count and the last entries were easy; this is the first blunt needle", s.Counted, needed)
	case s.Stage == track.Trial:
		geometry()
		n.Needle, n.Session = string(track.Blunt), s.Streak+1
		n.Why = fmt.Sprintf("blunt trial: %d of %d consecutive successful blunt sessions", s.Streak, s.Protocol.TrialSessions)
	case s.Protocol.SharpOnly:
		geometry()
		n.Needle = string(track.Sharp)
		n.Why = "established; the unit's protocol keeps tracks sharp"
	default:
		geometry()
		n.Needle = string(track.Blunt)
		n.Why = "established: routine blunt use"
	}
	if n.Needle != string(track.None) {
		n.Why += idle(s)
	}
	return n
}

// idle warns of a gap that is still open: the fold judges it only when a session ends it.
func idle(s track.State) string {
	if s.IdleDays <= s.Protocol.GapExtraDays {
		return ""
	}
	text := fmt.Sprintf("; CAUTION, last needled %d days ago", s.IdleDays)
	if s.Stage != track.Forming && s.Stage != track.Ready {
		return text
	}
	if s.IdleDays > s.Protocol.GapRestartDays {
		return text + fmt.Sprintf(": after more than %d days counting starts again, a sharp session now is number 1", s.Protocol.GapRestartDays)
	}
	return text + fmt.Sprintf(": more than %d days ask for one more sharp session", s.Protocol.GapExtraDays)
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// who lists creator and deputies.
func who(s track.State) []string {
	out := []string{}
	if v := s.Creator.GetValue(); v != "" {
		out = append(out, v)
	}
	for _, d := range s.Deputies {
		if v := d.GetValue(); v != "" && v != s.Creator.GetValue() {
			out = append(out, v)
		}
	}
	return out
}

func role(r cannularyv1.NeedleRole) string {
	switch r {
	case cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL:
		return "arterial"
	case cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS:
		return "venous"
	}
	return ""
}

func direction(d cannularyv1.NeedleDirection) string {
	switch d {
	case cannularyv1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE:
		return "antegrade"
	case cannularyv1.NeedleDirection_NEEDLE_DIRECTION_RETROGRADE:
		return "retrograde"
	}
	return ""
}

// openReviews are the tracks and accesses whose review is open at the moment.
func openReviews(items []record.Item, asOf time.Time) map[string]bool {
	open := map[string]string{} // review → scope
	for i := range items {
		it := &items[i]
		if it.Void || it.At.After(asOf) {
			continue
		}
		switch b := it.Body.(type) {
		case *cannularyv1.ReviewOpened:
			scope := "track " + b.GetTrack()
			if b.GetTrack() == "" {
				scope = "access " + b.GetAccess()
			}
			open[b.GetReview()] = scope
		case *cannularyv1.ReviewClosed:
			delete(open, b.GetReview())
		}
	}
	out := map[string]bool{}
	for _, scope := range open {
		out[scope] = true
	}
	return out
}

// whereabouts says when the patient is not dialysed here at the moment asked for: left the
// unit, or in hospital.
func whereabouts(in Input) string {
	w := track.Where(in.Items, in.AsOf)
	switch {
	case w.Left:
		reason := strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(w.Reason.String(), "LEAVING_REASON_")), "_", " ")
		if reason == "unspecified" {
			reason = "reason not recorded"
		}
		return fmt.Sprintf("The patient left %s on %s (%s).", w.LeftUnit, w.LeftAt.In(in.Zone(w.LeftUnit)).Format(time.DateOnly), reason)
	case w.InHospitalSince != nil:
		return fmt.Sprintf("The patient is in hospital since %s.", w.InHospitalSince.In(in.Zone(in.Facility)).Format(time.DateOnly))
	}
	return ""
}

// Text is the card as plain text, for a terminal or a printer without a browser.
func Text(c Card) string {
	var b strings.Builder
	w := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	w("PATIENT   %s   born %s", or(c.Patient.Name, "(name not stated)"), or(c.Patient.BirthDate, "(not stated)"))
	for _, id := range c.Patient.Identifiers {
		w("          %s | %s", id.System, id.Value)
	}
	last := "nothing yet"
	if c.LastFactAt != nil {
		last = c.LastFactAt.Format("2006-01-02 15:04 MST")
	}
	w("FACILITY  %s   as of %s   last fact %s", c.Facility, c.AsOf.Format("2006-01-02 15:04 MST"), last)
	for _, n := range c.Notices {
		w("NOTICE    %s", n)
	}
	if len(c.Holds) == 0 {
		w("HOLDS     none recorded")
	}
	for _, h := range c.Holds {
		w("HOLD      %s since %s: %s", h.Scope, h.Since.Format("2006-01-02 15:04"), h.Text)
		w("          clears when %s (%s)", h.Clears, h.ID)
	}
	for _, t := range c.Tracks {
		w("")
		review := ""
		if t.UnderReview {
			review = "   UNDER REVIEW"
		}
		w("%s TRACK %s (access %s)   %s%s", strings.ToUpper(or(t.Role, "unknown")), t.Name, or(t.Access, "not stated"), strings.ToUpper(t.Stage), review)
		if t.Declared != "" {
			w("  %s", t.Declared)
		}
		w("  next needle: %s%s", strings.ToUpper(t.Next.Needle), geometryText(t.Next))
		w("  why: %s", t.Next.Why)
		if len(t.Next.Who) > 0 {
			w("  who: %s", strings.Join(t.Next.Who, ", "))
		}
		for _, e := range t.Extras {
			w("  one more session (%s): %s", e.Rule, e.Text)
		}
		for _, v := range t.Recent {
			w("  %s", visitText(v))
		}
	}
	w("")
	w("%s", c.Caution)
	return b.String()
}

func geometryText(n Next) string {
	var parts []string
	if n.Gauge != nil {
		parts = append(parts, fmt.Sprintf("%dG", *n.Gauge))
	}
	if n.AngleDegrees != nil {
		parts = append(parts, fmt.Sprintf("%g°", *n.AngleDegrees))
	}
	if n.Direction != "" {
		parts = append(parts, n.Direction)
	}
	if n.DepthMillimetres != nil {
		parts = append(parts, fmt.Sprintf("%g mm deep", *n.DepthMillimetres))
	}
	if len(parts) == 0 {
		return ""
	}
	return ", " + strings.Join(parts, ", ")
}

func visitText(v Visit) string {
	s := fmt.Sprintf("%s  %s, %d attempt(s)", v.Date, or(v.Needle, "needle not recorded"), v.Attempts)
	if v.Who != "" {
		s += ", " + v.Who
	}
	if !v.Success {
		s += ", did not serve"
	}
	if len(v.WhyNot) > 0 {
		sort.Strings(v.WhyNot)
		s += "; does not count: " + strings.Join(v.WhyNot, "; ")
	}
	return s
}
