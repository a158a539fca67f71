package draw_test

import (
	"cmp"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"html"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"cannulary/internal/draw"
)

// look writes the constructed drawings into a folder, to be looked at.
var look = flag.String("look", "", "folder for the constructed drawings, to be compared with their record by eye")

func mm(v float64) *float64 { return &v }

// six are the constructed patients whose drawings were compared with their record by eye.
func six() map[string]draw.Limb {
	return map[string]draw.Limb{
		"1 left forearm": {ID: "1", Access: "F1", Kind: "native fistula", Side: "left", Region: "forearm", KeepAway: 38, Tips: mm(68),
			TwoInUse: true, Sites: []draw.Site{{Track: "A1", Role: "arterial", At: mm(59), Direction: "antegrade"},
				{Track: "V1", Role: "venous", At: mm(131), Direction: "antegrade"}, {Track: "A0", Role: "arterial", At: mm(95), Retired: true}}},
		"2 right upper arm, arterial against the flow": {ID: "2", Access: "F1", Kind: "native fistula", Side: "right", Region: "upper arm",
			KeepAway: 50, Tips: mm(80), TwoInUse: true, Sites: []draw.Site{{Track: "A1", Role: "arterial", At: mm(62), Direction: "retrograde"},
				{Track: "V1", Role: "venous", At: mm(118), Direction: "antegrade"}}},
		"3 the venous track is held": {ID: "3", Access: "F1", Kind: "native fistula", Side: "left", Region: "forearm", KeepAway: 38,
			Tips: mm(60), TwoInUse: true, Sites: []draw.Site{{Track: "A1", Role: "arterial", At: mm(48), Direction: "antegrade"},
				{Track: "V1", Role: "venous", At: mm(112), Direction: "antegrade", NoNeedle: "redness at the site"}}},
		"4 hardly anything recorded": {ID: "4", Access: "F1", Sites: []draw.Site{{Track: "A1", Role: "arterial", At: mm(70)},
			{Track: "V1", Role: "venous"}}, TwoInUse: true},
		"5 thigh, a crowd of retired tracks": {ID: "5", Access: "F2", Kind: "native fistula", Side: "right", Region: "thigh", KeepAway: 38,
			Tips: mm(55), TwoInUse: true, Sites: []draw.Site{{Track: "A3", Role: "arterial", At: mm(92), Direction: "antegrade"},
				{Track: "V2", Role: "venous", At: mm(101), Direction: "retrograde"}, {Track: "A1", Role: "arterial", At: mm(90), Retired: true},
				{Track: "A2", Role: "arterial", At: mm(85), Retired: true}, {Track: "V1", Role: "venous", At: mm(240), Retired: true}}},
		"6 the whole access is held": {ID: "6", Access: "F1", Kind: "native fistula", Side: "left", Region: "wrist", KeepAway: 38,
			TwoInUse: true, NoNeedle: "no thrill was felt", Unplaced: []string{"Caution: swelling over the access; where is not recorded"},
			Sites: []draw.Site{{Track: "A1", Role: "arterial", At: mm(30), Direction: "antegrade"},
				{Track: "V1", Role: "venous", At: mm(95), Direction: "antegrade"}}},
	}
}

func sides() []draw.Side {
	return []draw.Side{
		{ID: "s1", Track: "A1", Tip: "sharp", Angle: mm(30), Depth: mm(5), Direction: "antegrade", Bevel: "up"},
		{ID: "s2", Track: "V1", Tip: "blunt", Angle: mm(20), Depth: mm(9.5), Direction: "retrograde"},
		{ID: "s3", Track: "A1", Tip: "sharp", Depth: mm(4)},
		{ID: "s4", Track: "A1", Tip: "sharp", Angle: mm(25), Direction: "antegrade", Bevel: "down"},
		{ID: "s5", Track: "V1", Tip: "none", Angle: mm(25), Depth: mm(4), Direction: "antegrade"},
		{ID: "s6", Track: "A1", Tip: "sharp", Angle: mm(62), Depth: mm(3), Direction: "antegrade", Bevel: "down"},
	}
}

func TestLook(t *testing.T) {
	if *look == "" {
		*look = t.TempDir()
	}
	style, err := os.ReadFile(filepath.Join("..", "web", "page", "style.css")) // what the pages show them in
	if err != nil {
		t.Fatal(err)
	}
	page := "<!doctype html><meta charset=utf-8><style>" + string(style) +
		"body{font-family:sans-serif;display:grid;grid-template-columns:1fr 1fr 1fr;gap:12px}figure{margin:0;border:1px solid #999}</style>"
	for _, name := range slices.Sorted(func(yield func(string) bool) {
		for n := range six() {
			if !yield(n) {
				return
			}
		}
	}) {
		l := six()[name]
		page += fmt.Sprintf("<figure>%s<figcaption>%s<br>%s</figcaption></figure>", l.SVG(), name, html.EscapeString(l.Sentence()))
	}
	for _, s := range sides() {
		page += fmt.Sprintf("<figure>%s<figcaption>%s</figcaption></figure>", s.SVG(), html.EscapeString(s.Sentence()))
	}
	if err := os.WriteFile(filepath.Join(*look, "drawings.html"), []byte(page), 0o600); err != nil {
		t.Fatal(err)
	}
}

// element is an element of a drawing that was read back.
type element struct {
	name, class, text string
	at                map[string]float64
	raw               map[string]string
}

func parse(t interface{ Fatalf(string, ...any) }, svg string) []element {
	d := xml.NewDecoder(strings.NewReader(svg))
	var out []element
	var open []int
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatalf("the drawing is no XML: %v\n%s", err, svg)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			e := element{name: x.Name.Local, at: map[string]float64{}, raw: map[string]string{}}
			for _, a := range x.Attr {
				e.raw[a.Name.Local] = a.Value
				if a.Name.Local == "class" {
					e.class = a.Value
				}
				if v, err := strconv.ParseFloat(a.Value, 64); err == nil {
					e.at[a.Name.Local] = v
				}
			}
			out = append(out, e)
			open = append(open, len(out)-1)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			if len(open) > 0 {
				out[open[len(open)-1]].text += string(x)
			}
		}
	}
}

// find returns the elements of a class.
func find(list []element, class string) []element {
	var out []element
	for _, e := range list {
		if slices.Contains(strings.Fields(e.class), class) {
			out = append(out, e)
		}
	}
	return out
}

// box is where a label stands.
type box struct {
	text           string
	x1, y1, x2, y2 float64
}

// labels are the boxes of all text, as wide as in a real sans-serif face.
func labels(list []element) []box {
	var out []box
	for _, e := range list {
		if e.name != "text" {
			continue
		}
		size := e.at["font-size"]
		w := faceWidth(e.text, size, e.raw["font-weight"] == "700")
		x := e.at["x"]
		switch e.raw["text-anchor"] {
		case "middle":
			x -= w / 2
		case "end":
			x -= w
		}
		out = append(out, box{e.text, x, e.at["y"] - 0.76*size, x + w, e.at["y"] + 0.22*size})
	}
	return out
}

// tidy says what is wrong with the labels of a drawing.
func tidy(list []element) []string {
	var out []string
	view := strings.Fields(list[0].raw["viewBox"])
	width, _ := strconv.ParseFloat(view[2], 64)
	height, _ := strconv.ParseFloat(view[3], 64)
	all := labels(list)
	for i, a := range all {
		if a.x1 < 0 || a.y1 < 0 || a.x2 > width || a.y2 > height {
			out = append(out, fmt.Sprintf("%q leaves the drawing of %g by %g: %.0f,%.0f to %.0f,%.0f", a.text, width, height, a.x1, a.y1, a.x2, a.y2))
		}
		for _, b := range all[i+1:] {
			if a.x1 < b.x2-.5 && b.x1 < a.x2-.5 && a.y1 < b.y2-.5 && b.y1 < a.y2-.5 {
				out = append(out, fmt.Sprintf("%q and %q overlap", a.text, b.text))
			}
		}
		for _, l := range find(list, "d-leader") {
			if x, top, bottom := l.at["x1"], min(l.at["y1"], l.at["y2"]), max(l.at["y1"], l.at["y2"]); x > a.x1 && x < a.x2 && top < a.y2 &&
				bottom > a.y1 {
				out = append(out, fmt.Sprintf("a leader crosses %q", a.text))
			}
		}
	}
	return out
}

func optional(t *rapid.T, label string, low, high float64) *float64 {
	if rapid.IntRange(0, 4).Draw(t, label+" recorded") == 0 {
		return nil
	}
	return mm(math.Round(rapid.Float64Range(low, high).Draw(t, label)*10) / 10)
}

func drawLimb(t *rapid.T) draw.Limb {
	one := func(label string, of ...string) string { return rapid.SampledFrom(of).Draw(t, label) }
	l := draw.Limb{ID: "x", Access: one("access", "F1", "A-very-long-name-of-an-access:which-nobody-would-give.0123456789"),
		Kind: one("kind", "", "native fistula"), Side: one("side", "", "left", "right"),
		Region: one("region", "", "wrist", "forearm", "elbow", "upper arm", "thigh", "neck or chest", "groin"),
		Tips:   optional(t, "tips", 0, 400), KeepAway: float64(rapid.SampledFrom([]int{0, 20, 38, 50, 120}).Draw(t, "keep")),
		NoNeedle: one("held", "", "", "no thrill was felt, and the bruit is high-pitched"), TwoInUse: rapid.Bool().Draw(t, "two")}
	for i := range rapid.IntRange(0, 9).Draw(t, "sites") {
		s := draw.Site{Track: one("track", "A", "V", "WWWWWWWWWWWWWWWW", "Track-of-1999") + strconv.Itoa(i), Role: one("role", "arterial", "venous", ""),
			At: optional(t, "site", 0, 600), Direction: one("direction", "", "antegrade", "retrograde"), Retired: rapid.IntRange(0, 2).Draw(t, "retired") == 0,
			NoNeedle: one("no needle", "", "", "redness")}
		if s.At != nil && rapid.Bool().Draw(t, "close") {
			*s.At = math.Mod(*s.At, 40)
		}
		l.Sites = append(l.Sites, s)
	}
	if rapid.Bool().Draw(t, "unplaced") {
		l.Unplaced = []string{"Swelling over the access, of which nobody recorded where it is " + strings.Repeat("x", rapid.IntRange(0, 90).Draw(t, "long"))}
	}
	return l
}

// A label overlaps no other, no leader crosses one, and none leaves the drawing.
func TestLabelsStandApart(t *testing.T) {
	for name, l := range six() {
		for _, w := range tidy(parse(t, string(l.SVG()))) {
			t.Errorf("%s: %s", name, w)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		l := drawLimb(t)
		if w := tidy(parse(t, string(l.SVG()))); len(w) > 0 {
			t.Fatalf("%s", strings.Join(w, "\n"))
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		s := drawSide(t)
		if w := tidy(parse(t, string(s.SVG()))); len(w) > 0 {
			t.Fatalf("%+v: %s", s, strings.Join(w, "\n"))
		}
	})
}

func drawSide(t *rapid.T) draw.Side {
	one := func(label string, of ...string) string { return rapid.SampledFrom(of).Draw(t, label) }
	return draw.Side{ID: "x", Track: one("track", "A1", "WWWWWWWWWWWWWWWWWW"), Tip: one("tip", "sharp", "blunt", "none"),
		Angle: optional(t, "angle", 1, 90), Depth: optional(t, "depth", 0.5, 40), Direction: one("direction", "", "antegrade", "retrograde"),
		Bevel: one("bevel", "", "up", "down")}
}

// Places are proportional to millimetres: read back from the drawing, every site, the stretch to
// keep away from, the tips and the scale bar have one scale, and a right limb is the mirror image.
func TestPlacesAreToScale(t *testing.T) {
	sites, bars := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		l := drawLimb(t)
		list := parse(t, string(l.SVG()))
		zero := find(list, "d-anastomosis")[0].at["cx"]
		var at []float64 // of the sites, from the anastomosis
		for i, e := range list {
			if slices.Contains(strings.Fields(e.class), "d-site") {
				k := i + 1
				for list[k].name != "circle" {
					k++
				}
				at = append(at, list[k].at["cx"]-zero)
			}
		}
		var want []float64
		for _, s := range l.Sites {
			if s.At != nil {
				want = append(want, *s.At)
			}
		}
		slices.Sort(want)
		if len(at) != len(want) {
			t.Fatalf("%d sites are drawn, %d recorded", len(at), len(want))
		}
		type length struct {
			what                string
			pixels, millimetres float64
		}
		var all []length
		same := func(what string, pixels, millimetres float64) {
			all = append(all, length{what, math.Abs(pixels), millimetres})
		}
		if b := find(list, "d-scale"); len(b) == 1 {
			for _, e := range find(list, "d-soft") {
				var n float64
				if _, err := fmt.Sscanf(e.text, "%g mm", &n); err == nil {
					same("the scale bar", b[0].at["x2"]-b[0].at["x1"], n)
				}
			}
		} else {
			t.Fatalf("%d scale bars", len(b))
		}
		for i := range at {
			same("a site", at[i], want[i])
			if at[i] != 0 && at[i] < 0 != (l.Side == "right") {
				t.Fatalf("a site of the %s limb lies %g from the anastomosis", l.Side, at[i])
			}
			sites++
		}
		for _, e := range find(list, "d-bar") {
			w := math.Abs(e.at["x2"] - e.at["x1"])
			if slices.Contains(strings.Fields(e.class), "d-keep") {
				same("keep away", w, l.KeepAway)
			} else if e.raw["stroke-dasharray"] == "" {
				same("the tips", w, *l.Tips)
			} else if l.Tips != nil {
				t.Fatal("a recorded tip distance is drawn as not recorded")
			}
		}
		// The longest has the scale; ends are rounded to a hundredth of a pixel.
		longest := slices.MaxFunc(all, func(a, b length) int { return cmp.Compare(a.millimetres, b.millimetres) })
		for _, x := range all {
			if want := x.millimetres * longest.pixels / longest.millimetres; math.Abs(x.pixels-want) > 0.03 {
				t.Fatalf("%s: %g pixels for %g mm, want %g", x.what, x.pixels, x.millimetres, want)
			}
			bars++
		}
	})
	if sites == 0 || bars == 0 {
		t.Error("nothing was compared")
	}
}

// The drawn angle is the recorded one, the drawn depth has the scale that the needle's way has, and
// what is not recorded has no needle line.
func TestTheDrawnAngleIsTheRecordedOne(t *testing.T) {
	drawn, bare := 0, 0
	check := func(t interface{ Fatalf(string, ...any) }, s draw.Side) {
		list := parse(t, string(s.SVG()))
		n := find(list, "d-needle")
		if s.Angle == nil || s.Tip == "none" {
			bare++
			if len(n)+len(find(list, "d-undirected")) > 0 {
				t.Fatalf("a needle is drawn without an angle: %+v", s)
			}
			return
		}
		drawn++
		dx, dy := n[0].at["x2"]-n[0].at["x1"], n[0].at["y2"]-n[0].at["y1"]
		if got := math.Atan2(dy, math.Abs(dx)) * 180 / math.Pi; math.Abs(got-*s.Angle) > 0.3 {
			t.Fatalf("drawn at %g°, recorded %g°", got, *s.Angle)
		}
		if *s.Angle < 89 && (dx < 0) != (s.Direction == "retrograde") {
			t.Fatalf("a needle %s goes %g", s.Direction, dx)
		}
		skin := find(list, "d-skinline")[0].at["y1"]
		if d := find(list, "d-depth"); len(d) == 1 {
			if n[0].at["y2"] > d[0].at["y2"]+0.01 {
				t.Fatalf("the needle ends below the vessel's wall")
			}
			if *s.Angle > 12 && math.Abs(n[0].at["y2"]-d[0].at["y2"]) > 0.02 {
				t.Fatalf("the needle ends at %g, the vessel lies at %g", n[0].at["y2"], d[0].at["y2"])
			}
		} else if s.Depth != nil || n[0].at["y2"] > skin+0.01 {
			t.Fatalf("how deep the needle goes is not recorded, and it goes below the skin")
		}
	}
	for _, s := range sides() {
		check(t, s)
	}
	rapid.Check(t, func(t *rapid.T) { check(t, drawSide(t)) })
	if drawn == 0 || bare == 0 {
		t.Errorf("%d drawn, %d without a needle", drawn, bare)
	}
}

// The words say what the drawing shows.
func TestTheWordsSayTheSame(t *testing.T) {
	for _, c := range []struct {
		name string
		says []string
		not  []string
	}{
		{"1 left forearm", []string{"Left forearm: native fistula F1.", "from the anastomosis towards the elbow",
			"Track A1 arterial, 59 mm from the anastomosis, needle with the flow.", "The needle tips are 68 mm apart, as measured.",
			"Keep 38 mm away", "Track A0 arterial, retired, 95 mm"}, []string{"not recorded"}},
		{"2 right upper arm, arterial against the flow", []string{"Right upper arm", "62 mm from the anastomosis, needle against the flow",
			"towards the shoulder"}, nil},
		{"3 the venous track is held", []string{"Track V1 venous, 112 mm from the anastomosis, no needle: redness at the site."}, nil},
		{"4 hardly anything recorded", []string{"Side and place not recorded: kind of access not recorded F1.", "direction not recorded",
			"Track V1 venous, site not recorded", "The distance of the needle tips is not recorded."}, []string{"towards the", "Keep"}},
		{"6 the whole access is held", []string{"No needle in this access: no thrill was felt.", "A1 arterial, 30 mm from the anastomosis, no needle."},
			[]string{"with the flow"}},
	} {
		l := six()[c.name]
		for _, s := range c.says {
			if !strings.Contains(l.Sentence(), s) {
				t.Errorf("%s: %q does not say %q", c.name, l.Sentence(), s)
			}
		}
		for _, s := range c.not {
			if strings.Contains(l.Sentence(), s) {
				t.Errorf("%s: %q says %q", c.name, l.Sentence(), s)
			}
		}
		list := parse(t, string(l.SVG()))
		if list[0].raw["role"] != "img" || list[1].text != l.Title() || list[2].text != l.Sentence() {
			t.Errorf("%s: the drawing's title and description are %q, %q", c.name, list[1].text, list[2].text)
		}
		if list[0].raw["aria-labelledby"] != list[1].raw["id"]+" "+list[2].raw["id"] {
			t.Errorf("%s: the drawing is labelled by %q", c.name, list[0].raw["aria-labelledby"])
		}
	}
	s := sides()
	for i, want := range []string{
		"Track A1 from the side. Angle to the skin 30°. The vessel lies 5 mm below the skin. Sharp, bevel up, needle with the flow.",
		"Track V1 from the side. Angle to the skin 20°. The vessel lies 9.5 mm below the skin. Blunt, needle against the flow. Not recorded: bevel.",
		"Track A1 from the side. The vessel lies 4 mm below the skin. Sharp. Not recorded: bevel, direction and angle.",
		"Track A1 from the side. Angle to the skin 25°. Sharp, bevel down, needle with the flow. Not recorded: depth.",
	} {
		if got := s[i].Sentence(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// What is not recorded is drawn as such, and a held site has no needle.
func TestWhatIsNotDrawn(t *testing.T) {
	list := parse(t, string(six()["4 hardly anything recorded"].SVG()))
	if n := len(find(list, "d-needle")); n != 0 {
		t.Errorf("%d needles without a direction", n)
	}
	if find(list, "d-skin")[0].raw["stroke-dasharray"] == "" {
		t.Error("an unknown limb is drawn as a known one")
	}
	if n := len(find(list, "d-site")); n != 1 {
		t.Errorf("%d sites are drawn, 1 is recorded", n)
	}
	held := parse(t, string(six()["3 the venous track is held"].SVG()))
	if n := len(find(held, "d-needle")); n != 1 {
		t.Errorf("%d needles, want that of A1 alone", n)
	}
	whole := parse(t, string(six()["6 the whole access is held"].SVG()))
	if n := len(find(whole, "d-needle")); n != 0 {
		t.Errorf("%d needles in an access on hold", n)
	}
}

var bad = regexp.MustCompile(`(?i)<script|<style|style=|<foreignObject|href|<image|<use|<set|<animate`)

// FuzzHostileNames: what people type is text, whatever it holds.
func FuzzHostileNames(f *testing.F) {
	for _, s := range []string{"A1", `"><script>alert(1)</script>`, `' onload='x`, "</title><style>", "\x00\x1b[31m\u202e", "&lt;", "]]>", "\xff\xfe",
		"𝒜😀", ""} {
		f.Add(s, s)
	}
	f.Fuzz(func(t *testing.T, a, b string) {
		l := draw.Limb{ID: a, Access: b, Kind: a, Side: b, Region: a, NoNeedle: b, Unplaced: []string{a}, Tips: mm(60), TwoInUse: true,
			KeepAway: 38, Sites: []draw.Site{{Track: a, Role: b, At: mm(50), Direction: a, NoNeedle: b}, {Track: b, Role: a, At: mm(60)},
				{Track: b, Role: a, Retired: true}}}
		s := draw.Side{ID: b, Track: a, Tip: b, Angle: mm(25), Depth: mm(5), Direction: a, Bevel: b}
		for _, svg := range []string{string(l.SVG()), string(s.SVG())} {
			plain := draw.Limb{}.SVG()
			known := map[string]bool{"svg": true, "title": true, "desc": true, "path": true, "line": true, "circle": true, "rect": true, "text": true,
				"g": true}
			for _, e := range parse(t, svg) {
				if !known[e.name] {
					t.Fatalf("an element %q came in with %q, %q", e.name, a, b)
				}
				for k := range e.raw {
					if strings.HasPrefix(k, "on") || k == "style" || k == "href" {
						t.Fatalf("an attribute %s came in with %q, %q", k, a, b)
					}
				}
			}
			if bad.MatchString(string(plain)) {
				t.Fatalf("the drawing itself has %q", bad.FindString(string(plain)))
			}
		}
	})
}
