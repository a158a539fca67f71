package web_test

import (
	"context"
	"errors"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"cannulary/internal/testkit"
	"cannulary/internal/web"
)

// listener keeps what it is sent, and when.
type listener struct {
	*httptest.ResponseRecorder
	mu   sync.Mutex
	told []string
	from time.Time
}

func (l *listener) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	event, _, _ := strings.Cut(strings.TrimPrefix(string(p), "event: "), "\n")
	l.told = append(l.told, event+" "+time.Since(l.from).String())
	return l.ResponseRecorder.Write(p)
}

func (l *listener) heard() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.told, ", ")
}

// stream is a page's listening to a server whose view goes on when it is told to.
func stream(t *testing.T, moves chan error, ended chan struct{}) (*listener, context.CancelFunc, chan struct{}) {
	seq := uint64(1)
	h := web.Pages(web.Config{Now: time.Now, Log: testkit.Discard(), Ended: ended,
		Status: func(context.Context) (web.Status, error) { return web.Status{ViewSequence: seq}, nil },
		Moved: func(ctx context.Context, from uint64) (uint64, error) {
			if from != seq {
				t.Errorf("asked whether the view went on from %d, it is at %d", from, seq)
			}
			select {
			case err := <-moves:
				seq++
				return seq, err
			case <-ctx.Done():
				return from, ctx.Err()
			}
		}})
	l := &listener{ResponseRecorder: httptest.NewRecorder(), from: time.Now()}
	ctx, cancel := context.WithCancel(context.Background())
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		h.ServeHTTP(l, httptest.NewRequestWithContext(ctx, "GET", "/live", nil))
	}()
	return l, cancel, gone
}

func TestLiveBeatsAndTellsWhatMoved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		moves := make(chan error, 100)
		l, cancel, gone := stream(t, moves, nil)
		time.Sleep(20 * time.Second)
		for range 3 { // faster than once a second
			moves <- nil
		}
		time.Sleep(20 * time.Second)
		cancel()
		<-gone
		want := "beat 0s, beat 15s, changed 20s, changed 21s, changed 22s, beat 30s"
		if got := l.heard(); got != want {
			t.Errorf("heard %s, want %s", got, want)
		}
		if !strings.HasPrefix(l.Body.String(), "event: beat\ndata: {\"now\":946684800000,\"clock\":\"00:00\"}\n\n") || l.Header().Get("Content-Type") != "text/event-stream" {
			t.Errorf("sent %q as %q", l.Body.String(), l.Header().Get("Content-Type"))
		}
	})
}

// A view that stops is news, since the pages say it; the stream beats on.
func TestLiveTellsThatTheViewStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		moves := make(chan error, 1)
		l, cancel, gone := stream(t, moves, nil)
		moves <- errors.New("the disk is full")
		time.Sleep(31 * time.Second)
		cancel()
		<-gone
		if got, want := l.heard(), "beat 0s, changed 0s, beat 15s, beat 30s"; got != want {
			t.Errorf("heard %s, want %s", got, want)
		}
	})
}

func TestLiveEndsWithTheServer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ended := make(chan struct{})
		_, cancel, gone := stream(t, make(chan error), ended)
		defer cancel()
		time.Sleep(time.Second)
		close(ended)
		<-gone
	})
}

func TestLiveSpeaksByTheFacilitysClocks(t *testing.T) {
	u := one(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel() // ends after the first beat
	r := httptest.NewRequestWithContext(ctx, "GET", "/live", nil)
	w := httptest.NewRecorder()
	u.cfg.Now = func() time.Time { return time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC) }
	u.handler = web.Pages(u.cfg)
	u.handler.ServeHTTP(w, r)
	says(t, w.Body.String(), `"clock":"12:00"`)
	if a := u.get("/live?facility=nowhere"); a.status != 404 || !strings.Contains(a.body, "no facility with this code is registered. Choose one at /") {
		t.Errorf("a facility that is not known is answered %d %s", a.status, a.body)
	}
	read := make(chan string, 1)
	ctx, cancel = context.WithCancel(context.Background())
	defer cancel()
	l := &first{ResponseRecorder: httptest.NewRecorder(), read: read}
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		u.handler.ServeHTTP(l, httptest.NewRequestWithContext(ctx, "GET", "/live?facility="+facility, nil))
	}()
	if got := <-read; !strings.Contains(got, `"clock":"00:00"`) {
		t.Errorf("Auckland's clocks stand at %s at noon UTC in winter", got)
	}
	cancel()
	<-gone
}

// first hands on the first thing that is written.
type first struct {
	*httptest.ResponseRecorder
	read chan string
}

func (f *first) Write(p []byte) (int, error) {
	select {
	case f.read <- string(p):
	default:
	}
	return f.ResponseRecorder.Write(p)
}
