package infectioncontrol

import (
	"fmt"
	"strings"

	"cannulary/internal/incidence"
)

// The table of what a sequential signal can and cannot do is made for these.
// The first increase is none.
var (
	tableSizes     = []float64{5, 10, 20, 40, 60, 100, 200}
	tableRatios    = []float64{2, 3}
	tableIncreases = []float64{1, 1.5, 2, 3, 5}
)

const (
	tableRate   = 0.26 // events per 100 patient-months: Nguyen and others, CJASN 2017;12:1139
	tableMonths = 120  // between false alarms
)

// Table is, in Markdown, how often a signal is false and how late it notices, by the number
// of patients and the increase: computed on the statistic itself, by its exact chain.
func Table() (string, error) {
	var b strings.Builder
	for _, r := range tableRatios {
		rows, err := incidence.Table(tableSizes, tableRate, r, tableMonths, tableIncreases)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&b, "Tuned to a rate %.3g times the usual, %.4g per 100 patient-months, one false alarm in %d months or more:\n\n", r, tableRate, tableMonths)
		b.WriteString("| patients | threshold | false alarms in ten years |")
		increased := tableIncreases[1:]
		for _, i := range increased {
			fmt.Fprintf(&b, " %.3g times |", i)
		}
		b.WriteString("\n|---|---|---|" + strings.Repeat("---|", len(increased)) + "\n")
		for _, row := range rows {
			fmt.Fprintf(&b, "| %.0f | %.3f | %.1f |", row.PatientMonths, row.H, row.FalseAlarms)
			for _, d := range row.Delays[1:] {
				fmt.Fprintf(&b, " %.0f, %.0f |", d.FromZero, d.FromRestart)
			}
			b.WriteByte('\n')
		}
		b.WriteString("\nThe same: in how many of a hundred years it signals, from 0:\n\n| patients | nothing wrong |")
		for _, i := range increased {
			fmt.Fprintf(&b, " %.3g times |", i)
		}
		b.WriteString("\n|---|---|" + strings.Repeat("---|", len(increased)) + "\n")
		for _, row := range rows {
			fmt.Fprintf(&b, "| %.0f |", row.PatientMonths)
			for _, p := range row.InYear {
				fmt.Fprintf(&b, " %.0f |", 100*p)
			}
			b.WriteByte('\n')
		}
		b.WriteByte('\n')
	}
	return b.String(), nil
}
