package card

import (
	"fmt"
	"strings"

	"cannulary/internal/rule"
	"cannulary/internal/track"
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

// preparation is what to do from examining to dressing, by the track's state and the unit's
// protocol. That two disinfections, the scab wholly off, a taut skin, a gap at the hub and
// the peg along the same path are asked is common practice, no source, as are the words.
func preparation(s *track.State, holds []Hold, found []Finding) []Step {
	n := needle(s)
	if n == track.None {
		return noNeedle(s, holds, found)
	}
	first := s.Folded == track.Planned && len(s.Recent) == 0 && s.Taken == nil
	var out []Step
	add := func(phase, format string, a ...any) { out = append(out, Step{phase, fmt.Sprintf(format, a...)}) }

	add(PhaseExamine, "Look, listen and feel before anything else: redness, pus, swelling, thin or shiny skin, a scab that does not heal, an ulcer; a bruit; a thrill, the pulse, collapse on raising the arm. With no thrill or bruit, or with any of those signs: do not needle, call, and record it.")
	if notes := s.Planned.GetAllergyNotes(); notes != "" {
		add(PhasePrepare, "Allergy and skin notes: %s", stop(notes))
	}
	add(PhasePrepare, "Clean hands. Wash the skin over the access with soap and water, and dry it.")
	agent := agentOf(s)
	disinfect := func(which string) {
		add(PhasePrepare, "%s with %s; let it act for %s, and let it dry.", which, agent, contact(s))
	}
	removal := func() {
		for _, text := range removals(s, n, first) {
			add(PhasePrepare, "%s", text)
		}
	}
	times := max(1, s.Protocol.DisinfectionsMin)
	switch {
	case first:
		disinfect("Disinfect the site")
	case times == 1:
		removal()
		disinfect("Disinfect the site, after that")
	default:
		disinfect("First disinfection")
		removal()
		for i := 2; i <= times; i++ {
			disinfect(ordinal(i) + " disinfection")
		}
	}

	switch e := s.Planned.GetEngorgement(); {
	case e == cannularyv1.Engorgement_ENGORGEMENT_NONE:
		add(PhaseInsert, "No tourniquet and no compression, by the plan.")
	case e != 0:
		add(PhaseInsert, "Make the vessel stand out: %s.", engorgement(e))
	case first:
		add(PhaseInsert, "Make the vessel stand out: tourniquet (the plan does not say otherwise).")
	default:
		add(PhaseInsert, "Make the vessel stand out as at the sessions before (how is not recorded).")
	}
	add(PhaseInsert, "Hold the skin taut, the same way each time.")
	add(PhaseInsert, "%s", insertion(s, n, first))
	add(PhaseInsert, "Check the flashback.")
	if n == track.Blunt {
		add(PhaseInsert, "Leave a small gap between hub and skin: a hub pressed into the entry widens it.")
	}

	if a := s.ReferenceAngle; a != nil {
		add(PhaseAfter, "Take the needle out at the same angle as it went in (%g°).", *a)
	} else {
		add(PhaseAfter, "Take the needle out at the same angle as it went in.")
	}
	press := "Press until the bleeding stops, and record the minutes"
	if t := s.Trends; t.HaemostasisKnown && finite(t.Haemostasis.Median, t.Haemostasis.Limit) {
		press += fmt.Sprintf(" (usual here: %.3g; longer than %.3g is longer than usual)", t.Haemostasis.Median, t.Haemostasis.Limit)
	}
	add(PhaseAfter, "%s.", press)
	add(PhaseAfter, "Disinfect the site.")
	if s.Protocol.UsesPegs && n == track.Sharp && beforeTrial(s) {
		add(PhaseAfter, "Put a new sterile peg in, along the same path as the needle, and record it.")
	}
	add(PhaseAfter, "Compressive dressing; a waterproof one for showers.")
	if s.Protocol.TopicalProphylaxis {
		add(PhaseAfter, "Topical antimicrobial prophylaxis on the site, by the unit's protocol.")
	}
	add(PhaseAfter, "Record needle, attempts, passes, resistance, angle, same spot, same path, who inserted, and what went wrong: what is not recorded does not count.")
	return out
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

// noNeedle says that there is none, and whom to call.
func noNeedle(s *track.State, holds []Hold, found []Finding) []Step {
	out := []Step{{PhaseStop, fmt.Sprintf("Do not needle track %s.", s.Name)}}
	call := func(text string) { out = append(out, Step{PhaseStop, text}) }
	fallback := func() {
		if f := s.Plan.GetFallback(); f != "" {
			call("Fall-back by the plan, if the treating team agrees: " + stop(f))
		}
	}
	switch {
	case s.Stage == track.Retired && s.Replaced != "":
		call(fmt.Sprintf("The track is given up; track %s replaces it: see there.", s.Replaced))
	case s.Stage == track.Retired:
		call("The track is given up. Ask the lead nurse which site to use.")
	case len(s.Held) > 0:
		urgent, infected, whole := false, false, false
		for _, h := range holds {
			whole = whole || len(h.Accesses) > 0
			urgent = urgent || h.Urgent
			infected = infected || h.Rule == rule.SiteInfection || h.Rule == rule.Bacteraemia
		}
		if urgent {
			call("Call the lead nurse and the physician or surgeon NOW: this hold is urgent.")
		} else {
			call("Call the lead nurse and the physician before any needle.")
		}
		if infected {
			call("Have cultures taken before an antimicrobial is given, as the physician decides.")
		}
		call("Only a named person lifts the hold, with a reason and by its id.")
		if whole {
			call("The whole access is held: no needle at another site of it either.")
		} else {
			fallback()
		}
	case s.Stage == track.Resting:
		call("The track rests. Ask the lead nurse which site to use.")
		fallback()
	default:
		for _, f := range found {
			if f.Rule == rule.ScabIncomplete {
				call("The scab is not wholly removed: remove it completely, disinfect again, record the preparation, and ask for the card again. If it does not come off, call the lead nurse.")
				return out
			}
		}
		call("Call the lead nurse: " + stop(or(s.Next.Why, "no reason is given")))
	}
	return out
}

// agentOf is the antiseptic: this patient's, else the unit's first.
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

// contact is the time for which the antiseptic acts, where the protocol knows it.
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

// removals say what comes off between the disinfections. A peg that was left in is taken
// out whatever the protocol says of pegs today.
func removals(s *track.State, n track.Needle, first bool) []string {
	if first {
		return nil
	}
	var out []string
	switch {
	case s.Peg == track.PegIn:
		out = append(out, "Dressing off. Remove the peg, whole, and look at it. Not there, or not whole: record it and tell the lead nurse.")
	case s.Peg != track.PegOut && s.Protocol.UsesPegs && beforeTrial(s):
		out = append(out, "Dressing off. Look for the peg: nothing is recorded of it since the last session. Remove it whole if it is there; record it if it is missing.")
	}
	if n == track.Blunt {
		return append(out, "Remove the scab completely, with a sterile tool and not with the needle. Not wholly off: no blunt needle.")
	}
	if len(out) == 0 {
		out = append(out, "Dressing off. Remove a scab, if there is one, completely.")
	}
	return out
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

// insertion says how the needle goes in; what is not recorded is said.
func insertion(s *track.State, n track.Needle, first bool) string {
	var parts, missing []string
	part := func(known bool, name, text string) {
		if known {
			parts = append(parts, text)
		} else {
			missing = append(missing, name)
		}
	}
	if s.Gauge != nil {
		parts = append(parts, fmt.Sprintf("%dG", *s.Gauge))
	} else {
		missing = append(missing, "gauge")
	}
	part(s.ReferenceAngle != nil, "angle", fmt.Sprintf("at %g°", value(s.ReferenceAngle)))
	part(s.Direction != 0, "direction", direction(s.Direction))
	part(s.Bevel != 0, "bevel", "bevel "+bevel(s.Bevel))
	part(s.Depth != nil, "depth", fmt.Sprintf("%g mm deep", value(s.Depth)))
	how := ""
	if len(parts) > 0 {
		how = " " + strings.Join(parts, ", ")
	}
	var text string
	switch {
	case n == track.Blunt:
		text = fmt.Sprintf("Slide the BLUNT needle%s in along the track, without force.", how)
	case first:
		text = fmt.Sprintf("Insert the SHARP needle%s. This first insertion sets angle, direction and depth for all that follow, by this vessel's depth: record them.", how)
	case s.Folded == track.Trial || s.Folded == track.Established:
		text = fmt.Sprintf("Insert the SHARP needle%s in the same spot and along the same path.", how)
	default:
		text = fmt.Sprintf("Insert the SHARP needle%s in the same spot, along the same path, to the same depth. Do not cut a new path.", how)
	}
	switch {
	case len(missing) > 0 && first:
		text += " Not planned: " + strings.Join(missing, ", ") + "."
	case len(missing) > 0:
		text += " Not recorded: " + strings.Join(missing, ", ") + "; ask the last cannulator, and record it."
	}
	return text
}

func value(p *float64) float64 {
	if p == nil {
		return 0
	}
	return *p
}

// onResistance is what to do where the needle does not pass.
func onResistance(s *track.State) []string {
	tries := s.Protocol.AttemptsMax
	switch needle(s) {
	case track.Blunt:
		return []string{
			"Never force it. Back a few millimetres, rotate, light pressure.",
			"If that fails: needle out, press, disinfect, and a NEW blunt needle in the same track.",
			fmt.Sprintf("After %s by one cannulator stop, and call a second cannulator.", count(tries, "attempt")),
			"Last resort, with extreme caution because it raises the risk of infection: a sharp needle in the same track, never beside it. Record the reason and tell the lead nurse.",
		}
	case track.Sharp:
		return []string{
			"Never force it and cut no new path. Back a few millimetres, correct angle and direction to those of the track, try again.",
			fmt.Sprintf("After %s by one cannulator stop, and call a second cannulator: the creator or a deputy while the track forms.", count(tries, "attempt")),
			"Still not in: stop, press, use the fall-back site as the lead nurse decides, and record every attempt.",
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
