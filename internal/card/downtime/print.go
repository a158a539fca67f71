package downtime

import (
	"embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"sort"
	"strings"
	"time"

	"cannulary/internal/card"
)

//go:embed page/*.html page/print.css
var files embed.FS

// blankRows is how many sessions can be written by hand for each track: one, and one more if it
// has to begin again.
const blankRows = 2

// sheet is a card in print.
type sheet struct {
	card.Card
	Style   template.CSS
	Printed string
	Tracks  []part
	Retired []part
	Blank   []int
}

// part is a track in print.
type part struct {
	card.Track
	Held     []card.Hold
	Geometry []string
	Reason   string // why, without its caution
	Figures  []string
	Phases   []phase
	Own      []card.Finding // findings of the track, not of its access
}

type phase struct {
	Name  string
	First int // number of its first step
	Steps []card.Step
}

// PrintCard writes the card as one HTML file that needs no script and no other file. printedAt
// is shown in the facility's time.
func PrintCard(w io.Writer, c card.Card, printedAt time.Time) error {
	style, err := files.ReadFile("page/print.css")
	if err != nil {
		return err
	}
	s := sheet{Card: c, Style: template.CSS(style), Printed: c.Time(printedAt), Blank: make([]int, blankRows)}
	for _, t := range c.Tracks {
		x := part{Track: t, Held: c.HoldsOf(t), Reason: t.Next.Reason(), Figures: card.Figures(t), Phases: phases(t.Preparation)}
		if t.Next.Needle != "none" {
			x.Geometry = card.Geometry(t)
		}
		for _, f := range t.Findings {
			if f.Scope != "access "+t.Access && !c.Held(f) {
				x.Own = append(x.Own, f)
			}
		}
		if t.Stage == "retired" {
			s.Retired = append(s.Retired, x)
		} else {
			s.Tracks = append(s.Tracks, x)
		}
	}
	return render(w, "card.html", &s)
}

func phases(steps []card.Step) []phase {
	var out []phase
	for i, s := range steps {
		if name := card.PhaseTitle(s.Phase); len(out) == 0 || out[len(out)-1].Name != name {
			out = append(out, phase{Name: name, First: i + 1})
		}
		p := &out[len(out)-1]
		p.Steps = append(p.Steps, s)
	}
	return out
}

// index is the list of the pack's cards.
type index struct {
	Style      template.CSS
	Printed    string
	Lagging    bool
	Oldest     string // the earliest moment of a card
	Held       int
	Facilities []string
	Patients   []entry
	Caution    string
}

// entry is a patient on the index.
type entry struct {
	File, Name, Birth, Numbers, Facility string
	Held                                 string   // what is held, empty for nothing
	Needles                              []string // a line for each track in use
}

// PrintIndex writes the list of the cards by name, then identifier, and marks the held ones.
// Each entry links to FileName of its card.
func PrintIndex(w io.Writer, cards []card.Card, printedAt time.Time) error {
	style, err := files.ReadFile("page/print.css")
	if err != nil {
		return err
	}
	x := index{Style: template.CSS(style), Printed: printedAt.UTC().Format("2006-01-02 15:04 MST"), Caution: card.Caution}
	var oldest time.Time
	for i, c := range Sorted(cards) {
		file, err := FileName(c)
		if err != nil {
			return err
		}
		if i == 0 || c.AsOf.Before(oldest) {
			oldest = c.AsOf
			x.Oldest = c.Time(c.AsOf)
		}
		x.Lagging = x.Lagging || c.Lagging
		if !slices.Contains(x.Facilities, c.Facility) {
			x.Facilities = append(x.Facilities, c.Facility)
		}
		e := entry{File: file, Name: c.Patient.Name, Birth: c.Patient.BirthDate, Numbers: numbers(c), Facility: c.Facility}
		if c.StandingHold {
			x.Held++
			e.Held = scopes(c.Holds)
		}
		for _, t := range c.Tracks {
			if t.Stage != "retired" {
				next := fmt.Sprintf("%s: %s, next %s", t.Name, t.Stage, strings.ToUpper(t.Next.Needle))
				if t.Next.Caution != "" {
					next += ". Look first: " + t.Next.Caution
				}
				e.Needles = append(e.Needles, next)
			}
		}
		x.Patients = append(x.Patients, e)
	}
	if len(x.Facilities) == 1 {
		x.Printed = cards[0].Time(printedAt)
	}
	return render(w, "index.html", &x)
}

func scopes(holds []card.Hold) string {
	var out []string
	for _, h := range holds {
		if !slices.Contains(out, h.Scope) {
			out = append(out, h.Scope)
		}
	}
	return strings.Join(out, ", ")
}

func numbers(c card.Card) string {
	var out []string
	for _, id := range c.Patient.Identifiers {
		out = append(out, id.Value)
	}
	return strings.Join(out, ", ")
}

// Sorted returns the cards by name, then identifier, then id. Those without a name come last.
func Sorted(cards []card.Card) []card.Card {
	out := slices.Clone(cards)
	sort.SliceStable(out, func(i, k int) bool {
		a, b := &out[i], &out[k]
		x, y := strings.ToLower(a.Patient.Name), strings.ToLower(b.Patient.Name)
		switch {
		case (x == "") != (y == ""):
			return y == ""
		case x != y:
			return x < y
		}
		if m, n := numbers(*a), numbers(*b); m != n {
			return m < n
		}
		return a.Patient.ID < b.Patient.ID
	})
	return out
}

func render(w io.Writer, name string, data any) error {
	t, err := template.New(name).Funcs(template.FuncMap{
		"or": func(s, otherwise string) string {
			if s == "" {
				return otherwise
			}
			return s
		},
		"upper": strings.ToUpper,
		"join":  strings.Join,
		"title": func(s string) string {
			if s == "" {
				return s
			}
			return strings.ToUpper(s[:1]) + s[1:]
		},
		"sentence": card.Sentence,
	}).ParseFS(files, "page/"+name)
	if err != nil {
		return err
	}
	return t.Execute(w, data)
}

// line is a finding with its moment in the facility's time.
type line struct {
	card.Finding
	When string
}

// Line returns a finding with its moment in words.
func (s sheet) Line(f card.Finding) line { return line{f, s.When(f)} }

// Session returns one session as a line.
func (s sheet) Session(v card.Visit) string { return card.VisitText(v) }
