package projector

import (
	"context"
	"fmt"
	"time"

	"cannulary/fhir"
	"cannulary/internal/dossier"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/view"
)

// event takes one event through its stages; doc.go lists them.
func (p *Projector) event(ctx context.Context, tx *view.Tx, f *flight, entry view.StoredEvent, own []record.Fact,
	updated time.Time) error {
	s := p.state
	w := &writer{state: s, ctx: ctx, tx: tx, updated: updated, opener: p.cfg.Opener, options: p.cfg.Options,
		figures: p.cfg.Figures}
	fresh, err := index(tx, entry, own)
	if err != nil {
		return err
	}
	all, err := view.Closure(tx.Load(), []view.StoredEvent{entry}, s.related)
	if err != nil {
		return err
	}
	e := effectsOf(entry.Event.GetId(), own, all, s.group)
	// What a merged patient is the first to name may change to which track all others refer.
	plain := e.alone && (len(fresh) == 0 || len(s.group(own[0].PatientKey)) == 1)
	if !plain {
		// It may change what those before it rest on.
		if err := f.land(0); err != nil {
			return err
		}
	}
	if w.plan, err = s.plan(tx, e, entry, own, all, fresh); err != nil {
		return w.named(err)
	}
	if !plain {
		w.byID = w.load().ByID
		return w.named(w.apply())
	}
	items, err := w.loadSession(own[0].Session)
	if err != nil {
		return err
	}
	k, err := w.keptOf(own[0].PatientKey)
	if err != nil {
		return err
	}
	f.launch(w, items, k)
	return f.land(f.most - 1)
}

// plan brings the state up to date with an event and finds out what it makes necessary.
func (s *state) plan(tx *view.Tx, e *effects, entry view.StoredEvent, own, all []record.Fact, fresh set) (*plan, error) {
	if e.merges || len(fresh) > 0 {
		clear(s.kept)
	}
	f, err := s.follow(tx, e)
	if err != nil {
		return nil, err
	}
	return s.planOf(tx, e, f, entry, own, all, fresh)
}

// writer carries the plan of one event out.
type writer struct {
	*state
	*plan
	ctx     context.Context
	tx      *view.Tx
	updated time.Time // lastUpdated of the versions that the event gives
	opener  dossier.Opener
	options fhir.Options
	figures func(facility string) bool // nil is all

	ahead *ahead // what a worker did of it; nil where none did
	// byID reads events; a worker has to wait for the event's turn.
	byID func(ids []string) ([]view.StoredEvent, error)

	given    []version
	dossiers map[string]*dossier.Patient // the one that was gathered last, by the surviving patient key
}

// load reads what was there when the event came.
func (w *writer) load() view.Loader { return w.tx.LoadUpTo(w.entry.Seq) }

// apply carries the plan out.
func (w *writer) apply() error {
	for _, stage := range []func() error{w.registrations, w.reach, w.render, w.judgeAll, w.survey, w.worklists, w.provenance} {
		if err := stage(); err != nil {
			return err
		}
	}
	return nil
}

// version is a version that the event gave.
type version struct {
	fhir.VersionedReference
	nullified bool // the resource is entered in error, or cancelled
}

// put stores resources and remembers which versions the event gave.
func (w *writer) put(resources ...fhir.Resource) error {
	given := make([]version, len(resources))
	for _, i := range targetsFirst(resources) {
		r := &resources[i]
		v, changed, err := w.tx.Put(*r, w.entry.Seq, w.updated)
		if err != nil {
			return err
		}
		if changed {
			given[i] = version{fhir.VersionedReference{Type: r.Type, ID: r.ID, Version: v}, nullified(r)}
		}
	}
	for _, v := range given {
		if v.Version > 0 {
			w.given = append(w.given, v)
		}
	}
	return nil
}

// targetsFirst orders resources so that each comes after those of them that it refers to.
func targetsFirst(resources []fhir.Resource) []int {
	type key struct{ typ, id string }
	at := make(map[key]int, len(resources))
	for i := range resources {
		at[key{resources[i].Type, resources[i].ID}] = i
	}
	out := make([]int, 0, len(resources))
	seen := make([]bool, len(resources))
	var visit func(i int)
	visit = func(i int) {
		if seen[i] {
			return
		}
		seen[i] = true
		for _, ref := range resources[i].Index.References {
			if k, ok := at[key{ref.Type, ref.ID}]; ok {
				visit(k)
			}
		}
		out = append(out, i)
	}
	for i := range resources {
		visit(i)
	}
	return out
}

// patient gathers a patient's dossier. Judgement and surveillance of one event ask for the same one.
func (w *writer) patient(key string) (*dossier.Patient, error) {
	if d := w.dossiers[key]; d != nil {
		return d, nil
	}
	d, err := w.gather(w.load(), key)
	if err != nil {
		return nil, err
	}
	// One at a time: many patients of an event would fill the memory.
	w.dossiers = map[string]*dossier.Patient{key: &d}
	return &d, nil
}

// kept tells under which patient key the tracks and accesses of a merged patient have the
// BodyStructure that resources refer to: the survivor's where it has one of that name, else that
// of the first that has.
type kept struct{ tracks, accesses map[fhir.Place]string }

func (w *writer) keptOf(key string) (kept, error) {
	switch {
	case key == "":
		return kept{}, nil
	case w.ahead != nil:
		return w.ahead.kept, nil
	}
	group := w.group(key)
	if len(group) == 1 {
		return kept{}, nil
	}
	if k, ok := w.kept[group[0]]; ok {
		return k, nil
	}
	k := kept{map[fhir.Place]string{}, map[fhir.Place]string{}}
	for class, out := range map[string]map[fhir.Place]string{dossier.TrackTopic: k.tracks, dossier.AccessTopic: k.accesses} {
		for _, keeper := range group {
			topics, err := w.tx.TopicsWith(class + keeper + "/")
			if err != nil {
				return k, err
			}
			for _, t := range topics {
				_, _, name := dossier.SplitTopic(t)
				for _, other := range group {
					if place := (fhir.Place{Patient: other, Name: name}); out[place] == "" {
						out[place] = keeper
					}
				}
			}
		}
	}
	w.kept[group[0]] = k
	return k, nil
}

// context is what rendering needs beside the facts; patient is the key that they were posted for,
// empty for facts of a facility.
func (w *writer) context(patient, facility string) (fhir.Context, error) {
	k, err := w.keptOf(patient)
	return fhir.Context{Zone: w.zone(facility), Facility: facility, Identities: w.identities, Tracks: k.tracks, Accesses: k.accesses,
		Options: w.options}, err
}

func loadZone(facility, name string) (*time.Location, error) {
	l, err := zone.Load(name)
	if err != nil {
		return nil, &unclearError{err: fmt.Errorf("facility %s: %w", facility, err)}
	}
	return l, nil
}

// topicItems are the facts that describe a topic, as they stand.
func topicItems(tx *view.Tx, s *state, topic string) ([]record.Item, error) {
	events, err := tx.Load().Topic(topic)
	if err != nil {
		return nil, err
	}
	facts, err := view.Closure(tx.Load(), events, s.related)
	if err != nil {
		return nil, err
	}
	return record.Effective(facts), nil
}
