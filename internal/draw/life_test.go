package draw_test

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"cannulary/internal/draw"
)

// lifeMark is an element of a strip with the address of the column that it stands in.
type lifeMark struct {
	name, column, text string
	attr               map[string]string
	within             []string // classes of what it stands in
}

// lifeMarks takes a strip apart. It fails on anything that is no well-formed XML.
func lifeMarks(t interface{ Fatalf(string, ...any) }, svg string) []lifeMark {
	d := xml.NewDecoder(strings.NewReader(svg))
	var out []lifeMark
	var open []int
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatalf("the drawing is no XML: %v in %.300q", err, svg)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			m := lifeMark{name: x.Name.Local, attr: map[string]string{}}
			for _, a := range x.Attr {
				m.attr[a.Name.Local] = a.Value
			}
			if len(open) > 0 {
				parent := out[open[len(open)-1]]
				m.column, m.within = parent.column, append(slices.Clone(parent.within), strings.Fields(parent.attr["class"])...)
			}
			if m.name == "a" {
				m.column = m.attr["href"]
			}
			open, out = append(open, len(out)), append(out, m)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			if len(open) > 0 {
				out[open[len(open)-1]].text += string(x)
			}
		}
	}
}

func (m lifeMark) is(class string) bool {
	return slices.Contains(strings.Fields(m.attr["class"]), class)
}

func value(v float64) *float64 { return &v }

func TestEveryShapeIsToldWithoutColour(t *testing.T) {
	shapes := []draw.LifeShape{draw.SharpCounts, draw.SharpNot, draw.SharpDoubt, draw.BluntCounts, draw.BluntNot, draw.RescueSharp,
		draw.TipUnknown, draw.NotNeedled}
	seen := map[string]draw.LifeShape{}
	for _, s := range shapes {
		for _, failed := range []bool{false, true} {
			_, strip := draw.Life(draw.LifeStrip{Columns: []draw.LifeColumn{{Href: "c", Shape: s, Failed: failed}}})
			var form []string
			for _, m := range lifeMarks(t, string(strip)) {
				if slices.Contains(m.within, "needle") {
					form = append(form, fmt.Sprint(m.name, m.attr["d"], m.attr["fill"], m.attr["stroke-dasharray"], m.attr["r"], m.text))
				}
			}
			key := strings.Join(form, ";")
			if other, twice := seen[key]; twice || key == "" {
				t.Errorf("%s (failed %v) is drawn as %s is: %q", s, failed, other, key)
			}
			seen[key] = s
		}
	}
}

func TestWhatIsNotRecordedIsDrawnSo(t *testing.T) {
	marks := func(c draw.LifeColumn) map[string]bool {
		_, strip := draw.Life(draw.LifeStrip{Columns: []draw.LifeColumn{c}})
		out := map[string]bool{}
		for _, m := range lifeMarks(t, string(strip)) {
			if m.is("unknown") && m.text == "?" {
				for _, lane := range strings.Fields(m.attr["class"]) {
					out[lane] = true
				}
			}
		}
		return out
	}
	lanes := []string{"angle", "attempts", "passes", "resistance", "pain", "bleeding", "pressure", "who"}
	got := marks(draw.LifeColumn{Shape: draw.SharpNot})
	for _, lane := range lanes {
		if !got[lane] {
			t.Errorf("lane %s does not say that nothing is recorded", lane)
		}
	}
	if got["findings"] || got["peg"] {
		t.Error("no finding, or no peg asked for, is drawn as not recorded")
	}
	whole := draw.LifeColumn{Shape: draw.SharpNot, Angle: value(25), Attempts: draw.LifeCell{Text: "1"}, Passes: draw.LifeCell{Text: "1"},
		Resistance: draw.LifeCell{Text: "no"}, Pain: draw.LifeCell{Text: "0"}, Bleeding: value(0), Pressure: value(120), Who: "RN-1"}
	if got := marks(whole); len(got) > 0 {
		t.Errorf("of a session with every detail %v are drawn as not recorded", got)
	}
	if got := marks(draw.LifeColumn{Shape: draw.NotNeedled}); len(got) > 0 {
		t.Errorf("of a treatment without the track %v are drawn as not recorded", got)
	}
}

func TestAnglesLieInTheirBandOrStandOut(t *testing.T) {
	column := func(angle float64, off bool) draw.LifeColumn {
		return draw.LifeColumn{Href: fmt.Sprint(angle), Shape: draw.SharpCounts, Angle: value(angle), Low: value(20), High: value(30), Off: off}
	}
	_, strip := draw.Life(draw.LifeStrip{Columns: []draw.LifeColumn{column(20, false), column(30, false), column(36, true)}})
	var top, low float64
	for _, m := range lifeMarks(t, string(strip)) {
		var y, height float64
		switch {
		case m.is("band"):
			fmt.Sscan(m.attr["y"], &y)
			fmt.Sscan(m.attr["height"], &height)
			top, low = y, y+height
		case m.name == "circle" && m.is("angle"):
			fmt.Sscan(m.attr["cy"], &y)
			if y < top-0.1 || y > low+0.1 {
				t.Errorf("the angle %s is drawn at %g, outside its band from %g to %g", m.column, y, top, low)
			}
		case m.name == "rect" && m.is("angle"):
			fmt.Sscan(m.attr["y"], &y)
			if m.column != "36" || y+4.5 >= top {
				t.Errorf("the angle %s stands out at %g; the band begins at %g", m.column, y+4.5, top)
			}
		}
	}
	if top == 0 {
		t.Error("no band is drawn")
	}
}

func TestHoldsLieOverTheirColumns(t *testing.T) {
	s := draw.LifeStrip{Columns: make([]draw.LifeColumn, 4), Next: &draw.LifeNext{Needle: "none"}, Holds: []draw.LifeHold{
		{First: 1, Last: 2, Text: "redness"}, {First: 3, Last: 99, Text: "open", Open: true}, {First: 2, Last: 1, Text: "between"},
		{First: -5, Last: 0, Text: "from before"}}}
	_, strip := draw.Life(s)
	got := map[string]string{}
	title := ""
	for _, m := range lifeMarks(t, string(strip)) {
		if m.name == "title" && slices.Contains(m.within, "hold") {
			title = m.text
		}
		if m.name == "rect" && slices.Contains(m.within, "hold") {
			got[title] = m.attr["x"] + "+" + m.attr["width"]
		}
	}
	// A column is 30 wide; the first begins at 116.
	want := map[string]string{"redness": "147+58", "open": "207+58", "between": "173+6", "from before": "117+28"}
	for k, v := range want {
		if got[k] != v {
			t.Errorf("the hold %q lies at %s, want %s", k, got[k], v)
		}
	}
}

// Whatever the texts are, the drawing stays well-formed, brings in no script, no style and no
// element of theirs, and leads nowhere but to the addresses given.
func TestHostileTextsAreEscaped(t *testing.T) {
	hostile := `"><script>alert(1)</script><a href="x" onclick='y'>&amp;]]>`
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.Just(hostile), rapid.StringMatching(`[<>&"'a-z\x{fffd} ]{0,20}`)).Draw(t, "text")
		s := draw.LifeStrip{Names: draw.LifeNames{Stage: text, Needle: text, Hold: text, Who: text, Next: text},
			Columns: []draw.LifeColumn{{Href: "card?" + text, Title: text, Day: text, Month: text, Stage: text, Shape: draw.SharpCounts, Count: text,
				Attempts: draw.LifeCell{Text: text, Boxed: true}, Findings: draw.LifeCell{Text: text}, Who: text}},
			Next:  &draw.LifeNext{Needle: text, Title: text, Href: text, Findings: draw.LifeCell{Text: text}},
			Holds: []draw.LifeHold{{Text: text}}}
		names, strip := draw.Life(s)
		for _, svg := range []string{string(names), string(strip)} {
			for _, m := range lifeMarks(t, svg) {
				if !slices.Contains([]string{"svg", "text", "path", "rect", "circle", "g", "a", "title"}, m.name) {
					t.Fatalf("a text brought in an element %s", m.name)
				}
				for name := range m.attr {
					if name == "style" || strings.HasPrefix(name, "on") {
						t.Fatalf("a text brought in an attribute %s", name)
					}
				}
			}
		}
	})
}
