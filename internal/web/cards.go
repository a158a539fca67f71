package web

import (
	"net/http"

	"cannulary/internal/answer"
	"cannulary/internal/chairside"
	"cannulary/internal/fault"
	"cannulary/internal/trail/seen"
)

// cards answers "/cards": the current cards of all patients who have not left, one card of
// JSON a line, whether or not a track of theirs is recorded: on a day without the service
// everybody is needled from paper. With a facility, of its patients only. An answer that ends
// before its time is broken off, so that a reader never takes a part for the whole.
func (h *handler) cards(w http.ResponseWriter, r *http.Request) error {
	p, err := answer.Query(r, paramFacility)
	if err != nil {
		return err
	}
	if p[paramFacility] != "" {
		if err := h.registered(r.Context(), p[paramFacility]); err != nil {
			return err
		}
	}
	keys, err := h.cfg.Cards.Patients(r.Context())
	if err != nil {
		return err
	}
	begun := false
	var lines []byte // that wait: the trail names the patients of many lines at once
	for i, key := range keys {
		line, err := h.cardLine(r, key, p[paramFacility])
		if err != nil && !begun {
			return err
		}
		if err != nil {
			h.cfg.Log.ErrorContext(r.Context(), "not every card could be made; the answer was broken off", "err", fault.As(err).Detail())
			panic(http.ErrAbortHandler)
		}
		if lines = append(lines, line...); len(lines) == 0 || i < len(keys)-1 && len(lines) < h.cfg.AtOnce {
			continue
		}
		if !begun {
			begun = true
			w.Header().Set("Content-Type", "application/x-ndjson")
			w.WriteHeader(http.StatusOK)
			if r.Method == http.MethodHead {
				return nil
			}
		}
		if _, err := w.Write(lines); err != nil {
			return nil // the client is gone
		}
		lines = lines[:0]
	}
	if !begun {
		answer.Send(w, r, http.StatusOK, "application/x-ndjson", nil)
	}
	return nil
}

// cardLine is nil for whoever is on no list: the patient left, is another facility's, or was
// merged into one who has a card of their own.
func (h *handler) cardLine(r *http.Request, key, facility string) ([]byte, error) {
	c, err := h.cfg.Cards.Card(r.Context(), chairside.Request{Key: key})
	if err != nil {
		return nil, err
	}
	if c.Patient.ID != key || c.Left || facility != "" && c.Facility != facility {
		return nil, nil
	}
	seen.Patients(r.Context(), key)
	return answer.Marshal(c)
}
