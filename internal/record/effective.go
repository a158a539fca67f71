package record

import (
	"sort"
	"time"
)

// Item is one plain fact as the record holds it after corrections and voids.
type Item struct {
	// Fact has the content that stands: the highest correction's, else the original's.
	// It keeps the original's id, event, session and recorder.
	Fact
	// Void reports that the fact was voided. It then counts for nothing, but what was made of it
	// stays visible as an error.
	Void bool
	// CorrectedBy is the id of the correction that stands, empty if none does.
	CorrectedBy string
	// Superseded are the contents that do not stand, highest first: every correction that is
	// voided or lower, and the original if a correction stands.
	Superseded []Fact
}

// Effective returns the plain facts as they stand, in the order of Before. facts are all facts
// of one patient, or of one facility, with their corrections and voids, in any order. A
// correction or a void whose target is not among them has no effect yet. The result does not
// depend on the order of facts.
//
// The rules: a correction replaces the whole fact that it names. The highest correction by
// (revision, asserted_at, id) wins. A correction by a fact of another kind has no effect. A void
// beats corrections. A void can itself be voided. Voids in a cycle count as void themselves.
// Voiding a session voids its facts.
func Effective(facts []Fact) []Item {
	v := newVoids(facts)
	corrections := map[string][]*Fact{}
	for i := range facts {
		if f := &facts[i]; f.Kind == KindFactCorrected {
			corrections[f.Target] = append(corrections[f.Target], f)
		}
	}
	items := make([]Item, 0, len(facts))
	for i := range facts {
		f := &facts[i]
		if !f.Plain() {
			continue
		}
		items = append(items, settle(f, corrections[f.ID], v))
	}
	Sort(items)
	return items
}

// settle applies to one plain fact the corrections that name it.
func settle(f *Fact, corrections []*Fact, v *voids) Item {
	it := Item{Fact: *f, Void: v.void(f.ID) || v.session(f)}
	var standing, fallen []*Fact
	for _, c := range corrections {
		switch {
		case c.BodyKind() != f.Kind || c.Facility != f.Facility && f.PatientKey == "":
			// Another kind of fact cannot replace this one.
		case v.void(c.ID):
			fallen = append(fallen, c)
		default:
			standing = append(standing, c)
		}
	}
	if len(standing)+len(fallen) == 0 {
		return it
	}
	higher := func(list []*Fact) func(i, j int) bool {
		return func(i, j int) bool { return corrects(list[i], list[j]) }
	}
	sort.Slice(standing, higher(standing))
	sort.Slice(fallen, higher(fallen))
	if len(standing) > 0 {
		it.Fact = replaced(f, standing[0])
		it.CorrectedBy = standing[0].ID
		for _, c := range standing[1:] {
			it.Superseded = append(it.Superseded, replaced(f, c))
		}
	}
	for _, c := range fallen {
		it.Superseded = append(it.Superseded, replaced(f, c))
	}
	if it.CorrectedBy != "" {
		it.Superseded = append(it.Superseded, *f)
	}
	return it
}

// corrects reports whether correction a wins over b.
func corrects(a, b *Fact) bool {
	ca, cb := a.Correction, b.Correction
	if ca.GetRevision() != cb.GetRevision() {
		return ca.GetRevision() > cb.GetRevision()
	}
	ta, tb := ca.GetAssertedAt().AsTime(), cb.GetAssertedAt().AsTime()
	if !ta.Equal(tb) {
		return ta.After(tb)
	}
	return a.ID > b.ID
}

// replaced returns f with the content of correction c.
func replaced(f, c *Fact) Fact {
	r := *f
	r.Body, r.Asserted = c.Body, c.Correction.GetAssertedAt().AsTime()
	r.IdentityHashes = c.IdentityHashes
	if t := c.Correction.GetCorrectedOccurredAt(); t != nil {
		r.At, r.Precision = t.AsTime(), c.Correction.GetCorrectedPrecision()
	}
	return r
}

// voids knows which facts are voided.
type voids struct {
	by       map[string][]string  // fact id → ids of the voids that name it
	sessions map[string][]string  // SessionKey → ids of the session voids that name it
	keys     map[[2]string]string // SessionKey of a session's reference
	loop     map[string]bool      // voids that lie on a cycle
	memo     map[string]bool
}

func newVoids(facts []Fact) *voids {
	v := &voids{by: map[string][]string{}, sessions: map[string][]string{}, keys: map[[2]string]string{},
		loop: map[string]bool{}, memo: map[string]bool{}}
	target := map[string]string{}
	for i := range facts {
		switch f := &facts[i]; f.Kind {
		case KindFactVoided:
			v.by[f.Target] = append(v.by[f.Target], f.ID)
			target[f.ID] = f.Target
		case KindSessionVoided:
			v.sessions[f.TargetSession] = append(v.sessions[f.TargetSession], f.ID)
		}
	}
	// Every void names one fact, so a walk along targets either ends or reaches one cycle.
	done := map[string]bool{}
	for id := range target {
		on := map[string]bool{}
		at := id
		for target[at] != "" && !on[at] && !done[at] {
			on[at] = true
			at = target[at]
		}
		if on[at] {
			for x := at; !v.loop[x]; x = target[x] {
				v.loop[x] = true
			}
		}
		for x := range on {
			done[x] = true
		}
	}
	return v
}

// void reports whether the fact is voided: a void that itself stands names it, or it lies on a
// cycle of voids.
func (v *voids) void(id string) bool {
	if v.loop[id] {
		return true
	}
	if len(v.by[id]) == 0 {
		return false
	}
	if r, ok := v.memo[id]; ok {
		return r
	}
	r := false
	for _, by := range v.by[id] {
		if !v.void(by) {
			r = true
			break
		}
	}
	v.memo[id] = r
	return r
}

// session reports whether the session of the fact is voided.
func (v *voids) session(f *Fact) bool {
	if !f.HasSession() || len(v.sessions) == 0 {
		return false
	}
	ref := [2]string{f.SessionSystem, f.SessionValue}
	key, ok := v.keys[ref]
	if !ok {
		key = SessionKey(f.SessionSystem, f.SessionValue)
		v.keys[ref] = key
	}
	for _, id := range v.sessions[key] {
		if !v.void(id) {
			return true
		}
	}
	return false
}

// Known returns the facts that the log held at a time; all of them for a zero time.
func Known(facts []Fact, known time.Time) []Fact {
	if known.IsZero() {
		return facts
	}
	out := make([]Fact, 0, len(facts))
	for _, f := range facts {
		if !f.Logged.After(known) {
			out = append(out, f)
		}
	}
	return out
}
