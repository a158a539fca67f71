package infectioncontrol

import (
	"errors"
	"fmt"
	"html/template"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg/draw"

	"cannulary/internal/surveil"
)

// canvas holds what a figure shows, and the first error.
type canvas struct {
	*plot.Plot
	err error
}

func (c *canvas) fail(err error) { c.err = errors.Join(c.err, err) }

// at returns a date of a report as a position on an axis.
func (c *canvas) at(day string) float64 {
	d, err := surveil.ParseDay(day)
	c.fail(err)
	return float64(d)
}

// show adds something, with a name in the legend unless the name is empty.
func (c *canvas) show(name string, p plot.Plotter, thumb plot.Thumbnailer, err error) {
	if err != nil {
		c.fail(err)
		return
	}
	c.Add(p)
	if name != "" {
		c.Legend.Add(name, thumb)
	}
}

func (c *canvas) line(name string, points plotter.XYs, look stroke) {
	if len(points) < 2 {
		return
	}
	l, err := plotter.NewLine(points)
	if err == nil {
		l.Color, l.Width, l.Dashes = look.color, look.width, look.dashes
	}
	c.show(name, l, l, err)
}

func (c *canvas) marks(name string, points plotter.XYs, look glyph) {
	if len(points) == 0 {
		return
	}
	s, err := plotter.NewScatter(points)
	if err == nil {
		s.GlyphStyle = draw.GlyphStyle{Color: look.color, Radius: look.size, Shape: look.shape}
	}
	c.show(name, s, s, err)
}

// drawChart draws a sequential signal; nothing if it has not begun.
func drawChart(ch *Chart, title string) (template.HTML, error) {
	if len(ch.Points) < 2 {
		return "", nil
	}
	c := &canvas{Plot: newPlot("sum")}
	c.X.Tick.Marker = monthTicks{}
	var sums, events, signals plotter.XYs
	top := ch.Threshold
	for _, p := range ch.Points {
		x := c.at(p.Day)
		sums = append(sums, plotter.XY{X: x, Y: p.Sum})
		top = max(top, p.Sum)
		if p.Events > 0 {
			events = append(events, plotter.XY{X: x, Y: p.Sum})
		}
	}
	first, last := sums[0].X, sums[len(sums)-1].X
	for _, s := range ch.Signals {
		if x := c.at(s.Day); x >= first {
			signals = append(signals, plotter.XY{X: x, Y: s.Sum})
			top = max(top, s.Sum)
		}
	}
	c.Y.Max = top * 1.35 // room for the legend
	restarts := 0
	for i, p := range ch.Points {
		if p.Restart {
			name := ""
			if restarts++; restarts == 1 {
				name = "restart"
			}
			c.line(name, plotter.XYs{{X: sums[i].X, Y: 0}, {X: sums[i].X, Y: top}}, restartLine)
		}
	}
	c.line("threshold", plotter.XYs{{X: first, Y: ch.Threshold}, {X: last, Y: ch.Threshold}}, thresholdLine)
	c.line("sum", sums, mainLine)
	c.marks("event", events, eventMark)
	c.marks("signal", signals, signalMark)
	c.X.Min, c.X.Max = first, last
	if c.err != nil {
		return "", c.err
	}
	return render(c.Plot,
		fmt.Sprintf("Sequential signal of %s from %s to %s: sum %s, threshold %s, %d days with events, %d signals, %d restarts. %s",
			title, ch.Points[0].Day, ch.Points[len(ch.Points)-1].Day, sum(ch.Sum), sum(ch.Threshold), len(events), len(signals),
			restarts, ch.Says))
}

// drawMonthly draws the year's rates with exact limits, the two techniques side by side. A month
// that the record covers in part has an open mark. A limit beyond the axis ends in an arrow.
func drawMonthly(list []MonthlyRate) (template.HTML, error) {
	c := &canvas{Plot: newPlot("per 1,000 access-days")}
	c.X.Tick.Marker = monthTicks{}
	const apart = 4 // days to each side of the middle of the month
	top := monthlyTop(list)
	shown := 0
	var cut plotter.XYs
	for _, t := range []struct {
		technique  surveil.Technique
		name       string
		at         float64
		mark, open glyph
		line       stroke
	}{
		{surveil.ConstantSite, "constant-site, with 95 % limits", -apart, eventMark, partMark, mainLine},
		{surveil.OtherFistula, "other needling, with 95 % limits", apart, squareMark, openMark, otherLine},
	} {
		var points, parts plotter.XYs
		for _, m := range list {
			month, err := surveil.ParseMonth(m.Month)
			if err != nil {
				return "", err
			}
			lo, hi := float64(month.First()), float64(month.Last()+1)
			if c.X.Min > lo {
				c.X.Min = lo
			}
			if c.X.Max < hi {
				c.X.Max = hi
			}
			if m.Group != surveil.Group(t.technique) || m.PerThousand == nil || m.PerThousand.Exact.Upper == nil {
				continue
			}
			x := float64(month.First()) + 15 + t.at
			lower, upper := m.PerThousand.Exact.Lower, *m.PerThousand.Exact.Upper
			if upper > top {
				cut = append(cut, plotter.XY{X: x, Y: top})
			}
			c.line("", plotter.XYs{{X: x, Y: min(lower, top)}, {X: x, Y: min(upper, top)}}, t.line)
			shown++
			switch p := (plotter.XY{X: x, Y: m.PerThousand.Value}); {
			case p.Y > top: // the arrow stands for it too
			case m.Partial:
				parts = append(parts, p)
			default:
				points = append(points, p)
			}
		}
		c.marks(t.name, points, t.mark)
		c.marks(map[bool]string{true: "a part of the month"}[t.technique == surveil.ConstantSite], parts, t.open)
	}
	c.marks("limit beyond the axis", cut, arrowMark)
	if c.err != nil || shown == 0 {
		return "", c.err
	}
	c.Y.Max = top * 1.3 // room for the legend
	return render(c.Plot,
		fmt.Sprintf("Access-related bloodstream infections per 1,000 access-days by month from %s to %s, with exact 95 %% limits, %d of "+
			"which lie beyond the axis; the table below it and the CSV file have the figures.", list[0].Month,
			list[len(list)-1].Month, len(cut)))
}

// monthlyTop returns the top of the axis: at least the highest rate of a whole month with some
// room above it, and twice the median of their upper limits. The upper limit of a few days would
// flatten all others.
func monthlyTop(list []MonthlyRate) float64 {
	pick := func(partial bool) (uppers []float64, greatest float64) {
		for _, m := range list {
			if m.PerThousand != nil && m.PerThousand.Exact.Upper != nil && (partial || !m.Partial) {
				uppers, greatest = append(uppers, *m.PerThousand.Exact.Upper), max(greatest, m.PerThousand.Value)
			}
		}
		slices.Sort(uppers)
		return uppers, greatest
	}
	uppers, greatest := pick(false)
	if len(uppers) == 0 {
		uppers, greatest = pick(true)
	}
	if len(uppers) == 0 {
		return 1
	}
	return min(uppers[len(uppers)-1], max(1.2*greatest, 2*uppers[len(uppers)/2]))
}

// drawBetween draws the days between events by the date of the later event.
func drawBetween(b *Between) (template.HTML, error) {
	c := &canvas{Plot: newPlot("days since the event before")}
	c.X.Tick.Marker = monthTicks{}
	var gaps, lower, centre, upper plotter.XYs
	top := float64(*b.Since)
	for _, g := range b.Gaps {
		x := c.at(g.Day)
		gaps = append(gaps, plotter.XY{X: x, Y: float64(g.Days)})
		top = max(top, float64(g.Days))
		if g.Limits != nil {
			lower = append(lower, plotter.XY{X: x, Y: g.Limits.Lower})
			centre = append(centre, plotter.XY{X: x, Y: g.Limits.Centre})
			upper = append(upper, plotter.XY{X: x, Y: g.Limits.Upper})
		}
	}
	now := plotter.XYs{{X: c.at(b.Last) + float64(*b.Since), Y: float64(*b.Since)}}
	if b.Limits != nil {
		lower = append(lower, plotter.XY{X: now[0].X, Y: b.Limits.Lower})
		centre = append(centre, plotter.XY{X: now[0].X, Y: b.Limits.Centre})
		upper = append(upper, plotter.XY{X: now[0].X, Y: b.Limits.Upper})
	}
	c.line("upper limit", within(upper, top*1.3), thresholdLine)
	c.line("half of the gaps are shorter", centre, otherLine)
	c.line("lower limit", lower, thresholdLine)
	c.line("", gaps, mainLine)
	c.marks("event", gaps, eventMark)
	c.marks("days since the last event", now, openMark)
	c.Y.Max, c.X.Max = top*1.5, c.X.Max+10
	if c.err != nil {
		return "", c.err
	}
	return render(c.Plot, fmt.Sprintf("Days between events of %s, %s: %d gaps up to %s, and %d days since then. %s", className(b.Class),
		groupName(b.Group), len(b.Gaps), b.Last, *b.Since, b.Says))
}

// within drops an upper limit that lies far above everything else, because it would flatten the
// rest.
func within(points plotter.XYs, top float64) plotter.XYs {
	var out plotter.XYs
	for _, p := range points {
		if p.Y <= top {
			out = append(out, p)
		}
	}
	return out
}

var (
	mainLine      = stroke{accent, 1.2, nil}
	otherLine     = stroke{faint, 1.2, dotted}
	thresholdLine = stroke{alarm, 1, dashed}
	restartLine   = stroke{ink, 0.8, dotted}
	eventMark     = glyph{accent, draw.CircleGlyph{}, 2.6}
	partMark      = glyph{accent, draw.RingGlyph{}, 2.6}
	squareMark    = glyph{ink, draw.BoxGlyph{}, 2.4}
	openMark      = glyph{ink, draw.SquareGlyph{}, 2.8}
	arrowMark     = glyph{ink, draw.TriangleGlyph{}, 3.2}
	signalMark    = glyph{alarm, draw.RingGlyph{}, 6}
)
