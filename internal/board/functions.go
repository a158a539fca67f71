package board

import (
	"fmt"
	"html/template"
	"strings"
)

// functions are what templates may call.
func functions() template.FuncMap {
	return template.FuncMap{
		"plural": plural,
		"title":  title,
		"mark":   mark,
		"pips":   pips,
		"join":   func(list []string) string { return strings.Join(list, ", ") },
	}
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// title begins with a capital letter.
func title(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// mark is a sign for a needle that is told apart without colour.
func mark(needle string) string {
	switch needle {
	case "sharp":
		return "▲"
	case "blunt":
		return "●"
	}
	return "✕"
}

// mostPips keeps a long course from filling the line.
const mostPips = 16

// pips draws how many sessions of the target count; nothing where there are too many.
func pips(counted, target int) string {
	if target > mostPips || target < 1 || counted < 0 {
		return ""
	}
	counted = min(counted, target)
	return strings.Repeat("●", counted) + strings.Repeat("○", target-counted)
}
