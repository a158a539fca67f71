package export_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"cannulary/internal/export"
	"cannulary/internal/fault"
	"cannulary/internal/testkit"
)

// state is the time that the tests' readers answer.
var state = time.Date(2027, 3, 1, 7, 0, 0, 123_000_000, time.UTC)

// place is a folder with an engine that runs.
type place struct {
	t      *testing.T
	dir    string
	clock  *testkit.Clock
	engine *export.Engine
	log    *strings.Builder
	stop   func()
}

func newPlace(t *testing.T) *place {
	return &place{t: t, dir: filepath.Join(t.TempDir(), "export"), clock: testkit.NewClock(testkit.Noon()), log: &strings.Builder{}}
}

// open opens the folder as a new process does.
func (p *place) open(change ...func(*export.Config)) *place {
	p.t.Helper()
	cfg := export.Config{Dir: p.dir, Now: p.clock.Now, Slog: slog.New(slog.NewTextHandler(p.log, nil))}
	for _, f := range change {
		f(&cfg)
	}
	var err error
	if p.engine, err = export.Open(cfg); err != nil {
		p.t.Fatal(err)
	}
	p.stop = func() {}
	return p
}

func (p *place) run(read export.Reader) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); p.engine.Run(ctx, read) }()
	p.stop = func() {
		p.t.Helper()
		cancel()
		select {
		case <-done:
		case <-time.After(10 * time.Second):
			p.t.Fatal("the engine does not stop")
		}
	}
	p.t.Cleanup(p.stop)
}

func request() *export.Request {
	return &export.Request{Level: export.System, Types: []string{"Patient", "Procedure"}, Base: "https://gateway.example/fhir", URL: "https://gateway.example/fhir/$export"}
}

func (p *place) begin() string {
	p.t.Helper()
	id, err := p.engine.Begin(request())
	if err != nil {
		p.t.Fatal(err)
	}
	return id
}

// ended waits until the job has ended and gives its result.
func (p *place) ended(id string) *export.Result {
	p.t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if s, ok := p.engine.Status(id); ok && s.Result != nil {
			return s.Result
		}
	}
	p.t.Fatal("the job does not end")
	return nil
}

func (p *place) read(id, typ string) string {
	p.t.Helper()
	f, ok, err := p.engine.File(id, typ)
	if err != nil || !ok {
		p.t.Fatalf("no file %s: %v", typ, err)
	}
	defer func() { _ = f.Close() }()
	b, err := io.ReadAll(f)
	if err != nil {
		p.t.Fatal(err)
	}
	return string(b)
}

// ls lists all that is below the folder.
func (p *place) ls() (out []string) {
	_ = filepath.WalkDir(p.dir, func(path string, _ os.DirEntry, _ error) error {
		if rel, _ := filepath.Rel(p.dir, path); rel != "." {
			out = append(out, rel)
		}
		return nil
	})
	return out
}

// three puts two Patients and a Procedure.
func three(_ context.Context, _ *export.Request, w *export.Writer) (time.Time, error) {
	return state, errors.Join(w.Put("Patient", []byte(`{"id":"a"}`)), w.Put("Procedure", []byte(`{"id":"p"}`)), w.Put("Patient", []byte(`{"id":"b"}`)))
}

func TestAnExportIsOneFileForEachTypeWithAResourceALine(t *testing.T) {
	p := newPlace(t).open()
	r := request()
	r.Notices = []json.RawMessage{[]byte("{\n\"resourceType\": \"OperationOutcome\"}")}
	id, err := p.engine.Begin(r)
	if err != nil {
		t.Fatal(err)
	}
	p.run(three)
	got := p.ended(id)
	want := &export.Result{Ended: p.clock.Now(), Expires: p.clock.Now().Add(24 * time.Hour), State: state,
		Files: []export.File{{Type: export.Notices, Count: 1}, {Type: "Patient", Count: 2}, {Type: "Procedure", Count: 1}}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("it ended with %+v", got)
	}
	for typ, want := range map[string]string{"Patient": "{\"id\":\"a\"}\n{\"id\":\"b\"}\n", "Procedure": "{\"id\":\"p\"}\n", export.Notices: "{\"resourceType\":\"OperationOutcome\"}\n"} {
		if got := p.read(id, typ); got != want {
			t.Errorf("%s: %q", typ, got)
		}
	}
	for _, typ := range []string{"Observation", "", "../" + id + "/Patient", "request", "result"} {
		if _, ok, err := p.engine.File(id, typ); ok || err != nil {
			t.Errorf("there is a file %q (%v)", typ, err)
		}
	}
	// The files hold patients' data: nobody else may read them.
	for _, name := range p.ls() {
		info, err := os.Stat(filepath.Join(p.dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if want := map[bool]os.FileMode{true: 0o700, false: 0o600}[info.IsDir()]; info.Mode().Perm() != want {
			t.Errorf("%s has mode %o", name, info.Mode().Perm())
		}
	}
}

func TestARequestIsOnDiskBeforeItIsAccepted(t *testing.T) {
	p := newPlace(t).open()
	id := p.begin()
	again := &place{t: t, dir: p.dir, clock: p.clock, log: p.log}
	again.open()
	if s, ok := again.engine.Status(id); !ok || s.Result != nil || !reflect.DeepEqual(s.Request, request()) {
		t.Fatalf("another process finds %+v", s)
	}
	again.run(three)
	if r := again.ended(id); r.Failed != "" {
		t.Error(r.Failed)
	}
}

func TestAnUnfinishedExportBeginsAnewAfterARestart(t *testing.T) {
	p := newPlace(t).open()
	begun := make(chan struct{})
	p.run(func(ctx context.Context, _ *export.Request, w *export.Writer) (time.Time, error) {
		for i := range 20000 { // more than any buffer
			if err := w.Put("Patient", fmt.Appendf(nil, `{"id":"torn-%d"}`, i)); err != nil {
				return state, err
			}
		}
		close(begun)
		<-ctx.Done()
		return state, ctx.Err()
	})
	id := p.begin()
	<-begun
	if s, _ := p.engine.Status(id); !s.Running || s.Type != "Patient" || s.Count != 20000 {
		t.Errorf("while it runs: %+v", s)
	}
	p.stop()
	p.open().run(three)
	if r := p.ended(id); r.Failed != "" || p.read(id, "Patient") != "{\"id\":\"a\"}\n{\"id\":\"b\"}\n" {
		t.Errorf("after the restart: %+v, %q", r, p.read(id, "Patient"))
	}
	// And one that ended is served as it is, by a process that cannot read anything.
	p.stop()
	p.open().run(func(context.Context, *export.Request, *export.Writer) (time.Time, error) {
		t.Error("it was run again")
		return state, nil
	})
	if s, ok := p.engine.Status(id); !ok || s.Result == nil || !s.Result.State.Equal(state) || p.read(id, "Procedure") != "{\"id\":\"p\"}\n" {
		t.Errorf("after the second restart: %+v", s)
	}
}

func TestExportsRunOneAfterTheOther(t *testing.T) {
	p := newPlace(t).open()
	first, second, third := p.begin(), p.begin(), p.begin()
	turn := make(chan struct{})
	p.run(func(ctx context.Context, r *export.Request, w *export.Writer) (time.Time, error) {
		<-turn
		return three(ctx, r, w)
	})
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if s, _ := p.engine.Status(first); s.Running {
			break
		}
	}
	ahead := func(id string) string { s, _ := p.engine.Status(id); return fmt.Sprint(s.Running, s.Ahead) }
	if got := []string{ahead(first), ahead(second), ahead(third)}; !reflect.DeepEqual(got, []string{"true 0", "false 1", "false 2"}) {
		t.Errorf("running and ahead: %v", got)
	}
	close(turn)
	for _, id := range []string{first, second, third} {
		p.ended(id)
	}
}

func TestACancelledExportIsGoneWithItsFiles(t *testing.T) {
	p := newPlace(t).open()
	waiting := p.begin() // nothing runs yet
	if ok, err := p.engine.Cancel(waiting); !ok || err != nil {
		t.Fatal(ok, err)
	}
	begun := make(chan struct{}, 1)
	hold := true
	p.run(func(ctx context.Context, r *export.Request, w *export.Writer) (time.Time, error) {
		if !hold {
			return three(ctx, r, w)
		}
		for err := error(nil); ; err = w.Put("Patient", []byte(`{}`)) {
			if err != nil {
				return state, err
			}
			select {
			case begun <- struct{}{}:
			default:
			}
		}
	})
	running := p.begin()
	<-begun
	if ok, err := p.engine.Cancel(running); !ok || err != nil {
		t.Fatal(ok, err)
	}
	if _, ok := p.engine.Status(running); ok {
		t.Error("a cancelled export is still told of")
	}
	p.stop()
	if left := p.ls(); len(left) > 0 {
		t.Errorf("left on disk: %v", left)
	}
	hold = false
	p.open().run(three)
	done := p.begin()
	p.ended(done)
	f, _, err := p.engine.File(done, "Patient")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	if ok, err := p.engine.Cancel(done); !ok || err != nil {
		t.Fatal(ok, err)
	}
	for _, id := range []string{waiting, running, done} {
		if _, ok := p.engine.Status(id); ok {
			t.Errorf("%s is there", id)
		}
		if _, ok, err := p.engine.File(id, "Patient"); ok || err != nil {
			t.Errorf("%s has a file: %v", id, err)
		}
		if ok, err := p.engine.Cancel(id); ok || err != nil {
			t.Errorf("%s can be cancelled again: %v", id, err)
		}
	}
	if left := p.ls(); len(left) > 0 {
		t.Errorf("left on disk: %v", left)
	}
	if b, err := io.ReadAll(f); err != nil || string(b) != "{\"id\":\"a\"}\n{\"id\":\"b\"}\n" {
		t.Errorf("a download under way breaks off: %q %v", b, err)
	}
}

// Between the answer to a DELETE and the end of what runs a crash may come.
func TestACancelledExportDoesNotComeBackAfterACrash(t *testing.T) {
	p := newPlace(t).open()
	begun, end := make(chan struct{}), make(chan struct{})
	p.run(func(ctx context.Context, _ *export.Request, w *export.Writer) (time.Time, error) {
		err := w.Put("Patient", []byte(`{}`))
		close(begun)
		<-end // it does not look at its context
		return state, errors.Join(err, ctx.Err())
	})
	defer close(end)
	id := p.begin()
	<-begun
	if ok, err := p.engine.Cancel(id); !ok || err != nil {
		t.Fatal(ok, err)
	}
	crashed := &place{t: t, dir: filepath.Join(t.TempDir(), "copy"), clock: p.clock, log: &strings.Builder{}}
	if err := os.CopyFS(crashed.dir, os.DirFS(p.dir)); err != nil {
		t.Fatal(err)
	}
	if _, ok := crashed.open().engine.Status(id); ok || len(crashed.ls()) > 0 {
		t.Errorf("it came back: %v", crashed.ls())
	}
}

func TestAResultThatCannotBeWrittenDownIsAFailure(t *testing.T) {
	p := newPlace(t).open()
	p.run(func(ctx context.Context, r *export.Request, w *export.Writer) (time.Time, error) {
		_, err := three(ctx, r, w)
		return state, errors.Join(err, os.RemoveAll(p.dir)) // the files are open: they can be written
	})
	if r := p.ended(p.begin()); !strings.HasPrefix(r.Failed, "the files of the export could not be written. ") || len(r.Files) > 0 {
		t.Errorf("%+v", r)
	}
}

func TestAnExportExpires(t *testing.T) {
	p := newPlace(t).open()
	p.run(three)
	id := p.begin()
	p.ended(id)
	p.clock.Advance(24*time.Hour - time.Nanosecond)
	if _, ok := p.engine.Status(id); !ok {
		t.Fatal("it expired too early")
	}
	p.clock.Advance(time.Nanosecond)
	if _, ok := p.engine.Status(id); ok {
		t.Error("it is told of after its time")
	}
	if left := p.ls(); len(left) > 0 {
		t.Errorf("left on disk: %v", left)
	}
	// Also where nobody asked in time, and the process was another.
	id = p.begin()
	p.ended(id)
	p.stop()
	p.clock.Advance(25 * time.Hour)
	p.open()
	if _, ok, err := p.engine.File(id, "Patient"); ok || err != nil || len(p.ls()) > 0 {
		t.Errorf("after a restart it is there: %v %v", err, p.ls())
	}
}

func TestThereAreOnlySoManyExports(t *testing.T) {
	p := newPlace(t).open(func(c *export.Config) { c.MaxOpen, c.MaxKept = 2, 3 })
	a, b := p.begin(), p.begin()
	busy := func(want string, retry time.Duration) {
		t.Helper()
		_, err := p.engine.Begin(request())
		var e *export.BusyError
		if !errors.As(err, &e) || e.Error() != want || e.Retry != retry {
			t.Errorf("a further one: %v, retry %v", err, e)
		}
	}
	busy("2 exports run or wait, and no more are accepted; wait for one to end, or cancel one with DELETE", 30*time.Second)
	p.run(three)
	p.ended(a)
	p.ended(b)
	p.clock.Advance(time.Hour)
	p.ended(p.begin())
	busy("the files of 3 exports are kept, and no more are accepted; DELETE those that were fetched, or wait until the oldest expires", 23*time.Hour)
	p.clock.Advance(23 * time.Hour)
	p.ended(p.begin())
}

func TestAFailureSaysWhatToDo(t *testing.T) {
	const unknown = "the export failed and what it had written was removed. Begin again with a new $export; if it fails again, tell the operator, whose log has the cause"
	const unwritten = "the files of the export could not be written. Tell the operator that the export folder has no room or cannot be written, then begin again with a new $export"
	for what, c := range map[string]struct {
		read export.Reader
		want string
		log  string
	}{
		"another error": {func(context.Context, *export.Request, *export.Writer) (time.Time, error) {
			return state, errors.New("secret of the inside")
		}, unknown, "secret of the inside"},
		"a panic": {func(context.Context, *export.Request, *export.Writer) (time.Time, error) {
			panic("secret of the inside")
		}, unknown, "secret of the inside"},
		"a fault": {func(context.Context, *export.Request, *export.Writer) (time.Time, error) {
			return state, fmt.Errorf("x: %w", fault.New(fault.NotFound, "the Group is gone", "begin again"))
		}, "the Group is gone. Begin again", "the Group is gone"},
		"a resource that is no JSON": {func(_ context.Context, _ *export.Request, w *export.Writer) (time.Time, error) {
			return state, w.Put("Patient", []byte("{\n"))
		}, unknown, "unexpected end"},
		"a file that cannot be made": {func(_ context.Context, _ *export.Request, w *export.Writer) (time.Time, error) {
			return state, w.Put("no/such/folder", []byte("{}"))
		}, unwritten, "no such file"},
	} {
		p := newPlace(t).open()
		p.run(func(ctx context.Context, r *export.Request, w *export.Writer) (time.Time, error) {
			if _, err := three(ctx, r, w); err != nil {
				return state, err
			}
			return c.read(ctx, r, w)
		})
		id := p.begin()
		r := p.ended(id)
		if r.Failed != c.want || len(r.Files) > 0 {
			t.Errorf("%s: %+v", what, r)
		}
		for _, name := range p.ls() {
			if strings.HasSuffix(name, ".ndjson") {
				t.Errorf("%s: %s was left", what, name)
			}
		}
		p.stop()
		if !strings.Contains(p.log.String(), c.log) {
			t.Errorf("%s: the log says %s", what, p.log)
		}
		// It stays failed, and does not stand in the way of another.
		p.open().run(three)
		if r := p.ended(id); r.Failed != c.want {
			t.Errorf("%s: after a restart %+v", what, r)
		}
		if r := p.ended(p.begin()); r.Failed != "" {
			t.Errorf("%s: the next one failed: %s", what, r.Failed)
		}
	}
}

func TestAFolderThatCannotBeWritten(t *testing.T) {
	p := newPlace(t).open()
	// Whoever runs the tests may be allowed everything: a file where the folder was stops
	// also them.
	if err := os.RemoveAll(p.dir); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(p.dir, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := p.engine.Begin(request())
	var f *fault.Error
	const want = "the request could not be written to disk. Tell the operator that the export folder has no room or cannot be written, then begin again"
	if !errors.As(err, &f) || f.Kind != fault.Unavailable || f.Error() != want {
		t.Errorf("begin: %v", err)
	}
	if _, err := export.Open(export.Config{Dir: p.dir, Now: p.clock.Now, Slog: slog.New(slog.DiscardHandler)}); err == nil || !strings.Contains(err.Error(), p.dir) {
		t.Errorf("open: %v", err)
	}
}

func TestExportsLeaveRoomForTheLog(t *testing.T) {
	var free atomic.Uint64
	p := newPlace(t).open(func(c *export.Config) { c.Free, c.MinFree = free.Load, 100<<20 })
	const want = "the disk has 99 MB left, and exports leave 100 MB to the log. DELETE exports that were fetched or tell the operator, then begin again with a new $export"
	free.Store(100<<20 - 1)
	_, err := p.engine.Begin(request())
	var f *fault.Error
	if !errors.As(err, &f) || f.Kind != fault.Unavailable || f.Error() != want {
		t.Errorf("begin: %v", err)
	}
	free.Store(100 << 20)
	put := 0
	p.run(func(_ context.Context, _ *export.Request, w *export.Writer) (time.Time, error) {
		for ; put < 100; put++ { // 100 MB, if nobody stops it
			if put == 20 {
				free.Store(100<<20 - 1)
			}
			if err := w.Put("Patient", make([]byte, 1<<20)); err != nil {
				return state, err
			}
		}
		return state, nil
	})
	if r := p.ended(p.begin()); r.Failed != want || put > 30 {
		t.Errorf("after %d MB: %+v", put, r)
	}
	for _, name := range p.ls() {
		if strings.HasSuffix(name, ".ndjson") {
			t.Errorf("%s was left", name)
		}
	}
}

func TestAJobWhoseFolderVanishesFailsAndDoesNotHang(t *testing.T) {
	p := newPlace(t).open()
	id := p.begin()
	if err := os.RemoveAll(filepath.Join(p.dir, id)); err != nil {
		t.Fatal(err)
	}
	p.run(three)
	if r := p.ended(id); !strings.HasPrefix(r.Failed, "the files of the export could not be written. ") {
		t.Errorf("%+v", r)
	}
	if ok, err := p.engine.Cancel(id); !ok || err != nil {
		t.Error(ok, err)
	}
}

func TestWhatACrashLeavesIsSwept(t *testing.T) {
	p := newPlace(t).open()
	p.run(three)
	whole, torn := p.begin(), p.begin()
	p.ended(whole)
	p.ended(torn)
	p.stop()
	at := func(parts ...string) string { return filepath.Join(append([]string{p.dir}, parts...)...) }
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	// A crash before the request was whole, one that was being removed, a damaged request,
	// a damaged result; and what is not ours.
	must(os.MkdirAll(at(strings.Repeat("0", 32)), 0o700))
	must(os.WriteFile(at(strings.Repeat("0", 32), "request.json.tmp"), []byte("{"), 0o600))
	must(os.MkdirAll(at(strings.Repeat("1", 32)), 0o700))
	must(os.WriteFile(at(strings.Repeat("1", 32), "Patient.ndjson"), []byte("{}\n"), 0o600))
	must(os.MkdirAll(at(strings.Repeat("2", 32)), 0o700))
	must(os.WriteFile(at(strings.Repeat("2", 32), "request.json"), []byte("{}"), 0o600))
	must(os.WriteFile(at(torn, "result.json"), []byte("{"), 0o600))
	must(os.MkdirAll(at("lost+found"), 0o700))
	p.open()
	for _, digit := range []string{"0", "1", "2"} {
		if _, err := os.Stat(at(strings.Repeat(digit, 32))); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s…: %v", digit, err)
		}
	}
	if _, err := os.Stat(at("lost+found")); err != nil {
		t.Error(err)
	}
	if s, ok := p.engine.Status(whole); !ok || s.Result == nil {
		t.Error("the whole one is lost")
	}
	if s, ok := p.engine.Status(torn); !ok || s.Result != nil {
		t.Error("the one with a damaged result does not begin anew")
	}
	p.run(three)
	if r := p.ended(torn); r.Failed != "" {
		t.Error(r.Failed)
	}
}

func TestOpenNeedsItsConfig(t *testing.T) {
	if _, err := export.Open(export.Config{}); err == nil || err.Error() != "export: a folder, a clock and a log are needed" {
		t.Error(err)
	}
}
