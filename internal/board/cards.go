package board

import (
	"bytes"
	"encoding/json"
	"net/http"

	"cannulary/internal/chairside"
	"cannulary/internal/fault"
)

// cards answers "/cards": the current cards of all patients with a track or a hold who have
// not left, one card of JSON a line. With a facility, of its patients only. An answer that
// ends before its time is broken off, so that a reader never takes a part for the whole.
func (h *handler) cards(w http.ResponseWriter, r *http.Request) error {
	p, err := readQuery(r, paramFacility)
	if err != nil {
		return err
	}
	keys, err := h.listed(r, p[paramFacility])
	if err != nil {
		return err
	}
	begun := false
	for _, key := range keys {
		line, err := h.cardLine(r, key)
		if err != nil && !begun {
			return err
		}
		if err != nil {
			h.cfg.Log.ErrorContext(r.Context(), "not every card could be made; the answer was broken off", "err", fault.As(err).Detail())
			panic(http.ErrAbortHandler)
		}
		if !begun {
			begun = true
			w.Header().Set("Content-Type", "application/x-ndjson")
			w.WriteHeader(http.StatusOK)
			if r.Method == http.MethodHead {
				return nil
			}
		}
		if _, err := w.Write(line); err != nil {
			return nil // the client is gone
		}
	}
	if !begun {
		w.Header().Set("Content-Type", "application/x-ndjson")
		h.send(w, http.StatusOK, nil)
	}
	return nil
}

// listed are the patients on the board, each once, in the order of its rows.
func (h *handler) listed(r *http.Request, filter string) ([]string, error) {
	if filter != "" {
		if _, ok, err := h.cfg.Store.Facility(r.Context(), filter); err != nil {
			return nil, err
		} else if !ok {
			return nil, fault.New(fault.NotFound, "no facility of this code is registered", "choose one on the board, at /")
		}
	}
	tracks, err := h.cfg.Store.Tracks(r.Context())
	if err != nil {
		return nil, err
	}
	holds, err := h.cfg.Store.Holds(r.Context())
	if err != nil {
		return nil, err
	}
	var keys []string
	seen := map[string]bool{}
	add := func(facility, patient string) {
		if (filter == "" || facility == filter) && !seen[patient] {
			seen[patient] = true
			keys = append(keys, patient)
		}
	}
	for _, t := range tracks {
		add(t.Facility, t.Patient)
	}
	for _, x := range holds {
		add(x.Facility, x.Patient)
	}
	return keys, nil
}

func (h *handler) cardLine(r *http.Request, key string) ([]byte, error) {
	c, err := h.cfg.Cards.Card(r.Context(), chairside.Request{Key: key})
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(c); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}
