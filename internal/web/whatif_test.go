package web_test

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"cannulary/internal/web"
	"cannulary/internal/whatif"
)

func post(h http.Handler, body string) *httptest.ResponseRecorder {
	r := httptest.NewRequestWithContext(context.Background(), http.MethodPost, "/what-if", strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// nobody is not asked, because no question here comes so far.
func nobody(context.Context, whatif.Proposal, string) (whatif.Report, error) {
	return whatif.Report{}, errors.New("a question that is refused was put")
}

// waiting is a body that does not come.
type waiting struct{ reading, end chan struct{} }

func (b *waiting) Read([]byte) (int, error) {
	close(b.reading)
	<-b.end
	return 0, context.Canceled
}

func TestOneComparisonAtATime(t *testing.T) {
	h := web.WhatIf(nobody, slog.New(slog.DiscardHandler))
	body := &waiting{make(chan struct{}), make(chan struct{})}
	first := make(chan int, 1)
	go func() {
		r := httptest.NewRequestWithContext(context.Background(), http.MethodPost, "/what-if", body)
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		first <- w.Code
	}()
	<-body.reading
	w := post(h, `{}`)
	const running = `{"error":{"code":"unavailable","text":"another comparison is running; try again when it has ended"}}`
	if w.Code != http.StatusServiceUnavailable || strings.TrimSpace(w.Body.String()) != running {
		t.Errorf("the second is answered %d %s", w.Code, w.Body)
	}
	close(body.end)
	if code := <-first; code != http.StatusBadRequest {
		t.Errorf("the first, whose body broke off, is answered %d", code)
	}
	if w := post(h, `[]`); w.Code != http.StatusBadRequest {
		t.Errorf("the third is answered %d %s", w.Code, w.Body)
	}
}
