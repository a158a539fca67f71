package cli

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cannulary/internal/infectioncontrol"
)

func TestWrongUseOfReport(t *testing.T) {
	somewhere, full := t.TempDir(), t.TempDir()
	kept := filepath.Join(full, "kept.html")
	if err := os.WriteFile(kept, []byte("kept"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		sentence string
		args     []string
		code     int
		says     string
	}{
		{"no form", []string{"--data", somewhere}, WrongUse, "give one of --out DIR, --html FILE, --csv FILE and --json"},
		{"two forms", []string{"--data", somewhere, "--json", "--csv", "x.csv"}, WrongUse,
			"give one of --out DIR, --html FILE, --csv FILE and --json"},
		{"nowhere to ask", []string{"--json"}, WrongUse,
			"give either --http URL, for a running instance, or --data DIR, for one on this machine"},
		{"a month that is none", []string{"--data", somewhere, "--json", "--month", "May"}, WrongUse,
			`--month "May" is not a month; write YYYY-MM`},
		{"an argument too many", []string{"--data", somewhere, "--json", "more"}, WrongUse,
			`argument "more" is not expected; see cannulary report --help`},
		{"a folder that is not empty", []string{"--data", somewhere, "--out", full}, Failed,
			full + " is not empty; give a folder that does not exist yet"},
		{"a file for a folder", []string{"--data", somewhere, "--out", kept}, Failed,
			"kept.html: not a directory; give a folder that does not exist yet"},
		{"a file that is there", []string{"--data", somewhere, "--html", kept}, Failed,
			kept + " exists already; choose another name, or remove it"},
		{"a file in no folder", []string{"--data", somewhere, "--csv", filepath.Join(full, "none", "x.csv")}, Failed,
			"no such file or directory; make the folder first"},
		{"a folder without an instance", []string{"--data", somewhere, "--json"}, Failed, "there is no instance in " + somewhere +
			"; check --data"},
		{"nobody there", []string{"--http", "http://127.0.0.1:1", "--json"}, Failed, "is it running?"},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			code, stdout, stderr := run(context.Background(), append([]string{"report"}, c.args...)...)
			if code != c.code || stdout != "" || !strings.HasPrefix(stderr, "cannulary report: ") || !strings.Contains(stderr, c.says) ||
				strings.Count(stderr, "\n") != 1 {
				t.Errorf("exit code %d, want %d; stdout %q, stderr %q, want one line with %q", code, c.code, stdout, stderr, c.says)
			}
		})
	}
	if b, err := os.ReadFile(kept); err != nil || string(b) != "kept" {
		t.Errorf("the kept report was touched: %q %v", b, err)
	}
}

func TestAnswersThatAreNoReport(t *testing.T) {
	for _, c := range []struct {
		status       int
		answer, says string
	}{
		{http.StatusNotFound, `{"error":{"code":"not-found","text":"facility \"x\" is not registered here"}}`,
			`facility "x" is not registered here`},
		{http.StatusBadGateway, "<html>", "answered 502 Bad Gateway: <html>"},
		{http.StatusOK, "<html>", "the answer is not a report; do both sides run the same version?"},
		{http.StatusOK, "{}", "the answer is not a report; do both sides run the same version?"},
	} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(c.status)
			_, _ = w.Write([]byte(c.answer))
		}))
		out := filepath.Join(t.TempDir(), "out")
		code, stdout, stderr := run(context.Background(), "report", "--facility", "x", "--http", s.URL, "--out", out)
		if _, err := os.Stat(out); code != Failed || stdout != "" || !strings.Contains(stderr, c.says) || err == nil {
			t.Errorf("%d: exit code %d, stdout %q, stderr %q, folder %v", c.status, code, stdout, stderr, err)
		}
		s.Close()
	}
}

func TestReportOfARunningAndAStoppedInstance(t *testing.T) {
	dir, address, stop := instance(t)
	out := filepath.Join(t.TempDir(), "out")
	if code, stdout, stderr := run(context.Background(), "report", "--http", address, "--month", "2026-06", "--out",
		out); code != Done || stdout != "" {
		t.Fatalf("%d %q %q", code, stdout, stderr)
	}
	read := func(name string) string {
		t.Helper()
		b, err := os.ReadFile(filepath.Join(out, name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	var r infectioncontrol.Report
	if err := json.Unmarshal([]byte(read("report.json")), &r); err != nil || r.Month != "2026-06" || r.Lagging || r.Sequence == 0 {
		t.Fatalf("%v %+v", err, r)
	}
	if page := read("report.html"); !strings.Contains(page, "Infections in 2026-06") ||
		strings.Count(page, infectioncontrol.Caution[:20]) != 2 {
		t.Error("the page is not a report")
	}
	if !strings.HasPrefix(read("report.csv"), "facility,month,") {
		t.Error("the file has no head")
	}
	code, _, stderr := run(context.Background(), "report", "--http", address, "--facility", "elsewhere", "--json")
	if code != Failed || !strings.Contains(stderr, `facility "elsewhere" is not registered here. Choose one of: `+r.Facility) {
		t.Errorf("another facility: %d %q", code, stderr)
	}
	code, _, stderr = run(context.Background(), "report", "--http", address, "--month", "2026-01", "--json")
	if code != Failed || !strings.Contains(stderr, "month 2026-01 lies before the record of "+r.Facility) {
		t.Errorf("a month before the record: %d %q", code, stderr)
	}
	stop()
	page := filepath.Join(t.TempDir(), "stopped.html")
	if code, _, stderr := run(context.Background(), "report", "--data", dir, "--month", "2026-06", "--html", page); code != Done {
		t.Fatalf("%d %q", code, stderr)
	}
	b, err := os.ReadFile(page)
	if err != nil || !strings.Contains(string(b), "Infections in 2026-06") {
		t.Errorf("of the stopped instance: %v %.200s", err, b)
	}
	if info, err := os.Stat(page); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("others may read the report: %v %v", info.Mode(), err)
	}
}
