package dossier

import (
	"context"
	"time"

	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Conflict is something in a patient's identity facts that may be another person's. It can be
// seen only with the birth dates open, so it stands on the card and in no resource.
type Conflict struct {
	Since time.Time
	Facts []string
	// Dates are two birth dates that were stated, the earlier statement's first. Without them, an
	// identity was stated for somebody who was merged into this patient before.
	Dates []string
	Merge bool // the dates are those of two identities that were merged
}

// Conflicts finds what nobody has confirmed yet in the identity facts of a patient until a moment.
// patient is the key that goes on; items are all facts of it and of those merged into it, in order.
//
// A statement with another birth date than the one before it is a conflict, and so are a merge of
// two birth dates and a statement for an identity that was merged away before. A person settles it
// by taking back or correcting the wrong statement, by reversing the merge, or by stating the
// right birth date once more, for the patient who goes on: the last statement's date, after the
// conflict, by a named recorder.
func Conflicts(ctx context.Context, opener Opener, ids *record.Identities, patient string, items []record.Item,
	until time.Time) ([]Conflict, error) {
	w := identityWalk{stated: map[string]statement{}, into: map[string]string{}, open: map[string][]Conflict{}}
	last := map[string]string{} // retired key → the merge that stands
	for i := range items {
		if it := &items[i]; it.Kind == record.KindPatientsMerged && !it.Void && ids.MergedInto(it.MergedKey) == it.PatientKey {
			last[it.MergedKey] = it.ID
		}
	}
	for i := range items {
		it := &items[i]
		if it.Void || it.At.After(until) {
			continue
		}
		switch b := it.Body.(type) {
		case *logv1.IdentitiesMerged:
			if last[it.MergedKey] == it.ID {
				w.merge(it)
			}
		case *logv1.IdentitySealed:
			id := &cannularyv1.IdentityStated{}
			if ok, err := open(ctx, opener, it.PatientKey, b.GetSealed(), id); err != nil {
				return nil, err
			} else if ok {
				w.state(it, id.GetBirthDate())
			}
		}
	}
	return w.open[w.root(patient)], nil
}

// statement is a birth date and the fact that stated it.
type statement struct{ born, fact string }

// identityWalk goes through identity facts in order.
type identityWalk struct {
	stated map[string]statement // the latest of each patient, by the key that goes on
	into   map[string]string    // merged key → key
	open   map[string][]Conflict
}

func (w *identityWalk) root(key string) string {
	for w.into[key] != "" {
		key = w.into[key]
	}
	return key
}

func (w *identityWalk) merge(it *record.Item) {
	on, gone := w.root(it.PatientKey), w.root(it.MergedKey)
	if on == gone {
		return
	}
	a, b := w.stated[on], w.stated[gone]
	w.open[on] = append(w.open[on], w.open[gone]...)
	if a.born != "" && b.born != "" && a.born != b.born {
		w.open[on] = append(w.open[on], Conflict{Since: it.At, Facts: []string{it.ID, a.fact, b.fact},
			Dates: []string{a.born, b.born}, Merge: true})
	}
	if a.born == "" {
		w.stated[on] = b
	}
	w.into[gone] = on
}

func (w *identityWalk) state(it *record.Item, born string) {
	key := w.root(it.PatientKey)
	was := w.stated[key]
	merged := key != it.PatientKey
	switch {
	case born != "" && was.born != "" && born != was.born:
		w.open[key] = append(w.open[key], Conflict{Since: it.At, Facts: []string{was.fact, it.ID}, Dates: []string{was.born, born}})
	case merged:
		w.open[key] = append(w.open[key], Conflict{Since: it.At, Facts: []string{it.ID}})
	case born != "" && it.Recorder.GetValue() != "":
		delete(w.open, key)
	}
	if born != "" {
		w.stated[key] = statement{born, it.ID}
	}
}
