package infectioncontrol_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cannulary/internal/infectioncontrol"
)

var writeTable = flag.Bool("write-table", false, "write the computed table into deploy/signal.md")

// TestTheTableInTheDocumentation computes the table anew: what the documentation promises of
// the signal is what the statistic does.
func TestTheTableInTheDocumentation(t *testing.T) {
	file := filepath.Join("..", "..", "deploy", "signal.md")
	page, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	const begin, end = "<!-- computed: begin -->\n", "<!-- computed: end -->"
	head, rest, ok := strings.Cut(string(page), begin)
	was, tail, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		t.Fatal("the page has no place for the table")
	}
	now, err := infectioncontrol.Table()
	if err != nil {
		t.Fatal(err)
	}
	if *writeTable {
		if err := os.WriteFile(file, []byte(head+begin+"\n"+now+end+tail), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if was != "\n"+now {
		t.Errorf("the page says otherwise; go test ./internal/infectioncontrol -run Table -write-table\n%s", now)
	}
}
