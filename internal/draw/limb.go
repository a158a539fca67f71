package draw

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
)

// Limb is an access with its tracks, as recorded. Figures are millimetres along the vessel from the
// anastomosis.
type Limb struct {
	ID     string // makes the ids of this drawing differ from those of another on the page
	Access string // its name
	Kind   string // in words, empty if it is not recorded
	Side   string // "left", "right", or empty if it is not recorded
	Region string // "forearm", "upper arm", "thigh" and so on; empty if it is not recorded
	Sites  []Site
	// Tips is the measured distance of the needle tips of the two tracks in use, nil if it is not
	// recorded. TwoInUse reports that there are two.
	Tips     *float64
	TwoInUse bool
	// KeepAway is the protocol's distance from the anastomosis; 0 for none.
	KeepAway float64
	// NoNeedle says why the whole access may not be needled, empty if it may.
	NoNeedle string
	// Unplaced are findings of the access. Where they lie along the vessel is not recorded.
	Unplaced []string
}

// Site is where a track begins at the skin.
type Site struct {
	Track     string   // its name
	Role      string   // "arterial", "venous", or empty
	At        *float64 // nil if it is not recorded
	Direction string   // "antegrade", "retrograde", or empty if it is not recorded
	Retired   bool
	NoNeedle  string // why the track may not be needled, empty if it may
}

// The drawing's measures.
const (
	limbWidth  = 420.0
	handRoom   = 54.0 // between the drawing's edge and the anastomosis
	bodyRoom   = 22.0 // between the vessel's end and the drawing's edge
	halfLimb   = 52.0
	labelSize  = 15.0
	smallSize  = 13.5
	lineHeight = 17.0
	laneGap    = 7.0
)

// label is what stands above a site.
type label struct {
	site  *Site
	x     float64
	lines []string
	width float64
	lane  int
}

// limb is a drawing under way.
type limb struct {
	svg
	Limb
	mirror  bool
	scale   float64 // pixels a millimetre
	length  float64 // of the vessel that is drawn, millimetres
	vesselY float64
	labels  []label
	lanes   []float64 // height of each lane
}

// SVG returns the drawing.
func (l Limb) SVG() template.HTML {
	d := &limb{Limb: l, mirror: l.Side == "right"}
	d.measure()
	top := 8.0
	for _, h := range d.lanes {
		top += h + laneGap
	}
	d.vesselY = top + halfLimb + 6
	notes := d.notes()
	rows, below := d.rows(d.vesselY + halfLimb + 8)
	height := below + 22
	var lines []string
	for _, n := range notes {
		lines = append(lines, wrap(n, smallSize, limbWidth-34)...)
	}
	height += float64(len(lines)) * lineHeight
	d.open(ident(l.ID), "d-limb", limbWidth, height+4, l.Title(), l.Sentence())
	d.outline()
	d.vessel()
	d.keepAway()
	for i := range d.labels {
		d.site(&d.labels[i])
	}
	for _, r := range rows {
		r.draw(d)
	}
	d.ends(below + 14)
	y := below + 22
	for _, n := range notes {
		d.put(`<circle class="d-missing" cx="13" cy="%s" r="5" fill="none" stroke="currentColor" stroke-width="2" stroke-dasharray="3 3"/>`,
			px(y+lineHeight-5))
		for _, t := range wrap(n, smallSize, limbWidth-34) {
			y += lineHeight
			d.text("d-ink", "start", 26, y, smallSize, false, t)
		}
	}
	d.put("</svg>")
	return template.HTML(d.b.String())
}

// at returns the place of a distance along the vessel.
func (d *limb) at(millimetres float64) float64 {
	x := handRoom + millimetres*d.scale
	if d.mirror {
		return limbWidth - x
	}
	return x
}

// way returns the direction of the flow along the drawing: 1 to the right, -1 to the left.
func (d *limb) way() float64 {
	if d.mirror {
		return -1
	}
	return 1
}

// measure chooses the scale and gives each site its label. Labels run with the flow, and the nearer
// to the anastomosis the higher, so that no label and no leader crosses another.
func (d *limb) measure() {
	furthest, widest := d.KeepAway, 0.0
	for i := range d.Sites {
		s := &d.Sites[i]
		if s.At == nil {
			continue
		}
		furthest = max(furthest, *s.At)
		at := label{site: s, lines: []string{strings.TrimSpace(shorten(s.Track, 9) + " " + s.Role), number(*s.At) + " mm"}}
		switch {
		case s.Retired:
			at.lines[1] += ", retired"
		case s.NoNeedle != "" || d.NoNeedle != "":
			at.lines = append(at.lines, "no needle")
		}
		for i, t := range at.lines {
			at.width = max(at.width, widthOf(t, labelSize, i == 0))
		}
		at.width += 6
		widest = max(widest, at.width)
		d.labels = append(d.labels, at)
	}
	room := limbWidth - handRoom - bodyRoom
	// Behind the last site there is room for its label.
	d.length = max(150, furthest+30, furthest/(1-min(0.6, max(0, (widest-bodyRoom)/room))))
	d.scale = room / d.length
	slices.SortStableFunc(d.labels, func(a, b label) int { return cmp.Compare(*a.site.At, *b.site.At) })
	for i := len(d.labels) - 1; i >= 0; i-- {
		a := &d.labels[i]
		a.x = d.at(*a.site.At)
		for k := i + 1; k < len(d.labels); k++ {
			if b := &d.labels[k]; math.Abs(b.x-a.x) < a.width+14 {
				a.lane = max(a.lane, b.lane+1)
			}
		}
		for len(d.lanes) <= a.lane {
			d.lanes = append(d.lanes, 0)
		}
		d.lanes[a.lane] = max(d.lanes[a.lane], float64(len(a.lines))*lineHeight)
	}
}

// laneBottom returns the lower edge of a lane.
func (d *limb) laneBottom(lane int) float64 {
	y := d.vesselY - halfLimb - 6
	for i := range lane {
		y -= d.lanes[i] + laneGap
	}
	return y
}

// joints names the limb's far and near end, empty where the region has none that is known.
func (l *Limb) joints() (far, near string) {
	switch l.Region {
	case "wrist", "forearm":
		return "wrist", "elbow"
	case "elbow", "upper arm":
		return "elbow", "shoulder"
	case "thigh":
		return "knee", "groin"
	}
	return "", ""
}

// outline draws the limb as a symbol: the shape is not this patient's.
func (d *limb) outline() {
	dash := ""
	far, near := d.joints()
	if d.Side == "" || far == "" {
		dash = ` stroke-dasharray="7 6"`
	}
	x := func(v float64) string {
		if d.mirror {
			v = limbWidth - v
		}
		return px(v)
	}
	y := func(v float64) string { return px(d.vesselY + v) }
	var p strings.Builder
	w := limbWidth - 6
	a := halfLimb * 0.66
	switch far {
	case "":
		fmt.Fprintf(&p, "M%s %s H%s V%s H%s Z", x(6), y(-halfLimb), x(w), y(halfLimb), x(6))
	case "wrist": // the hand's edge, the wrist, the forearm
		fmt.Fprintf(&p, "M%s %s C%s %s %s %s %s %s C%s %s %s %s %s %s L%s %s C%s %s %s %s %s %s C%s %s %s %s %s %s Z",
			x(6), y(-a-6), x(20), y(-a-10), x(28), y(-a+4), x(40), y(-a+4), x(140), y(-a-2), x(260), y(-halfLimb), x(w),
			y(-halfLimb),
			x(w), y(halfLimb), x(260), y(halfLimb), x(140), y(a+2), x(40), y(a-4), x(28), y(a-4), x(20), y(a+14), x(6), y(a+14))
	default: // the upper arm or the thigh, narrower at its far end
		fmt.Fprintf(&p, "M%s %s C%s %s %s %s %s %s L%s %s C%s %s %s %s %s %s Z",
			x(6), y(-a-4), x(120), y(-a-8), x(260), y(-halfLimb), x(w), y(-halfLimb), x(w), y(halfLimb), x(260), y(halfLimb),
			x(120), y(a+8), x(6), y(a+4))
	}
	d.put(`<path class="d-skin" d="%s" fill="none" stroke="currentColor" stroke-width="2"%s/>`, p.String(), dash)
	if far != "" && near != "" {
		d.put(`<path class="d-crease" d="M%s %s Q%s %s %s %s" fill="none" stroke="currentColor" stroke-width="1.5"/>`,
			x(30), y(-a+6), x(36), y(0), x(30), y(a-8))
	}
}

// vessel draws the vessel from the anastomosis, with the direction of the flow.
func (d *limb) vessel() {
	from, to := d.at(0), d.at(d.length)
	d.line("d-vessel", from, d.vesselY, to, d.vesselY, 20, ` stroke-linecap="round" stroke-opacity="0.35"`)
	w := d.way()
	for x := from + w*26; w*(to-x) > 10; x += w * 30 {
		d.put(`<path class="d-flow" d="M%s %s l%s 5 l%s 5" fill="none" stroke="currentColor" stroke-width="1.5"/>`, px(x), px(d.vesselY-5),
			px(w*6), px(-w*6))
	}
	d.put(`<circle class="d-anastomosis" cx="%s" cy="%s" r="9" stroke="currentColor" fill="none" stroke-width="4"/>`, px(from),
		px(d.vesselY))
}

// keepAway hatches the stretch near the anastomosis.
func (d *limb) keepAway() {
	if d.KeepAway <= 0 {
		return
	}
	from, to := d.at(0), d.at(d.KeepAway)
	for x := min(from, to) + 4; x < max(from, to)-3; x += 9 {
		d.line("d-hatch", x, d.vesselY+30, x+5, d.vesselY+16, 2, "")
	}
}

// site draws a site, its needle and its label.
func (d *limb) site(a *label) {
	s, w := a.site, d.way()
	y, bottom := d.vesselY, d.laneBottom(a.lane)
	class, dash := "d-ink", ""
	if s.Retired {
		class, dash = "d-old", ` stroke-dasharray="3 3"`
	}
	top := bottom - float64(len(a.lines))*lineHeight
	d.line("d-leader "+class, a.x, y-9, a.x, top+4, 1, dash)
	anchor, x := "start", a.x+5
	if d.mirror {
		anchor, x = "end", a.x-5
	}
	for i, t := range a.lines {
		kind := class
		if t == "no needle" {
			kind = "d-stop"
		}
		d.text(kind, anchor, x, top+float64(i+1)*lineHeight-4, labelSize, i == 0 && !s.Retired, t)
	}
	d.put(`<g class="d-site %s">`, class)
	switch {
	case s.Retired:
		d.put(`<circle cx="%s" cy="%s" r="8" fill="none" stroke="currentColor" stroke-width="2" stroke-dasharray="3 3"/>`, px(a.x), px(y))
	case s.NoNeedle != "" || d.NoNeedle != "":
		d.put(`<circle cx="%s" cy="%s" r="13" fill="none" class="d-stop" stroke="currentColor" stroke-width="3"/>`, px(a.x), px(y))
		d.line("d-stop", a.x-7, y-7, a.x+7, y+7, 3.5, "")
		d.line("d-stop", a.x-7, y+7, a.x+7, y-7, 3.5, "")
	default:
		from := 0.0 // where the needle comes from
		switch s.Direction {
		case "antegrade":
			from = -w
		case "retrograde":
			from = w
		}
		if from == 0 {
			d.line("d-undirected", a.x, y-36, a.x, y-12, 4, ` stroke-dasharray="4 4"`)
		} else {
			d.line("d-needle", a.x+from*44, y-32, a.x+from*10, y-7, 4, "")
			d.put(`<path class="d-point" d="M%s %s L%s %s L%s %s Z" fill="currentColor"/>`, px(a.x+from*4), px(y-3),
				px(a.x+from*16), px(y-4.5), px(a.x+from*9.5), px(y-13.5))
		}
		d.put(`<circle cx="%s" cy="%s" r="7" stroke="currentColor" fill="none" class="d-hole" stroke-width="4"/>`, px(a.x), px(y))
	}
	d.put("</g>")
}

// row is a stretch below the limb with what it means.
type row struct {
	class    string
	from, to float64 // of the stretch, pixels; the same for a mere mark
	y        float64
	anchor   string
	x        float64
	text     string
	dashed   bool
}

func (r *row) draw(d *limb) {
	dash := ""
	if r.dashed {
		dash = ` stroke-dasharray="6 5"`
	}
	if r.from == r.to {
		d.line(r.class, r.from, d.vesselY+11, r.from, r.y+6, 1.5, dash)
	} else {
		d.line(r.class+" d-bar", r.from, r.y+4, r.to, r.y+4, 3, dash)
		for _, x := range []float64{r.from, r.to} {
			d.line(r.class, x, r.y-1, x, r.y+9, 2, "")
		}
	}
	d.text(r.class, r.anchor, r.x, r.y+22, smallSize, true, r.text)
}

// rows places the stretches below the limb, each where it overlaps no other, and returns the lower
// edge.
func (d *limb) rows(top float64) (rows []row, bottom float64) {
	anchor := "start"
	if d.mirror {
		anchor = "end"
	}
	edge := d.at(0) - d.way()*9
	rows = append(rows, row{class: "d-blood", from: d.at(0), to: d.at(0), anchor: anchor, x: edge, text: "anastomosis"})
	if t, ok := d.tips(); ok {
		rows = append(rows, t)
	}
	if d.KeepAway > 0 {
		rows = append(rows, row{class: "d-keep", from: d.at(0), to: d.at(d.KeepAway), anchor: anchor, x: edge,
			text: "keep away: " + number(d.KeepAway) + " mm"})
	}
	type span struct{ from, to, y float64 }
	var taken []span
	bottom = top
	for i := range rows {
		r := &rows[i]
		w := widthOf(r.text, smallSize, true)
		at := span{from: min(r.from, r.to), to: max(r.from, r.to), y: top}
		switch r.anchor {
		case "start":
			at.from, at.to = min(at.from, r.x), max(at.to, r.x+w)
		case "end":
			at.from, at.to = min(at.from, r.x-w), max(at.to, r.x)
		default:
			r.x = min(max(r.x, w/2+4), limbWidth-w/2-4)
			at.from, at.to = min(at.from, r.x-w/2), max(at.to, r.x+w/2)
		}
		for slices.ContainsFunc(taken, func(o span) bool { return o.y == at.y && at.from < o.to+8 && o.from < at.to+8 }) {
			at.y += 30
		}
		r.y = at.y
		taken = append(taken, at)
		bottom = max(bottom, at.y+28)
	}
	return rows, bottom
}

// tips is the stretch between the needle tips. It has the measured length and lies midway between
// the two sites; where the tips lie is not recorded.
func (d *limb) tips() (row, bool) {
	var used []*Site
	for i := range d.Sites {
		if s := &d.Sites[i]; !s.Retired && s.At != nil {
			used = append(used, s)
		}
	}
	if !d.TwoInUse || len(used) != 2 || used[0].Role == used[1].Role {
		return row{}, false
	}
	a, b := *used[0].At, *used[1].At
	r := row{class: "d-measure", anchor: "middle", x: d.at((a + b) / 2)}
	if d.Tips == nil {
		r.from, r.to, r.dashed, r.text = d.at(a), d.at(b), true, "tip distance not recorded"
		if a == b {
			return row{}, false
		}
		return r, true
	}
	half := *d.Tips / 2
	from := min(max((a+b)/2-half, -handRoom/d.scale+2), d.length)
	r.from, r.to, r.text = d.at(from), d.at(from+2*half), "tips "+number(*d.Tips)+" mm apart"
	r.x = d.at((a + b) / 2)
	if half == 0 || r.to < 4 || r.to > limbWidth-4 || r.from < 4 || r.from > limbWidth-4 {
		return row{}, false
	}
	return r, true
}

// ends names the joints, the flow and the scale in one line.
func (d *limb) ends(y float64) {
	far, near := d.joints()
	far, near = cmp.Or(far, "far end"), cmp.Or(near, "towards the body")
	left, right := far, near
	if d.mirror {
		left, right = near, far
	}
	d.text("d-soft", "start", 6, y, smallSize, false, left)
	d.text("d-soft", "end", limbWidth-6, y, smallSize, false, right)
	room := limbWidth - 12 - widthOf(left, smallSize, false) - widthOf(right, smallSize, false) - 24
	middle := 6 + widthOf(left, smallSize, false) + 12 + room/2
	for _, mm := range []float64{100, 50, 20, 10} {
		text := number(mm) + " mm"
		w := widthOf(text, smallSize, false)
		if bar := mm * d.scale; bar+w+6 <= room && bar <= 130 {
			x := middle - (bar+w+6)/2
			d.line("d-scale", x, y-4, x+bar, y-4, 3, "")
			d.line("d-soft", x, y-9, x, y+1, 1.5, "")
			d.line("d-soft", x+bar, y-9, x+bar, y+1, 1.5, "")
			d.text("d-soft", "start", x+bar+6, y, smallSize, false, text)
			return
		}
	}
}

// notes are what the drawing cannot show, each as a line.
func (d *limb) notes() []string {
	var out []string
	if d.NoNeedle != "" {
		out = append(out, "No needle in this access: "+d.NoNeedle)
	}
	if d.Side == "" {
		out = append(out, "Side not recorded: it may be the mirror image")
	}
	if far, _ := d.joints(); far == "" {
		out = append(out, cmp.Or(capitalOf(d.Region, ": drawn without a joint"), "Place on the body not recorded"))
	}
	for i := range d.Sites {
		s := &d.Sites[i]
		name := strings.TrimSpace(shorten(s.Track, 20) + " " + s.Role)
		switch {
		case s.At == nil && s.Retired:
			out = append(out, name+", retired: site not recorded")
		case s.At == nil:
			out = append(out, name+": site not recorded")
		case s.Direction == "" && !s.Retired && s.NoNeedle == "" && d.NoNeedle == "":
			out = append(out, name+": direction not recorded")
		}
	}
	if d.TwoInUse && d.Tips != nil {
		if _, drawn := d.tips(); !drawn {
			out = append(out, "Tips "+number(*d.Tips)+" mm apart, as measured")
		}
	}
	if d.TwoInUse && d.Tips == nil {
		if _, drawn := d.tips(); !drawn {
			out = append(out, "Distance of the tips not recorded")
		}
	}
	return append(out, d.Unplaced...)
}

func capitalOf(s, more string) string {
	if s == "" {
		return ""
	}
	return capital(s) + more
}

// Title names the drawing.
func (l Limb) Title() string {
	where := strings.TrimSpace(l.Side + " " + l.Region)
	switch {
	case l.Side == "" && l.Region == "":
		where = "side and place not recorded"
	case l.Side == "":
		where = l.Region + ", side not recorded"
	case l.Region == "":
		where = l.Side + " side, place not recorded"
	}
	return capital(where) + ": " + cmp.Or(l.Kind, "kind of access not recorded") + " " + l.Access
}

// Sentence says the same as the drawing.
func (l Limb) Sentence() string {
	out := []string{l.Title() + "."}
	say := func(format string, a ...any) { out = append(out, capital(fmt.Sprintf(format, a...))) }
	if far, near := l.joints(); far != "" {
		say("blood flows from the anastomosis towards the %s; the %s is at the other end.", near, far)
	} else {
		say("blood flows away from the anastomosis.")
	}
	if l.NoNeedle != "" {
		say("no needle in this access: %s.", strings.TrimSuffix(l.NoNeedle, "."))
	}
	for i := range l.Sites {
		s := &l.Sites[i]
		parts := []string{strings.TrimSpace("track " + s.Track + " " + s.Role)}
		if s.Retired {
			parts = append(parts, "retired")
		}
		if s.At == nil {
			parts = append(parts, "site not recorded")
		} else {
			parts = append(parts, number(*s.At)+" mm from the anastomosis")
		}
		switch {
		case s.Retired:
		case s.NoNeedle != "":
			parts = append(parts, "no needle: "+strings.TrimSuffix(s.NoNeedle, "."))
		case l.NoNeedle != "":
			parts = append(parts, "no needle")
		default:
			parts = append(parts, way(s.Direction))
		}
		say("%s.", strings.Join(parts, ", "))
	}
	if l.TwoInUse {
		if l.Tips == nil {
			say("the distance of the needle tips is not recorded.")
		} else {
			say("the needle tips are %s mm apart, as measured.", number(*l.Tips))
		}
	}
	if l.KeepAway > 0 {
		say("keep %s mm away from the anastomosis.", number(l.KeepAway))
	}
	for _, f := range l.Unplaced {
		say("%s.", strings.TrimSuffix(f, "."))
	}
	return strings.Join(out, " ")
}

// way says where a needle points.
func way(direction string) string {
	switch direction {
	case "antegrade":
		return "needle with the flow"
	case "retrograde":
		return "needle against the flow"
	case "":
		return "direction not recorded"
	}
	return direction
}
