package answer_test

import (
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"

	"cannulary/internal/answer"
)

// What is withheld is refused before it is served, and where serving fails inside; what fails for another reason is
// refused for that one.
func TestWhatIsWithheldIsRefused(t *testing.T) {
	var why error
	fails := error(nil)
	served := 0
	h := answer.Withhold(answer.Handler(slog.New(slog.DiscardHandler), "it failed", func(w http.ResponseWriter, _ *http.Request) error {
		served++
		if fails != nil {
			why = &answer.Problem{Status: http.StatusServiceUnavailable, Text: "not now", Header: map[string]string{"Retry-After": "7"}}
			return fails
		}
		w.WriteHeader(http.StatusOK)
		return nil
	}), func() error { return why })
	ask := func() *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/", nil))
		return w
	}
	if w := ask(); w.Code != http.StatusOK || served != 1 {
		t.Errorf("it answers %d, was served %d times", w.Code, served)
	}
	fails = errors.New("read nothing good")
	if w := ask(); w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") != "7" || served != 2 {
		t.Errorf("a failure inside is answered by %d %v, served %d times", w.Code, w.Header(), served)
	}
	if w := ask(); w.Code != http.StatusServiceUnavailable || served != 2 {
		t.Errorf("it answers %d, was served %d times", w.Code, served)
	}
	why, fails = nil, &answer.Problem{Status: http.StatusNotFound, Text: "none"}
	if w := ask(); w.Code != http.StatusNotFound {
		t.Errorf("another refusal is answered by %d", w.Code)
	}
}
