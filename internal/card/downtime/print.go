package downtime

import (
	"cmp"
	"embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"cannulary/internal/card"
)

//go:embed page/*.html page/print.css
var files embed.FS

// What a sheet has room for. Holds are never left out.
const (
	blankRows     = 2 // sessions to write by hand for each needle: one, and one more if it begins again
	visitsPrinted = 3
	foundPrinted  = 4
	saidPrinted   = 5 // notices
	historyShown  = 2
	runesPrinted  = 140 // of a text of the handover
)

// sheet is a card in print: at most two sheets of paper.
type sheet struct {
	card.Card
	Style    template.CSS
	Printed  string
	Tracks   []part
	Retired  []part
	Blank    []int
	Limbs    []template.HTML
	Found    []line // of the accesses and the patient, gravest first
	MoreHere int    // findings that only the screen shows
	Said     []string
	MoreSaid int // notices that only the screen shows
	Past     []card.Hold
	Steps    []phase
	Resist   []phase    // what to do on resistance
	Rows     []handed   // in which the tracks differ
	Shared   []handed   // in which they do not
	Needled  [][]string // sessions without a track, in lines
	Rotation string
	Extras   []string
	Hand     []string // what is to be written by hand, a needle each
}

// part is a track in print.
type part struct {
	card.Track
	Held     []card.Hold
	Geometry []string
	Session  string
	Reason   string // why, without its caution
	Figures  []string
	Side     template.HTML
	Own      []line // findings of the track, not of its access
	More     int
	Visits   []string
}

// phase are the steps of one phase, for all tracks together.
type phase struct {
	Name  string
	First int // number of its first step
	Steps []string
}

// handed is a row of the handover: one text for each track.
type handed struct {
	Name  string
	Texts []card.Item
	Same  bool // all tracks say the same
}

// line is a finding with its moment in the facility's time.
type line struct {
	card.Finding
	When string
}

// PrintCard writes the card as one HTML file that needs no script and no other file. printedAt
// is shown in the facility's time.
func PrintCard(w io.Writer, c card.Card, printedAt time.Time) error {
	style, err := style()
	if err != nil {
		return err
	}
	return render(w, "card.html", []sheet{sheetOf(c, printedAt, style)})
}

func style() (template.CSS, error) {
	b, err := files.ReadFile("page/print.css")
	return template.CSS(b), err
}

func sheetOf(c card.Card, printedAt time.Time, style template.CSS) sheet {
	s := sheet{Card: c, Style: style, Printed: c.Time(printedAt), Blank: make([]int, blankRows), Rotation: card.Rotation(c.Treatments)}
	for _, l := range c.Limbs() {
		l.ID = "p-" + c.Patient.ID + l.ID
		s.Limbs = append(s.Limbs, l.SVG())
	}
	for _, a := range c.Accesses {
		s.Found = append(s.Found, s.lines(a.Findings)...)
	}
	s.Found = append(s.Found, s.lines(c.Findings)...)
	s.Found, s.MoreHere = most(s.Found, foundPrinted)
	s.Past, _ = most(c.History, historyShown)
	s.Said, s.MoreSaid = most(c.Notices, saidPrinted)
	sides := c.Sides()
	for _, t := range c.Tracks {
		x := part{Track: t, Held: c.HoldsOf(t), Reason: t.Next.Reason(), Figures: card.Figures(t)}
		if t.Next.Needle != "none" {
			x.Geometry = card.Geometry(t)
			side := sides[t.Name]
			side.ID = "p-" + c.Patient.ID + side.ID
			x.Side = side.SVG()
		}
		for _, n := range card.Session(t) {
			x.Session = n
		}
		x.Own = s.lines(slices.DeleteFunc(slices.Clone(t.Findings), func(f card.Finding) bool { return f.Scope == "access "+t.Access }))
		x.Own, x.More = most(x.Own, foundPrinted)
		for _, v := range t.Recent[:min(len(t.Recent), visitsPrinted)] {
			x.Visits = append(x.Visits, card.VisitText(v))
		}
		if t.Stage == "retired" {
			s.Retired = append(s.Retired, x)
			continue
		}
		for _, e := range t.Added() {
			s.Extras = append(s.Extras, t.Name+": one session was added: "+card.Sentence(e.Text))
		}
		s.Tracks = append(s.Tracks, x)
		s.Hand = append(s.Hand, t.Name)
	}
	s.Extras, _ = most(s.Extras, 4)
	s.Steps, s.Rows = steps(s.Tracks), handover(s.Tracks)
	s.Shared = slices.DeleteFunc(slices.Clone(s.Rows), func(r handed) bool { return !r.Same })
	s.Rows = slices.DeleteFunc(s.Rows, func(r handed) bool { return r.Same })
	last := ""
	for _, t := range s.Tracks {
		if len(t.Recent) > 0 {
			last = max(last, t.Recent[0].Date)
		}
	}
	for _, t := range c.Treatments[:min(len(c.Treatments), visitsPrinted)] {
		if t.Date >= last { // what came before the last needle in a track is for the screen
			s.Needled = append(s.Needled, card.TreatmentText(t))
		}
	}
	if len(s.Needled) == 0 {
		s.Rotation = ""
	}
	s.Resist = resistance(s.Tracks)
	if len(s.Hand) == 0 {
		s.Hand = []string{"arterial", "venous"}
	}
	return s
}

// most returns the first n of a list, and how many are left out.
func most[T any](list []T, n int) ([]T, int) {
	if len(list) <= n {
		return list, 0
	}
	return list[:n], len(list) - n
}

func (s *sheet) lines(list []card.Finding) []line {
	var out []line
	for _, f := range list {
		if !s.Held(f) {
			out = append(out, line{f, s.When(f)})
		}
	}
	return out
}

// steps puts the steps of all tracks into one list. A step that not all tracks have names its own.
func steps(tracks []part) []phase {
	type step struct {
		phase, text string
		of          []string
	}
	var all []step
	for _, t := range tracks {
		at := 0 // after the last step that this track has
		for _, p := range t.Preparation {
			if i := slices.IndexFunc(all, func(s step) bool { return s.phase == p.Phase && s.text == p.Text }); i >= 0 {
				all[i].of = append(all[i].of, t.Name)
				at = i + 1
				continue
			}
			// Behind the steps of other tracks that stand at the same place.
			for at < len(all) && all[at].phase == p.Phase && !has(t, all[at].text) {
				at++
			}
			all = slices.Insert(all, at, step{p.Phase, p.Text, []string{t.Name}})
			at++
		}
	}
	slices.SortStableFunc(all, func(a, b step) int { return cmp.Compare(order(a.phase), order(b.phase)) })
	var out []phase
	for i, s := range all {
		name := card.PhaseTitle(s.phase)
		if len(out) == 0 || out[len(out)-1].Name != name {
			out = append(out, phase{Name: name, First: i + 1})
		}
		text := s.text
		if len(s.of) < len(tracks) {
			text = strings.Join(s.of, ", ") + ": " + text
		}
		p := &out[len(out)-1]
		p.Steps = append(p.Steps, text)
	}
	return out
}

// resistance puts what to do on resistance together where several tracks have the same.
func resistance(tracks []part) []phase {
	var out []phase
	for _, t := range tracks {
		i := slices.IndexFunc(out, func(p phase) bool { return slices.Equal(p.Steps, t.OnResistance) })
		switch {
		case len(t.OnResistance) == 0:
		case i >= 0:
			out[i].Name += ", " + t.Name
		default:
			out = append(out, phase{Name: t.Name, Steps: t.OnResistance})
		}
	}
	return out
}

func has(t part, text string) bool {
	return slices.ContainsFunc(t.Preparation, func(p card.Step) bool { return p.Text == text })
}

func order(phase string) int {
	return slices.Index([]string{card.PhaseStop, card.PhaseExamine, card.PhasePrepare, card.PhaseInsert, card.PhaseAfter}, phase)
}

// handover puts what all tracks hand over into rows.
func handover(tracks []part) []handed {
	var out []handed
	for _, t := range tracks {
		for _, h := range t.Handover {
			if h.Beside() {
				continue
			}
			i := slices.IndexFunc(out, func(r handed) bool { return r.Name == h.Name })
			if i < 0 {
				out = append(out, handed{Name: h.Name, Same: true})
				i = len(out) - 1
			}
			if runes := []rune(h.Text); len(runes) > runesPrinted {
				h.Text = string(runes[:runesPrinted-1]) + "… (whole on the screen)"
			}
			r := &out[i]
			r.Same = r.Same && (len(r.Texts) == 0 || r.Texts[0].Text == h.Text)
			r.Texts = append(r.Texts, h)
		}
	}
	return out
}

// byName returns the cards by name, then identifier, then id. Those without a name come last.
func byName(cards []card.Card) []card.Card {
	out := slices.Clone(cards)
	slices.SortStableFunc(out, func(a, b card.Card) int {
		x, y := strings.ToLower(a.Patient.Name), strings.ToLower(b.Patient.Name)
		switch {
		case x == "" && y != "":
			return 1
		case x != "" && y == "":
			return -1
		}
		return cmp.Or(cmp.Compare(x, y), cmp.Compare(numbers(a), numbers(b)), cmp.Compare(a.Patient.ID, b.Patient.ID))
	})
	return out
}

func numbers(c card.Card) string {
	var out []string
	for _, id := range c.Patient.Identifiers {
		out = append(out, id.Value)
	}
	return strings.Join(out, ", ")
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

// Numbers returns the patient's numbers as on the list.
func (s sheet) Numbers() string { return numbers(s.Card) }

// Mark returns a sign for a needle that is recognised without colour.
func (p part) Mark() string { return card.Mark(p.Next.Needle) }

func render(w io.Writer, name string, data any) error {
	t, err := template.New(name).Funcs(template.FuncMap{
		"or":       func(s, otherwise string) string { return cmp.Or(s, otherwise) },
		"upper":    strings.ToUpper,
		"join":     strings.Join,
		"title":    card.Capital,
		"sentence": card.Sentence,
		"figure":   figure,
	}).ParseFS(files, "page/"+name, "page/parts.html")
	if err != nil {
		return err
	}
	return t.Execute(w, data)
}

// figure returns a recorded figure with its unit, or says that it is not recorded.
func figure(v any, unit string) string {
	switch x := v.(type) {
	case *uint32:
		if x != nil {
			return fmt.Sprintf("%d%s", *x, unit)
		}
	case *float64:
		if x != nil {
			return fmt.Sprintf("%g%s", *x, unit)
		}
	}
	return card.NotRecorded
}
