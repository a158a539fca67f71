package fhir

import (
	"encoding/json"
	"strconv"
	"strings"
)

// text makes a FHIR string: characters that FHIR forbids (below U+0020 other than tab,
// line feed and carriage return) become spaces, surrounding space goes. Nil if nothing
// is left, since FHIR has no empty strings.
func text(s string) *string {
	s = strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' {
			return ' '
		}
		return r
	}, s))
	if s == "" {
		return nil
	}
	return &s
}

// number renders a decimal without exponent, as short as it goes.
func number(v float64) *json.Number {
	if v == 0 {
		v = 0 // no negative zero
	}
	return new(json.Number(strconv.FormatFloat(v, 'f', -1, 64)))
}
