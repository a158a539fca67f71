package track

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// contradictions are what of the record cannot be true together and concerns a track, as cautions. Only a person can find out
// which is wrong. Until then the advice rests on what was sent.
func (m *machine) contradictions(c *course, s *State, where *Whereabouts) []string {
	if s.Stage == Retired {
		return nil
	}
	var out []string
	if where.DiedOn != "" {
		out = append(out, "a death is recorded for "+where.DiedOn+", and treatment after it: make sure who this is before you needle")
	}
	if c.needledOn != "" && c.access != "" && c.needledOn != c.access {
		out = append(out, fmt.Sprintf("the last needle of this track is recorded in access %s, but the track lies on access %s. A track "+
			"does not move: find out which is right before you needle", c.needledOn, c.access))
	}
	if c.overruled != "" && c.sinceTaken == 0 {
		out = append(out, c.overruled)
	}
	if len(s.Held) == 0 {
		out = append(out, m.heldNowhere()...)
	}
	return out
}

// heldNowhere names the first open hold on a track or an access that nothing else of the record knows. A name may be misspelt:
// then the hold is meant for a place that looks free.
func (m *machine) heldNowhere() []string {
	for i := range m.holds {
		h := &m.holds[i]
		if !h.Lifted.IsZero() {
			continue
		}
		track := slices.IndexFunc(h.Tracks, func(name string) bool { c := m.find(name); return c == nil || !c.there })
		place := slices.IndexFunc(h.Accesses, func(name string) bool {
			return !slices.ContainsFunc(m.accesses, func(a *access) bool { return a.name == name && a.there })
		})
		var where string
		switch {
		case track >= 0:
			where = "track " + h.Tracks[track]
		case place >= 0:
			where = "access " + h.Accesses[place]
		default:
			continue
		}
		return []string{fmt.Sprintf("a hold is open on %s (%s), and nothing else of this patient's record knows that name. It may be "+
			"meant for this track: find out before you needle", where, cmp.Or(strings.TrimSuffix(h.Text, "."), "no reason recorded"))}
	}
	return nil
}

// overrules says how a takeover contradicts the sessions that this record has of the track; empty if it does not. A takeover is
// for a track that is older than the record.
func (c *course) overrules(declared Stage, date string) string {
	if !c.seen || c.taken != nil || c.trial || declared != Trial && declared != Established {
		return ""
	}
	return fmt.Sprintf("the takeover of %s declares the track %s, but this record has its sessions from the first on, and %d of them count"+
		": make sure that it takes a blunt needle", date, declared, c.counted)
}
