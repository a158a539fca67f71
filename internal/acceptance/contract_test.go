package acceptance_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"cannulary/internal/feed"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// What other people's scripts rely on.
func TestServeKeepsTheOutsideContract(t *testing.T) {
	t.Parallel()
	p := serve(t, t.TempDir()) // which reads {"grpc":"host:port","http":"http://host:port"}
	if tally, _, err := post(patience(t), p.grpc, mergeable()); err != nil || tally.Accepted != tally.Sent {
		t.Fatalf("%+v, %v", tally, err)
	}
	for path, status := range map[string]string{"/healthz": "alive", "/readyz": "ready"} {
		var said struct{ Status string }
		code, text := get(t, p.http+path)
		if err := json.Unmarshal([]byte(text), &said); code != 200 || err != nil || said.Status != status {
			t.Errorf("%s answers %d %s", path, code, text)
		}
	}
	eventually(t, "the view has all, and its tracks are judged", func() bool {
		_, text := get(t, p.http+"/metrics")
		return strings.Contains(text, `cannulary_projector_lag_events{projector="view"} 0`+"\n") && strings.Contains(text, `cannulary_open_holds{facility="`+north+`",rule="person"} 2`+"\n")
	})
	_, text := get(t, p.http+"/metrics")
	for _, want := range []string{
		`cannulary_ingest_messages_total\{outcome="accepted",service="cannulation"\} 14`,
		`cannulary_ingest_messages_total\{outcome="accepted",service="roster"\} 4`,
		`cannulary_ingest_messages_total\{outcome="(duplicate|refused|conflict|failed)",service="surveillance"\} 0`,
		`cannulary_log_last_sequence [0-9]+`,
		`cannulary_projector_sequence\{projector="view"\} [0-9]+`,
		`cannulary_projector_sequence\{projector="ingest-index"\} [0-9]+`,
		`cannulary_quarantined_events 0`,
		`cannulary_facility_last_event_timestamp_seconds\{facility="invented-north"\} [0-9.e+]+`,
		`cannulary_open_holds\{facility="invented-north",rule="person"\} 2`,
		`cannulary_tracks\{facility="invented-north",stage="forming"\} 2`,
	} {
		if !regexp.MustCompile(`(?m)^` + want + `$`).MatchString(text) {
			t.Errorf("/metrics has no line like %s", want)
		}
	}
	// The id of a hold is a hash of rule and fact. Any other id would be a patient's.
	ids := regexp.MustCompile(`hold="[0-9a-f]{32}"`)
	if len(ids.FindAllString(text, -1)) != 2 {
		t.Errorf("two holds are open, their ids are %v", ids.FindAllString(text, -1))
	}
	if m := regexp.MustCompile(`\{[^}]*[0-9a-f]{32}[^}]*\}`).FindString(ids.ReplaceAllString(text, "")); m != "" {
		t.Errorf("a metric names a patient: %s", m)
	}
	if code, took := p.end(syscall.SIGTERM); checkEnd(code, took) != "" {
		t.Error(checkEnd(code, took))
	}
	// The log's head is noted once a day, and the first time soon after a start.
	for line := range strings.Lines(p.log.String()) {
		if !strings.Contains(line, `"msg":"the log's head; `) {
			t.Errorf("on a quiet day it logs %s", line)
		}
	}
}

// card and status ask a running instance and a stopped one, and get the same.
func TestCardAndStatusAskRunningAndStoppedInstances(t *testing.T) {
	t.Parallel()
	i := start(t, t.TempDir())
	i.post(mergeable())
	http, who := "http://"+i.app.HTTPAddr(), testkit.Patient("INV-M1")
	card := func(args ...string) string {
		t.Helper()
		code, stdout, stderr := cliRun(t, append(args, "--identifier", who.GetSystem()+"|"+who.GetValue(), "--as-of", "2025-04-01T18:00:00Z")...)
		if code != 0 || stderr != "" {
			t.Fatalf("%v exits %d and says %s", args, code, stderr)
		}
		return stdout
	}
	status := func(args ...string) (s struct {
		Ready, Lagging bool
		LogSequence    uint64
		Projected      uint64
		Facilities     []struct{ ID string }
	}) {
		t.Helper()
		code, stdout, stderr := cliRun(t, append(append([]string{"status"}, args...), "--json")...)
		if err := json.Unmarshal([]byte(stdout), &s); code != 0 || err != nil {
			t.Fatalf("status %v exits %d (%v): %s %s", args, code, err, stdout, stderr)
		}
		return s
	}
	text, asJSON, s := card("card", "--http", http), card("card", "--http", http, "--json"), status("--http", http)
	for _, want := range []string{"Merge-INV-M1, Invented", "born 1950-01-02", who.GetValue(), "ARTERIAL TRACK A1 (access F1)   FORMING", "A hold is open: do not needle here", "Decision support only"} {
		if !strings.Contains(text, want) {
			t.Errorf("the card has no %q: %s", want, text)
		}
	}
	if !s.Ready || s.LogSequence != i.last() || s.Projected != s.LogSequence || len(s.Facilities) != 2 {
		t.Errorf("status %+v", s)
	}
	if code, stdout, _ := cliRun(t, "status", "--http", http); code != 0 || strings.Count(stdout, "\n") > 12 || !strings.Contains(stdout, "acceptance, ready") {
		t.Errorf("status exits %d: %s", code, stdout)
	}
	i.stop()
	if again := card("card", "--data", i.dir); again != text {
		a, b := around(text, again)
		t.Errorf("the card of the running instance says …%s, of the stopped one …%s", a, b)
	}
	if again := card("card", "--data", i.dir, "--json"); again != asJSON {
		a, b := around(asJSON, again)
		t.Errorf("the card of the running instance says …%s, of the stopped one …%s", a, b)
	}
	if stopped := status("--data", i.dir); !stopped.Ready || stopped.LogSequence != s.LogSequence {
		t.Errorf("status of the stopped instance %+v, of the running one %+v", stopped, s)
	}
	for _, c := range []struct {
		code int
		text string
		args []string
	}{
		{1, "No record under this number. That is not an all-clear. Check the number.", []string{"card", "--data", i.dir, "--identifier", "https://hospital.example/patient-number|nobody"}},
		{1, "is it running?", []string{"status", "--http", http}},
		{1, "there is no instance in", []string{"status", "--data", filepath.Join(i.dir, "nowhere")}},
		{1, "there is no instance in", []string{"rebuild", "--data", filepath.Join(i.dir, "nowhere")}},
		{2, "give either --http URL, for a running instance, or --data DIR, for one on this machine", []string{"status"}},
		{2, "give either --http URL, for a running instance, or --data DIR, for one on this machine", []string{"status", "--http", http, "--data", i.dir}},
		{2, "--identifier is missing", []string{"card", "--http", http}},
		{2, `"yesterday" is not a time`, []string{"card", "--http", http, "--identifier", "a|b", "--as-of", "yesterday"}},
		{2, "there is no command", []string{"nonsense"}},
		{2, "flag provided but not defined", []string{"serve", "--nonsense"}},
		{2, "--data is missing", []string{"serve"}},
		{1, "address 0.0.0.0:0 can be reached from other machines, so it needs --policy, --tls-certificate and --tls-key", []string{"serve", "--data", i.dir, "--http", "0.0.0.0:0"}},
		{1, "address :7450 can be reached from other machines", []string{"serve", "--data", i.dir, "--http", "127.0.0.1:0", "--grpc", ":7450"}},
		{1, "an external log needs --master-key-file", []string{"serve", "--data", i.dir, "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--nats", externalNATS(t).url}},
	} {
		code, stdout, stderr := cliRun(t, c.args...)
		if code != c.code || stdout != "" || !strings.Contains(stderr, c.text) || strings.Count(stderr, "\n") != 1 {
			t.Errorf("%v exits %d, prints %q and says %q, want %d and %q in one line", c.args, code, stdout, stderr, c.code, c.text)
		}
	}
}

// --help shows all flags and is no error.
func TestHelpShowsTheFlags(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"serve", "simulate", "load", "card", "status", "rebuild", "demo"} {
		code, stdout, stderr := cliRun(t, name, "--help")
		if code != 0 || stdout != "" || !strings.HasPrefix(stderr, "usage: cannulary "+name+" ") || strings.Count(stderr, "\n  -") == 0 {
			t.Errorf("%s --help exits %d: %s%s", name, code, stdout, stderr)
		}
	}
}

type closing struct{ Sent, Accepted, Duplicates, Refused int }

func lastLine(tb testing.TB, stdout string) (c closing) {
	tb.Helper()
	if err := json.Unmarshal([]byte(stdout), &c); err != nil || strings.Count(stdout, "\n") != 1 {
		tb.Errorf("the closing line is %q (%v)", stdout, err)
	}
	if c.Sent != c.Accepted+c.Duplicates+c.Refused {
		tb.Errorf("%+v does not add up", c)
	}
	return c
}

// load reports bad lines with their number and goes on; its exit code tells of any.
func TestLoadCountsGoodAndBadLines(t *testing.T) {
	t.Parallel()
	i := start(t, t.TempDir())
	write := func(name string, lines ...string) string {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, []byte(strings.Join(lines, "\n")), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	line := func(m *v1.FeedRequest) string {
		var b bytes.Buffer
		if err := feed.WriteLine(&b, m); err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(b.String())
	}
	r := registrations()
	good := write("good", line(r[0]), "", line(r[1]), line(r[0]))
	thirteen := testkit.Request(about("thirteen", north, "INV-M1", "03T08:00", ""), inserted("A1", 25))
	thirteen.GetCannulation().GetFacts()[0].GetNeedleInserted().Gauge = new(uint32) // a gauge of 0
	bad := write("bad", line(r[0]), "no JSON", line(thirteen), `{"roster":{"nonsense":1}}`, line(testkit.Request(about("fine", north, "INV-M1", "03T08:00", ""), inserted("A1", 25))))
	load := func(files ...string) (int, string, string) {
		return cliRun(t, append([]string{"load", "--grpc", i.app.GRPCAddr()}, files...)...)
	}
	code, stdout, stderr := load(good)
	if c := lastLine(t, stdout); code != 0 || c != (closing{3, 2, 1, 0}) || stderr != "" {
		t.Errorf("load of a good file exits %d: %s %s", code, stdout, stderr)
	}
	code, stdout, stderr = load(good, bad)
	if c := lastLine(t, stdout); code != 1 || c != (closing{8, 1, 4, 3}) {
		t.Errorf("load of a bad file exits %d: %s", code, stdout)
	}
	for _, want := range []string{bad + " line 2 refused: ", bad + " line 4 refused: ",
		bad + ` line 3 refused: message "thirteen": facts[0].needle_inserted.gauge: `} {
		if !strings.Contains(stderr, want) {
			t.Errorf("load does not say %q: %s", want, stderr)
		}
	}
	if code, stdout, _ := cliRun(t, "load"); code != 2 || stdout != "" {
		t.Errorf("load of nothing exits %d: %s", code, stdout)
	}
	if code, _, stderr := load(filepath.Join(t.TempDir(), "nowhere")); code != 1 || !strings.Contains(stderr, "no such file") {
		t.Errorf("load of a missing file exits %d: %s", code, stderr)
	}
}

// The same seed and last day give the same messages, byte for byte, on paper and posted.
func TestSimulateGivesTheSameMessagesAgain(t *testing.T) {
	t.Parallel()
	args := []string{"--patients", "3", "--months", "1", "--until", "2025-03-31", "--seed", "9"}
	simulate := func(more ...string) (int, string, string) {
		return cliRun(t, append(append([]string{"simulate"}, args...), more...)...)
	}
	dir := t.TempDir()
	var files [3][]byte
	for n, more := range [][]string{nil, nil, {"--seed", "10"}} {
		path := filepath.Join(dir, fmt.Sprint("feed-", n))
		code, stdout, stderr := simulate(append(more, "--out", path)...)
		if code != 0 || stderr != "" || !strings.HasPrefix(stdout, `{"written":`) {
			t.Fatalf("simulate exits %d: %s %s", code, stdout, stderr)
		}
		var err error
		if files[n], err = os.ReadFile(path); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(files[0], files[1]) || bytes.Equal(files[0], files[2]) || len(files[0]) == 0 {
		t.Errorf("twice the same seed must give the same bytes, another seed others: %d, %d, %d bytes", len(files[0]), len(files[1]), len(files[2]))
	}
	i := start(t, t.TempDir())
	lines := bytes.Count(files[0], []byte("\n"))
	code, stdout, stderr := simulate("--grpc", i.app.GRPCAddr())
	if c := lastLine(t, stdout); code != 0 || c.Sent != lines || c.Refused != 0 || c.Accepted == 0 {
		t.Errorf("simulate exits %d with %s for %d messages: %s", code, stdout, lines, stderr)
	}
	// What stands in the file is what was posted.
	path := filepath.Join(dir, "again")
	if err := os.WriteFile(path, files[0], 0o600); err != nil {
		t.Fatal(err)
	}
	code, stdout, _ = cliRun(t, "load", "--grpc", i.app.GRPCAddr(), path)
	if c := lastLine(t, stdout); code != 0 || c != (closing{lines, 0, lines, 0}) {
		t.Errorf("load of the written messages exits %d with %s", code, stdout)
	}
	for _, wrong := range [][]string{{}, {"--grpc", "x", "--out", "y"}, {"--out", "y", "--until", "soon"}, {"--out", "y", "--patients", "0"}} {
		if code, stdout, _ := simulate(wrong...); code != 2 || stdout != "" {
			t.Errorf("simulate %v exits %d: %s", wrong, code, stdout)
		}
	}
}
