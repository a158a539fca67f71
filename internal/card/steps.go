package card

import (
	"cmp"
	"fmt"

	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Step is one thing to do.
type Step struct {
	Phase string `json:"phase"` // see the constants
	Text  string `json:"text"`
}

// The phases, in order. Stop stands alone: there is no needle.
const (
	PhaseExamine = "examine"
	PhasePrepare = "prepare"
	PhaseInsert  = "insert"
	PhaseAfter   = "after"
	PhaseStop    = "stop"
)

// PhaseTitle returns the title of a phase.
func PhaseTitle(phase string) string {
	if phase == PhaseStop {
		return "what to do"
	}
	return phase
}

// preparation returns what to do from taking the dressing off to putting one on, by the track's
// state and the unit's protocol: see rows.
func preparation(s *track.State, holds []Hold, found []Finding) []Step {
	if needle(s) == track.None {
		return noNeedle(s, holds, found)
	}
	return steps(s)
}

func needle(s *track.State) track.Needle {
	if s.Next.Needle == "" {
		return track.None
	}
	return s.Next.Needle
}

func beforeTrial(s *track.State) bool {
	return s.Folded == track.Planned || s.Folded == track.Forming || s.Folded == track.Ready
}

// noNeedle says that there is no needle, and whom to call.
func noNeedle(s *track.State, holds []Hold, found []Finding) []Step {
	out := []Step{{PhaseStop, fmt.Sprintf("Do not needle track %s.", s.Name)}}
	call := func(text string) { out = append(out, Step{PhaseStop, text}) }
	fallback := func() {
		if f := s.Plan.GetFallback(); f != "" {
			call("Fall-back in the plan, if the treating team agrees: " + stop(f))
		}
	}
	switch {
	case s.Stage == track.Retired && s.Replaced != "":
		call(fmt.Sprintf("The track was given up. Track %s replaces it. Look at that track.", s.Replaced))
	case s.Stage == track.Retired:
		call("The track was given up. Ask the lead nurse which site to use.")
	case len(s.Held) > 0:
		urgent, infected, whole, fixed := false, false, false, len(holds) > 0
		for _, h := range holds {
			whole = whole || len(h.Accesses) > 0
			urgent = urgent || h.Urgent
			fixed = fixed && h.Rule == rule.NotAFistula
			infected = infected || h.Rule == rule.SiteInfection || h.Rule == rule.Bacteraemia
		}
		if urgent {
			call("Call the lead nurse and the physician or surgeon NOW.")
		} else {
			call("Call the lead nurse and the physician before any needle.")
		}
		if infected {
			call("Have cultures taken before an antimicrobial is given, as the physician decides.")
		}
		if fixed {
			call("Nobody can lift this hold. It ends when the access or the plan is corrected, or the track is given up.")
		} else {
			call("Only a named person can lift the hold, and must give a reason.")
		}
		if whole {
			call("The hold is on the whole access. Do not needle it at another site either.")
		} else {
			fallback()
		}
	case s.Stage == track.Resting:
		call("The track rests. Ask the lead nurse which site to use.")
		fallback()
	default:
		for _, f := range found {
			if f.Rule == rule.ScabIncomplete {
				call("The scab is not wholly removed. Remove it completely, disinfect again, record the preparation, and open the card " +
					"again. " +
					"If it does not come off, call the lead nurse.")
				return out
			}
		}
		call("Call the lead nurse: " + stop(cmp.Or(s.Next.Why, "no reason is given")))
	}
	return out
}

// agentOf returns the antiseptic: this patient's, else the first of the unit's.
func agentOf(s *track.State) string {
	if a := antiseptic(s.Planned.GetAntiseptic()); a != "" {
		return a + " (chosen for this patient)"
	}
	for _, a := range s.Protocol.Antiseptics {
		if t := antiseptic(a); t != "" {
			return t
		}
	}
	return "the unit's antiseptic"
}

// contact returns the time for which the antiseptic must act, if the protocol states it.
func contact(s *track.State) string {
	a := s.Planned.GetAntiseptic()
	if a == 0 && len(s.Protocol.Antiseptics) > 0 {
		a = s.Protocol.Antiseptics[0]
	}
	switch a {
	case cannularyv1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL:
		return fmt.Sprintf("%d s", s.Protocol.ChlorhexidineSecs)
	case cannularyv1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE:
		return fmt.Sprintf("%d s", s.Protocol.PovidoneSecs)
	}
	return "the agent's contact time"
}

func ordinal(n int) string {
	switch n {
	case 2:
		return "Second"
	case 3:
		return "Third"
	case 4:
		return "Fourth"
	}
	return fmt.Sprintf("%dth", n)
}

// onResistance returns what to do if the needle does not pass.
func onResistance(s *track.State) []string {
	tries := s.Protocol.AttemptsMax
	switch needle(s) {
	case track.Blunt:
		return []string{
			"Never force it. Draw back a few millimetres, rotate, and press lightly.",
			"If that fails, take the needle out, press and disinfect. Then use a NEW blunt needle in the same track.",
			fmt.Sprintf("After %s by one cannulator, leave it and call a second cannulator.", count(tries, "attempt")),
			"Last resort, with extreme caution because it raises the risk of infection: " +
				"a sharp needle in the same track, never beside it. Record the reason and tell the lead nurse.",
		}
	case track.Sharp:
		return []string{
			"Never force it. Never cut a new path. Draw back a few millimetres, correct angle and direction to those of the track, " +
				"and try again.",
			fmt.Sprintf("After %s by one cannulator, leave it and call a second cannulator: the creator or a deputy while the track forms.",
				count(tries, "attempt")),
			"If it is still not in, stop and press. Use the fall-back site as the lead nurse decides. Record every attempt.",
		}
	}
	return []string{}
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
