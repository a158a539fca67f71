package acceptance_test

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"cannulary/internal/app"
	"cannulary/internal/view"
)

// damagedView is the file under which a damaged view is kept.
func damagedView(dir string) string { return filepath.Join(dir, "view", view.AsideName) }

func there(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// asked is what an address answers; a process that is being opened again answers nothing.
func asked(url string) (code int, header http.Header, body string) {
	resp, err := http.Get(url)
	if err != nil {
		return 0, nil, err.Error()
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		return 0, nil, err.Error()
	}
	return resp.StatusCode, resp.Header, string(b)
}

// builtAgain waits until a process has built its damaged view again, and looks at what it says and left.
func builtAgain(t *testing.T, p *process, dir string) {
	t.Helper()
	eventually(t, "the view stands in its place again: "+p.log.String(), func() bool {
		code, _, _ := asked(p.http + "/readyz")
		return code == http.StatusOK && there(damagedView(dir)) && there(filepath.Join(dir, "view", viewName()))
	})
	for _, line := range []string{"the view is damaged: it is not read any more", "the view is built again; it is put in its place"} {
		if n := strings.Count(p.log.String(), line); n != 1 {
			t.Errorf("%q stands %d times in %s", line, n, p.log)
		}
	}
	if _, _, figures := asked(p.http + "/metrics"); !strings.Contains(figures, "\ncannulary_view_damaged 1\n") {
		t.Error("the figures do not say that a damaged view is kept")
	}
	if code, took := p.end(syscall.SIGTERM); checkEnd(code, took) != "" {
		t.Error(checkEnd(code, took))
	}
	code, stdout, stderr := cliRun(t, "verify", "--data", dir)
	if code != 0 || !strings.Contains(stdout, "a damaged view is kept as "+view.AsideName) {
		t.Errorf("verify exits %d and says %s%s", code, stdout, stderr)
	}
	want := dump(t, dir)
	rebuild(t, dir, len(want["event"]))
	same(t, want, dump(t, dir))
}

// A bit that flipped while the service was stopped: in the file's first page, and in one that nobody asks for, which the
// scrub finds.
func TestADamagedViewIsBuiltAgainByItself(t *testing.T) {
	t.Parallel()
	u := shared(t)
	for name, bit := range map[string]func(bits int) int{
		"its beginning":       func(int) int { return 8 * 4000 },
		"its first page":      func(int) int { return 8 * 20 },
		"a page in it":        func(bits int) int { return bits / 2 },
		"the end of its file": func(bits int) int { return bits - 8*5000 },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := u.copy(t)
			path := filepath.Join(dir, "view", viewName())
			flip(t, path, bit(8*size64(t, path)))
			if code, stdout, _ := cliRun(t, "verify", "--data", dir); code != 1 || !strings.Contains(stdout, "it does not agree with its checksums") {
				t.Errorf("verify exits %d and says %s", code, stdout)
			}
			builtAgain(t, serve(t, dir), dir)
		})
	}
}

// Bits that flip while the service runs: whoever reads such a page is refused, then everybody is, until the view
// is built again. No answer is made of what a damaged page says.
func TestADamagedViewIsNotServed(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.copy(t)
	p := serve(t, dir)
	card := "/card?as_of=2025-04-01T18:00:00Z&patient=" + u.patients[0]
	_, _, want := asked(p.http + "/fhir/Patient/" + u.patients[0])
	path := filepath.Join(dir, "view", viewName())
	for at := 8192 + 4000; at < size64(t, path); at += 8192 {
		flip(t, path, 8*at)
	}
	refused := map[string]bool{}
	eventually(t, "the damage is noticed and the view is built again", func() bool {
		for _, face := range []string{"/fhir/Observation?_count=50", "/fhir/Patient/" + u.patients[0], card, "/"} {
			code, header, body := asked(p.http + face)
			switch {
			case code == http.StatusOK && strings.HasPrefix(face, "/fhir/Patient/") && body != want:
				t.Errorf("%s answers %s, before it was %s", face, body, want)
			case code == http.StatusServiceUnavailable:
				refused[face] = true
				if header.Get("Retry-After") == "" || !strings.Contains(body, "view was found damaged") ||
					strings.HasPrefix(face, "/fhir/") && !strings.Contains(body, `"code":"transient"`) {
					t.Errorf("%s is refused by %v %s", face, header, body)
				}
			case code != http.StatusOK && code != 0:
				t.Errorf("%s answers %d: %s", face, code, body)
			}
		}
		code, _, _ := asked(p.http + "/readyz")
		return there(damagedView(dir)) && code == http.StatusOK
	})
	if len(refused) == 0 {
		t.Error("nobody was refused")
	}
	builtAgain(t, p, dir)
}

// Whoever asks a stopped instance whose view is damaged gets the answer of a new one.
func TestACommandOnADamagedViewAnswersFromANewOne(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.copy(t)
	if err := os.WriteFile(filepath.Join(dir, "view", viewName()), []byte(strings.Repeat("no view at all ", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	i := start(t, dir, func(c *app.Config) { c.Ingest, c.GRPC = false, "" })
	if got := i.cards(u.patients); fmt.Sprint(got) != fmt.Sprint(u.cards) {
		t.Error("the cards are not what they were")
	}
	i.stop()
	// The service goes on where the command left off: the new view is still owed.
	p := serve(t, dir)
	eventually(t, "the new view is in its place", func() bool { return there(filepath.Join(dir, "view", viewName())) })
	if code, took := p.end(syscall.SIGTERM); checkEnd(code, took) != "" {
		t.Error(checkEnd(code, took))
	}
}

// A rebuild that was killed is begun again, and the damaged view is not read meanwhile.
func TestAKilledRebuildOfADamagedViewIsBegunAgain(t *testing.T) {
	t.Parallel()
	dir := shared(t).copy(t)
	flip(t, filepath.Join(dir, "view", viewName()), 8*4000)
	p, _ := spawn(t, dir)
	building := filepath.Join(dir, "view", fmt.Sprintf("building-%d.db", view.SchemaVersion))
	eventually(t, "the view is being built", func() bool {
		return there(building) || there(filepath.Join(dir, "view", viewName())) && there(damagedView(dir))
	})
	p.end(syscall.SIGKILL)
	if !there(damagedView(dir)) {
		t.Error("the damaged view is not kept")
	}
	p = serve(t, dir)
	if code, _, body := asked(p.http + "/fhir/Observation?_summary=count"); code != http.StatusOK {
		t.Errorf("it answers %d: %s", code, body)
	}
	if code, took := p.end(syscall.SIGTERM); checkEnd(code, took) != "" {
		t.Error(checkEnd(code, took))
	}
	want := dump(t, dir)
	rebuild(t, dir, len(want["event"]))
	same(t, want, dump(t, dir))
}
