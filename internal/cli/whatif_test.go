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

	"cannulary/internal/whatif"
)

func protocolFile(t *testing.T, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "other.json")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func TestWrongUseOfWhatIf(t *testing.T) {
	good := protocolFile(t, `{"formingSessionsTarget":9}`)
	somewhere := t.TempDir()
	for _, c := range []struct {
		sentence string
		args     []string
		code     int
		says     string
	}{
		{"no protocol", []string{"--data", somewhere}, WrongUse,
			"--protocol is missing; name a file with the other protocol in protobuf-JSON"},
		{"nowhere to ask", []string{"--protocol", good}, WrongUse,
			"give either --http URL, for a running instance, or --data DIR, for one on this machine"},
		{"two places to ask", []string{"--protocol", good, "--http", "http://127.0.0.1:1", "--data", somewhere}, WrongUse,
			"give either --http URL"},
		{"no URL", []string{"--protocol", good, "--http", "here"}, WrongUse,
			`--http "here" is not a URL; give for instance http://127.0.0.1:7451`},
		{"an argument too many", []string{"--protocol", good, "--data", somewhere, "more"}, WrongUse,
			`argument "more" is not expected; see cannulary what-if --help`},
		{"a flag nobody knows", []string{"--patients", "3"}, WrongUse, "see cannulary what-if --help"},
		{"a file that is not there", []string{"--protocol", filepath.Join(somewhere, "none.json"), "--data", somewhere}, Failed,
			"none.json: no such file or directory; check --protocol"},
		{"a folder for a file", []string{"--protocol", somewhere, "--data", somewhere}, Failed, "is a directory; check --protocol"},
		{"a folder without an instance", []string{"--protocol", good, "--data", somewhere}, Failed, "there is no instance in " + somewhere +
			"; check --data"},
		{"nobody there", []string{"--protocol", good, "--http", "http://127.0.0.1:1"}, Failed, "is it running?"},
		{"a target below six", []string{"--protocol", protocolFile(t, `{"forming_sessions_target":5}`), "--data", somewhere}, Failed,
			"the protocol other.json is refused: forming_sessions_target: "},
		{"a fixed rule loosened", []string{"--protocol", protocolFile(t, `{"skin_at_risk":"note"}`), "--data", somewhere}, Failed,
			"skin_at_risk: is not a parameter: skin-at-risk is a fixed rule, which no protocol may change or loosen"},
		{"an impossible combination", []string{"--protocol", protocolFile(t, `{"gap_extra_days":20,"gap_restart_days":10}`), "--data",
			somewhere}, Failed, "gap_extra_days must be below gap_restart_days"},
		{"a slip of the pen", []string{"--protocol", protocolFile(t, `{"use_pegs":true}`), "--data", somewhere}, Failed,
			"use_pegs: is not a parameter; is uses_pegs meant?"},
		{"no JSON", []string{"--protocol", protocolFile(t, `nine`), "--data", somewhere}, Failed, "it is not a JSON object"},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			code, stdout, stderr := run(context.Background(), append([]string{"what-if"}, c.args...)...)
			if code != c.code || stdout != "" || !strings.HasPrefix(stderr, "cannulary what-if: ") || !strings.Contains(stderr, c.says) ||
				strings.Count(stderr, "\n") != 1 {
				t.Errorf("exit code %d, want %d; stdout %q, stderr %q, want one line with %q", code, c.code, stdout, stderr, c.says)
			}
		})
	}
}

func TestAnswersThatAreNoComparison(t *testing.T) {
	good := protocolFile(t, `{}`)
	for _, c := range []struct {
		status       int
		answer, says string
	}{
		{http.StatusNotFound, `{"error":{"code":"not-found","text":"facility \"x\" is not registered here"}}`,
			`facility "x" is not registered here`},
		{http.StatusBadGateway, "<html>", "answered 502 Bad Gateway: <html>"},
		{http.StatusOK, "<html>", "the answer is not a comparison"},
	} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(c.status)
			_, _ = w.Write([]byte(c.answer))
		}))
		code, stdout, stderr := run(context.Background(), "what-if", "--protocol", good, "--facility", "x", "--http", s.URL)
		if code != Failed || stdout != "" || !strings.Contains(stderr, c.says) {
			t.Errorf("%d: exit code %d, stdout %q, stderr %q", c.status, code, stdout, stderr)
		}
		s.Close()
	}
}

func TestWhatIfOfARunningAndAStoppedInstance(t *testing.T) {
	dir, address, stop := instance(t)
	file := protocolFile(t, `{"formingSessionsTarget":12,"angleToleranceDegrees":2}`)
	ask := func(from ...string) (whatif.Report, string) {
		t.Helper()
		args := append([]string{"what-if", "--protocol", file}, from...)
		code, text, stderr := run(context.Background(), args...)
		if code != Done {
			t.Fatalf("%d %s", code, stderr)
		}
		code, out, stderr := run(context.Background(), append(args, "--json")...)
		var r whatif.Report
		if err := json.Unmarshal([]byte(out), &r); code != Done || err != nil {
			t.Fatalf("%d %v %s", code, err, stderr)
		}
		return r, text
	}
	running, text := ask("--http", address)
	if running.Version != "other.json" || running.EffectiveFrom != "1970-01-01" || len(running.Facilities) != 1 ||
		running.Facilities[0].Totals.Patients == 0 || running.Sequence == 0 {
		t.Errorf("%+v", running)
	}
	if !strings.Contains(text, `What if protocol "other.json" had been in force from 1970-01-01 on?`) ||
		!strings.Contains(text, "Decision support only.") {
		t.Errorf("the text is\n%s", text)
	}
	code, _, stderr := run(context.Background(), "what-if", "--protocol", file, "--http", address, "--facility", "elsewhere")
	if code != Failed || !strings.Contains(stderr, `facility "elsewhere" is not registered here. Choose one of: `+
		running.Facilities[0].Facility) {
		t.Errorf("another facility: %d %q", code, stderr)
	}
	if held, _ := ask("--data", dir); held.Sequence < running.Sequence {
		t.Errorf("in the folder of the running instance it says %+v, at its address %+v", held, running)
	}
	stop()
	stopped, _ := ask("--data", dir)
	if stopped.Sequence < running.Sequence || stopped.Facilities[0].Totals.Sessions != running.Facilities[0].Totals.Sessions {
		t.Errorf("stopped it says %+v, running it said %+v", stopped.Facilities, running.Facilities)
	}
}
