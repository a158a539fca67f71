package web

import (
	"cmp"
	"fmt"
	"html/template"
	"strings"

	"cannulary/internal/card"
	"cannulary/internal/track/rule"
)

// functions are what templates may call.
func functions() template.FuncMap {
	return template.FuncMap{
		"title":    card.Capital,
		"mark":     card.Mark,
		"pips":     pips,
		"rule":     ruleText,
		"sentence": card.Sentence,
		"entry":    entry,
		"join":     func(list []string) string { return strings.Join(list, ", ") },
	}
}

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
		parts = append(parts, card.Passes(*v.Passes))
	}
	if v.Resistance != "" {
		parts = append(parts, cmp.Or(map[string]string{"none": "no resistance"}[v.Resistance], v.Resistance+" resistance"))
	}
	if v.Pain != nil {
		parts = append(parts, fmt.Sprintf("pain %d", *v.Pain))
	}
	return cmp.Or(strings.Join(parts, ", "), card.NotRecorded)
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
