package app

import (
	"context"
	"encoding/json"
	"net/http"

	"cannulary/internal/board"
	"cannulary/internal/chairside"
	"cannulary/internal/facade"
	"cannulary/internal/metrics"
)

func (a *App) sources() metrics.Sources {
	src := metrics.Sources{
		LogLast: func(ctx context.Context) (uint64, error) {
			st, err := a.log.State(ctx)
			return st.LastSeq, err
		},
		Projectors: map[string]func() uint64{}, Store: a.store, Complete: a.Ready, Slog: a.cfg.Slog,
	}
	if a.intake != nil {
		src.Projectors["ingest-index"] = a.intake.Sequence
	}
	if a.projector != nil {
		src.Projectors["view"] = a.projector.Sequence
	}
	if a.server != nil {
		src.LogWarnings = a.server.Warnings
	}
	return src
}

// lagLimit is how many events the view may be behind before a card says so.
const lagLimit = 100

// Lagging tells whether the view is behind the log, or cannot tell.
func (a *App) Lagging() bool {
	st, err := a.log.State(a.run)
	return err != nil || !a.Ready() || a.projector.Failed() != nil || st.LastSeq > a.projector.Sequence()+lagLimit
}

// handler routes HTTP.
func (a *App) handler() (http.Handler, error) {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", a.metrics.Handler())
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { say(w, http.StatusOK, map[string]any{"status": "alive"}) })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, _ *http.Request) {
		body := map[string]any{"status": "ready", "logAtStart": a.startSeq}
		code := http.StatusOK
		if a.projector != nil {
			body["projected"] = a.projector.Sequence()
			if err := a.projector.Failed(); err != nil {
				body["status"], body["reason"], code = "failed", "the projector stopped; its log line says why", http.StatusServiceUnavailable
			}
		}
		if !a.Ready() && code == http.StatusOK {
			body["status"], body["reason"], code = "catching up", "the log's end as found at start is not reached yet", http.StatusServiceUnavailable
		}
		say(w, code, body)
	})
	mux.HandleFunc("GET /status", a.status)
	if a.store == nil {
		return mux, nil
	}
	base := a.cfg.PublicBase
	f, err := facade.New(facade.Config{
		Store: a.store, Base: base, Now: a.cfg.Now, Log: a.cfg.Slog, Version: a.cfg.Version,
		Survivor: func(id string) string { return a.projector.Identities().Survivor(id) },
		Zone:     a.projector.CommonZone,
		Exports:  a.exports,
	})
	if err != nil {
		return nil, err
	}
	a.read = f.Export
	mux.Handle("/fhir", f)
	mux.Handle("/fhir/", f)
	cards := &chairside.Service{Store: a.store, Projector: a.projector, Ring: a.ring, Now: a.cfg.Now, Lagging: a.Lagging}
	b := board.New(board.Config{Cards: cards, Store: a.store, Now: a.cfg.Now, Log: a.cfg.Slog, Status: func(ctx context.Context) (board.Status, error) {
		st, err := a.log.State(ctx)
		return board.Status{LogSequence: st.LastSeq, ViewSequence: a.projector.Sequence(), Lagging: a.Lagging(), Version: a.cfg.Version}, err
	}})
	mux.Handle("/what-if", cards.WhatIfHandler(a.cfg.Slog))
	mux.Handle("/", b)
	return mux, nil
}

func say(w http.ResponseWriter, code int, body any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	// The client may be gone; there is nobody to tell.
	_ = json.NewEncoder(w).Encode(body)
}
