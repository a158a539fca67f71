package track

import cannularyv1 "cannulary/proto/cannulary/v1"

// NotNeedled reports whether nobody needles any place that the hold covers. Nobody needles a
// retired place, a track on a retired access, or a venous catheter. A catheter counts as needled
// if a needle was used in a track on it: then its kind or the track is recorded wrongly, and a
// person has to look. A place that is not known counts as needled as well. If GivenUp is true,
// so is NotNeedled.
func (j *Judgement) NotNeedled(h *Hold) bool {
	accesses := map[string]*AccessState{}
	needled := map[string]bool{}
	for i := range j.Accesses {
		a := &j.Accesses[i]
		accesses[a.Name] = a
		needled["access "+a.Name] = !a.Retired && !isCatheter(a.Kind)
	}
	for i := range j.Tracks {
		s := &j.Tracks[i]
		in := s.Stage != Retired
		if a := accesses[s.Access]; in && a != nil {
			in = !a.Retired && (s.Entered || !isCatheter(a.Kind))
			needled["access "+a.Name] = needled["access "+a.Name] || in
		}
		needled["track "+s.Name] = in
	}
	places := h.Places()
	for _, p := range places {
		if in, known := needled[p]; in || !known {
			return false
		}
	}
	return len(places) > 0
}

func isCatheter(k cannularyv1.AccessKind) bool {
	return k == cannularyv1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER || k == cannularyv1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER
}
