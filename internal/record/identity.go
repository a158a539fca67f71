package record

import (
	"slices"
	"sort"
)

// Identities resolves merged identities. The zero value knows no merge.
type Identities struct {
	survivor map[string]string // retired key → key it was merged into
	// Refused are the ids of merge facts that had no effect: they would have closed a cycle, or
	// retired an identity that was already retired.
	Refused []string
}

// Resolve applies merges and their reversals in the order of clinical time, then fact id. items
// are the merge and reversal facts of all patients, after corrections and voids.
func Resolve(items []Item) *Identities {
	list := make([]*Fact, 0, len(items))
	for i := range items {
		if !items[i].Void {
			list = append(list, &items[i].Fact)
		}
	}
	sort.Slice(list, func(i, j int) bool {
		if !list[i].At.Equal(list[j].At) {
			return list[i].At.Before(list[j].At)
		}
		return list[i].ID < list[j].ID
	})
	ids := &Identities{survivor: map[string]string{}}
	for _, f := range list {
		switch f.Kind {
		case KindPatientsMerged:
			_, retired := ids.survivor[f.MergedKey]
			if retired || ids.Survivor(f.PatientKey) == f.MergedKey {
				ids.Refused = append(ids.Refused, f.ID)
				continue
			}
			ids.survivor[f.MergedKey] = f.PatientKey
		case KindMergeReversed:
			if ids.survivor[f.MergedKey] == f.PatientKey {
				delete(ids.survivor, f.MergedKey)
			} else {
				ids.Refused = append(ids.Refused, f.ID)
			}
		}
	}
	return ids
}

// Survivor follows merges from key and returns the identity that is in use today.
func (ids *Identities) Survivor(key string) string {
	if ids == nil {
		return key
	}
	for {
		next, ok := ids.survivor[key]
		if !ok {
			return key
		}
		key = next
	}
}

// Group returns every identity with the same survivor as key: the survivor first, the rest
// sorted.
func (ids *Identities) Group(key string) []string {
	s := ids.Survivor(key)
	group := []string{s}
	if ids != nil {
		for retired := range ids.survivor {
			if ids.Survivor(retired) == s {
				group = append(group, retired)
			}
		}
	}
	sort.Strings(group[1:])
	return group
}

// MergedInto returns the identity that key was merged into directly, empty if it was not.
func (ids *Identities) MergedInto(key string) string {
	if ids == nil {
		return ""
	}
	return ids.survivor[key]
}

// MergedDirectly returns the keys that were merged into key directly, sorted.
func (ids *Identities) MergedDirectly(key string) []string {
	var out []string
	if ids != nil {
		for retired, survivor := range ids.survivor {
			if survivor == key {
				out = append(out, retired)
			}
		}
	}
	sort.Strings(out)
	return out
}

// Changed returns every key whose survivor or direct merges differ between a and b, sorted.
func Changed(a, b *Identities) []string {
	seen := map[string]bool{}
	for _, ids := range []*Identities{a, b} {
		if ids == nil {
			continue
		}
		for retired, survivor := range ids.survivor {
			seen[retired], seen[survivor] = true, true
		}
	}
	var out []string
	for key := range seen {
		if a.Survivor(key) != b.Survivor(key) || a.MergedInto(key) != b.MergedInto(key) ||
			!slices.Equal(a.MergedDirectly(key), b.MergedDirectly(key)) {
			out = append(out, key)
		}
	}
	sort.Strings(out)
	return out
}
