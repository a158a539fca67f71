package chairside

import (
	"maps"
	"slices"
	"sync"
	"time"

	"cannulary/internal/dossier"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/worklist"
)

// recentMost bounds the facts that are kept in memory, about 1 kB each: of one patient they are some 1,400 a year.
const recentMost = 40_000

// recent keeps the dossiers of those patients whose cards of now were asked for last, with their judgements. The next card of
// such a patient reads only what came since. It is safe for concurrent use.
type recent struct {
	mu        sync.Mutex
	by        map[string]*kept // surviving patient key
	destroyed uint64           // keyring.Ring.Destroyed when the first of them was read
}

// kept is one of them.
type kept struct {
	used  time.Time // guarded by recent.mu, like facts
	facts int

	mu      sync.Mutex // guards what follows
	read    time.Time  // when all of it was read
	ids     *record.Identities
	own     uint64 // the newest event of the patient, common the newest one about no patient
	common  uint64
	dossier dossier.Patient
	judge   *track.Follower
	list    *worklist.Memo
}

// present is what is said of a patient now.
type present struct {
	judgement track.Judgement
	person    worklist.Person
}

// of returns a patient's dossier and what is said of now, which is nil where a fact lies in the future. destroyed
// is keyring.Ring.Destroyed. As with names, what people wrote is opened again after a key was destroyed, and after ten
// minutes.
func (r *recent) of(m dossier.Moment, patient string, now time.Time, destroyed uint64) (dossier.Patient, *present, error) {
	k := r.take(patient, now, destroyed)
	k.mu.Lock()
	defer k.mu.Unlock()
	if err := k.bring(m, patient, now); err != nil {
		k.judge = nil
		return dossier.Patient{}, nil, err
	}
	r.put(k, len(k.dossier.Input.Items))
	if now.Before(k.judge.Newest()) {
		return k.dossier, nil, nil
	}
	return k.dossier, &present{k.judge.Judge(now), k.list.Person()}, nil
}

// bring brings it up to date with the moment, which holds all that the view has.
func (k *kept) bring(m dossier.Moment, patient string, now time.Time) error {
	group := m.Identities.Group(patient)
	newest, err := m.Loader.Newest(append(slices.Clone(group), ""))
	if err != nil {
		return err
	}
	common, own := newest[""], uint64(0)
	for _, key := range group {
		own = max(own, newest[key])
	}
	fits := k.judge != nil && k.ids == m.Identities && k.common == common && now.Sub(k.read) < namedFor
	switch {
	case fits && k.own == own:
		return nil
	case fits && k.own < own && len(group) == 1:
		events, err := m.Loader.Since(patient, k.own)
		if err != nil {
			return err
		}
		d, added, since, ok, err := m.Extended(k.dossier, events)
		if err != nil {
			return err
		}
		if ok && k.judge.Add(added, since) {
			k.judge.Trim()
			k.dossier, k.own = d, own
			for i := range added {
				if !k.list.Add(&added[i].Fact) {
					_, k.list = worklist.Fold(d.Input.Items, m.Zone)
					break
				}
			}
			return nil
		}
	}
	if k.dossier, err = m.Patient(patient); err != nil {
		return err
	}
	k.judge = track.NewFollower(k.dossier.Input)
	k.judge.Trim()
	_, k.list = worklist.Fold(k.dossier.Input.Items, m.Zone)
	k.read, k.ids, k.common, k.own = now, m.Identities, common, own
	return nil
}

// take finds a patient's, or makes room for it.
func (r *recent) take(patient string, now time.Time, destroyed uint64) *kept {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.by == nil || r.destroyed != destroyed {
		r.by, r.destroyed = map[string]*kept{}, destroyed
	}
	k := r.by[patient]
	if k == nil {
		k = &kept{}
		r.by[patient] = k
	}
	k.used = now
	return k
}

// put notes how many facts are kept, and lets those go that were used longest ago.
func (r *recent) put(k *kept, facts int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	k.facts = facts
	all := facts
	for _, key := range slices.SortedFunc(maps.Keys(r.by), func(a, b string) int { return r.by[b].used.Compare(r.by[a].used) }) {
		if other := r.by[key]; other != k {
			if all += other.facts; all > recentMost {
				delete(r.by, key)
			}
		}
	}
}
