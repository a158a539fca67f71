package web

import (
	"fmt"
	"html/template"
	"strings"

	"cannulary/internal/card"
	"cannulary/internal/track/rule"
)

// functions are what templates may call.
func functions() template.FuncMap {
	return template.FuncMap{
		"plural":   plural,
		"title":    title,
		"mark":     mark,
		"pips":     pips,
		"rule":     ruleText,
		"sentence": card.Sentence,
		"entry":    entry,
		"join":     func(list []string) string { return strings.Join(list, ", ") },
	}
}

func plural(n int, what string) string { return plurals(n, what, what+"s") }

func plurals(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// title begins with a capital letter.
func title(s string) string { return card.Capital(s) }

// ruleText is the code of the rule that a hold rests on.
func ruleText(code string) string {
	if code == rule.Person {
		return "placed by a person"
	}
	return code
}

// entry says how a needle went in, as far as it is recorded.
func entry(v card.Visit) string {
	var parts []string
	if v.Passes != nil {
		parts = append(parts, plurals(int(*v.Passes), "pass", "passes"))
	}
	if v.Resistance != "" {
		parts = append(parts, or(map[string]string{"none": "no resistance"}[v.Resistance], v.Resistance+" resistance"))
	}
	if v.Pain != nil {
		parts = append(parts, fmt.Sprintf("pain %d", *v.Pain))
	}
	return or(strings.Join(parts, ", "), card.NotRecorded)
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
