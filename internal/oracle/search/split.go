package search

import (
	"fmt"
	"strings"
)

// split takes a value apart at a separator that no backslash precedes. The parts stay
// escaped. A backslash that escapes none of , | $ \ is illegal.
func split(s string, sep byte) ([]string, error) {
	var out []string
	from := 0
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case '\\':
			if i+1 == len(s) || !strings.ContainsRune(`,|$\`, rune(s[i+1])) {
				return nil, fmt.Errorf("a backslash stands before none of , | $ \\")
			}
			i++
		case sep:
			out = append(out, s[from:i])
			from = i + 1
		}
	}
	return append(out, s[from:]), nil
}

// literal removes the backslashes.
func (c *Corpus) literal(s string) string {
	if c.Mutant == EscapesStay {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' {
			i++
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

// Escape makes a text a single value.
func Escape(s string) string {
	return strings.NewReplacer(`\`, `\\`, `,`, `\,`, `|`, `\|`, `$`, `\$`).Replace(s)
}

// prefixes are R4's, without ap, whose width R4 leaves to the server.
var prefixes = []string{"eq", "ne", "gt", "lt", "ge", "le", "sa", "eb"}

// prefix takes a prefix off a value; without one it is eq.
func prefix(s string) (string, string) {
	for _, p := range prefixes {
		if rest, ok := strings.CutPrefix(s, p); ok {
			return p, rest
		}
	}
	return "eq", s
}
