package needling

import (
	"math"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// verdict is an answer that may not be known.
type verdict int

const (
	no verdict = iota
	unknown
	yes
)

func known(isKnown, holds bool) verdict {
	switch {
	case !isKnown:
		return unknown
	case holds:
		return yes
	}
	return no
}

// countable reports whether the session fulfils what a session that counts must, its date
// aside. Every attempt is asked, an abandoned one too.
func (w *world) countable(s *session, st *step) verdict {
	final := s.final()
	v := min(
		known(final.Says.GetTip() != 0, sharp(final)),
		known(final.Says.GetOutcome() != 0, successful(final)),
	)
	for _, a := range s.attempts {
		if w.mutant == FinalEntryOnly && a.ID != final.ID {
			continue
		}
		if s.rules.NeedsListed {
			v = min(v, w.listed(a, st.creator))
		}
		if s.rules.NeedsSameSpot && !s.first && w.mutant != UnknownSpotCounts {
			v = min(v, answered(a.Says.GetSameSpot(), cannularyv1.Answer_ANSWER_YES))
		}
		if s.rules.NeedsSameSpot && !s.first && w.mutant == UnknownSpotCounts {
			v = min(v, known(true, a.Says.GetSameSpot() != cannularyv1.Answer_ANSWER_NO))
		}
		if s.rules.NeedsSamePath && !s.first {
			path := answered(a.Says.GetNewPath(), cannularyv1.Answer_ANSWER_NO)
			if w.mutant == UnknownPathCounts && path == unknown {
				path = yes
			}
			v = min(v, path)
		}
		if s.rules.NeedsSameAngle {
			v = min(v, w.near(a.Says.AngleDegrees, st.reference, s.rules.AngleTolerance))
		}
	}
	return v
}

func answered(a, wanted cannularyv1.Answer) verdict {
	return known(a == cannularyv1.Answer_ANSWER_YES || a == cannularyv1.Answer_ANSWER_NO, a == wanted)
}

func (w *world) near(angle, reference *float64, tolerance float64) verdict {
	if angle == nil || reference == nil {
		return unknown
	}
	off := math.Abs(*angle - *reference)
	return known(true, off < tolerance || off == tolerance && w.mutant != ToleranceOpen)
}

// listed reports whether the attempt was made by the creator or by a deputy named by then.
func (w *world) listed(a entry, creator string) verdict {
	who := staff(a.Says.GetCannulator())
	if who == "" {
		return unknown
	}
	for _, d := range all[*cannularyv1.DeputyNamed](w) {
		named := before(d.Fact, a.Fact) || w.mutant == DeputyBeforeNamed
		if d.Says.GetTrack() == a.Says.GetTrack() && staff(d.Says.GetDeputy()) == who && named {
			return yes
		}
	}
	return known(creator != "", who == creator)
}
