package export_test

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cannulary/internal/export"
)

// victimDir names the folder for the process that is killed.
const victimDir = "EXPORT_TEST_VICTIM"

func TestMain(m *testing.M) {
	if dir := os.Getenv(victimDir); dir != "" {
		victim(dir)
	}
	os.Exit(m.Run())
}

// victim runs one export, says the ids once it has written much of another, and never ends.
func victim(dir string) {
	e, err := export.Open(export.Config{Dir: dir, Now: time.Now, Slog: slog.New(slog.DiscardHandler)})
	if err != nil {
		panic(err)
	}
	done, err := e.Begin(request())
	if err != nil {
		panic(err)
	}
	id, err := e.Begin(request())
	if err != nil {
		panic(err)
	}
	runs := 0
	e.Run(context.Background(), func(ctx context.Context, r *export.Request, w *export.Writer) (time.Time, error) {
		if runs++; runs == 1 {
			return three(ctx, r, w)
		}
		for i := range 20000 {
			if err := w.Put("Patient", fmt.Appendf(nil, `{"id":"torn-%d"}`, i)); err != nil {
				panic(err)
			}
		}
		fmt.Println(done, id)
		select {}
	})
}

func TestAKilledProcessLosesNoExport(t *testing.T) {
	p := newPlace(t)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), victimDir+"="+p.dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if kerr := cmd.Process.Kill(); kerr != nil {
		t.Fatal(kerr)
	}
	_ = cmd.Wait() // it was killed
	if err != nil {
		t.Fatalf("the process said nothing: %v", err)
	}
	done, torn, _ := strings.Cut(strings.TrimSpace(line), " ")
	if left, err := os.ReadFile(filepath.Join(p.dir, torn, "Patient.ndjson")); err != nil || len(left) == 0 {
		t.Fatalf("it was not killed in the middle: %v", err)
	}
	p.clock.Advance(time.Since(p.clock.Now())) // the killed process took the real time
	p.open()
	if s, ok := p.engine.Status(done); !ok || s.Result == nil || s.Result.Failed != "" {
		t.Errorf("the one that had ended: %+v", s)
	}
	p.run(three)
	if r := p.ended(torn); r.Failed != "" {
		t.Error(r.Failed)
	}
	for _, id := range []string{done, torn} {
		if got := p.read(id, "Patient"); got != "{\"id\":\"a\"}\n{\"id\":\"b\"}\n" {
			t.Errorf("%s: %.100q", id, got)
		}
	}
}
