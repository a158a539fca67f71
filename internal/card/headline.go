package card

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// Level is how grave a headline is.
type Level string

// The levels.
const (
	LevelStop Level = "stop" // there is a place that must not be needled
	LevelCare Level = "care" // something is to be known before the needle
	LevelGo   Level = "go"
)

// Headline answers "may I needle?" in a sentence or two.
type Headline struct {
	Level Level
	Title string
	Lines []HeadLine // the gravest first
}

// HeadLine is a sentence below a headline.
type HeadLine struct {
	Text   string
	Urgent bool
	// Since is when a hold began, nil for all else. Day is its local date if only that is known.
	Since *time.Time
	Day   string
}

// Headline returns the card's headline. It says nothing that holds, findings, notices and next
// needles do not say.
func (c *Card) Headline() Headline {
	var free, none []string
	stopped := false
	for _, t := range c.Tracks {
		switch {
		case t.Stage == "retired":
		case t.Next.Needle == "none":
			none = append(none, t.Name)
			stopped = stopped || c.stops(t)
		default:
			free = append(free, t.Name)
		}
	}
	h := Headline{Level: LevelGo}
	for _, x := range c.Holds {
		line := HeadLine{Text: Capital(x.Scope) + ": " + Sentence(x.Seen), Urgent: x.Urgent, Since: &x.Since, Day: x.Day}
		if x.Urgent {
			line.Text = "URGENT: call the physician or surgeon now. " + line.Text
		}
		h.Lines = append(h.Lines, line)
	}
	slices.SortStableFunc(h.Lines, func(a, b HeadLine) int {
		switch {
		case a.Urgent == b.Urgent:
			return 0
		case a.Urgent:
			return -1
		}
		return 1
	})
	say := func(text string) { // once: why a track gets no needle may be a finding's own words
		if !slices.ContainsFunc(h.Lines, func(l HeadLine) bool { return l.Text == text }) {
			h.Lines = append(h.Lines, HeadLine{Text: text})
		}
	}
	if c.Partial {
		say(c.Notices[0])
	}
	if len(none) > 0 && len(free) > 0 {
		say(strings.Join(free, ", ") + " may be needled after you have examined the access.")
	}
	for _, t := range c.Tracks {
		if t.Next.Needle == "none" && t.Stage != "retired" && len(c.HoldsOf(t)) == 0 {
			say(t.Name + ": " + Sentence(c.WhyNone(t)))
		}
	}
	for _, f := range c.Serious() {
		say(f)
	}
	for _, n := range c.Notices {
		if n != NoTrack {
			say(n)
		}
	}
	switch {
	case len(free)+len(none) == 0 && len(c.Holds) > 0:
		h.Level, h.Title = LevelStop, "Do not needle "+c.Holds[0].Scope
	case len(free)+len(none) == 0:
		h.Level, h.Title = LevelCare, c.otherTechnique()
	case len(c.Holds) > 0 || stopped:
		h.Level, h.Title = LevelStop, "Do not needle "+strings.Join(none, ", ")
		if len(none) == 0 { // the hold is on another place
			h.Title = "Do not needle " + c.Holds[0].Scope
		}
	case len(none) > 0:
		h.Level, h.Title = LevelCare, "No needle in "+strings.Join(none, ", ")
	case c.Past != "":
		h.Title = "No hold was recorded then."
	default:
		h.Title = "No hold is recorded. Look, listen and feel before you needle."
	}
	if c.Unrecorded() != "" {
		h.Title = c.Unrecorded()
	}
	if c.Partial && h.Level != LevelStop {
		h.Title = "This card is not complete: no stay is open here."
	}
	if h.Level == LevelGo && len(h.Lines) > 0 {
		h.Level = LevelCare
	}
	return h
}

// otherTechnique is the headline of a patient without a track.
func (c *Card) otherTechnique() string {
	for _, a := range c.Accesses {
		switch {
		case a.Name != c.Use.Access || a.Kind == "":
		case strings.Contains(a.Kind, "catheter"):
			return "Access " + a.Name + " is a " + a.Kind + ": no needle."
		default:
			return "No constant-site track. Access " + a.Name + " is a " + a.Kind + ". Look, listen and feel, then choose the sites."
		}
	}
	return "No constant-site track. Look, listen and feel, then choose the sites."
}

// stops reports that a hold or a stop keeps the track from the needle, not a rest.
func (c *Card) stops(t Track) bool {
	return len(c.HoldsOf(t)) > 0 || slices.ContainsFunc(t.Findings, func(f Finding) bool { return f.Severity == "stop" })
}

// Serious returns the cautions and stops that no open hold says, each once, with its place.
func (c *Card) Serious() []string {
	var out []string
	seen := map[string]bool{}
	add := func(list []Finding) {
		for _, f := range list {
			if f.Severity == "note" || c.Held(f) || seen[f.ID] && f.ID != "" {
				continue
			}
			seen[f.ID] = true
			place := Capital(cmp.Or(f.Scope, "patient"))
			if name, ok := strings.CutPrefix(f.Scope, "track "); ok {
				place = name // as it was sent
			}
			out = append(out, place+": "+Sentence(f.Seen))
		}
	}
	for _, a := range c.Accesses {
		if !a.Retired {
			add(a.Findings)
		}
	}
	for _, t := range c.Tracks {
		if t.Stage != "retired" {
			add(t.Findings)
		}
	}
	add(c.Findings)
	return out
}
