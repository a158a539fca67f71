package infectioncontrol_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"cannulary/internal/surveil/incidence"
)

var writeTable = flag.Bool("write-table", false, "write the computed tables into deploy/signal.md and the runbooks of the signals")

// TestTheTablesInTheDocumentation computes the tables anew: what the documentation promises of
// the signal is what the statistic does, and the runbooks say the same as the page.
func TestTheTablesInTheDocumentation(t *testing.T) {
	deploy := filepath.Join("..", "..", "deploy")
	runbooks, err := filepath.Glob(filepath.Join(deploy, "runbooks", "*Signal.md"))
	if err != nil || len(runbooks) != 3 {
		t.Fatalf("%v %v", runbooks, err)
	}
	for _, file := range append(runbooks, filepath.Join(deploy, "signal.md")) {
		page, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		const begin, end = "<!-- computed: begin -->\n", "<!-- computed: end -->"
		head, rest, ok := strings.Cut(string(page), begin)
		was, tail, ok2 := strings.Cut(rest, end)
		if !ok || !ok2 {
			t.Fatalf("%s has no place for the table", file)
		}
		table := delayTable
		if filepath.Base(file) == "signal.md" {
			table = signalTable
		}
		now, err := table()
		if err != nil {
			t.Fatal(err)
		}
		now = "\n" + strings.TrimSuffix(now, "\n") + "\n\n"
		if *writeTable {
			if err := os.WriteFile(file, []byte(head+begin+now+end+tail), 0o600); err != nil {
				t.Fatal(err)
			}
			continue
		}
		if was != now {
			t.Errorf("%s says otherwise; go test ./internal/infectioncontrol -run Table -write-table\n%s", file, now)
		}
	}
}

// What is said in a sentence elsewhere is what the table has.
func TestSentencesSayWhatTheTableHas(t *testing.T) {
	table, err := delayTable()
	if err != nil {
		t.Fatal(err)
	}
	rows := regexp.MustCompile(`\| (\d+) \| (\d+) months \| (\d+) months \|`).FindAllStringSubmatch(table, -1)
	if len(rows) != 2 {
		t.Fatal(table)
	}
	dashboard, err := os.ReadFile(filepath.Join("..", "..", "deploy", "grafana", "dashboards", "infection-control.json"))
	if err != nil {
		t.Fatal(err)
	}
	want := rows[0][1] + " constant-site patients need " + rows[0][2] + " months on average to notice a doubled risk and " + rows[0][3] +
		" to notice a tripled one; " +
		rows[1][1] + " patients " + rows[1][2] + " and " + rows[1][3]
	if !strings.Contains(string(dashboard), want) {
		t.Errorf("the dashboard does not say %q", want)
	}
}

// The tables are made for these sizes and increases. The first increase is none.
var (
	tableSizes     = []float64{5, 10, 20, 40, 60, 100, 200}
	tableRatios    = []float64{2, 3}
	tableIncreases = []float64{1, 1.5, 2, 3, 5}
)

const (
	tableRate   = 0.26 // events per 100 patient-months: Nguyen and others, CJASN 2017;12:1139
	tableMonths = 120  // between false alarms
)

// signalTable returns, in Markdown, how often a signal is false and how late it notices, by the
// number of patients and the increase. The statistic itself computes it, by its exact chain.
func signalTable() (string, error) {
	var b strings.Builder
	for _, r := range tableRatios {
		rows, err := rowsOf(tableSizes, r, tableIncreases)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&b, "Tuned to a rate %.3g times the usual, %.4g per 100 patient-months, one false alarm in %d months or more:\n\n", r,
			tableRate, tableMonths)
		b.WriteString("| patients | threshold | false alarms in ten years |")
		increased := tableIncreases[1:]
		for _, i := range increased {
			fmt.Fprintf(&b, " %.3g times |", i)
		}
		b.WriteString("\n|---|---|---|" + strings.Repeat("---|", len(increased)) + "\n")
		for _, row := range rows {
			fmt.Fprintf(&b, "| %.0f | %.3f | %.1f |", row.PatientMonths, row.H, 120/row.AfterRestart)
			for _, d := range row.delays[1:] {
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
			for _, p := range row.inYear {
				fmt.Fprintf(&b, " %.0f |", 100*p)
			}
			b.WriteByte('\n')
		}
		b.WriteByte('\n')
	}
	return b.String(), nil
}

// delaySizes are the sizes of unit in the runbooks.
var delaySizes = []float64{20, 60}

// delayTable returns, in Markdown, what the runbooks say of the same: how late a signal that is
// tuned to a doubled rate notices it, from 0, and likewise a tripled one.
func delayTable() (string, error) {
	var b strings.Builder
	b.WriteString("| constant-site patients | a doubled risk is noticed after | a tripled risk after |\n|---|---|---|\n")
	for _, size := range delaySizes {
		fmt.Fprintf(&b, "| %.0f |", size)
		for _, r := range tableRatios {
			rows, err := rowsOf([]float64{size}, r, []float64{r})
			if err != nil {
				return "", err
			}
			fmt.Fprintf(&b, " %.0f months |", rows[0].delays[0].FromZero)
		}
		b.WriteByte('\n')
	}
	return b.String(), nil
}

// row is one size of unit, with what its signal does at each of the increases.
type row struct {
	incidence.Design
	delays []incidence.RunLength
	inYear []float64 // probability of a signal within twelve months
}

func rowsOf(sizes []float64, r float64, increases []float64) ([]row, error) {
	var rows []row
	for _, size := range sizes {
		d, err := incidence.DesignFor(incidence.Setting{PatientMonths: size, Rate: tableRate}, r, tableMonths)
		if err != nil {
			return nil, err
		}
		x := row{Design: d}
		for _, increase := range increases {
			delay, err := d.RunLength(increase)
			if err != nil {
				return nil, err
			}
			chance, err := d.Chance(increase, 12)
			if err != nil {
				return nil, err
			}
			x.delays, x.inYear = append(x.delays, delay), append(x.inYear, chance)
		}
		rows = append(rows, x)
	}
	return rows, nil
}
