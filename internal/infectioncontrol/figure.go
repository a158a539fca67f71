package infectioncontrol

import (
	"bytes"
	"fmt"
	"html/template"
	"image/color"
	"math"
	"regexp"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"cannulary/internal/surveil"
)

// The size of every figure. What it shows is recognised by line and mark; colour only
// repeats it, so that it may be printed in grey.
const (
	figureWidth  vg.Length = 520 // points
	figureHeight vg.Length = 165
)

var (
	ink    = color.RGBA{0x16, 0x20, 0x2a, 0xff}
	faint  = color.RGBA{0x9a, 0xa5, 0xae, 0xff}
	accent = color.RGBA{0x0d, 0x4a, 0x7d, 0xff}
	alarm  = color.RGBA{0x9c, 0x11, 0x11, 0xff}
)

var (
	dashed = []vg.Length{5, 3}
	dotted = []vg.Length{1, 2.5}
)

func newPlot(y string) *plot.Plot {
	p := plot.New()
	for _, f := range []*font.Font{&p.X.Tick.Label.Font, &p.Y.Tick.Label.Font, &p.X.Label.TextStyle.Font, &p.Y.Label.TextStyle.Font,
		&p.Legend.TextStyle.Font} {
		f.Variant, f.Size = "Sans", 8
	}
	p.Y.Label.Text = y
	p.Legend.Top, p.Legend.Left, p.Legend.ThumbnailWidth, p.Legend.XOffs, p.Legend.Padding = true, true, 18, 6, 1.5
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.LineStyle.Color, a.Tick.LineStyle.Color, a.Tick.Label.Color, a.Label.TextStyle.Color = ink, ink, ink, ink
	}
	p.Y.Min = 0
	p.Y.Tick.Marker = wholeTicks{}
	return p
}

// wholeTicks marks at most eight round numbers.
type wholeTicks struct{}

func (wholeTicks) Ticks(lo, hi float64) []plot.Tick {
	const most = 7 // steps
	step := math.Pow(10, math.Floor(math.Log10((hi-lo)/most)))
	for _, by := range []float64{1, 2, 5, 10} {
		if (hi-lo)/(step*by) <= most {
			step *= by
			break
		}
	}
	digits := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	var out []plot.Tick
	for i := math.Ceil(lo / step); i*step <= hi; i++ {
		out = append(out, plot.Tick{Value: i * step, Label: strconv.FormatFloat(i*step, 'f', digits, 64)})
	}
	return out
}

// mostMonths is how many months are named on an axis.
const mostMonths = 9

// monthTicks marks the first days of months. The axis counts days.
type monthTicks struct{}

func (monthTicks) Ticks(lo, hi float64) []plot.Tick {
	from, to := surveil.Day(lo).Month(), surveil.Day(hi).Month()
	step := (int(to-from) + mostMonths) / mostMonths
	var out []plot.Tick
	for m := from; m <= to; m++ {
		if at := float64(m.First()); at >= lo && at <= hi {
			t := plot.Tick{Value: at}
			if int(m)%max(1, step) == 0 {
				t.Label = m.String()
			}
			out = append(out, t)
		}
	}
	return out
}

var (
	styles = regexp.MustCompile(`\s*style="([^"]*)"`)
	breaks = regexp.MustCompile(`\s*\n\s*`)
)

// render returns a plot as SVG that can stand within a page. It has no head of its own. Its
// styles are attributes, so that the page's policy need not allow them. A text says what it
// shows for readers who do not see it.
func render(p *plot.Plot, alt string) (template.HTML, error) {
	c := vgsvg.New(figureWidth, figureHeight)
	p.Draw(draw.New(c))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return "", err
	}
	s := b.String()
	start := strings.Index(s, "<g ")
	if start < 0 {
		return "", fmt.Errorf("the figure of %q has no content", alt)
	}
	s = styles.ReplaceAllStringFunc(s[start:], attributes)
	s = strings.ReplaceAll(s, "Liberation Sans", "Liberation Sans, Arial, Helvetica, sans-serif")
	s = breaks.ReplaceAllString(s, "\n")
	head := fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" role="img" aria-label="%s">`, figureWidth.Points(),
		figureHeight.Points(), template.HTMLEscapeString(alt))
	return template.HTML(head + "\n" + strings.TrimSpace(s)), nil
}

// attributes returns a style as presentation attributes.
func attributes(style string) string {
	var b strings.Builder
	for _, part := range strings.Split(styles.FindStringSubmatch(style)[1], ";") {
		if name, value, ok := strings.Cut(part, ":"); ok {
			fmt.Fprintf(&b, ` %s="%s"`, strings.TrimSpace(name), strings.TrimSpace(value))
		}
	}
	return b.String()
}

// stroke is the look of a line, glyph that of a mark.
type stroke struct {
	color  color.Color
	width  vg.Length
	dashes []vg.Length
}

type glyph struct {
	color color.Color
	shape draw.GlyphDrawer
	size  vg.Length
}
