package cli

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"cannulary/internal/card"
)

// run runs a command and gives its exit code and what it wrote.
func run(ctx context.Context, args ...string) (code int, stdout, stderr string) {
	var out, log bytes.Buffer
	code = Run(ctx, Env{Stdout: &out, Stderr: &log, Now: time.Now, Version: "test"}, args)
	return code, out.String(), log.String()
}

// scratch is the folder of what tests share. TestMain sets it before any test runs.
var scratch string

func TestMain(m *testing.M) {
	var err error
	if scratch, err = os.MkdirTemp("", "cannulary-cli-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	code := m.Run()
	_ = os.RemoveAll(scratch)
	os.Exit(code)
}

// filled is the folder of a stopped instance with an invented unit's feed of two months. The
// first test that needs it makes it.
var (
	filled string
	fill   sync.Once
)

// instance is a running one of a copy of that folder.
func instance(t *testing.T) (dir, address string, stop func()) {
	t.Helper()
	fill.Do(func() {
		dir, grpc, address, stop := served(t, filepath.Join(scratch, "filled"))
		if code, out, log := run(context.Background(), "simulate", "--grpc", grpc, "--units", "1", "--patients", "6", "--months", "2",
			"--until", "2026-06-30"); code != Done {
			t.Fatalf("simulate: %d %s %s", code, out, log)
		}
		follow(t, address)
		stop()
		filled = dir
	})
	if filled == "" {
		t.Fatal("the instance could not be filled; the first test that needed it says why")
	}
	dir = filepath.Join(t.TempDir(), "data")
	if err := os.CopyFS(dir, os.DirFS(filled)); err != nil {
		t.Fatal(err)
	}
	dir, _, address, stop = served(t, dir)
	follow(t, address)
	return dir, address, stop
}

// follow waits until the view has followed the log and the day has begun everywhere: the
// service notes that within a second, and nothing of surveillance is counted before.
func follow(t *testing.T, address string) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		_, out, _ := run(context.Background(), "status", "--http", address, "--json")
		var st struct {
			LogSequence, Lag uint64
			Facilities       []struct{ Day string }
		}
		begun := json.Unmarshal([]byte(out), &st) == nil && st.LogSequence > 0 && st.Lag == 0
		for _, f := range st.Facilities {
			begun = begun && f.Day != ""
		}
		if begun {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("the view does not follow: %s", out)
		}
	}
}

// served is a running instance of the folder, a new one where none is named.
func served(t *testing.T, folder ...string) (dir, grpc, address string, stop func()) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "data")
	if len(folder) > 0 {
		dir = folder[0]
	}
	ctx, cancel := context.WithCancel(context.Background())
	r, w := io.Pipe()
	ended := make(chan int, 1)
	go func() {
		code := Run(ctx, Env{Stdout: w, Stderr: io.Discard, Now: time.Now, Version: "test"},
			[]string{"serve", "--data", dir, "--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0"})
		_ = w.CloseWithError(fmt.Errorf("serve ended with %d", code))
		ended <- code
	}()
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		if code := <-ended; code != Done {
			t.Errorf("serve ended with %d", code)
		}
	}
	t.Cleanup(stop)
	line, err := bufio.NewReader(r).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	var where struct{ GRPC, HTTP string }
	if err := json.Unmarshal([]byte(line), &where); err != nil {
		t.Fatalf("%v in %q", err, line)
	}
	return dir, where.GRPC, where.HTTP, stop
}

func TestPackOfARunningAndAStoppedInstance(t *testing.T) {
	dir, address, stop := instance(t)
	ctx := context.Background()
	parent := t.TempDir()
	check := func(name string, from ...string) int {
		t.Helper()
		out := filepath.Join(parent, name)
		code, stdout, stderr := run(ctx, append([]string{"card", "--all", "--out", out}, from...)...)
		if code != Done {
			t.Fatalf("%s: %d %s", name, code, stderr)
		}
		var r struct {
			Cards, Held int
			Out         string
		}
		if err := json.Unmarshal([]byte(stdout), &r); err != nil || strings.Count(stdout, "\n") != 1 || r.Out != out || r.Cards == 0 {
			t.Fatalf("%s: the closing line is %q, %v", name, stdout, err)
		}
		b, err := os.ReadFile(filepath.Join(out, "cards.json"))
		if err != nil {
			t.Fatal(err)
		}
		var cards []card.Card
		if err := json.Unmarshal(b, &cards); err != nil || len(cards) != r.Cards {
			t.Fatalf("%s: %d cards in cards.json, %v", name, len(cards), err)
		}
		index, err := os.ReadFile(filepath.Join(out, "index.html"))
		if err != nil {
			t.Fatal(err)
		}
		all, err := os.ReadFile(filepath.Join(out, "print.html"))
		if err != nil {
			t.Fatal(err)
		}
		held := 0
		for _, c := range cards {
			page, err := os.ReadFile(filepath.Join(out, "card-"+c.Patient.ID+".html"))
			if err != nil {
				t.Fatal(err)
			}
			if c.Patient.Name == "" || !strings.Contains(string(page), "<b>"+c.Patient.Name+"</b> born") ||
				!strings.Contains(string(all), "<b>"+c.Patient.Name+"</b> born") || !strings.Contains(string(index), "card-"+c.Patient.ID+".html") {
				t.Errorf("%s: the card of %q is not whole", name, c.Patient.Name)
			}
			if c.StandingHold {
				held++
			}
		}
		if held != r.Held {
			t.Errorf("%s: %d held, the closing line says %d", name, held, r.Held)
		}
		files, err := os.ReadDir(out)
		if err != nil || len(files) != r.Cards+3 {
			t.Errorf("%s: %d files, %v", name, len(files), err)
		}
		for _, f := range files {
			for _, c := range cards {
				for _, id := range c.Patient.Identifiers {
					if strings.Contains(f.Name(), id.Value) {
						t.Errorf("%s: the name of %s tells an identifier", name, f.Name())
					}
				}
			}
		}
		return r.Cards
	}
	running := check("running", "--http", address)
	// The same folder again is refused, and nothing in it changes.
	code, _, stderr := run(ctx, "card", "--all", "--http", address, "--out", filepath.Join(parent, "running"))
	if code != Failed || !strings.Contains(stderr, "exists and is not empty") {
		t.Errorf("again: %d %q", code, stderr)
	}
	code, _, stderr = run(ctx, "card", "--all", "--http", address, "--facility", "elsewhere", "--out", filepath.Join(parent, "elsewhere"))
	if code != Failed || !strings.Contains(stderr, "no facility with this code is registered") {
		t.Errorf("elsewhere: %d %q", code, stderr)
	}
	if held := check("held", "--data", dir); held != running {
		t.Errorf("%d cards by the running instance's socket, %d at its address", held, running)
	}
	stop()
	if stopped := check("stopped", "--data", dir); stopped != running {
		t.Errorf("%d cards of the stopped instance, %d of the running one", stopped, running)
	}
}

func TestPackSaysWhatIsWrong(t *testing.T) {
	answer := func(status int, body string) string {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(status)
			_, _ = io.WriteString(w, body)
			if strings.HasSuffix(body, "…") {
				w.(http.Flusher).Flush()
				panic(http.ErrAbortHandler)
			}
		}))
		t.Cleanup(s.Close)
		return s.URL
	}
	const gone = "http://127.0.0.1:1" // no server of a test is given that port
	whole := `{"patient":{"id":"a1"},"caution":"Decision support only."}` + "\n"
	parent := t.TempDir()
	out := filepath.Join(parent, "pack")
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"--all", "--http", "http://x"}, WrongUse, "--out is missing; give a folder that does not exist yet"},
		{[]string{"--all", "--out", out}, WrongUse, "give either --http URL, for a running instance, or --data DIR"},
		{[]string{"--all", "--out", out, "--http", "http://x", "--data", "y"}, WrongUse, "give either --http URL"},
		{[]string{"--all", "--out", out, "--http", "http://x", "--identifier", "a|b"}, WrongUse, "--all takes --out and --facility"},
		{[]string{"--all", "--out", out, "--http", "http://x", "--json"}, WrongUse, "--all takes --out and --facility"},
		{[]string{"--all", "--out", out, "--http", "http://x", "--as-of", "2026-01-01"}, WrongUse, "--all takes --out and --facility"},
		{[]string{"--out", out, "--http", "http://x", "--identifier", "a|b"}, WrongUse, "--out and --facility go with --all"},
		{[]string{"--http", "http://x"}, WrongUse, "--identifier is missing"},
		{[]string{"--all", "--out", out, "--http", "ht tp://x"}, WrongUse, "is not a URL"},
		{[]string{"--all", "--out", out, "--http", gone}, Failed, "is it running?"},
		{[]string{"--all", "--out", out, "--data", filepath.Join(parent, "none")}, Failed, "there is no instance in"},
		{[]string{"--all", "--out", filepath.Join(parent, "no", "pack"), "--http", gone}, Failed, "does not exist; make it first"},
		{[]string{"--all", "--out", out, "--http", answer(503, `{"error":{"code":"unavailable","text":"try again"}}`)},
			Failed, "try again"},
		{[]string{"--all", "--out", out, "--http", answer(404, "no page")}, Failed, "404 Not Found: no page"},
		{[]string{"--all", "--out", out, "--http", answer(200, whole+`{"patient":…`)}, Failed, "read the answer of"},
		{[]string{"--all", "--out", out, "--http", answer(200, whole+`{"patient":`)}, Failed, "broke off after 1 cards"},
		{[]string{"--all", "--out", out, "--http", answer(200, whole+`[1]`)}, Failed, "line 2 of the answer is not a card"},
		{[]string{"--all", "--out", out, "--http", answer(200, `{"status":"ready"}`)}, Failed, "line 1 of the answer is not a card"},
		{[]string{"--all", "--out", out, "--http", answer(200, strings.Replace(whole, "a1", "../a", 1))}, Failed, "cannot be a file name"},
	} {
		code, stdout, stderr := run(context.Background(), append([]string{"card"}, c.args...)...)
		last := strings.TrimSpace(stderr)
		if code != c.code || !strings.Contains(last, c.says) || strings.Contains(last, "\n") || stdout != "" {
			t.Errorf("%q: %d, %q, %q, want %d with %q", c.args, code, stdout, stderr, c.code, c.says)
		}
	}
	if left, err := os.ReadDir(parent); err != nil || len(left) != 0 {
		t.Errorf("what failed left %v, %v", left, err)
	}
}
