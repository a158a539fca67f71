package infectioncontrol_test

import (
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"cannulary/internal/infectioncontrol"
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
		table := infectioncontrol.DelayTable
		if filepath.Base(file) == "signal.md" {
			table = infectioncontrol.Table
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
	table, err := infectioncontrol.DelayTable()
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
	want := rows[0][1] + " constant-site patients need " + rows[0][2] + " months on average to notice a doubled risk and " + rows[0][3] + " to notice a tripled one; " +
		rows[1][1] + " patients " + rows[1][2] + " and " + rows[1][3]
	if !strings.Contains(string(dashboard), want) {
		t.Errorf("the dashboard does not say %q", want)
	}
}
