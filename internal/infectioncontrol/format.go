package infectioncontrol

import (
	"fmt"
	"math"
	"strings"

	"cannulary/internal/surveil"
)

func one(v float64) string { return fmt.Sprintf("%.1f", v) }
func two(v float64) string { return fmt.Sprintf("%.2f", v) }

// sum returns a sum or a threshold with three decimals. With fewer, a sum just below the
// threshold would read as if it were at it.
func sum(v float64) string { return fmt.Sprintf("%.3f", v) }

// number returns a number of days or events in words.
func number(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// three returns a probability in words.
func three(p float64) string {
	if p < 0.001 {
		return "less than 0.001"
	}
	return fmt.Sprintf("%.3f", p)
}

// typed returns a text that a person typed, marked as such. Nobody has checked it, and it may
// name a person.
func typed(s string) string { return "as typed: “" + s + "”" }

// What the monthly rates and others say where there is none, or not of a whole month.
const (
	nobody  = "nobody was at risk"
	partial = "a part of the month"
)

func tenth(v float64) float64 { return math.Round(v*10) / 10 }

// span returns limits in words.
func span(i Interval) string {
	if i.Upper == nil {
		return two(i.Lower) + " upwards"
	}
	return two(i.Lower) + "–" + two(*i.Upper)
}

// short returns a reason up to its semicolon, for a table's cell.
func short(reason string) string {
	s, _, _ := strings.Cut(reason, ";")
	return s
}

func className(c surveil.Class) string {
	switch c {
	case surveil.AccessRelated:
		return "Access-related bloodstream infection"
	case surveil.Bloodstream:
		return "Bloodstream infection"
	case surveil.LocalAccess:
		return "Local access infection"
	case surveil.Antimicrobial:
		return "Intravenous antimicrobial start"
	}
	return string(c)
}

// groupName returns the name of a group or technique, marked if it is a part of the fistulas.
func groupName(g surveil.Group) string {
	switch g {
	case surveil.AllAccess:
		return "All accesses"
	case surveil.Fistula:
		return "Fistula"
	case surveil.Group(surveil.ConstantSite):
		return "– of which constant-site"
	case surveil.Group(surveil.OtherFistula):
		return "– of it other needling"
	}
	return techniqueName(surveil.Technique(g))
}

func techniqueName(t surveil.Technique) string {
	switch t {
	case surveil.ConstantSite:
		return "Fistula, constant-site"
	case surveil.OtherFistula:
		return "Fistula, other needling"
	case surveil.Graft:
		return "Graft"
	case surveil.TunneledCatheter:
		return "Tunneled catheter"
	case surveil.NonTunneledCatheter:
		return "Non-tunneled catheter"
	case surveil.OtherAccess:
		return "Other access"
	case surveil.Unknown:
		return "Access not known"
	}
	return string(t)
}
