package surveillance

import (
	"sort"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// risk orders accesses as form 57.503 does, the highest first; one of unknown kind is last.
func risk(k cannularyv1.AccessKind) int {
	switch k {
	case cannularyv1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER:
		return 6
	case cannularyv1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER:
		return 5
	case cannularyv1.AccessKind_ACCESS_KIND_OTHER:
		return 4
	case cannularyv1.AccessKind_ACCESS_KIND_GRAFT:
		return 3
	case cannularyv1.AccessKind_ACCESS_KIND_FISTULA:
		return 2
	}
	return 1
}

// accesses are the names of those that were created or used.
func (w *world) accesses() []string {
	names := map[string]bool{}
	for _, f := range w.facts {
		switch b := f.Body.(type) {
		case *cannularyv1.AccessCreated:
			names[b.GetAccess()] = true
		case *cannularyv1.TrackTakenOver:
			names[w.accessOf(b.GetTrack())] = true
		}
		for _, name := range w.uses(f) {
			names[name] = true
		}
	}
	return sorted(names)
}

// uses are the accesses that a fact tells to be used.
// Reading: used is dialysed through: a treatment begun through it, a needle, a track in use.
func (w *world) uses(f *record.Fact) []string {
	names := map[string]bool{}
	switch b := f.Body.(type) {
	case *cannularyv1.SessionStarted:
		names[b.GetAccess()] = true
	case *cannularyv1.NeedleInserted:
		names[b.GetAccess()] = true
		if !abandoned(b) {
			names[w.accessOf(b.GetTrack())] = true
		}
	}
	return sorted(names)
}

// kind is what an access is.
// Reading: the latest message of its creation tells, for all days.
func (w *world) kind(access string) cannularyv1.AccessKind {
	kind := cannularyv1.AccessKind_ACCESS_KIND_UNSPECIFIED
	for _, f := range w.facts {
		if b, ok := f.Body.(*cannularyv1.AccessCreated); ok && b.GetAccess() == access {
			kind = b.GetKind()
		}
	}
	if kind == cannularyv1.AccessKind_ACCESS_KIND_UNSPECIFIED {
		for _, track := range w.tracks() {
			if w.accessOf(track) == access {
				return cannularyv1.AccessKind_ACCESS_KIND_FISTULA
			}
		}
	}
	return kind
}

// inPlace reports whether an access is there on a day.
// Reading: what was retired once does not come back, and is retired on the first day told.
func (w *world) inPlace(access, date string) bool {
	there := false
	for _, f := range w.facts {
		switch b := f.Body.(type) {
		case *cannularyv1.AccessCreated:
			if b.GetAccess() == access && told(b.GetCreatedOn(), w.date(f)) <= date {
				there = true
			}
		case *cannularyv1.AccessRetired:
			if b.GetAccess() == access && w.date(f) < date {
				return false
			}
		case *cannularyv1.TrackTakenOver:
			// Reading: a track that is declared in use tells of the access where it lies.
			if w.accessOf(b.GetTrack()) == access && told(b.GetInUseSince(), w.date(f)) <= date {
				there = true
			}
		default:
			for _, used := range w.uses(f) {
				if used == access && w.date(f) <= date {
					there = true
				}
			}
		}
	}
	return there
}

// dialysedThrough is the technique of a day, the access that counts and the tracks in use.
func (w *world) dialysedThrough(date string) (technique, access string, tracks []string) {
	kind := cannularyv1.AccessKind_ACCESS_KIND_UNSPECIFIED
	for _, name := range w.accesses() {
		// Reading: of several of the same risk the first by name.
		if !w.inPlace(name, date) {
			continue
		}
		k := w.kind(name)
		if access == "" || risk(k) > risk(kind) {
			access, kind = name, k
		}
	}
	tracks = w.inUse(date)
	// Reading: of several fistulas the one with a track in use counts, the track that is
	// first by name where there are several; a track of which nobody told where it lies, lies
	// in the fistula.
	if risk(kind) <= risk(cannularyv1.AccessKind_ACCESS_KIND_FISTULA) {
		for _, track := range tracks {
			in := w.accessOf(track)
			if in == "" || w.kind(in) == cannularyv1.AccessKind_ACCESS_KIND_FISTULA {
				return "constant-site", in, tracks
			}
		}
	}
	switch kind {
	case cannularyv1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER:
		return "non-tunneled-catheter", access, tracks
	case cannularyv1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER:
		return "tunneled-catheter", access, tracks
	case cannularyv1.AccessKind_ACCESS_KIND_OTHER:
		return "other-access", access, tracks
	case cannularyv1.AccessKind_ACCESS_KIND_GRAFT:
		return "graft", access, tracks
	case cannularyv1.AccessKind_ACCESS_KIND_FISTULA:
		return "other-fistula", access, tracks
	}
	return "unknown", access, tracks
}

// tracks are the names of those that were planned, taken over or needled.
func (w *world) tracks() []string {
	names := map[string]bool{}
	for _, f := range w.facts {
		switch b := f.Body.(type) {
		case *cannularyv1.TrackPlanned:
			for _, t := range b.GetTracks() {
				names[t.GetTrack()] = true
			}
		case *cannularyv1.TrackTakenOver:
			names[b.GetTrack()] = true
		case *cannularyv1.NeedleInserted:
			names[b.GetTrack()] = names[b.GetTrack()] || !abandoned(b)
		}
	}
	return sorted(names)
}

// accessOf is where a track lies.
// Reading: where its latest plan or takeover says, else its latest needle, for all days.
func (w *world) accessOf(track string) string {
	planned, needled := "", ""
	if track == "" {
		return ""
	}
	for _, f := range w.facts {
		switch b := f.Body.(type) {
		case *cannularyv1.TrackPlanned:
			for _, t := range b.GetTracks() {
				if t.GetTrack() == track {
					planned = b.GetAccess()
				}
			}
		case *cannularyv1.TrackTakenOver:
			if b.GetTrack() == track {
				planned = b.GetAccess()
			}
		case *cannularyv1.NeedleInserted:
			if b.GetTrack() == track && b.GetAccess() != "" && !abandoned(b) {
				needled = b.GetAccess()
			}
		}
	}
	return told(planned, needled)
}

// inUse are the tracks in use on a day, in whatever access.
// Reading: needled is an attempt that pierced the skin, so not one that was given up before.
func (w *world) inUse(date string) []string {
	names := map[string]bool{}
	for _, track := range w.tracks() {
		begun, retired := false, false
		for _, f := range w.facts {
			switch b := f.Body.(type) {
			case *cannularyv1.TrackTakenOver:
				begun = begun || b.GetTrack() == track && told(b.GetInUseSince(), w.date(f)) <= date
			case *cannularyv1.NeedleInserted:
				begun = begun || b.GetTrack() == track && w.date(f) <= date && !abandoned(b)
			case *cannularyv1.TrackRetired:
				retired = retired || b.GetTrack() == track && w.date(f) < date
			case *cannularyv1.AccessRetired:
				retired = retired || b.GetAccess() == w.accessOf(track) && w.date(f) < date
			}
		}
		if begun && !retired {
			names[track] = true
		}
	}
	return sorted(names)
}

func abandoned(n *cannularyv1.NeedleInserted) bool {
	return n.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED
}

// sorted is the list of the names without the empty one.
func sorted(names map[string]bool) []string {
	out := []string{}
	for name, is := range names {
		if is && name != "" {
			out = append(out, name)
		}
	}
	sort.Strings(out)
	return out
}
