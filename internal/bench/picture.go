package main

import (
	"fmt"
	"math"
	"os"
	"strings"

	"golang.org/x/text/language"
	"golang.org/x/text/message"
)

// point is what was measured at one size of the view.
type point struct {
	events             int
	median, most, bare float64 // of a page, in milliseconds: the facade's median and 99th percentile, the bare handler's median
	bytes              float64 // of the view's file, an event
}

// drawGrowth writes a picture of how a page's time and the file's size grow with the events.
func drawGrowth(path string, points []point) error {
	if len(points) < 2 {
		return fmt.Errorf("a picture of growth needs two sizes, there is %d: take fewer months or a larger -grow", len(points))
	}
	return os.WriteFile(path, []byte(growth(points)), 0o644)
}

const (
	pictureWide, pictureHigh = 820, 370
	chartLeft, chartRight    = 80, 560
	chartTop, chartBottom    = 50, 280
)

// growth draws the points: events on a logarithmic scale, milliseconds on a linear one from zero.
func growth(points []point) string {
	top := 0.0
	for _, p := range points {
		top = max(top, p.median, p.most, p.bare)
	}
	step := math.Pow(10, math.Floor(math.Log10(top)))
	if top/step < 3 {
		step /= 2
	}
	top = math.Ceil(top/step) * step
	first, last := math.Log10(float64(points[0].events)), math.Log10(float64(points[len(points)-1].events))
	x := func(p point) float64 {
		return chartLeft + (math.Log10(float64(p.events))-first)/(last-first)*(chartRight-chartLeft)
	}
	y := func(ms float64) float64 { return chartBottom - ms/top*(chartBottom-chartTop) }
	var b strings.Builder
	text := func(x, y float64, anchor, style, s string) {
		fmt.Fprintf(&b, `<text x="%.0f" y="%.0f" text-anchor="%s" %s>%s</text>`+"\n", x, y, anchor, style, s)
	}
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" font-family="sans-serif" font-size="13" role="img">`+"\n",
		pictureWide, pictureHigh)
	fmt.Fprintf(&b, "<title>A FHIR page of 50 Observations, by how many events the view holds</title>\n")
	fmt.Fprintf(&b, `<rect width="%d" height="%d" fill="#fff"/>`+"\n", pictureWide, pictureHigh)
	text(chartLeft, 24, "start", `font-size="15" fill="#222"`, "Time of a FHIR page of 50 Observations, in milliseconds")
	for ms := 0.0; ms <= top+step/2; ms += step {
		fmt.Fprintf(&b, `<line x1="%d" x2="%d" y1="%.1f" y2="%.1f" stroke="#ddd"/>`+"\n", chartLeft, chartRight, y(ms), y(ms))
		text(chartLeft-8, y(ms)+4, "end", `fill="#555"`, number(digits(ms)))
	}
	for _, p := range points {
		text(x(p), chartBottom+20, "middle", `fill="#222"`, message.NewPrinter(language.English).Sprint(p.events))
		text(x(p), chartBottom+38, "middle", `fill="#555"`, fmt.Sprintf("%.1f kB an event", p.bytes/1000))
	}
	text((chartLeft+chartRight)/2, chartBottom+70, "middle", `fill="#222"`,
		"events, and how large the view's file is (the larger ones are copies, without the events themselves)")
	lines := []struct {
		name, stroke, dash string
		of                 func(point) float64
	}{
		{"the facade, 99 of 100 within", "#a04000", "6 4", func(p point) float64 { return p.most }},
		{"the facade, median", "#a04000", "", func(p point) float64 { return p.median }},
		{"a bare handler, median", "#1f5f8b", "", func(p point) float64 { return p.bare }},
	}
	label := 0.0
	for _, l := range lines {
		var path []string
		for _, p := range points {
			path = append(path, fmt.Sprintf("%.1f,%.1f", x(p), y(l.of(p))))
			fmt.Fprintf(&b, `<circle cx="%.1f" cy="%.1f" r="3.5" fill="%s"/>`+"\n", x(p), y(l.of(p)), l.stroke)
		}
		fmt.Fprintf(&b, `<polyline points="%s" fill="none" stroke="%s" stroke-width="2" stroke-dasharray="%s"/>`+"\n",
			strings.Join(path, " "), l.stroke, l.dash)
		label = max(label+18, y(l.of(points[len(points)-1]))+4) // one below the other
		text(chartRight+12, label, "start", fmt.Sprintf(`fill="%s"`, l.stroke), l.name)
	}
	b.WriteString("</svg>\n")
	return b.String()
}
