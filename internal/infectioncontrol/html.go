package infectioncontrol

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io"
	"strings"

	"cannulary/internal/surveil"
)

//go:embed page/report.html page/report.css
var files embed.FS

// page is a report in print.
type page struct {
	*Report
	Style      template.CSS
	Summary    []summaryLine
	Tables     []rateTable
	ChartParts []chartPart
	Between    []Between
	Figures    pageFigures
	Monthly    []monthRow
	Now, Past  []Case // the month's cases, and those earlier in the year
}

// summaryLine is one class in the summary.
type summaryLine struct {
	Class             string
	Month, Year       eventsCell
	ConstantSiteMonth eventsCell
	ConstantSiteYear  eventsCell
	Last              string
	Since             *int
	HasDays           bool
}

// eventsCell is a count with its limits, so that a 0 stands beside what is still possible.
type eventsCell struct {
	Events, AccessDays int
	Limit              string
}

func eventsOf(n int, l Interval, accessDays int) eventsCell {
	c := eventsCell{Events: n, AccessDays: accessDays}
	switch {
	case n > 0:
	case accessDays == 0:
		c.Limit = nobody
	default:
		c.Limit = "up to " + two(*l.Upper)
	}
	return c
}

// rateTable is the rates of one class.
type rateTable struct {
	Class   string
	Parts   []ratePart
	Nothing []string // groups of which nothing is known
}

// ratePart is one window of them.
type ratePart struct {
	Title string
	Rows  []Rate
}

type chartPart struct {
	Chart
	Title  string
	Figure template.HTML
}

type pageFigures struct{ Monthly, Between template.HTML }

// monthRow is one month of the figure of the monthly rates, in words.
type monthRow struct {
	Month               string
	Partial             bool
	ConstantSite, Other *MonthlyRate
}

// WriteHTML writes the report as one HTML file that needs no script and no other file.
func WriteHTML(w io.Writer, r *Report) error {
	style, err := files.ReadFile("page/report.css")
	if err != nil {
		return err
	}
	p := page{Report: r, Style: template.CSS(style), Summary: summary(r), Tables: tables(r)}
	for _, c := range r.Charts {
		part := chartPart{Chart: c, Title: techniqueName(c.Technique) + ", " + strings.ToLower(className(c.Class))}
		if part.Figure, err = drawChart(&c, part.Title); err != nil {
			return fmt.Errorf("draw a chart: %w", err)
		}
		p.ChartParts = append(p.ChartParts, part)
	}
	if p.Figures.Monthly, err = drawMonthly(r.Monthly); err != nil {
		return fmt.Errorf("draw the monthly rates: %w", err)
	}
	p.Monthly = monthRows(r.Monthly)
	for _, b := range r.Between {
		if b.Last != "" {
			p.Between = append(p.Between, b)
		}
	}
	if b := figured(r); b != nil {
		if p.Figures.Between, err = drawBetween(b); err != nil {
			return fmt.Errorf("draw the days between events: %w", err)
		}
	}
	for _, c := range r.Cases {
		if c.InMonth {
			p.Now = append(p.Now, c)
		} else {
			p.Past = append(p.Past, c)
		}
	}
	t, err := template.New("report.html").Funcs(functions()).ParseFS(files, "page/report.html")
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := t.Execute(&b, &p); err != nil {
		return err
	}
	_, err = w.Write(b.Bytes())
	return err
}

func functions() template.FuncMap {
	return template.FuncMap{
		"class": className, "lower": strings.ToLower, "group": groupName, "long": techniqueOrGroup, "technique": techniqueName,
		"events": eventsOf, "one": one, "two": two, "three": three, "sum": sum, "days": func(n *int) string { return number(*n, "day") },
		"typed": typed, "span": span, "short": short,
		"join": func(list []string) string { return strings.Join(list, "; ") },
		"count": func(n *int) string {
			if n == nil {
				return "not known"
			}
			return fmt.Sprint(*n)
		},
	}
}

func monthRows(list []MonthlyRate) []monthRow {
	var out []monthRow
	for i := range list {
		m := &list[i]
		if len(out) == 0 || out[len(out)-1].Month != m.Month {
			out = append(out, monthRow{Month: m.Month, Partial: m.Partial})
		}
		row := &out[len(out)-1]
		if m.Group == surveil.Group(surveil.ConstantSite) {
			row.ConstantSite = m
		} else {
			row.Other = m
		}
	}
	return out
}

// summary returns one line for each class.
func summary(r *Report) []summaryLine {
	var out []summaryLine
	for _, c := range surveil.Classes() {
		l := summaryLine{Class: className(c)}
		for _, x := range r.Rates {
			if x.Class != c {
				continue
			}
			for _, to := range []struct {
				group surveil.Group
				win   string
				n     *eventsCell
			}{{surveil.AllAccess, WindowMonth, &l.Month}, {surveil.AllAccess, WindowYear, &l.Year},
				{surveil.Group(surveil.ConstantSite), WindowMonth, &l.ConstantSiteMonth}, {surveil.Group(surveil.ConstantSite), WindowYear,
					&l.ConstantSiteYear}} {
				if x.Group == to.group && x.Window == to.win {
					*to.n = eventsOf(x.Events, x.EventsLimits, x.AccessDays)
				}
			}
		}
		for _, b := range r.Between {
			if b.Class == c && b.Group == surveil.AllAccess {
				l.Last, l.Since, l.HasDays = b.Last, b.Since, true
			}
		}
		out = append(out, l)
	}
	return out
}

// tables returns the rates by class. A group of which nothing is known is only named.
func tables(r *Report) []rateTable {
	var out []rateTable
	for _, c := range surveil.Classes() {
		t := rateTable{Class: className(c), Parts: []ratePart{{Title: "Month " + r.Month}, {Title: "Year " + r.Year}}}
		known := map[surveil.Group]bool{}
		for _, x := range r.Rates {
			known[x.Group] = known[x.Group] || x.Class == c && x.shown()
		}
		for _, x := range r.Rates {
			if x.Class != c {
				continue
			}
			if !known[x.Group] && x.Group != surveil.AllAccess {
				if x.Window == WindowMonth {
					t.Nothing = append(t.Nothing, strings.ToLower(strings.TrimPrefix(groupName(x.Group), "– of it ")))
				}
				continue
			}
			i := 0
			if x.Window == WindowYear {
				i = 1
			}
			t.Parts[i].Rows = append(t.Parts[i].Rows, x)
		}
		out = append(out, t)
	}
	return out
}

// figured returns the class and group whose days between events are drawn: those of the first
// chart, else all access-related bloodstream infections. It is nil without gaps.
func figured(r *Report) *Between {
	var wanted []surveil.ChartName
	for i := range r.Charts {
		wanted = append(wanted, r.Charts[i].ChartName)
	}
	for _, n := range append(wanted, surveil.ChartName{Technique: surveil.Technique(surveil.AllAccess), Class: surveil.AccessRelated}) {
		for i := range r.Between {
			if b := &r.Between[i]; b.Class == n.Class && b.Group == surveil.Group(n.Technique) && len(b.Gaps) > 0 {
				return b
			}
		}
	}
	return nil
}
