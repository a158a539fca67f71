package app

import (
	"context"
	"net/http"
	"slices"
	"sync"

	"cannulary/fhir"
	"cannulary/internal/chairside"
	"cannulary/internal/dossier"
	"cannulary/internal/export"
	"cannulary/internal/extract"
	"cannulary/internal/facade"
	"cannulary/internal/infectioncontrol"
	"cannulary/internal/projector"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
	"cannulary/internal/web"
	"cannulary/internal/web/cdshooks"
)

// side is a view with all that answers from it: that of the whole log, or of an extract for readers of some
// facilities.
type side struct {
	app       *App
	store     *view.Store
	projector *projector.Projector
	exports   *export.Engine
	extract   *extract.Log // nil for the whole log
	read      export.Reader
	watched   watched
}

// watch returns the surveillance of all facilities. It reuses the last result while the log has
// not moved on.
func (s *side) watch(ctx context.Context) ([]*surveil.Watch, error) {
	s.watched.mu.Lock()
	defer s.watched.mu.Unlock()
	seq := s.projector.Sequence()
	if s.watched.list != nil && s.watched.seq == seq {
		return s.watched.list, nil
	}
	list, err := dossier.Facilities(ctx, s.store, s.projector)
	if err == nil {
		s.watched.list, s.watched.seq = list, seq
	}
	return list, err
}

// behind returns the last entry that the side is to have, and how many it is behind. The error is the log's.
func (s *side) behind(ctx context.Context) (last, behind uint64, err error) {
	st, err := s.app.log.State(ctx)
	seq := s.projector.Sequence()
	if s.extract == nil {
		last = max(st.LastSeq, seq)
		return last, last - seq, err
	}
	came, last := s.extract.Came()
	last = max(last, seq)
	return last, last - seq + max(st.LastSeq, came) - came, err
}

// lagging reports whether the side is behind the log. It is true if that is not known.
func (s *side) lagging() bool {
	_, behind, err := s.behind(s.app.run)
	return err != nil || !s.app.Ready() || s.projector.Failed() != nil || behind > lagLimit
}

// partial reports whether a part of the patient's record is not in the side's view, which is an extract.
func (s *side) partial(patient string) bool {
	return !slices.ContainsFunc(s.projector.Identities().Group(patient), s.extract.Whole)
}

// knowledge returns how far the view has come. If the log does not answer, the view counts as
// lagging.
func (s *side) knowledge(ctx context.Context) infectioncontrol.Knowledge {
	k := infectioncontrol.Knowledge{Sequence: s.projector.Sequence(), Lagging: s.lagging()}
	last, _, err := s.behind(ctx)
	k.LogSequence, k.Lagging = max(last, k.Sequence), k.Lagging || err != nil
	return k
}

// handler routes what reads patients or figures.
func (s *side) handler() (http.Handler, error) {
	a, mux := s.app, &routes{mux: http.NewServeMux()}
	base := a.cfg.PublicBase
	f, err := facade.New(facade.Config{
		Store: s.store, Base: base, Now: a.cfg.Now, Log: a.cfg.Slog, Version: a.cfg.Version,
		Survivor:    func(id string) string { return s.projector.Identities().Survivor(id) },
		Definitions: fhir.Definitions(), Exports: s.exports, TokenURL: a.tokenURL,
		Audit: s.audit(), Group: func(id string) []string {
			ids := s.projector.Identities()
			return ids.Group(ids.Survivor(id))
		},
	})
	if err != nil {
		return nil, err
	}
	s.read = f.Export
	cards := &chairside.Service{Store: s.store, State: s.projector, Ring: a.ring, Now: a.cfg.Now, Lagging: s.lagging}
	if s.extract != nil {
		cards.Partial = s.partial
	}
	status := func(ctx context.Context) (web.Status, error) {
		last, _, err := s.behind(ctx)
		return web.Status{LogSequence: last, ViewSequence: s.projector.Sequence(), Lagging: s.lagging()}, err
	}
	moved := func(ctx context.Context, from uint64) (uint64, error) {
		err := s.projector.WaitFor(ctx, from+1)
		return s.projector.Sequence(), err
	}
	pages := displayed{a.cfg.Slog, web.Pages(web.Config{Cards: cards, Watch: s.watch, Store: s.store, Now: a.cfg.Now, Log: a.cfg.Slog,
		Status: status,
		Moved:  moved, Language: a.cfg.Language, Session: loggedIn, Ended: a.draining})}
	control := &infectioncontrol.Service{Watch: s.watch, Histories: s.store, Knowledge: s.knowledge}
	mux.Handle("/surveillance/threshold", web.Threshold(control, a.cfg.Slog))
	mux.Handle("/surveillance/signals", web.Signals(control, a.cfg.Slog))
	mux.Handle("/surveillance/report", web.Report(control, a.cfg.Slog))
	mux.Handle("/what-if", web.WhatIf(cards.WhatIf, a.cfg.Slog))
	hooks, err := cdshooks.New(cdshooks.Config{Cards: cards, Site: site(base), Origins: a.cfg.CDSOrigins, Log: a.cfg.Slog})
	if err != nil {
		return nil, err
	}
	mux.Handle(cdshooks.Path, hooks)
	mux.Handle(cdshooks.Path+"/", hooks)
	for _, path := range pages.Paths() {
		switch path {
		case "/": // below: Today, and what is not found
		case "/cards":
			mux.Handle(path, a.headed(pages))
		default:
			mux.Handle(path, pages)
		}
	}
	mux.mux.Handle("/", pages)
	return a.fhirFirst(f, mux.mux), mux.err
}

// watched is the surveillance as of a sequence of the log.
type watched struct {
	mu   sync.Mutex
	seq  uint64
	list []*surveil.Watch
}
