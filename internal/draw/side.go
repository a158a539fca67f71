package draw

import (
	"fmt"
	"html/template"
	"math"
	"strings"
)

// Side is a track and the vessel below it, seen from the side, as recorded.
type Side struct {
	ID        string
	Track     string
	Tip       string   // "sharp", "blunt", or "none" for no needle
	Angle     *float64 // degrees to the skin
	Depth     *float64 // of the vessel below the skin, millimetres
	Direction string   // "antegrade", "retrograde", or empty
	Bevel     string   // "up", "down", or empty
}

// The drawing's measures.
const (
	sideWidth  = 270.0
	skinY      = 70.0
	entryX     = 98.0 // of a needle with the flow
	vesselHigh = 24.0 // a symbol: the vessel's width is not recorded
	unknownGap = 40.0 // between skin and vessel, where the depth is not recorded
)

// SVG returns the drawing. Both axes have one scale, so that the drawn angle is the recorded one.
func (s Side) SVG() template.HTML {
	d := &svg{}
	gap := s.gap()
	bottom := skinY + max(gap, unknownGap) + vesselHigh + 8
	lines := wrap(s.caption(), smallSize, sideWidth-14)
	d.open(ident(s.ID), "d-side", sideWidth, bottom+float64(len(lines))*lineHeight+6, s.Title(), s.Sentence())
	mirror := s.Direction == "retrograde"
	x := func(v float64) float64 {
		if mirror {
			return sideWidth - v
		}
		return v
	}
	dash := ""
	if s.Depth == nil {
		dash = ` stroke-dasharray="6 5"`
	}
	d.put(`<rect class="d-flesh" x="0" y="%s" width="%s" height="%s" fill="none"/>`, px(skinY), px(sideWidth), px(bottom-skinY))
	d.put(`<rect class="d-lumen" x="4" y="%s" width="%s" height="%s" rx="4" fill="none" stroke="currentColor" stroke-width="1.5"%s/>`,
		px(skinY+gap), px(sideWidth-8), px(vesselHigh), dash)
	d.line("d-skinline", 0, skinY, sideWidth, skinY, 3, "")
	if s.Direction != "" { // the flow is drawn to the right
		for at := 20.0; at < sideWidth-20; at += 34 {
			d.put(`<path class="d-flow" d="M%s %s l6 5 l-6 5" fill="none" stroke="currentColor" stroke-width="1.5"/>`, px(at),
				px(skinY+gap+vesselHigh/2-5))
		}
	}
	if s.Angle != nil && s.Tip != "none" {
		s.needle(d, gap, mirror)
	}
	side, measure := "end", "start"
	if mirror {
		side, measure = "start", "end"
	}
	d.text("d-ink", side, x(sideWidth-6), 18, smallSize, true, shorten(s.Track, 9)+" from the side")
	if s.Depth != nil {
		at, word := x(sideWidth-70), number(*s.Depth)+" mm"
		d.line("d-measure d-depth", at, skinY, at, skinY+gap, 2, "")
		d.line("d-measure", at-5, skinY+gap, at+5, skinY+gap, 2, "")
		d.line("d-measure", at-5, skinY, at+5, skinY, 2, "")
		d.text("d-measure", measure, x(sideWidth-62), skinY+max(gap/2+5, 16), smallSize, true, word)
	}
	y := bottom
	for _, t := range lines {
		y += lineHeight
		d.text("d-ink", "start", 6, y, smallSize, false, t)
	}
	d.put("</svg>")
	return template.HTML(d.b.String())
}

// gap returns the pixels between skin and vessel: to scale with the needle's way to it.
func (s *Side) gap() float64 {
	if s.Depth == nil || *s.Depth <= 0 {
		return unknownGap
	}
	scale := min(10, 50 / *s.Depth)
	if s.Angle != nil {
		if run := *s.Depth / math.Tan(radians(*s.Angle)); run > 0 {
			scale = min(scale, 84/run)
		}
	}
	return *s.Depth * scale
}

func radians(degrees float64) float64 { return degrees * math.Pi / 180 }

// needle draws the needle from above the skin to the vessel, its angle and its bevel.
func (s *Side) needle(d *svg, gap float64, mirror bool) {
	a := radians(*s.Angle)
	dx, dy := math.Cos(a), math.Sin(a)
	way := 1.0
	entry := entryX
	if mirror {
		way, entry = -1, sideWidth-entryX
	}
	out := min(88, (skinY-26)/math.Max(dy, 1e-6)) // the part that is outside
	in := gap / math.Max(dy, 1e-6)
	if s.Depth == nil {
		in = 0 // how far it goes is not known
	}
	in = min(in, 100/math.Max(dx, 1e-6))
	d.line("d-needle", entry-way*out*dx, skinY-out*dy, entry+way*in*dx, skinY+in*dy, 6, "")
	if s.Depth == nil {
		more := min(unknownGap/math.Max(dy, 1e-6), 84/math.Max(dx, 1e-6))
		d.line("d-undirected", entry, skinY, entry+way*more*dx, skinY+more*dy, 3, ` stroke-dasharray="5 5"`)
	} else if s.Bevel != "" && s.Tip == "sharp" {
		// The bevel is a small wedge at the tip, open upwards or downwards.
		up := -1.0
		if s.Bevel == "down" {
			up = 1
		}
		tx, ty := entry+way*in*dx, skinY+in*dy
		d.put(`<path class="d-bevel" d="M%s %s L%s %s L%s %s Z" fill="currentColor"/>`, px(tx+way*9*dx), px(ty+9*dy),
			px(tx+way*3*dy*up), px(ty-3*dx*up), px(tx-way*3*dy*up), px(ty+3*dx*up))
	}
	const r = 42.0
	sweep := 1
	if mirror {
		sweep = 0
	}
	d.put(`<path class="d-measure d-angle" d="M%s %s A%s %s 0 0 %d %s %s" fill="none" stroke="currentColor" stroke-width="2"/>`,
		px(entry-way*r), px(skinY), px(r), px(r), sweep, px(entry-way*r*dx), px(skinY-r*dy))
	d.text("d-measure", "middle", entry-way*r, skinY+20, labelSize, true, number(*s.Angle)+"°")
}

// caption says in words what the drawing shows, and what is not recorded.
func (s *Side) caption() string {
	var known, missing []string
	part := func(ok bool, text, name string) {
		if ok {
			known = append(known, text)
		} else {
			missing = append(missing, name)
		}
	}
	if s.Tip == "none" {
		known = append(known, "no needle now")
	} else {
		known = append(known, s.Tip)
	}
	part(s.Bevel != "", "bevel "+s.Bevel, "bevel")
	part(s.Direction != "", way(s.Direction), "direction")
	part(s.Angle != nil, "", "angle")
	part(s.Depth != nil, "", "depth")
	text := strings.Join(compact(known), ", ")
	if len(missing) > 0 {
		text += ". Not recorded: " + join(missing)
	}
	return capital(strings.TrimPrefix(text, ", "))
}

func compact(list []string) []string {
	var out []string
	for _, s := range list {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}

// Title names the drawing.
func (s Side) Title() string { return "Track " + s.Track + " from the side" }

// Sentence says the same as the drawing.
func (s Side) Sentence() string {
	out := []string{s.Title() + "."}
	if s.Angle != nil {
		out = append(out, fmt.Sprintf("Angle to the skin %s°.", number(*s.Angle)))
	}
	if s.Depth != nil {
		out = append(out, fmt.Sprintf("The vessel lies %s mm below the skin.", number(*s.Depth)))
	}
	return strings.Join(append(out, s.caption()+"."), " ")
}
