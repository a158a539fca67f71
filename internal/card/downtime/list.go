package downtime

import (
	"cmp"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/worklist"
)

// list is the first sheets of the pack: who is due by day and shift, then all others.
type list struct {
	Style      template.CSS
	Printed    string
	Lagging    bool
	Oldest     string // the earliest moment of a card
	Held       int
	Count      int
	Facilities []string
	Groups     []group
	Caution    string
	Head       string  // of the log, as chain.Mark prints it; empty where it is not known
	Sheets     []sheet // the patients' sheets that follow, none for the list alone
}

// group are the patients of one day and shift.
type group struct {
	Title    string
	Patients []entry
}

// entry is a patient on the list.
type entry struct {
	File, Name, Birth, Numbers, Facility string
	Chair                                string
	Hospital                             string   // since when in hospital, empty if not
	Held                                 string   // what is held, empty for nothing
	Doubts                               []string // what may be another person's
	Needles                              []string // a line for each needle
	Lapses                               string   // from when on another needle may be right, empty if not by the day listed
}

// daysListed is for how many days the list says who is due: the day of print and the next.
const daysListed = 2

// PrintIndex writes the list alone. Each entry links to its card's file. head is the log's.
func PrintIndex(w io.Writer, cards []card.Card, printedAt time.Time, head string) error {
	x, err := listOf(cards, printedAt, head)
	if err != nil {
		return err
	}
	return render(w, "index.html", x)
}

// PrintAll writes the list and the sheets of all patients as one file, to be printed in one go.
func PrintAll(w io.Writer, cards []card.Card, printedAt time.Time, head string) error {
	x, err := listOf(cards, printedAt, head)
	if err != nil {
		return err
	}
	for _, c := range byName(cards) {
		x.Sheets = append(x.Sheets, sheetOf(c, printedAt, ""))
	}
	return render(w, "print.html", x)
}

func listOf(cards []card.Card, printedAt time.Time, head string) (*list, error) {
	css, err := style()
	if err != nil {
		return nil, err
	}
	x := &list{Style: css, Printed: printedAt.UTC().Format("2006-01-02 15:04 MST"), Caution: card.Caution, Count: len(cards),
		Head: head}
	sorted := byName(cards)
	var oldest time.Time
	for i, c := range sorted {
		if i == 0 || c.AsOf.Before(oldest) {
			oldest = c.AsOf
			x.Oldest = c.Time(c.AsOf)
		}
		x.Lagging = x.Lagging || c.Lagging
		if c.StandingHold {
			x.Held++
		}
		if !slices.Contains(x.Facilities, c.Facility) {
			x.Facilities = append(x.Facilities, c.Facility)
		}
	}
	if len(x.Facilities) == 1 {
		x.Printed = cards[0].Time(printedAt)
	}
	slices.Sort(x.Facilities)
	for _, f := range x.Facilities {
		var mine []card.Card
		for _, c := range sorted {
			if c.Facility == f {
				mine = append(mine, c)
			}
		}
		groups, err := due(mine, printedAt)
		if err != nil {
			return nil, err
		}
		for _, g := range groups {
			if len(x.Facilities) > 1 {
				g.Title = cmp.Or(f, "Facility not known") + ": " + g.Title
			}
			x.Groups = append(x.Groups, g)
		}
	}
	return x, nil
}

// due puts the patients of one facility into groups by day and shift. Whoever is due on no day of
// the list comes at the end, so that nobody is missing.
func due(cards []card.Card, printedAt time.Time) ([]group, error) {
	var out []group
	listed := map[string]bool{}
	for n := range daysListed {
		day := printedAt.In(cards[0].Location()).AddDate(0, 0, n)
		on := func(c *card.Card) bool {
			named := func(d card.Due) bool { return d.Due && d.Date == day.Format(time.DateOnly) }
			return c.Schedule != nil && slices.ContainsFunc(c.Due, named)
		}
		var shifts []string
		for i := range cards {
			if c := &cards[i]; on(c) && !slices.Contains(shifts, c.Schedule.Shift) {
				shifts = append(shifts, c.Schedule.Shift)
			}
		}
		slices.SortFunc(shifts, inTheDay)
		for _, shift := range shifts {
			g := group{Title: fmt.Sprintf("Due %s %s, shift: %s", day.Weekday(), day.Format("2 January"), cmp.Or(shift, card.NotRecorded))}
			var mine []card.Card
			for i := range cards {
				if on(&cards[i]) && cards[i].Schedule.Shift == shift {
					mine = append(mine, cards[i])
				}
			}
			slices.SortStableFunc(mine, func(a, b card.Card) int { return worklist.CompareChairs(a.Schedule.Chair, b.Schedule.Chair) })
			for _, c := range mine {
				e, err := entryOf(c)
				if err != nil {
					return nil, err
				}
				if c.ChangesOn != "" && c.ChangesOn <= day.Format(time.DateOnly) {
					e.Lapses = c.ChangesOn
				}
				listed[c.Patient.ID] = true
				g.Patients = append(g.Patients, e)
			}
			out = append(out, g)
		}
	}
	for _, rest := range []struct {
		title string
		of    func(*card.Card) bool
	}{{"Not due on these days", func(c *card.Card) bool { return c.Schedule != nil }},
		{"No schedule is recorded", func(c *card.Card) bool { return c.Schedule == nil }}} {
		g := group{Title: rest.title}
		for _, c := range cards {
			if !listed[c.Patient.ID] && rest.of(&c) {
				e, err := entryOf(c)
				if err != nil {
					return nil, err
				}
				g.Patients = append(g.Patients, e)
			}
		}
		if len(g.Patients) > 0 {
			out = append(out, g)
		}
	}
	return out, nil
}

// inTheDay orders shifts by their usual names, others by the alphabet.
func inTheDay(a, b string) int {
	rank := func(s string) int {
		for i, w := range []string{"early", "morning", "noon", "midday", "afternoon", "late", "evening", "twilight", "night"} {
			if strings.Contains(strings.ToLower(s), w) {
				return i
			}
		}
		return 99
	}
	return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(a, b))
}

func entryOf(c card.Card) (entry, error) {
	file, err := fileName(c)
	if err != nil {
		return entry{}, err
	}
	e := entry{File: file, Name: c.Patient.Name, Birth: c.Patient.BirthDate, Numbers: numbers(c), Facility: c.Facility}
	if c.Schedule != nil {
		e.Chair = c.Schedule.Chair
	}
	for _, d := range c.Due {
		e.Hospital = cmp.Or(e.Hospital, d.Hospital)
	}
	if c.StandingHold {
		e.Held = scopes(c.Holds)
	}
	for _, f := range c.Findings {
		if f.Rule == card.IdentityConflict {
			e.Doubts = append(e.Doubts, f.Text)
		}
	}
	for _, t := range c.Tracks {
		if t.Stage == "retired" {
			continue
		}
		next := fmt.Sprintf("%s: %s, next %s", t.Name, t.Stage, strings.ToUpper(t.Next.Needle))
		if t.Next.Gauge != nil {
			next += fmt.Sprintf(" %dG", *t.Next.Gauge)
		}
		if t.Next.AngleDegrees != nil {
			next += fmt.Sprintf(" %g°", *t.Next.AngleDegrees)
		}
		if t.Next.Caution != "" {
			next += ". Look first: " + t.Next.Caution
		}
		e.Needles = append(e.Needles, next)
	}
	if len(e.Needles) == 0 && len(c.Treatments) > 0 {
		e.Needles = []string{lastOf(c.Treatments[0])}
	}
	return e, nil
}

// lastOf says in one line how the patient was last treated.
func lastOf(t card.Treatment) string {
	parts := []string{"last " + t.Date + ": access " + cmp.Or(t.Access, card.NotRecorded)}
	for _, n := range t.Needles {
		text := strings.TrimSpace(n.Role + " " + n.Needle)
		if n.Gauge != nil {
			text += fmt.Sprintf(" %dG", *n.Gauge)
		}
		if n.Pattern != "" {
			text += " (" + n.Pattern + ")"
		}
		parts = append(parts, text)
	}
	return strings.Join(append(parts, t.Problems...), ", ")
}
