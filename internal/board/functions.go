package board

import (
	"fmt"
	"html/template"
	"strings"

	"cannulary/internal/track"
)

// functions are what templates may call.
func functions() template.FuncMap {
	return template.FuncMap{
		"plural":   plural,
		"title":    title,
		"mark":     mark,
		"pips":     pips,
		"rule":     rule,
		"sentence": sentence,
		"join":     func(list []string) string { return strings.Join(list, ", ") },
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

// sentence ends with a full stop.
func sentence(s string) string {
	if s == "" || strings.ContainsAny(s[len(s)-1:], ".!?") {
		return s
	}
	return s + "."
}

// rule says what a hold rests on.
func rule(code string) string {
	if code == track.RulePerson {
		return "placed by a person"
	}
	return "rule " + code
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
