package infectioncontrol

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"

	"cannulary/internal/surveil"
)

// csvHead returns the names of the columns. Each line has one figure. Lower and upper are limits
// by method. A figure that is refused has no value and a reason. Spreadsheets turn a month such
// as 2026-10 into a date of their own choice. So month-begins gives the first day of the month,
// which all of them read alike. It comes last, so that readers that go by position still work.
func csvHead() []string {
	return []string{"facility", "month", "window", "class", "group", "figure", "value", "lower", "upper", "method",
		"reason", "month-begins"}
}

// figureLine is a line of the file.
type figureLine struct {
	window               string
	class, group, figure string
	value, lower, upper  string
	method, reason       string
}

// WriteCSV writes the report's figures, one a line, by RFC 4180: UTF-8, lines end with CR LF.
// There is no byte order mark, because programs would take it for a part of the first column's
// name. A spreadsheet must be told UTF-8 when it opens the file, if a name has letters beyond
// ASCII. A text that a spreadsheet would take for a formula begins with an apostrophe.
func WriteCSV(w io.Writer, r *Report) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	if err := out.Write(csvHead()); err != nil {
		return err
	}
	for _, l := range lines(r) {
		cells := []string{guarded(r.Facility), r.Month, l.window, guarded(l.class), guarded(l.group), guarded(l.figure), l.value, l.lower,
			l.upper, guarded(l.method), guarded(l.reason), monthBegins(r, &l)}
		if err := out.Write(cells); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// monthBegins returns the first day of the month of a figure: of its own month, else of the
// report's.
func monthBegins(r *Report, l *figureLine) string {
	for _, s := range []string{l.window, r.Month} {
		if m, err := surveil.ParseMonth(s); err == nil {
			return m.First().String()
		}
	}
	return ""
}

// guarded keeps a spreadsheet from reading a text as a formula. Line breaks become spaces, so
// that a line stays a line.
func guarded(s string) string {
	s = strings.Join(strings.FieldsFunc(s, func(r rune) bool { return r == '\r' || r == '\n' || r == '\t' }), " ")
	if t := strings.TrimLeft(s, " \u00a0"); t != "" && strings.ContainsRune("=+-@＝＋－＠", []rune(t)[0]) {
		return "'" + s
	}
	return s
}

func decimal(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func whole(n *int) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(*n)
}

func optional(v *float64) string {
	if v == nil {
		return ""
	}
	return decimal(*v)
}

// lines returns all figures of the report.
func lines(r *Report) []figureLine {
	out := []figureLine{
		{figure: "as-of", reason: r.AsOf}, {figure: "sequence", value: strconv.FormatUint(r.Sequence, 10)},
		{figure: "log-sequence", value: strconv.FormatUint(r.LogSequence, 10)},
		{figure: "lagging", value: map[bool]string{true: "1", false: "0"}[r.Lagging]}, {figure: "caution", reason: r.Caution},
	}
	for _, n := range r.Notices {
		out = append(out, figureLine{figure: "notice", reason: n})
	}
	out = append(out, cultureLines(WindowMonth, r.Cultures)...)
	out = append(out, cultureLines(WindowYear, r.YearCultures)...)
	last := figureLine{window: "as-of", figure: "last-blood-culture", reason: r.LastCulture}
	if last.reason == "" {
		last.reason = "none on record"
	}
	out = append(out, last)
	for i := range r.Rates {
		out = append(out, rateLines(&r.Rates[i])...)
	}
	for i := range r.Monthly {
		out = append(out, monthlyLines(&r.Monthly[i])...)
	}
	out = append(out, figureLine{window: WindowYear, group: comparedGroups, figure: "unadjusted", reason: r.Unadjusted})
	for i := range r.Comparisons {
		c := &r.Comparisons[i]
		out = append(out, ratioLines(figureLine{window: WindowYear, class: string(c.Class), group: comparedGroups, figure: "rate-ratio"},
			&c.RateRatio)...)
	}
	for i := range r.YearsBefore {
		out = append(out, yearBeforeLines(&r.YearsBefore[i])...)
	}
	for i := range r.References {
		out = append(out, referenceLines(&r.References[i])...)
	}
	for _, f := range r.Funnels {
		l := figureLine{window: WindowYear, class: string(f.Class), figure: "funnel", reason: f.Says}
		out = append(out, l)
		for _, p := range f.Points {
			l := figureLine{window: WindowYear, class: string(f.Class), group: p.Facility, figure: "funnel-events",
				value: strconv.Itoa(p.Events), reason: p.Says}
			out = append(out, limits(l, p.EventsLimits, "exact 95 %"), figureLine{window: WindowYear, class: string(f.Class),
				group: p.Facility, figure: "funnel-expected", value: decimal(p.Expected)})
			if p.Outer.Upper != nil {
				out = append(out, limits(l, p.Inner, "95 %"), limits(l, p.Outer, "99.8 %"))
			}
		}
	}
	for i := range r.Charts {
		out = append(out, chartLines(&r.Charts[i])...)
	}
	for _, c := range r.Unset.Charts {
		out = append(out, figureLine{window: "as-of", class: string(c.Class), group: string(c.Technique), figure: "threshold",
			reason: "no threshold is set"})
	}
	for _, b := range r.Between {
		l := figureLine{window: "as-of", class: string(b.Class), group: string(b.Group), figure: "days-since-last-event",
			value: whole(b.Since), reason: b.Says}
		if b.Limits != nil {
			l.lower, l.upper, l.method = decimal(b.Limits.Lower), decimal(b.Limits.Upper), "exact 95 %"
		}
		out = append(out, l)
	}
	for _, d := range r.Denominators {
		reason := strings.Join(d.Says, " ")
		out = append(out, figureLine{window: d.Month, group: string(surveil.AllAccess), figure: "census",
			value: whole(d.Census), reason: reason},
			figureLine{window: d.Month, group: string(surveil.AllAccess), figure: "average-patients", value: decimal(d.Average)})
		out = append(out, cultureLines(d.Month, d.Cultures)...)
	}
	for i := range r.Cases {
		out = append(out, caseLine(&r.Cases[i]))
	}
	out = append(out, figureLine{window: WindowYear, figure: "restated", reason: r.Restatements.Says})
	for _, x := range r.Restatements.List {
		l := figureLine{window: x.Month, class: string(x.Class), group: string(x.Group)}
		l.figure, l.value, l.reason = "first-reported-"+x.Figure, whole(x.First), "on "+x.FirstOn
		out = append(out, l)
		l.figure, l.value, l.reason = "now-"+x.Figure, whole(x.Now), "since "+x.NowOn
		out = append(out, l)
	}
	return out
}

func cultureLines(window string, c Cultures) []figureLine {
	return []figureLine{
		{window: window, group: string(surveil.AllAccess), figure: "blood-cultures-positive", value: strconv.Itoa(c.Positive)},
		{window: window, group: string(surveil.AllAccess), figure: "blood-cultures-negative", value: strconv.Itoa(c.Negative)},
	}
}

// monthlyLines returns the figures of one month in the figure of the monthly rates.
func monthlyLines(m *MonthlyRate) []figureLine {
	l := figureLine{window: m.Month, class: string(surveil.AccessRelated), group: string(m.Group)}
	if m.Partial {
		l.reason = partial
	}
	events, days := l, l
	events.figure, events.value = "events", strconv.Itoa(m.Events)
	events = limits(events, m.EventsLimits, "exact 95 %")
	days.figure, days.value = "access-days", strconv.Itoa(m.AccessDays)
	reason := l.reason
	if m.PerThousand == nil {
		reason = nobody
	}
	return append([]figureLine{events, days}, estimated(l, "rate-per-1000-access-days", m.PerThousand, reason)...)
}

// limits returns a copy of a line with limits.
func limits(l figureLine, i Interval, method string) figureLine {
	l.lower, l.upper, l.method = decimal(i.Lower), optional(i.Upper), method
	return l
}

// estimated returns a figure twice, with the limits by each convention, or once, refused.
func estimated(l figureLine, figure string, e *Estimate, reason string) []figureLine {
	l.figure, l.reason = figure, reason
	if e == nil {
		return []figureLine{l}
	}
	l.value = decimal(e.Value)
	return []figureLine{limits(l, e.Exact, "exact 95 %"), limits(l, e.MidP, "mid-P 95 %")}
}

func rateLines(r *Rate) []figureLine {
	l := figureLine{window: r.Window, class: string(r.Class), group: string(r.Group)}
	count := func(figure, value, reason string) figureLine {
		l := l
		l.figure, l.value, l.reason = figure, value, reason
		return l
	}
	out := []figureLine{limits(count("events", strconv.Itoa(r.Events), ""), r.EventsLimits, "exact 95 %"),
		count("patient-months", whole(r.PatientMonths), r.NoPerHundred)}
	out = append(out, estimated(l, "rate-per-100-patient-months", r.PerHundred, r.NoPerHundred)...)
	out = append(out, count("access-days", strconv.Itoa(r.AccessDays), ""))
	out = append(out, estimated(l, "rate-per-1000-access-days", r.PerThousand, r.NoPerThousand)...)
	if r.SIR == nil {
		return append(out, count("standardised-infection-ratio", "", r.NoSIR))
	}
	out = append(out, count("predicted-events", decimal(r.SIR.Predicted), ""))
	out = append(out, estimated(l, "standardised-infection-ratio", &r.SIR.Estimate, "")...)
	return append(out, count("standardised-infection-ratio-p", decimal(r.SIR.P), ""))
}

// comparedGroups names both groups of the comparison of techniques.
const comparedGroups = "constant-site against other-fistula"

// ratioLines returns a ratio of two rates, by both conventions, and its p values.
func ratioLines(l figureLine, c *RateRatio) []figureLine {
	l.value, l.reason = optional(c.Ratio), c.Says
	if c.Exact == nil {
		return []figureLine{l}
	}
	p := l
	p.figure, p.value, p.method, p.reason = l.figure+"-p", decimal(*c.P), "exact, twice the smaller side", ""
	q := p
	q.value, q.method = decimal(*c.PMidP), "mid-P, twice the smaller side"
	return []figureLine{limits(l, *c.Exact, "exact 95 %"), limits(l, *c.MidP, "mid-P 95 %"), p, q}
}

func yearBeforeLines(y *YearBefore) []figureLine {
	l := figureLine{window: WindowYear, class: string(y.Class), group: string(y.Group)}
	events, days := l, l
	events.figure, events.value, events.reason = "year-before-events", strconv.Itoa(y.BeforeEvents), y.Before
	days.figure, days.value, days.reason = "year-before-access-days", strconv.Itoa(y.BeforeAccessDays), y.Before
	l.figure = "rate-ratio-to-year-before"
	return append([]figureLine{limits(events, y.BeforeEventsLimits, "exact 95 %"), days}, ratioLines(l, &y.RateRatio)...)
}

func referenceLines(r *ReferenceRate) []figureLine {
	l := figureLine{window: WindowYear, class: string(r.Class), group: string(r.Technique)}
	rate, own := l, l
	rate.figure, rate.value, rate.reason = "reference-per-100-patient-months", decimal(r.Rate), r.Basis+" "+r.Of
	out := []figureLine{rate}
	own.reason = r.Baseline.says()
	out = append(out, estimated(own, "own-baseline-per-100-patient-months", r.Baseline.Rate, own.reason)...)
	if c := r.ConstantSite; c != nil {
		l.figure, l.lower, l.upper, l.method, l.reason = "constant-site-reference-per-100-patient-months", decimal(c.Lower),
			decimal(c.Upper), "range (ours)", r.Says[len(r.Says)-1]
		out = append(out, l)
	}
	return out
}

func chartLines(c *Chart) []figureLine {
	l := figureLine{window: "as-of", class: string(c.Class), group: string(c.Technique)}
	total := l
	total.figure, total.reason = "sequential-sum", c.Says
	if c.From != "" { // a threshold is set
		total.value, total.upper, total.method = decimal(c.Sum), decimal(c.Threshold), "threshold"
	}
	notice := l
	notice.figure, notice.reason = "can-notice", c.Notice
	out := []figureLine{total, notice}
	if c.Now != "" {
		now := l
		now.figure, now.reason = "from-this-sum", c.Now
		out = append(out, now)
	}
	for _, f := range c.Former {
		x := l
		x.figure, x.value, x.upper, x.method, x.reason = "former-sequential-sum", decimal(f.Sum), decimal(f.Threshold), "threshold", f.Says
		out = append(out, x)
	}
	for _, s := range c.Signals {
		x := l
		x.figure, x.value = "signal", decimal(s.Sum)
		x.reason = "raised " + s.Day + ", stands"
		if s.On != "" {
			x.reason = "raised " + s.Day + ", acknowledged " + s.On + " by " + s.By + ", " + typed(s.Reason)
		}
		if s.Since != "" {
			x.reason += "; " + s.Since
		}
		out = append(out, x)
	}
	return out
}

// caseLine returns a case. Its value is 1 if it counts in any class.
func caseLine(c *Case) figureLine {
	l := figureLine{window: WindowYear, group: string(c.Technique), figure: "case", value: "0"}
	if c.InMonth {
		l.window = WindowMonth
	}
	var classes []string
	for _, x := range c.Counts {
		classes = append(classes, string(x))
	}
	l.class = strings.Join(classes, " ")
	if len(classes) > 0 {
		l.value = "1"
	}
	parts := []string{"case " + strconv.Itoa(c.No), c.Day, c.What, "patient " + strconv.Itoa(c.Patient)}
	if len(c.Tracks) > 0 {
		parts = append(parts, "track "+strings.Join(c.Tracks, ", "))
	}
	parts = append(append(parts, c.Organisms...), c.Tested...)
	if c.Start != "" {
		parts = append(parts, c.Start)
	}
	parts = append(parts, c.Outcome)
	if c.WhyNot != "" {
		parts = append(parts, "does not count: "+c.WhyNot)
	}
	l.reason = strings.Join(append(parts, c.Doubts...), "; ")
	return l
}
