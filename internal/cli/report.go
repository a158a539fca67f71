package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"

	"cannulary/internal/infectioncontrol"
	"cannulary/internal/surveil"
)

// reportCommand writes a month's surveillance report. All forms are made from one answer, so
// that they agree.
func reportCommand(ctx context.Context, env Env, args []string) error {
	var s source
	var facility, month, out, page, table string
	var asJSON bool
	set := flags(env, "report",
		"(--http URL | --data DIR) [--facility CODE] [--month YYYY-MM] (--out DIR | --html FILE | --csv FILE | --json)")
	s.flags(set)
	set.StringVar(&facility, "facility", "", "facility; needed where there is more than one")
	set.StringVar(&month, "month", "", "month, YYYY-MM (default the last month that has ended)")
	set.StringVar(&out, "out", "", "folder for report.html, report.csv and report.json; must not exist yet, or be empty")
	set.StringVar(&page, "html", "", "file for the report as a page to print; must not exist yet")
	set.StringVar(&table, "csv", "", "file for its figures; must not exist yet")
	set.BoolVar(&asJSON, "json", false, "the report as JSON to stdout")
	if err := parse(set, args, 0); err != nil {
		return err
	}
	forms := 0
	for _, given := range []bool{out != "", page != "", table != "", asJSON} {
		if given {
			forms++
		}
	}
	if forms != 1 {
		return errUse{"give one of --out DIR, --html FILE, --csv FILE and --json"}
	}
	if month != "" {
		if _, err := surveil.ParseMonth(month); err != nil {
			return errUse{"--month " + err.Error()}
		}
	}
	// Asking takes long, so the places are checked first.
	if err := free(out, page, table); err != nil {
		return err
	}
	body, err := s.get(ctx, env, "/surveillance/report", url.Values{"facility": {facility}, "month": {month}})
	if err != nil {
		return err
	}
	var r infectioncontrol.Report
	if err := json.Unmarshal(body, &r); err != nil || r.Month == "" || r.Caution == "" {
		return fmt.Errorf("the answer is not a report; do both sides run the same version?")
	}
	asIs := func(w io.Writer, _ *infectioncontrol.Report) error { _, err := w.Write(body); return err }
	switch {
	case asJSON:
		return asIs(env.Stdout, &r)
	case page != "":
		return writeReport(page, &r, infectioncontrol.WriteHTML)
	case table != "":
		return writeReport(table, &r, infectioncontrol.WriteCSV)
	}
	if err := os.MkdirAll(out, 0o700); err != nil {
		return err
	}
	if err := writeReport(filepath.Join(out, "report.html"), &r, infectioncontrol.WriteHTML); err != nil {
		return err
	}
	if err := writeReport(filepath.Join(out, "report.csv"), &r, infectioncontrol.WriteCSV); err != nil {
		return err
	}
	return writeReport(filepath.Join(out, "report.json"), &r, asIs)
}

// free refuses files that exist, so that no report is overwritten.
func free(dir string, names ...string) error {
	if dir != "" {
		list, err := os.ReadDir(dir)
		switch {
		case err == nil && len(list) > 0:
			return fmt.Errorf("%s is not empty; give a folder that does not exist yet", dir)
		case err != nil && !errors.Is(err, fs.ErrNotExist):
			return fmt.Errorf("%w; give a folder that does not exist yet", err)
		}
	}
	for _, name := range names {
		if name == "" {
			continue
		}
		if _, err := os.Lstat(name); err == nil {
			return fmt.Errorf("%s exists already; choose another name, or remove it", name)
		}
		if _, err := os.Stat(filepath.Dir(name)); err != nil {
			return fmt.Errorf("%w; make the folder first", err)
		}
	}
	return nil
}

// writeReport makes the whole file before it writes any of it. Only the owner can read it: the
// cases of a small unit may reveal who they are.
func writeReport(name string, r *infectioncontrol.Report, write func(io.Writer, *infectioncontrol.Report) error) error {
	var b bytes.Buffer
	if err := write(&b, r); err != nil {
		return err
	}
	return writeNew(name, b.Bytes())
}

// writeNew writes a new file that only its owner can read.
func writeNew(name string, content []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("%w; name a new file in a folder that exists", err)
	}
	_, err = f.Write(content)
	return errors.Join(err, f.Close())
}
