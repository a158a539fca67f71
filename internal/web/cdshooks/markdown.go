package cdshooks

import (
	"strings"
	"unicode"
	"unicode/utf16"
)

// summaryMax is the most UTF-16 units of a summary: the standard asks for fewer than 140
// characters, and the longest way of counting is taken.
const summaryMax = 139

// printable makes one line of a text: what is neither seen nor a space is left out, so that
// nothing turns the direction of writing or begins a new line.
func printable(s string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, s)), " ")
}

// escape makes a recorded text fit for a line of GitHub-flavoured Markdown, where it shows
// as it was recorded, but for a space before the slashes of an address: it can make no mark,
// link, list or HTML element.
func escape(s string) string {
	s = printable(s)
	var b strings.Builder
	digits := true // nothing but digits so far
	for i, r := range s {
		rest := s[i:]
		switch {
		case r == '<':
			b.WriteString("&lt;")
		case r == '>':
			b.WriteString("&gt;")
		case r == '&':
			b.WriteString("&amp;")
		case r == ':' && strings.HasPrefix(rest, "://"):
			// A bare address becomes a link. A space reads better than a backslash where a viewer
			// shows the text as it is.
			b.WriteString(": ")
		case strings.ContainsRune("\\`*_[]#|~@", r),
			r == '.' && i >= 3 && strings.EqualFold(s[i-3:i], "www"), // as does this
			i == 0 && strings.ContainsRune("-+=", r),                 // begins a list or underlines a heading
			i > 0 && digits && (r == '.' || r == ')'):                // begins a numbered list
			b.WriteByte('\\')
			b.WriteRune(r)
		default:
			b.WriteRune(r)
		}
		digits = digits && r >= '0' && r <= '9'
	}
	return b.String()
}

// systemName is an identifier system as people read it: an address without its scheme, since
// no link is meant.
func systemName(s string) string {
	for _, scheme := range []string{"https://", "http://"} {
		if rest, ok := strings.CutPrefix(s, scheme); ok && rest != "" {
			return escape(rest)
		}
	}
	return escape(s)
}

// summary makes a summary: plain text in one line, no longer than the standard allows.
// Pointed brackets are replaced, since not every client may show a summary as mere text.
func summary(s string) string {
	s = strings.NewReplacer("<", "‹", ">", "›").Replace(printable(s))
	if units(s) <= summaryMax {
		return s
	}
	n := 0
	for i, r := range s {
		if n += utf16.RuneLen(r); n > summaryMax-1 {
			return strings.TrimRight(s[:i], " ,;:") + "…"
		}
	}
	return s
}

// units is the length of a text in UTF-16 units.
func units(s string) (n int) {
	for _, r := range s {
		n += utf16.RuneLen(r)
	}
	return n
}
