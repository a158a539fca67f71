package draw

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// svg gathers the elements of a drawing.
type svg struct{ b strings.Builder }

// put writes markup of ours. Its arguments are numbers or escaped text.
func (s *svg) put(format string, a ...any) { fmt.Fprintf(&s.b, format, a...) }

// line draws a straight line.
func (s *svg) line(class string, x1, y1, x2, y2, width float64, more string) {
	s.put(`<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s" stroke="currentColor" stroke-width="%s"%s/>`, class, px(x1), px(y1),
		px(x2), px(y2), px(width), more)
}

// text writes text of others at a point. anchor is start, middle or end.
func (s *svg) text(class, anchor string, x, y, size float64, bold bool, text string) {
	weight := ""
	if bold {
		weight = ` font-weight="700"`
	}
	s.put(`<text class="%s" x="%s" y="%s" font-size="%s" text-anchor="%s" fill="currentColor"%s>%s</text>`, class, px(x), px(y),
		px(size), anchor, weight, escape(text))
}

// open begins a drawing of the given size whose title and description are in its words.
func (s *svg) open(id, class string, width, height float64, title, words string) {
	s.put(`<svg class="draw %s" viewBox="0 0 %s %s" role="img" aria-labelledby="%s-t %s-d" font-family="sans-serif">`, class,
		px(width), px(height), id, id)
	s.put(`<title id="%s-t">%s</title><desc id="%s-d">%s</desc>`, id, escape(title), id, escape(words))
}

// px is a length in the drawing.
func px(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}

// number is a recorded figure in words.
func number(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

// escape makes text of others safe within SVG, and drops what no reader can see.
func escape(text string) string {
	return html.EscapeString(strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, text))
}

// ident makes a part of an element's id.
func ident(text string) string {
	return "d-" + strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '_'
	}, text)
}

// advance is more than what a common sans-serif letter takes, in parts of its size.
func advance(r rune, bold bool) float64 {
	w := 0.64
	switch {
	case r >= 0x2e80:
		w = 1.05
	case strings.ContainsRune("MWmw@%—…", r):
		w = 1.0
	case unicode.IsUpper(r):
		w = 0.78
	case strings.ContainsRune("iljtfrI .,:;'|!()-·°", r):
		w = 0.46
	}
	if bold {
		w *= 1.08
	}
	return w
}

// widthOf is at least the width of a text.
func widthOf(text string, size float64, bold bool) float64 {
	w := 0.0
	for _, r := range text {
		w += advance(r, bold)
	}
	return w * size
}

// shorten cuts a long name for a label. Title and description say it whole.
func shorten(name string, most int) string {
	r := []rune(strings.TrimSpace(name))
	if len(r) <= most {
		return string(r)
	}
	return string(r[:most-1]) + "…"
}

// wrap breaks a text into lines that are no wider than width.
func wrap(text string, size, width float64) []string {
	var out []string
	at := ""
	for _, word := range strings.Fields(text) {
		for widthOf(word, size, false) > width {
			r := []rune(word)
			k := len(r) - 1
			for k > 1 && widthOf(string(r[:k]), size, false) > width {
				k--
			}
			if at != "" {
				out, at = append(out, at), ""
			}
			out, word = append(out, string(r[:k])), string(r[k:])
		}
		if at != "" && widthOf(at+" "+word, size, false) > width {
			out, at = append(out, at), ""
		}
		if at != "" {
			at += " "
		}
		at += word
	}
	if at != "" {
		out = append(out, at)
	}
	return out
}

// join puts parts into a list of words: "a, b and c".
func join(parts []string) string {
	if len(parts) < 2 {
		return strings.Join(parts, "")
	}
	return strings.Join(parts[:len(parts)-1], ", ") + " and " + parts[len(parts)-1]
}

// capital begins with a capital letter.
func capital(s string) string {
	if s == "" {
		return ""
	}
	r, n := utf8.DecodeRuneInString(s)
	return strings.ToUpper(string(r)) + s[n:]
}
