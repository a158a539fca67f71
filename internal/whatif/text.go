package whatif

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"unicode/utf8"
)

// width is the width of the text, in characters.
const width = 100

// shortKey is how many characters of a patient's key the text shows.
const shortKey = 8

// Text returns the report as a table of at most 100 columns: the warning, what was compared, the
// totals, then a line for each difference of each track. Sessions and findings of one track that
// differ alike share a line. The JSON has each of them.
func Text(r *Report) string {
	var b strings.Builder
	fold(&b, r.Caution)
	if r.Lagging {
		fold(&b, "CAUTION: the view is behind the log; newer facts may be missing.")
	}
	for _, n := range r.Notes {
		fold(&b, n)
	}
	b.WriteString("\n")
	fold(&b, fmt.Sprintf(
		"What if protocol %q had been in force from %s on? The record as of %s, up to entry %d of the log, was judged again.",
		r.Version, r.EffectiveFrom, r.AsOf.Format("2006-01-02 15:04 MST"), r.Sequence))
	for i := range r.Facilities {
		compared(&b, &r.Facilities[i])
	}
	totals(&b, r.Facilities)
	rules(&b, r.Facilities)
	b.WriteString("\n")
	if len(r.Patients) == 0 {
		b.WriteString("Nothing would have been judged differently.\n")
	} else {
		table(&b, []string{"PATIENT", "TRACK", "WHAT", "RECORDED", "WHAT-IF", "DETAIL"}, []int{shortKey, 10, 19, 14, 14, 25},
			lines(r.Patients))
	}
	return b.String()
}

// compared writes which protocols are compared for a facility, each with its time.
func compared(b *strings.Builder, f *Facility) {
	for _, p := range f.Recorded {
		b.WriteString("\n")
		fold(b, "Facility "+f.Facility+", from "+p.From+", recorded: protocol "+p.Version)
		var rows [][]string
		for _, x := range p.Parameters {
			rows = append(rows, []string{x.Name, x.Recorded, x.WhatIf})
		}
		if len(rows) == 0 {
			b.WriteString("  no parameter differs\n")
			continue
		}
		table(b, []string{"  PARAMETER", "RECORDED", "WHAT-IF"}, []int{40, 24, 24}, indented(rows))
	}
}

func indented(rows [][]string) [][]string {
	for _, r := range rows {
		r[0] = "  " + r[0]
	}
	return rows
}

func totals(b *strings.Builder, fs []Facility) {
	heads, widths := []string{"TOTALS"}, []int{44}
	for _, f := range fs {
		heads, widths = append(heads, f.Facility), append(widths, 16)
	}
	var rows [][]string
	add := func(name string, of func(*Totals) string) {
		row := []string{name}
		for i := range fs {
			row = append(row, of(&fs[i].Totals))
		}
		rows = append(rows, row)
	}
	part := func(a, b int) string { return fmt.Sprintf("%d of %d", a, b) }
	add("patients judged differently", func(t *Totals) string { return part(t.PatientsChanged, t.Patients) })
	add("tracks judged differently", func(t *Totals) string { return part(t.TracksChanged, t.Tracks) })
	add("sessions in a track that would not count", func(t *Totals) string { return part(t.SessionsLost, t.Sessions) })
	add("sessions in a track that would count too", func(t *Totals) string { return part(t.SessionsGained, t.Sessions) })
	add("tracks ready earlier", func(t *Totals) string { return fmt.Sprint(t.ReadyEarlier) })
	add("tracks ready later", func(t *Totals) string { return fmt.Sprint(t.ReadyLater) })
	add("tracks ready only as recorded", func(t *Totals) string { return fmt.Sprint(t.ReadyLost) })
	add("tracks ready only in the what-if", func(t *Totals) string { return fmt.Sprint(t.ReadyGained) })
	add("tracks at another stage now", func(t *Totals) string { return fmt.Sprint(t.StageChanged) })
	add("tracks with another next needle now", func(t *Totals) string { return fmt.Sprint(t.NeedleChanged) })
	// abreast is how many facilities fit beside one another; the others follow below.
	const abreast = 3
	for from := 0; from < len(fs); from += abreast {
		to := min(from+abreast, len(fs))
		var some [][]string
		for _, r := range rows {
			some = append(some, append([]string{r[0]}, r[1+from:1+to]...))
		}
		b.WriteString("\n")
		table(b, append([]string{heads[0]}, heads[1+from:1+to]...), append([]int{widths[0]}, widths[1+from:1+to]...), some)
	}
}

func rules(b *strings.Builder, fs []Facility) {
	var rows [][]string
	for i := range fs {
		for what, list := range map[string][]RuleCount{"finding": fs[i].Totals.Findings, "hold": fs[i].Totals.Holds} {
			for _, c := range list {
				rows = append(rows, []string{fs[i].Facility, what, c.Rule, fmt.Sprint(c.Lost), fmt.Sprint(c.Gained), fmt.Sprint(c.Changed)})
			}
		}
	}
	if len(rows) == 0 {
		return
	}
	slices.SortFunc(rows, slices.Compare[[]string])
	b.WriteString("\n")
	table(b, []string{"FACILITY", "OF", "RULE", "LOST", "GAINED", "CHANGED"}, []int{24, 8, 24, 7, 7, 7}, rows)
}

// lines returns the differences of all tracks.
func lines(patients []PatientReport) [][]string {
	var out [][]string
	for i := range patients {
		p := &patients[i]
		key := cut(p.Patient, shortKey, "")
		for k := range p.Tracks {
			t := &p.Tracks[k]
			for _, row := range trackLines(t) {
				out = append(out, append([]string{key, t.Track}, row...))
			}
		}
		for _, g := range gathered(p.Findings) {
			out = append(out, append([]string{key}, g...))
		}
		for _, h := range p.Holds {
			row := []string{key, strings.Join(append(slices.Clone(h.Tracks), h.Accesses...), ", "), "hold " + h.Rule, "none", h.Date,
				openWord(h.Open)}
			if h.Change == Lost {
				row[3], row[4] = row[4], row[3]
			}
			out = append(out, row)
		}
	}
	return out
}

func openWord(open bool) string {
	if open {
		return "open"
	}
	return "lifted"
}

func trackLines(t *TrackReport) [][]string {
	var out [][]string
	for _, m := range t.Reached {
		row := []string{m.Stage + " on", "never", "never", ""}
		for i, x := range []*Milestone{m.Recorded, m.WhatIf} {
			if x != nil {
				row[1+i] = x.Date
			}
		}
		if m.Later != nil {
			row[3] = signed(*m.Later, "day") + ", " + signed(*m.MoreSessions, "session")
		}
		out = append(out, row)
	}
	a, b := &t.Recorded, &t.WhatIf
	if a.Stage != b.Stage {
		out = append(out, []string{"stage", a.Stage, b.Stage, ""})
	}
	if a.Counted != b.Counted || a.Needed != b.Needed {
		out = append(out, []string{"counted, of needed", fmt.Sprintf("%d of %d", a.Counted, a.Needed),
			fmt.Sprintf("%d of %d", b.Counted, b.Needed), ""})
	}
	if x, y := needle(a), needle(b); x != y {
		out = append(out, []string{"next needle", x, y, ""})
	}
	return append(out, sessionLines(t.Sessions)...)
}

func needle(s *Side) string {
	if s.Session > 0 {
		return fmt.Sprintf("%s %d", s.Needle, s.Session)
	}
	return s.Needle
}

// sessionLines groups the sessions that differ by reason.
func sessionLines(list []SessionChange) [][]string {
	type group struct {
		n           int
		first, last string
		counted     bool
		why         string
	}
	var groups []group
	for _, s := range list {
		why := strings.Join(s.Why, "; ")
		i := slices.IndexFunc(groups, func(g group) bool { return g.counted == s.Counted && g.why == why })
		if i < 0 {
			groups, i = append(groups, group{first: s.Date, counted: s.Counted, why: why}), len(groups)
		}
		groups[i].n, groups[i].last = groups[i].n+1, s.Date
	}
	var out [][]string
	for _, g := range groups {
		row := []string{span(g.first, g.last), times(g.n), "no", g.why}
		if !g.counted {
			row[1], row[2] = row[2], row[1]
		}
		out = append(out, row)
	}
	return out
}

// times says how many sessions count.
func times(n int) string {
	if n == 1 {
		return "counts"
	}
	return fmt.Sprintf("%d count", n)
}

func span(first, last string) string {
	if first == last {
		return first
	}
	return first[:min(len(first), 10)] + "…" + last[min(len(last), 5):]
}

// gathered groups the findings that differ: place, rule and day, recorded and what-if.
func gathered(list []FindingChange) [][]string {
	var out [][]string
	var keys []string
	count := map[string]int{}
	last := map[string]string{}
	for _, f := range list {
		k := strings.Join([]string{f.Change, f.Rule, f.Track, f.Access, f.Severity, f.How}, "\x00")
		if count[k]++; count[k] == 1 {
			keys = append(keys, k)
			place := cmp.Or(f.Track, f.Access)
			row := []string{place, f.Rule, f.Severity, f.Severity, f.Date}
			switch f.Change {
			case Lost:
				row[3] = "none"
			case Gained:
				row[2] = "none"
			case Changed:
				// "A instead of B" says what the what-if gives, and what was recorded.
				now, was, _ := strings.Cut(strings.SplitN(f.How, "; ", 2)[0], " instead of ")
				row[2], row[3] = strings.Replace(was, "over on", "to", 1), strings.Replace(now, "over on", "to", 1)
			}
			out = append(out, row)
		}
		last[k] = f.Date
	}
	for i, k := range keys {
		if n := count[k]; n > 1 {
			if out[i][3] == "none" {
				out[i][2] = fmt.Sprintf("%d× %s", n, out[i][2])
			} else {
				out[i][3] = fmt.Sprintf("%d× %s", n, out[i][3])
			}
			out[i][4] = span(out[i][4], last[k])
		}
	}
	return out
}

// signed is "+4 days", "-1 session".
func signed(n int, unit string) string {
	if n != 1 && n != -1 {
		unit += "s"
	}
	return fmt.Sprintf("%+d %s", n, unit)
}

// table writes aligned columns, each cut to its width. The last column takes the rest of the
// line.
func table(w io.Writer, heads []string, widths []int, rows [][]string) {
	const gap = 2
	rows = append([][]string{heads}, rows...)
	last, left := len(heads)-1, width
	for i := range last {
		most := 0
		for _, row := range rows {
			most = max(most, min(widths[i], utf8.RuneCountInString(row[i])))
		}
		left -= most + gap
	}
	widths[last] = max(widths[last], left)
	t := tabwriter.NewWriter(w, 0, 0, gap, ' ', 0)
	for _, row := range rows {
		cells := make([]string, len(row))
		for i, c := range row {
			cells[i] = cut(c, widths[i], "…")
		}
		fmt.Fprintln(t, strings.TrimRight(strings.Join(cells, "\t"), "\t"))
	}
	_ = t.Flush() // writing to a strings.Builder cannot fail
}

// cut shortens s to n characters, the mark included.
func cut(s string, n int, mark string) string {
	s = strings.Join(strings.FieldsFunc(s, func(r rune) bool { return r == '\t' || r == '\n' || r == '\v' || r == '\f' }), " ")
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	return string([]rune(s)[:n-utf8.RuneCountInString(mark)]) + mark
}

// fold writes a paragraph in lines of at most the text's width.
func fold(b *strings.Builder, s string) {
	n := 0
	for i, word := range strings.Fields(s) {
		l := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case n+1+l > width:
			b.WriteString("\n")
			n = 0
		default:
			b.WriteString(" ")
			n++
		}
		b.WriteString(word)
		n += l
	}
	b.WriteString("\n")
}
