package web

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/card"
	"cannulary/internal/chairside"
	"cannulary/internal/draw"
	"cannulary/internal/fault"
	"cannulary/internal/life"
	"cannulary/internal/track"
	"cannulary/internal/trail/seen"
)

// Parameters of a track's life, beside those of a card.
const (
	paramTrack  = "track"
	paramMonths = "months"
	paramUntil  = "until"
)

// lifeQuestion is what a request for a track's life asks.
type lifeQuestion struct {
	question
	track  string
	window life.Window
}

// readForm reads the parameter format of a page that is there as HTML and as JSON.
func readForm(p map[string]string, liked form) (form, error) {
	switch format := p[paramFormat]; format {
	case "":
		if liked == formText {
			liked = formHTML
		}
		return liked, nil
	case "json":
		return formJSON, nil
	case "html":
		return formHTML, nil
	default:
		return liked, fault.New(fault.Invalid, fmt.Sprintf("format %.60q is not known", format), "give json or html, or leave it out")
	}
}

func readLife(r *http.Request) (lifeQuestion, error) {
	var q lifeQuestion
	p, err := answer.Query(r, paramIdentifier, paramSystem, paramValue, paramPatient, paramAsOf, paramKnownAt, paramFormat, paramTrack,
		paramMonths, paramUntil)
	if err != nil {
		return q, err
	}
	if q.form, err = readForm(p, formOf(r, formHTML)); err != nil {
		return q, err
	}
	if err := q.read(p); err != nil {
		return q, err
	}
	if q.track = p[paramTrack]; q.track == "" {
		return q, fault.New(fault.Invalid, "no track is named", "give track=NAME, as on the card")
	}
	q.window, err = readWindow(p)
	return q, err
}

// readWindow reads how many months are shown, and up to which.
func readWindow(p map[string]string) (life.Window, error) {
	w := life.Window{Until: p[paramUntil]}
	if given := p[paramMonths]; given != "" {
		n, err := strconv.Atoi(given)
		if err != nil || n == 0 {
			return w, fault.New(fault.Invalid, fmt.Sprintf("months %.60q is not a number of months", given), "choose 3, 6, 12 or 24")
		}
		w.Months = n
	}
	return w.Check()
}

// life answers "/track".
func (h *handler) life(w http.ResponseWriter, r *http.Request) error {
	q, err := readLife(r)
	if err != nil {
		return err
	}
	if err := h.place(r, &q.question); err != nil {
		return err
	}
	l, err := h.cfg.Cards.Life(r.Context(), q.request, q.track, q.window)
	if err != nil {
		return err
	}
	seen.Patients(r.Context(), l.Patient.ID, l.Patient.Asked)
	if q.form == formJSON {
		return answer.Value(w, r, http.StatusOK, l)
	}
	title := h.words.must("life.title", "Track", l.Track.Name, "Who", cmp.Or(l.Patient.Name, h.words.must("life.no-name")))
	return h.render(w, r, "life", frame{Title: title, Facility: l.Facility}, h.lifePage(&l, q.request))
}

// lifePage is the life of a track as its page shows it.
type lifePage struct {
	life.Life
	Role, Stage  string
	Number       string // the patient's first identifier
	Card         string // address of the card at the same moment
	Names, Strip template.HTML
	Lanes        []string // heads of the table
	Rows         []lifeRow
	HoldRows     []life.Hold
	Needle       string // the next one, in words
	Counted      string // how many sharp sessions count, in words
	Windows      []windowLink
	Earlier      string
	Later        string
	From, Until  string
	Back         backPart
	Legend       []legendPart
}

// lifeRow is one session in the table.
type lifeRow struct {
	Date, Href string
	Cells      []string
	Now        bool
}

// windowLink leads to another window; Href is empty for the one that is shown.
type windowLink struct{ Href, Text string }

// legendPart is a mark and what it means.
type legendPart struct{ Mark, Text string }

func (h *handler) lifePage(l *life.Life, asked chairside.Request) lifePage {
	local := h.cfg.Cards.Zone(l.Facility)
	now := h.cfg.Now().In(local)
	t := h.words
	p := lifePage{Life: *l, Role: cmp.Or(l.Track.Role, t.must("life.no-role")), Stage: t.must("life.stage." + l.Track.Stage),
		Needle: t.must("life.next." + l.Track.Next.Needle),
		Back:   h.back(l.Patient.ID, l.Track.Name, l.AsOf, l.KnownAt, local), HoldRows: slices.Clone(l.Holds),
		From: h.monthName(l.Window.From), Until: h.monthName(l.Window.Until)}
	switch asks := forming(track.Stage(l.Track.Stage)); {
	case l.Track.Again > 0:
		p.Counted = t.must("life.counted-again", "Counted", l.Track.SessionsCounted)
	case l.Track.Declared != "" && !asks:
		p.Counted = card.Sentence(l.Track.Declared)
	case l.Track.OneMore:
		p.Counted = t.must("life.counted-gap", "Counted", l.Track.SessionsCounted, "Target", l.Track.Course())
	case asks && max(l.Track.Next.Session, l.Track.SessionsCounted) > l.Track.SessionsTarget:
		p.Counted = t.must("life.counted-more", "Counted", l.Track.SessionsCounted)
	case asks:
		p.Counted = t.must("life.counted", "Counted", l.Track.SessionsCounted, "Target", l.Track.SessionsTarget)
	default:
		p.Counted = t.must("life.counted-then", "Counted", l.Track.SessionsCounted, "Target", l.Track.SessionsTarget)
	}
	for i := range p.HoldRows {
		x := &p.HoldRows[i]
		x.Since = h.date(x.Since, now)
		if x.Lifted != "" {
			x.Lifted = h.date(x.Lifted, now)
		}
	}
	if len(l.Patient.Identifiers) > 0 {
		p.Number = l.Patient.Identifiers[0].Value
	}
	moment := url.Values{paramPatient: {l.Patient.ID}}
	if !asked.AsOf.IsZero() {
		moment.Set(paramAsOf, asked.AsOf.UTC().Format(time.RFC3339))
	}
	if !asked.KnownAt.IsZero() {
		moment.Set(paramKnownAt, asked.KnownAt.UTC().Format(time.RFC3339))
	}
	p.Card = "card?" + moment.Encode()
	moment.Set(paramTrack, l.Track.Name)
	to := func(months int, until string) string {
		moment.Set(paramMonths, strconv.Itoa(months))
		moment.Set(paramUntil, until)
		return "track?" + moment.Encode()
	}
	p.Windows = h.windows(l.Window.Months, func(n int) string { return to(n, l.Window.Until) })
	if l.Window.Earlier != "" {
		p.Earlier = to(l.Window.Months, l.Window.Earlier)
	}
	if l.Window.Later != "" {
		p.Later = to(l.Window.Months, l.Window.Later)
	}
	p.Lanes = h.lanes()
	strip := draw.LifeStrip{Names: h.laneNames()}
	for i := range l.Columns {
		c := &l.Columns[i]
		row := lifeRow{Date: h.date(c.Date, now), Href: cardAt(l.Patient.ID, c.Morning), Cells: h.cells(l, i)}
		p.Rows = append(p.Rows, row)
		strip.Columns = append(strip.Columns, h.lifeColumn(l, i, &row, p.Lanes))
	}
	if l.Now != nil {
		row := lifeRow{Date: t.must("life.now"), Href: p.Card, Now: true, Cells: make([]string, len(p.Lanes)-1)}
		row.Cells[laneNeedle] = p.Needle
		row.Cells[laneFindings] = h.findingsOf(l.Now.Findings)
		row.Cells[laneHold] = holdsAt(l, len(l.Columns))
		p.Rows = append(p.Rows, row)
		strip.Next = &draw.LifeNext{Needle: l.Now.Needle, Title: h.titleOf(&row, p.Lanes), Href: p.Card,
			Findings: findingMark(l.Now.Findings)}
	}
	for _, x := range l.Holds {
		text := x.Text
		if x.Lifted != "" {
			text = t.must("life.hold-lifted", "Text", x.Text, "Date", h.date(x.Lifted, now), "Who", cmp.Or(x.By, t.must("life.nobody")))
		}
		strip.Holds = append(strip.Holds, draw.LifeHold{First: x.First, Last: x.Last, Text: text, Open: x.Lifted == ""})
	}
	p.Names, p.Strip = draw.Life(strip)
	for _, m := range []struct{ mark, key string }{{"▲", "sharp"}, {"△", "sharp-not"}, {"△?", "doubt"}, {"●", "blunt"}, {"○", "blunt-not"},
		{"[▲]", "rescue"}, {"▲▁", "failed"}, {"✕", "without"}, {"?", "unknown"}, {"▒", "band"}, {"⋯", "bleeding"},
		{"□", "out"}, {h.words.must("life.short.slight"), "resistance"}, {"■□", "peg"}, {"!", "finding"}} {
		p.Legend = append(p.Legend, legendPart{m.mark, t.must("life.legend." + m.key)})
	}
	return p
}

// windows are the links to windows of each length; to is the address of one.
func (h *handler) windows(shown int, to func(months int) string) []windowLink {
	var out []windowLink
	for _, n := range life.Lengths() {
		link := windowLink{Text: h.words.must("life.months", "Count", n)}
		if n != shown {
			link.Href = to(n)
		}
		out = append(out, link)
	}
	return out
}

// cardAt is the address of the card as it was at a moment, from what was known then.
func cardAt(patient string, at time.Time) string {
	s := at.UTC().Format(time.RFC3339)
	return "card?" + url.Values{paramPatient: {patient}, paramAsOf: {s}, paramKnownAt: {s}}.Encode()
}

// date is a local date for people.
func (h *handler) date(date string, now time.Time) string {
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date
	}
	return h.words.day(d, now)
}

// monthName is a month for people.
func (h *handler) monthName(m string) string {
	d, err := time.Parse("2006-01", m)
	if err != nil {
		return m
	}
	return h.words.must("date.month", "Month", h.words.must("month."+strings.ToLower(d.Month().String())), "Year", d.Year())
}

// Lanes in the order of the table; the date stands before them.
const (
	laneStage = iota
	laneNeedle
	laneCounts
	laneAngle
	laneAttempts
	lanePasses
	laneResistance
	lanePain
	laneBleeding
	lanePressure
	lanePeg
	laneFindings
	laneHold
	laneWho
)

func laneKeys() []string {
	return []string{"stage", "needle", "counts", "angle", "attempts", "passes", "resistance", "pain", "bleeding", "pressure", "peg",
		"findings", "hold", "who"}
}

// lanes are the heads of the table.
func (h *handler) lanes() []string {
	out := []string{h.words.must("life.date")}
	for _, k := range laneKeys() {
		out = append(out, h.words.must("life.lane."+k))
	}
	return out
}

func (h *handler) laneNames() draw.LifeNames {
	n := func(lane int) string { return h.words.must("life.lane." + laneKeys()[lane]) }
	return draw.LifeNames{Stage: n(laneStage), Needle: n(laneNeedle), Counts: n(laneCounts), Angle: n(laneAngle), Attempts: n(laneAttempts),
		Passes: n(lanePasses), Resistance: n(laneResistance), Pain: n(lanePain), Bleeding: n(laneBleeding), Pressure: n(lanePressure),
		Peg: n(lanePeg), Findings: n(laneFindings), Hold: n(laneHold), Who: n(laneWho), Next: h.words.must("life.next")}
}

// cells are a session in words, lane by lane. What is not recorded is said.
func (h *handler) cells(l *life.Life, i int) []string {
	c, t := &l.Columns[i], h.words
	out := make([]string, len(laneKeys()))
	out[laneStage] = t.must("life.stage." + cmp.Or(c.Stage, "planned"))
	out[laneNeedle] = h.needleWords(c)
	out[laneFindings] = h.findingsOf(c.Findings)
	out[laneHold] = holdsAt(l, i)
	if c.Needle == life.NoneYet {
		return out
	}
	missing := t.must("life.not-recorded")
	number := func(v *float64, unit string) string {
		if v == nil {
			return missing
		}
		return figure(*v) + unit
	}
	whole := func(v *uint32) string {
		if v == nil {
			return missing
		}
		return strconv.Itoa(int(*v))
	}
	out[laneCounts] = h.countWords(c)
	out[laneAngle] = number(c.Angle, "°")
	switch {
	case c.Angle != nil && c.Off:
		out[laneAngle] = t.must("life.angle-out", "Angle", figure(*c.Angle), "Reference", figure(*c.Reference),
			"Tolerance", figure(c.Tolerance))
	case c.Angle != nil && c.Reference != nil && c.AngleAsked:
		out[laneAngle] = t.must("life.angle-in", "Angle", figure(*c.Angle), "Reference", figure(*c.Reference),
			"Tolerance", figure(c.Tolerance))
	}
	out[laneAttempts], out[lanePasses], out[lanePain] = strconv.Itoa(c.Attempts), whole(c.Passes), whole(c.Pain)
	out[laneResistance] = missing
	if c.Resistance != "" {
		out[laneResistance] = t.must("life.resistance." + c.Resistance)
	}
	out[laneBleeding] = number(c.Bleeding, " min")
	switch {
	case c.Bleeding != nil && c.Longer:
		out[laneBleeding] = t.must("life.bleeding-longer", "Minutes", figure(*c.Bleeding), "Usual", figure(*c.Usual))
	case c.Bleeding != nil && c.Usual != nil:
		out[laneBleeding] = t.must("life.bleeding-usual", "Minutes", figure(*c.Bleeding), "Usual", figure(*c.Usual))
	}
	out[lanePressure] = number(c.Pressure, " mmHg")
	out[lanePeg] = h.pegWords(c)
	out[laneWho] = cmp.Or(c.Who, missing)
	return out
}

// figure writes a number with one decimal at most.
func figure(v float64) string { return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) }

func (h *handler) needleWords(c *life.Column) string {
	t := h.words
	switch {
	case c.Needle == life.NoneYet && c.Missed != "":
		return t.must("life.missed", "Why", c.Missed)
	case c.Needle == life.NoneYet && c.Elsewhere != "":
		return t.must("life.elsewhere", "Access", c.Elsewhere)
	case c.Needle == life.NoneYet:
		return t.must("life.without")
	}
	out := t.must("life.needle." + c.Needle)
	if c.Rescue {
		out += ", " + t.must("life.rescue")
	}
	if !c.Success {
		out += ", " + t.must("life.failed")
	}
	for _, x := range c.Complications {
		out += ", " + x
	}
	return out
}

func (h *handler) countWords(c *life.Column) string {
	t := h.words
	why := strings.Join(c.WhyNot, ", ")
	switch {
	case c.Counted && c.Forming:
		return t.must("life.counts", "Number", c.Number, "Needed", c.Needed)
	case c.Counted:
		return t.must("life.counts-trial")
	case c.InDoubt:
		return t.must("life.doubt", "Why", why)
	case why != "":
		return t.must("life.counts-not", "Why", why)
	}
	return t.must("life.counts-nothing")
}

func (h *handler) pegWords(c *life.Column) string {
	t := h.words
	var parts []string
	if found := pegBefore(c); found != draw.PegNotAsked {
		parts = append(parts, t.must("life.peg."+string(found)))
	}
	if c.PegLeft {
		parts = append(parts, t.must("life.peg.left"))
	}
	return strings.Join(parts, ", ")
}

// pegBefore is what is known of the peg at the beginning of a session.
func pegBefore(c *life.Column) draw.LifePeg {
	switch {
	case c.PegFound == "in place":
		return draw.PegThere
	case c.PegAsked && c.PegFound == "none":
		return draw.PegGone
	case c.PegAsked:
		return draw.PegUnknown
	}
	return draw.PegNotAsked
}

func (h *handler) findingsOf(list []life.Finding) string {
	var out []string
	for _, f := range list {
		out = append(out, h.words.must("life.severity."+f.Severity)+": "+f.Seen)
	}
	return strings.Join(out, "; ")
}

// findingMark is the gravest severity and how many there are; notes alone are a dot.
func findingMark(list []life.Finding) draw.LifeCell {
	marks := []struct{ severity, mark string }{{"stop", "!!"}, {"caution", "!"}, {"note", "·"}}
	for _, m := range marks {
		n := 0
		for _, f := range list {
			if f.Severity == m.severity {
				n++
			}
		}
		switch {
		case n == 1:
			return draw.LifeCell{Text: m.mark, Boxed: m.severity == "stop"}
		case n > 1:
			return draw.LifeCell{Text: m.mark + strconv.Itoa(n), Boxed: m.severity == "stop"}
		}
	}
	return draw.LifeCell{}
}

// holdsAt are the holds that were open at a column.
func holdsAt(l *life.Life, i int) string {
	var out []string
	for _, x := range l.Holds {
		if x.First <= i && i <= x.Last {
			out = append(out, x.Text)
		}
	}
	return strings.Join(out, "; ")
}

// titleOf says a row in one text, as the drawing's column does.
func (h *handler) titleOf(row *lifeRow, lanes []string) string {
	out := []string{row.Date}
	for i, text := range row.Cells {
		if text != "" {
			out = append(out, lanes[i+1]+": "+text)
		}
	}
	return strings.Join(out, "\n")
}

// lifeColumn is a session as it is drawn.
func (h *handler) lifeColumn(l *life.Life, i int, row *lifeRow, lanes []string) draw.LifeColumn {
	c := &l.Columns[i]
	out := draw.LifeColumn{Href: row.Href, Title: h.titleOf(row, lanes), Day: strings.TrimLeft(c.Date[8:], "0"), Shape: shapeOf(c),
		Findings: findingMark(c.Findings)}
	if i == 0 || l.Columns[i-1].Date[:7] != c.Date[:7] {
		out.Month = h.monthName(c.Date[:7])
	}
	if out.StageBegins = i == 0 || l.Columns[i-1].Stage != c.Stage; out.StageBegins || out.Month != "" {
		out.Stage = h.words.must("life.stage." + cmp.Or(c.Stage, "planned"))
	}
	if c.Needle == life.NoneYet {
		return out
	}
	out.Failed = !c.Success
	switch {
	case c.Forming && c.Counted:
		out.Count = strconv.Itoa(c.Number)
	case c.InDoubt:
		out.Count = "?"
	case !c.Counted && len(c.WhyNot) > 0:
		out.Count = "–"
	}
	out.Angle, out.Off = c.Angle, c.Off
	if c.Reference != nil && c.AngleAsked {
		low, high := *c.Reference-c.Tolerance, *c.Reference+c.Tolerance
		out.Low, out.High = &low, &high
	}
	out.Attempts = draw.LifeCell{Text: strconv.Itoa(c.Attempts), Boxed: c.Attempts > 1}
	if c.Passes != nil {
		out.Passes = draw.LifeCell{Text: strconv.Itoa(int(*c.Passes)), Boxed: *c.Passes != 1}
	}
	if c.Resistance != "" {
		out.Resistance = draw.LifeCell{Text: h.words.must("life.short." + c.Resistance), Boxed: c.Resistance != "none"}
	}
	if c.Pain != nil {
		out.Pain = draw.LifeCell{Text: strconv.Itoa(int(*c.Pain))}
	}
	out.Bleeding, out.Usual, out.Limit, out.Longer, out.Pressure = c.Bleeding, c.Usual, c.Limit, c.Longer, c.Pressure
	out.PegFound = pegBefore(c)
	if c.PegLeft {
		out.PegLeft = draw.PegThere
	}
	out.Who = c.Who
	return out
}

func shapeOf(c *life.Column) draw.LifeShape {
	pick := func(counts bool, yes, no draw.LifeShape) draw.LifeShape {
		if counts {
			return yes
		}
		return no
	}
	switch {
	case c.Needle == life.NoneYet:
		return draw.NotNeedled
	case c.Rescue:
		return draw.RescueSharp
	case c.Needle == life.Unknown:
		return draw.TipUnknown
	case c.Needle == "blunt":
		return pick(c.Counted, draw.BluntCounts, draw.BluntNot)
	case c.InDoubt:
		return draw.SharpDoubt
	}
	return pick(c.Counted, draw.SharpCounts, draw.SharpNot)
}
