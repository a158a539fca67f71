package draw

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"
)

// LifeStrip is what the drawing of a track's life is made of. All its words come from the caller.
type LifeStrip struct {
	Names   LifeNames
	Columns []LifeColumn
	// Next is the needle that comes next, drawn after the columns; nil if the strip ends before.
	Next  *LifeNext
	Holds []LifeHold
}

// LifeNames are the names of the lanes, and what stands for the needle that comes next.
type LifeNames struct {
	Stage, Needle, Counts, Angle, Attempts, Passes, Resistance, Pain, Bleeding, Pressure, Peg, Findings, Hold, Who string
	Next                                                                                                           string
}

// LifeShape is the mark of a needle. Shapes differ without colour.
type LifeShape string

// The shapes.
const (
	SharpCounts LifeShape = "sharp-counts" // a filled triangle
	SharpNot    LifeShape = "sharp-not"    // a hollow one
	SharpDoubt  LifeShape = "sharp-doubt"  // a hollow one, dashed
	BluntCounts LifeShape = "blunt-counts" // a filled circle
	BluntNot    LifeShape = "blunt-not"    // a hollow one
	RescueSharp LifeShape = "rescue"       // a filled triangle in a frame
	TipUnknown  LifeShape = "unknown"      // a question mark
	NotNeedled  LifeShape = "not-needled"  // a cross
)

// LifePeg is what is known of a peg.
type LifePeg string

// What may be known of a peg.
const (
	PegNotAsked LifePeg = ""
	PegThere    LifePeg = "there"
	PegGone     LifePeg = "gone"
	PegUnknown  LifePeg = "unknown"
)

// LifeCell is a word or a figure; Boxed draws attention to it.
type LifeCell struct {
	Text  string
	Boxed bool
}

// LifeColumn is one session. A nil figure and an empty text are not recorded, and drawn as such.
type LifeColumn struct {
	Href, Title string
	Day         string
	Month       string // where a month begins, else empty
	// Stage is the stage that the track is in afterwards, where the strip is to say it. StageBegins
	// draws a line before it.
	Stage       string
	StageBegins bool
	Shape       LifeShape
	Failed      bool // no needle served: the mark is struck out
	Count       string
	Angle       *float64
	Low, High   *float64 // the tolerance band of the angle
	Off         bool
	Attempts    LifeCell
	Passes      LifeCell
	Resistance  LifeCell
	Pain        LifeCell
	Bleeding    *float64
	Usual       *float64
	Limit       *float64
	Longer      bool
	Pressure    *float64
	PegFound    LifePeg
	PegLeft     LifePeg
	Findings    LifeCell
	Who         string
}

// LifeNext is the needle that comes next.
type LifeNext struct {
	Needle   string // sharp, blunt or none
	Title    string
	Href     string
	Findings LifeCell
}

// LifeHold is a hold from one column to another, both included. Last is before First for one that
// fell between two columns. A place outside the strip is cut at its ends.
type LifeHold struct {
	First, Last int
	Text        string
	Open        bool
}

// Measures of the strip, in pixels.
const (
	lifeNames  = 116 // width of the names
	lifeColumn = 30  // width of a column
	lifeText   = 12  // height of the letters in a column
	lifeHeight = 578
	lifeBottom = 568

	yMonth, yDay, yStage = 14, 34, 52
	yNeedle, yCount      = 90, 120
	yAngle, hAngle       = 134, 52
	yAttempts, yPasses   = 208, 230
	yResistance, yPain   = 252, 274
	yBleeding, hBleeding = 288, 52
	yPressure, hPressure = 352, 48
	yPeg, yFindings      = 422, 448
	yHold, hHold, yWho   = 462, 18, 562
)

// Life draws a track's life: the names of the lanes, to lay over the strip while it is scrolled,
// and the strip, which has the names too.
func Life(s LifeStrip) (names, strip template.HTML) {
	d := &lifeDrawing{LifeStrip: s}
	d.count = len(s.Columns)
	if s.Next != nil {
		d.count++
	}
	width := lifeNames + d.count*lifeColumn + 8
	d.scale()
	left := d.names()
	names = template.HTML(fmt.Sprintf( //nolint:gosec // made of numbers and of texts that were escaped
		`<svg class="life-names" aria-hidden="true" width="%d" height="%d" viewBox="0 0 %d %d">%s</svg>`,
		lifeNames, lifeHeight, lifeNames, lifeHeight, left))
	d.lines()
	d.trends()
	d.holds()
	d.f(`<g font-size="%d" text-anchor="middle">`, lifeText)
	for i := range s.Columns {
		d.column(i, &s.Columns[i])
	}
	d.next()
	d.f(`</g>`)
	strip = template.HTML(fmt.Sprintf( //nolint:gosec // likewise
		`<svg class="life-strip" aria-hidden="true" width="%d" height="%d" viewBox="0 0 %d %d" preserveAspectRatio="xMinYMin">%s%s</svg>`,
		width, lifeHeight, width, lifeHeight, left, d.b.String()))
	return names, strip
}

type lifeDrawing struct {
	LifeStrip
	b                         strings.Builder
	count                     int
	angle, bleeding, pressure lifeSpan
}

// lifeSpan is the range of a figure in a lane.
type lifeSpan struct{ low, high float64 }

func (s *lifeSpan) take(values ...*float64) {
	for _, v := range values {
		if v != nil && !math.IsNaN(*v) && !math.IsInf(*v, 0) {
			s.low, s.high = min(s.low, *v), max(s.high, *v)
		}
	}
}

// known reports whether any value was taken.
func (s lifeSpan) known() bool { return s.low <= s.high }

func emptySpan() lifeSpan { return lifeSpan{math.Inf(1), math.Inf(-1)} }

// y returns where a value lies in a lane that begins at top.
func (s lifeSpan) y(v float64, top, height int) float64 {
	if s.high <= s.low {
		return float64(top) + float64(height)/2
	}
	return float64(top+height) - (v-s.low)/(s.high-s.low)*float64(height)
}

func (d *lifeDrawing) scale() {
	d.angle, d.bleeding, d.pressure = emptySpan(), emptySpan(), emptySpan()
	for i := range d.Columns {
		c := &d.Columns[i]
		d.angle.take(c.Angle, c.Low, c.High)
		d.bleeding.take(c.Bleeding, c.Usual, c.Limit)
		d.pressure.take(c.Pressure)
	}
	if zero := 0.0; d.bleeding.known() {
		d.bleeding.take(&zero)
	}
}

// lifeX returns the middle of a column.
func lifeX(i int) int { return lifeNames + i*lifeColumn + lifeColumn/2 }

func escaped(s string) string { return template.HTMLEscapeString(s) }

// lifeNumber writes a number as short as it can be.
func lifeNumber(v float64) string { return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) }

func (d *lifeDrawing) f(format string, a ...any) { fmt.Fprintf(&d.b, format, a...) }

// names returns the names of the lanes with the ends of their scales.
func (d *lifeDrawing) names() string {
	var b strings.Builder
	name := func(y int, text string) {
		fmt.Fprintf(&b, `<text x="2" y="%d" font-size="13">%s</text>`, y, escaped(text))
	}
	ends := func(s lifeSpan, top, height int, unit string) {
		if s.known() {
			const end = `<text class="soft" x="%d" y="%d" font-size="12" text-anchor="end">%s</text>`
			fmt.Fprintf(&b, end, lifeNames-6, top+8, lifeNumber(s.high)+unit)
			fmt.Fprintf(&b, end, lifeNames-6, top+height+4, lifeNumber(s.low)+unit)
		}
	}
	m := &d.Names
	name(yStage, m.Stage)
	name(yNeedle+6, m.Needle)
	name(yCount, m.Counts)
	name(yAngle+hAngle/2+4, m.Angle)
	ends(d.angle, yAngle, hAngle, "°")
	name(yAttempts, m.Attempts)
	name(yPasses, m.Passes)
	name(yResistance, m.Resistance)
	name(yPain, m.Pain)
	name(yBleeding+hBleeding/2+4, m.Bleeding)
	ends(d.bleeding, yBleeding, hBleeding, "")
	name(yPressure+hPressure/2+4, m.Pressure)
	ends(d.pressure, yPressure, hPressure, "")
	name(yPeg+4, m.Peg)
	name(yFindings+2, m.Findings)
	name(yHold+14, m.Hold)
	name(yHold+44, m.Who)
	return b.String()
}

// lines draws what separates the lanes, and the stages and months.
func (d *lifeDrawing) lines() {
	right := lifeNames + d.count*lifeColumn
	for _, y := range []int{yStage + 18, yCount + 7, yAngle + hAngle + 8, yPain + 7, yBleeding + hBleeding + 6, yPressure + hPressure + 8,
		yPeg + 12, yHold - 6, yHold + hHold + 6} {
		d.f(`<path class="line" d="M%d %dH%d" stroke="currentColor" stroke-opacity=".25"/>`, lifeNames, y, right)
	}
	var taken [2]int // how far the names of stages reach
	for i := range d.Columns {
		c := &d.Columns[i]
		if c.Month != "" {
			d.f(`<text class="soft" x="%d" y="%d" font-size="12">%s</text>`, lifeX(i)-lifeColumn/2+2, yMonth, escaped(c.Month))
		}
		left := lifeX(i) - lifeColumn/2
		if c.StageBegins {
			d.f(`<path class="sky" d="M%d %dV%d" stroke="currentColor" stroke-dasharray="4 4"/>`, left, yStage-12, lifeBottom)
		}
		if c.Stage == "" || !c.StageBegins && left < taken[0] {
			continue
		}
		// A stage of one session leaves no room for the next name: that stands a line lower.
		line := 0
		if left < taken[0] {
			line = 1
		}
		taken[line] = left + 8*len([]rune(c.Stage))
		d.f(`<text class="stage" x="%d" y="%d" font-size="12">%s</text>`, left+3, yStage+12*line, escaped(c.Stage))
	}
}

// trends draws the band of the angle, the usual time of bleeding, and the lines between values.
func (d *lifeDrawing) trends() {
	for i := range d.Columns {
		if c := &d.Columns[i]; c.Low != nil && c.High != nil {
			top, low := d.angle.y(*c.High, yAngle, hAngle), d.angle.y(*c.Low, yAngle, hAngle)
			d.f(`<rect class="band" x="%d" y="%s" width="%d" height="%s" fill="currentColor" fill-opacity=".12"/>`,
				lifeX(i)-lifeColumn/2, lifeNumber(top), lifeColumn, lifeNumber(max(1, low-top)))
		}
	}
	of := func(get func(*LifeColumn) *float64, s lifeSpan, top, height int, class, more string) {
		for i := 1; i < len(d.Columns); i++ {
			// A treatment without the track, or a value that is not recorded, breaks the line.
			if a, b := get(&d.Columns[i-1]), get(&d.Columns[i]); a != nil && b != nil {
				d.f(`<path class="%s" d="M%d %sL%d %s" fill="none" stroke="currentColor" %s/>`, class, lifeX(i-1),
					lifeNumber(s.y(*a, top, height)), lifeX(i), lifeNumber(s.y(*b, top, height)), more)
			}
		}
	}
	of(func(c *LifeColumn) *float64 { return c.Usual }, d.bleeding, yBleeding, hBleeding, "usual", `stroke-dasharray="2 4"`)
	of(func(c *LifeColumn) *float64 { return c.Limit }, d.bleeding, yBleeding, hBleeding, "limit",
		`stroke-dasharray="7 3" stroke-opacity=".6"`)
	of(func(c *LifeColumn) *float64 { return c.Bleeding }, d.bleeding, yBleeding, hBleeding, "trend", `stroke-width="1.5"`)
	of(func(c *LifeColumn) *float64 { return c.Pressure }, d.pressure, yPressure, hPressure, "trend", `stroke-width="1.5"`)
}

// column draws one session.
func (d *lifeDrawing) column(i int, c *LifeColumn) {
	m := lifeX(i)
	d.f(`<a class="column" href="%s" tabindex="-1"><title>%s</title>`, escaped(c.Href), escaped(c.Title))
	d.f(`<rect class="hit" x="%d" y="18" width="%d" height="%d" fill="transparent"/>`, m-lifeColumn/2, lifeColumn, lifeBottom-18)
	d.text(m, yDay, lifeText, "day", c.Day)
	d.f(`<g class="needle %s">`, c.Shape)
	d.shape(m, c)
	d.f(`</g>`)
	d.text(m, yCount, lifeText, "count", c.Count)
	needled := c.Shape != NotNeedled
	d.dot("angle", m, c.Angle, d.angle, yAngle, hAngle, c.Off, needled)
	for _, cell := range []struct {
		class string
		y     int
		LifeCell
	}{{"attempts", yAttempts, c.Attempts}, {"passes", yPasses, c.Passes}, {"resistance", yResistance, c.Resistance},
		{"pain", yPain, c.Pain}, {"findings", yFindings, c.Findings}} {
		if cell.Text == "" && needled && cell.class != "findings" {
			d.unknown(m, cell.y, cell.class)
			continue
		}
		d.cell(m, cell.y, cell.class, cell.LifeCell)
	}
	d.dot("bleeding", m, c.Bleeding, d.bleeding, yBleeding, hBleeding, c.Longer, needled)
	d.dot("pressure", m, c.Pressure, d.pressure, yPressure, hPressure, false, needled)
	d.peg(m-6, "found", c.PegFound)
	d.peg(m+6, "left", c.PegLeft)
	if c.Who != "" {
		d.f(`<text class="who" x="%d" y="%d" text-anchor="start" transform="rotate(-90 %d %d)">%s</text>`, m+4, yWho, m+4, yWho,
			escaped(lifeShort(c.Who, 10)))
	} else if needled {
		d.unknown(m, yWho-40, "who")
	}
	d.f(`</a>`)
}

// lifeShort cuts a text that has no room; the title and the table have it whole.
func lifeShort(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return s
}

func (d *lifeDrawing) text(x, y, size int, class, text string) {
	switch {
	case text == "":
	case size == lifeText:
		d.f(`<text class="%s" x="%d" y="%d">%s</text>`, class, x, y, escaped(text))
	default:
		d.f(`<text class="%s" x="%d" y="%d" font-size="%d">%s</text>`, class, x, y, size, escaped(text))
	}
}

// unknown draws that something is not recorded.
func (d *lifeDrawing) unknown(x, y int, class string) {
	d.f(`<text class="soft unknown %s" x="%d" y="%d">?</text>`, class, x, y)
}

func (d *lifeDrawing) cell(x, y int, class string, c LifeCell) {
	if c.Text == "" {
		return
	}
	if c.Boxed {
		d.f(`<rect class="box %s" x="%d" y="%d" width="26" height="18" rx="3" fill="none" stroke="currentColor" `+
			`stroke-width="1.5"/>`, class, x-13, y-14)
		class += " boxed"
	}
	d.text(x, y, lifeText, class, c.Text)
}

// shape draws the mark of the needle.
func (d *lifeDrawing) shape(m int, c *LifeColumn) {
	triangle := fmt.Sprintf("M%d %dL%d %dL%d %dZ", m-9, yNeedle+8, m, yNeedle-10, m+9, yNeedle+8)
	switch c.Shape {
	case SharpCounts:
		d.f(`<path d="%s" fill="currentColor" stroke="currentColor" stroke-width="2"/>`, triangle)
	case SharpNot:
		d.f(`<path d="%s" fill="none" stroke="currentColor" stroke-width="2"/>`, triangle)
	case SharpDoubt:
		d.f(`<path d="%s" fill="none" stroke="currentColor" stroke-width="2" stroke-dasharray="3 3"/>`, triangle)
	case RescueSharp:
		d.f(`<path d="%s" fill="currentColor"/>`, triangle)
		d.f(`<rect x="%d" y="%d" width="26" height="26" fill="none" stroke="currentColor" stroke-width="2"/>`, m-13, yNeedle-14)
	case BluntCounts:
		d.f(`<circle cx="%d" cy="%d" r="9" fill="currentColor"/>`, m, yNeedle)
	case BluntNot:
		d.f(`<circle cx="%d" cy="%d" r="8" fill="none" stroke="currentColor" stroke-width="2"/>`, m, yNeedle)
	case TipUnknown:
		d.text(m, yNeedle+6, 18, "tip", "?")
	default:
		d.cross(m, 6, 2)
	}
	if c.Failed {
		d.f(`<path class="failed" d="M%d %dH%d" stroke="currentColor" stroke-width="2"/>`, m-13, yNeedle+12, m+13)
	}
}

// cross draws that there is no needle.
func (d *lifeDrawing) cross(m, size, width int) {
	d.f(`<path d="M%d %dL%d %dM%d %dL%d %d" stroke="currentColor" stroke-width="%d"/>`, m-size, yNeedle-size, m+size, yNeedle+size,
		m-size, yNeedle+size, m+size, yNeedle-size, width)
}

// dot draws a value in a lane; one that stands out is a hollow square with its figure.
func (d *lifeDrawing) dot(class string, m int, v *float64, s lifeSpan, top, height int, out, needled bool) {
	switch {
	case v == nil && needled:
		d.unknown(m, top+height/2+5, class)
	case v == nil:
	case out:
		y := s.y(*v, top, height)
		d.f(`<rect class="%s out" x="%d" y="%s" width="9" height="9" fill="none" stroke="currentColor" stroke-width="2"/>`, class, m-5,
			lifeNumber(y-4.5))
		at := y - 8
		if at < float64(top)+4 {
			at = y + 18
		}
		d.f(`<text class="%s value" x="%d" y="%s">%s</text>`, class, m, lifeNumber(at), lifeNumber(*v))
	default:
		d.f(`<circle class="%s" cx="%d" cy="%s" r="4" fill="currentColor"/>`, class, m, lifeNumber(s.y(*v, top, height)))
	}
}

func (d *lifeDrawing) peg(m int, when string, p LifePeg) {
	switch p {
	case PegThere:
		d.f(`<rect class="peg %s there" x="%d" y="%d" width="9" height="9" fill="currentColor"/>`, when, m-4, yPeg-5)
	case PegGone:
		d.f(`<rect class="peg %s gone" x="%d" y="%d" width="9" height="9" fill="none" stroke="currentColor" stroke-width="1.5"/>`,
			when, m-4, yPeg-5)
	case PegUnknown:
		d.unknown(m, yPeg+4, "peg "+when)
	}
}

// holds draws the holds as bars, those that overlap one below the other as far as there is room.
func (d *lifeDrawing) holds() {
	for _, h := range d.Holds {
		from, to := max(0, h.First), min(h.Last, d.count-1)
		if from >= d.count {
			continue
		}
		class := "hold"
		if h.Open {
			class = "hold open"
		}
		left := lifeX(from) - lifeColumn/2
		if to < from { // between two columns
			d.f(`<g class="%s between"><title>%s</title>`, class, escaped(h.Text))
			d.f(`<rect x="%d" y="%d" width="6" height="%d" fill="currentColor" stroke="currentColor"/></g>`, left-3, yHold, hHold)
			continue
		}
		width := (to - from + 1) * lifeColumn
		d.f(`<g class="%s"><title>%s</title>`, class, escaped(h.Text))
		d.f(`<rect x="%d" y="%d" width="%d" height="%d" fill="currentColor" fill-opacity=".15" stroke="currentColor" stroke-width="2"/>`,
			left+1, yHold, width-2, hHold)
		if letters := (width - 8) / 7; letters >= 4 {
			d.f(`<text x="%d" y="%d" font-size="12">%s</text>`, left+5, yHold+13, escaped(lifeShort(h.Text, letters)))
		}
		d.f(`</g>`)
	}
}

// next draws the needle that comes next, as an outline of dots.
func (d *lifeDrawing) next() {
	if d.Next == nil {
		return
	}
	m := lifeX(len(d.Columns))
	d.f(`<a class="column next" href="%s" tabindex="-1"><title>%s</title>`, escaped(d.Next.Href), escaped(d.Next.Title))
	d.f(`<rect class="hit" x="%d" y="18" width="%d" height="%d" fill="transparent"/>`, m-lifeColumn/2, lifeColumn, lifeBottom-18)
	d.text(m, yDay, lifeText, "day", d.Names.Next)
	d.f(`<g class="needle next-%s">`, escaped(d.Next.Needle))
	switch d.Next.Needle {
	case "sharp":
		d.f(`<path d="M%d %dL%d %dL%d %dZ" fill="none" stroke="currentColor" stroke-width="2" stroke-dasharray="1 3"/>`, m-9, yNeedle+8, m,
			yNeedle-10, m+9, yNeedle+8)
	case "blunt":
		d.f(`<circle cx="%d" cy="%d" r="8" fill="none" stroke="currentColor" stroke-width="2" stroke-dasharray="1 3"/>`, m, yNeedle)
	default:
		d.cross(m, 7, 3)
	}
	d.f(`</g>`)
	d.cell(m, yFindings, "findings", d.Next.Findings)
	d.f(`</a>`)
}
