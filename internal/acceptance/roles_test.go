package acceptance_test

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"cannulary/internal/cli"
	"cannulary/internal/testkit"
)

// role is one of the single-role processes, run in this one.
type role struct {
	dir        string
	grpc, http string
	out        *bufio.Reader
	errs       *buffer
	stop       func() (code int, stderr string)
}

func startRole(tb testing.TB, run func(context.Context, cli.Env, []string) int, x *external, args ...string) *role {
	tb.Helper()
	r := beginRole(tb, run, x, args...)
	r.await(tb)
	return r
}

// beginRole starts a role and does not wait until it is ready.
func beginRole(tb testing.TB, run func(context.Context, cli.Env, []string) int, x *external, args ...string) *role {
	tb.Helper()
	r := &role{dir: filepath.Join(tb.TempDir(), "role"), errs: &buffer{}}
	ctx, cancel := context.WithCancel(context.Background())
	in, out := io.Pipe()
	r.out = bufio.NewReader(in)
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, cli.Env{Stdout: out, Stderr: r.errs, Now: now, Version: "acceptance"}, append([]string{
			"--data", r.dir, "--nats", x.url, "--master-key-file", x.master, "--http", "127.0.0.1:0", "--log-max-bytes", "67108864"}, args...))
		_ = out.Close()
	}()
	stopped := false
	r.stop = func() (int, string) {
		stopped = true
		cancel()
		return <-code, r.errs.String()
	}
	tb.Cleanup(func() {
		if !stopped {
			r.stop()
		}
	})
	return r
}

// await reads where the role listens, once it is ready.
func (r *role) await(tb testing.TB) {
	tb.Helper()
	line, err := r.out.ReadString('\n')
	if err != nil {
		tb.Fatalf("it ended before it was ready: %s", r.errs.String())
	}
	var at struct{ GRPC, HTTP string }
	if err := json.Unmarshal([]byte(line), &at); err != nil || at.HTTP == "" {
		tb.Fatalf("the ready line is %q (%v)", line, err)
	}
	r.grpc, r.http = at.GRPC, at.HTTP
}

// status asks a view how far it is.
func (r *role) status(tb testing.TB) (s struct {
	LogSequence, Projected uint64
	Facilities             []struct{ Day string }
}) {
	tb.Helper()
	code, text := get(tb, r.http+"/status")
	if err := json.Unmarshal([]byte(text), &s); code != http.StatusOK || err != nil {
		tb.Fatalf("/status answers %d %s (%v)", code, text, err)
	}
	return s
}

// has reports whether the view has all that the log has, the start of the present day at every facility included: ingest
// appends that by itself, within a second.
func (r *role) has(tb testing.TB) bool {
	tb.Helper()
	for _, f := range r.status(tb).Facilities {
		if f.Day == "" {
			return false
		}
	}
	s := r.status(tb)
	return len(s.Facilities) > 0 && s.Projected == s.LogSequence
}

// Ingest and view as processes of their own on one external log: a message taken by either
// of two ingest processes shows in both views, which are the same byte for byte, also in
// one that came later.
func TestIngestAndViewsOnAnExternalLog(t *testing.T) {
	t.Parallel()
	x := externalNATS(t)
	ingest := [2]*role{}
	for n := range ingest {
		ingest[n] = startRole(t, cli.RunIngest, x, "--grpc", "127.0.0.1:0")
		if ingest[n].grpc == "" {
			t.Fatal("an ingest process names no gRPC address")
		}
	}
	first := startRole(t, cli.RunView, x)
	if first.grpc != "" {
		t.Errorf("a view process names the gRPC address %s", first.grpc)
	}
	msgs := messages(t, scenario(5, 1))
	half := len(msgs) / 2
	for n, part := range [][]int{{0, half}, {half, len(msgs)}} {
		tally, _, err := post(patience(t), ingest[n].grpc, msgs[part[0]:part[1]])
		if err != nil || tally.Refused > 0 || tally.Accepted == 0 {
			t.Fatalf("%+v, %v", tally, err)
		}
	}
	// What one took is a duplicate for the other.
	if tally, _, err := post(patience(t), ingest[1].grpc, msgs[:half]); err != nil || tally.Duplicates != half {
		t.Errorf("sent again to the other process: %+v (%v), want %d duplicates", tally, err, half)
	}
	second := startRole(t, cli.RunView, x)
	views := []*role{first, second}
	cards := [2]string{}
	for n, v := range views {
		eventually(t, "the view has all", func() bool { return v.has(t) && v.status(t).LogSequence > uint64(half) })
		for _, m := range msgs {
			p := testkit.Envelope(m).GetPatient()
			if p == nil {
				continue
			}
			code, text := get(t, v.http+"/card?as_of=2025-04-01T18:00:00Z&identifier="+p.GetSystem()+"%7C"+p.GetValue())
			if code != http.StatusOK || !strings.Contains(text, p.GetValue()) {
				t.Fatalf("the card answers %d %s", code, text)
			}
			cards[n] = text
			break
		}
		if code, text := get(t, v.http+"/fhir/Procedure?_count=1&_summary=count"); code != http.StatusOK || strings.Contains(text, `"total":0`) {
			t.Errorf("FHIR answers %d %s", code, text)
		}
	}
	if cards[0] != cards[1] {
		a, b := around(cards[0], cards[1])
		t.Errorf("one view's card says …%s, the other's …%s", a, b)
	}
	// An ingest process has no view to ask, only its health and its metrics.
	if code, _ := get(t, ingest[0].http+"/fhir/metadata"); code != http.StatusNotFound {
		t.Errorf("an ingest process answers FHIR with %d", code)
	}
	if code, text := get(t, ingest[0].http+"/metrics"); code != http.StatusOK || !strings.Contains(text, "cannulary_ingest_messages_total") || strings.Contains(text, "cannulary_tracks{") {
		t.Errorf("an ingest process's metrics: %d %s", code, text)
	}
	for _, r := range []*role{first, second, ingest[0], ingest[1]} {
		if code, stderr := r.stop(); code != 0 || troubled(stderr) {
			t.Errorf("it exits %d and says %s", code, stderr)
		}
	}
	same(t, dump(t, first.dir), dump(t, second.dir))
}

// Ready says no, and why, once the log or the keys are not there any more.
func TestReadyFailsWhenLogOrKeysAreGone(t *testing.T) {
	t.Parallel()
	x := externalNATS(t)
	ingest := startRole(t, cli.RunIngest, x, "--grpc", "127.0.0.1:0")
	ready := func() (int, string) { return get(t, ingest.http+"/readyz") }
	if code, text := ready(); code != http.StatusOK {
		t.Fatalf("/readyz answers %d %s", code, text)
	}
	for _, c := range []struct {
		gone func() error
		says string
	}{
		{func() error { return x.js.DeleteKeyValue(patience(t), "cannulary-keys-main") }, "the keys of patients cannot be read"},
		{func() error { return x.js.DeleteStream(patience(t), "CANNULARY_MAIN") }, "the log's stream is gone"},
	} {
		if err := c.gone(); err != nil {
			t.Fatal(err)
		}
		if code, text := ready(); code != http.StatusServiceUnavailable || !strings.Contains(text, c.says) {
			t.Errorf("/readyz answers %d %s, want %q", code, text, c.says)
		}
	}
}
