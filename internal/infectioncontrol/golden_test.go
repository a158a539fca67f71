package infectioncontrol

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew; look at the difference before it is committed")

// TestGolden keeps page and file as they were looked at: in print, on a narrow screen, in a
// spreadsheet.
func TestGolden(t *testing.T) {
	r := made(t)
	for name, write := range map[string]func(*bytes.Buffer) error{
		"report.html": func(b *bytes.Buffer) error { return WriteHTML(b, r) },
		"report.csv":  func(b *bytes.Buffer) error { return WriteCSV(b, r) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b.Bytes(), want) {
			t.Errorf("%s is not what it was; see the difference with `go test ./internal/infectioncontrol -run TestGolden -update` and "+
				"git diff", name)
		}
	}
}
