package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
)

// figure is one measured value beside its reference.
type figure struct {
	Name      string  `json:"name"`
	Value     float64 `json:"value"`
	Unit      string  `json:"unit"`
	Reference float64 `json:"reference"` // of the same unit, measured in the same run
	Ratio     float64 `json:"ratio"`     // value / reference
	Goal      string  `json:"goal"`
	Met       bool    `json:"met"`

	against string // what the reference is
	goal    goal
}

// goal is a bound of the ratio or of the value.
type goal struct {
	ofValue bool
	atLeast bool
	bound   float64
}

func ratioAtLeast(x float64) goal { return goal{atLeast: true, bound: x} }
func ratioAtMost(x float64) goal  { return goal{bound: x} }
func valueBelow(x float64) goal   { return goal{ofValue: true, bound: x} }

func (g goal) String() string {
	what, sign := "ratio", "<="
	if g.ofValue {
		what, sign = "value", "<"
	}
	if g.atLeast {
		sign = ">="
	}
	return fmt.Sprintf("%s %s %s", what, sign, strconv.FormatFloat(g.bound, 'g', -1, 64))
}

func (g goal) met(value, ratio float64) bool {
	x := ratio
	if g.ofValue {
		x = value
	}
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0) || x <= 0:
		return false // nothing was measured
	case g.atLeast:
		return x >= g.bound
	case g.ofValue:
		return x < g.bound
	}
	return x <= g.bound
}

// judged fills in what follows from value, reference and goal, and rounds to what can be
// meant: four digits.
func (f figure) judged() figure {
	f.Ratio = 0
	if f.Reference > 0 {
		f.Ratio = f.Value / f.Reference
	}
	f.Goal, f.Met = f.goal.String(), f.goal.met(f.Value, f.Ratio)
	f.Value, f.Reference, f.Ratio = digits(f.Value), digits(f.Reference), digits(f.Ratio)
	return f
}

func digits(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 4, 64), 64)
	if err != nil || math.IsNaN(y) || math.IsInf(y, 0) {
		return 0
	}
	return y
}

func (f figure) line() string {
	met := "met"
	if !f.Met {
		met = "NOT MET"
	}
	return fmt.Sprintf("%-42s %10s %-9s reference %10s  ratio %-6s goal %-13s %-8s (reference: %s)",
		f.Name, number(f.Value), f.Unit, number(f.Reference), number(f.Ratio), f.Goal, met, f.against)
}

func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func write(path string, figures []figure) error {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false) // ">=" stays readable
	enc.SetIndent("", "  ")
	if err := enc.Encode(figures); err != nil {
		return err
	}
	return os.WriteFile(path, buf.Bytes(), 0o644)
}

// quantile of values that it sorts; 0 of none.
func quantile(values []float64, q float64) float64 {
	if len(values) == 0 {
		return 0
	}
	slices.Sort(values)
	return values[min(len(values)-1, int(q*float64(len(values))))]
}
