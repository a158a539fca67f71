package card

import (
	"fmt"
	"strings"

	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// kind is a kind of session. A step belongs to one or several of them.
type kind uint

// The kinds of session that have a needle.
const (
	kindFirst       kind = 1 << iota // the first insertion of a track
	kindForming                      // sharp, no peg in the track
	kindFormingPeg                   // sharp, a peg is in
	kindFormingLook                  // sharp, nothing is recorded of the peg
	kindBlunt                        // blunt
	kindBluntPeg                     // blunt, a peg is still in
	kindBluntLook                    // blunt, nothing is recorded of the peg
	kindSharp                        // sharp in a track past forming
	kindSharpPeg                     // the same, a peg is still in
)

// Groups of kinds.
const (
	anyForming = kindForming | kindFormingPeg | kindFormingLook
	anyBlunt   = kindBlunt | kindBluntPeg | kindBluntLook
	anyRoutine = kindSharp | kindSharpPeg
	anyPegIn   = kindFormingPeg | kindBluntPeg | kindSharpPeg
	anyLook    = kindFormingLook | kindBluntLook
	anySharp   = kindFirst | anyForming | anyRoutine
	notFirst   = anyForming | anyBlunt | anyRoutine // the second session and all later ones
	anyKind    = kindFirst | notFirst
)

// rows are all steps of all kinds of session, in their order. The steps of a session are the
// rows of its kind, from top to bottom.
//
// The order is common practice, no source: dressing off, disinfect, peg or scab off, disinfect
// again, needle in, tape, flashback, tourniquet off; needle out, pressure, disinfect, peg,
// dressing. Topical prophylaxis after the session: Nesrallah, CJASN 2010. The words are ours.
//
// A word in braces stands for what the record knows (see fill). A row is left out if its word
// has no value, and appears once for each of several values.
var rows = []struct {
	kinds kind
	phase string
	text  string
}{
	{kindFirst, PhaseExamine, "Clean hands."},
	{notFirst &^ anyPegIn, PhaseExamine, "Clean hands. Dressing off, if one is on."},
	{notFirst & anyPegIn, PhaseExamine, "Clean hands. Dressing off, without pulling at the peg."},
	{anyKind, PhaseExamine, "Look, listen and feel before any needle: redness, pus, swelling, thin or shiny skin, " +
		"a scab that does not heal, an ulcer; a bruit; a thrill, the pulse, collapse on raising the arm. " +
		"With no thrill or no bruit, or with any of those signs: do not needle, call, and record it."},

	{anyKind, PhasePrepare, "Allergy and skin notes: {allergy}"},
	{anyKind, PhasePrepare, "Wash the skin over the access with soap and water, and dry it."},
	{kindFirst, PhasePrepare, "Disinfect the site with {agent}."},
	{notFirst &^ anyPegIn, PhasePrepare, "{first disinfection} with {agent}."},
	{notFirst & anyPegIn, PhasePrepare, "{first disinfection}, around the peg, with {agent}."},
	{notFirst & anyPegIn, PhasePrepare,
		"Remove the whole peg and look at it. If it is missing or not whole, record that and tell the lead nurse."},
	{anyLook, PhasePrepare, "Look for the peg. Nothing is recorded about it since the last session. " +
		"If it is there, remove it whole. If it is missing, record that."},
	{anyBlunt, PhasePrepare, "Remove the scab completely, with a sterile tool and not with the needle. " +
		"If some of it stays, do not needle here. Ask the lead nurse."},
	{anySharp & notFirst &^ anyPegIn, PhasePrepare, "Remove a scab, if there is one, completely."},
	{notFirst, PhasePrepare, "{later disinfections} with {agent}."},

	{anyKind, PhaseInsert, "{engorgement}"},
	{anyKind, PhaseInsert, "Hold the skin taut, the same way each time."},
	{anyBlunt, PhaseInsert, "Hold the needle lightly by its tube, so that it follows the track."},
	{kindFirst, PhaseInsert, "Insert the SHARP needle{how}. This first insertion sets angle, direction and depth " +
		"for all later ones. Choose them for this vessel's depth, and record them.{not planned}"},
	{anyForming, PhaseInsert, "Insert the SHARP needle{how} in the same spot, along the same path, to the same depth. " +
		"Do not cut a new path.{not recorded}"},
	{anyRoutine, PhaseInsert, "Insert the SHARP needle{how} in the same spot and along the same path.{not recorded}"},
	{anyBlunt, PhaseInsert, "Slide the BLUNT needle{how} in along the track, without force.{not recorded}"},
	{anyBlunt, PhaseInsert, "Leave a small gap between hub and skin. A hub that presses on the entry widens it."},
	{anyKind, PhaseInsert, "Secure the needle with tape, as it lies."},
	{anyKind, PhaseInsert, "Check the flashback."},
	{anyKind, PhaseInsert, "{release}"},

	{anyKind, PhaseAfter, "Take the needle out at the same angle as it went in{angle}."},
	{anyKind, PhaseAfter, "Press until the bleeding stops, and record the minutes{usual}."},
	{anyKind, PhaseAfter, "Disinfect the site."},
	{kindFirst | anyForming, PhaseAfter, "{peg}"},
	{anyKind, PhaseAfter, "{prophylaxis}"},
	{anyKind, PhaseAfter, "Put on a compressive dressing. For showers, use a waterproof one."},
	{anyKind, PhaseAfter, "Record needle, attempts, passes, resistance, angle, same spot, same path, who inserted, " +
		"and what went wrong. What is not recorded does not count."},
}

// kindOf returns the kind of the next session that has a needle. A peg that was left in is taken
// out, whatever the protocol now says of pegs.
func kindOf(s *track.State) kind {
	if s.Folded == track.Planned && len(s.Recent) == 0 && s.Taken == nil {
		return kindFirst
	}
	in := s.Peg == track.PegIn
	unknown := !in && s.Peg != track.PegOut && s.Protocol.UsesPegs && beforeTrial(s)
	pick := func(without, with, lookFor kind) kind {
		switch {
		case in:
			return with
		case unknown:
			return lookFor
		}
		return without
	}
	switch {
	case needle(s) == track.Blunt:
		return pick(kindBlunt, kindBluntPeg, kindBluntLook)
	case beforeTrial(s):
		return pick(kindForming, kindFormingPeg, kindFormingLook)
	}
	return pick(kindSharp, kindSharpPeg, kindSharp)
}

// steps returns the rows of the next session's kind, filled from the record.
func steps(s *track.State) []Step {
	k := kindOf(s)
	words := fill(s)
	var out []Step
	for _, r := range rows {
		if r.kinds&k == 0 {
			continue
		}
		for _, text := range filled(r.text, words) {
			out = append(out, Step{r.phase, text})
		}
	}
	return out
}

// filled replaces the names in braces by their values, once for each of several.
func filled(text string, words map[string][]string) []string {
	before, rest, ok := strings.Cut(text, "{")
	if !ok {
		return []string{text}
	}
	name, after, _ := strings.Cut(rest, "}")
	var out []string
	for _, w := range words[name] {
		for _, end := range filled(after, words) {
			out = append(out, before+w+end)
		}
	}
	return out
}

// fill returns the values of the words in braces.
func fill(s *track.State) map[string][]string {
	one := func(text string) []string { return []string{text} }
	where := func(known bool, text string) []string {
		if known {
			return one(text)
		}
		return nil
	}
	how, missing := geometry(s)
	words := map[string][]string{
		"allergy":     where(s.Planned.GetAllergyNotes() != "", stop(s.Planned.GetAllergyNotes())),
		"agent":       one(fmt.Sprintf("%s; let it act for %s, and let it dry", agentOf(s), contact(s))),
		"engorgement": one(engorge(s)),
		"release":     where(tourniquet(s), "Tourniquet off."),
		"how":         one(how), "not planned": one(""), "not recorded": one(""),
		"angle": one(""), "usual": one(""),
		"peg": where(s.Protocol.UsesPegs, "Put a new sterile peg in, along the same path as the needle, and record it."),
		"prophylaxis": where(s.Protocol.TopicalProphylaxis,
			"Put topical antimicrobial prophylaxis on the site, as the unit's protocol says."),
	}
	if missing != "" {
		words["not planned"] = one(" Not planned: " + missing + ".")
		words["not recorded"] = one(" Not recorded: " + missing + "; ask the last cannulator, and record it.")
	}
	if a := s.ReferenceAngle; a != nil {
		words["angle"] = one(fmt.Sprintf(" (%g°)", *a))
	}
	if t := s.Trends; t.HaemostasisKnown && finite(t.Haemostasis.Median, t.Haemostasis.Limit) {
		words["usual"] = one(fmt.Sprintf(" (it usually stops after %.3g min here; more than %.3g min is longer than usual)",
			t.Haemostasis.Median, t.Haemostasis.Limit))
	}
	// If the protocol asks for one disinfection, it comes after the removal.
	if times := s.Protocol.DisinfectionsMin; times <= 1 {
		words["later disinfections"] = one("Disinfect the site, after that,")
	} else {
		words["first disinfection"] = one("First disinfection")
		for i := 2; i <= times; i++ {
			words["later disinfections"] = append(words["later disinfections"], ordinal(i)+" disinfection")
		}
	}
	return words
}

// tourniquet reports whether one is put on: by the plan, or for the first insertion if the plan
// says nothing.
func tourniquet(s *track.State) bool {
	e := s.Planned.GetEngorgement()
	return e == cannularyv1.Engorgement_ENGORGEMENT_TOURNIQUET || e == 0 && kindOf(s) == kindFirst
}

// engorge says how to make the vessel stand out.
func engorge(s *track.State) string {
	switch e := s.Planned.GetEngorgement(); {
	case e == cannularyv1.Engorgement_ENGORGEMENT_NONE:
		return "No tourniquet and no compression, by the plan."
	case e != 0:
		return fmt.Sprintf("Make the vessel stand out: %s.", engorgement(e))
	case tourniquet(s):
		return "Make the vessel stand out: tourniquet (the plan does not say otherwise)."
	}
	return "Make the vessel stand out as at the sessions before (how is not recorded)."
}

// geometry says how the needle goes in, and names what is not known of it.
func geometry(s *track.State) (how, missing string) {
	var parts, names []string
	part := func(known bool, name, text string) {
		if known {
			parts = append(parts, text)
		} else {
			names = append(names, name)
		}
	}
	part(s.Gauge != nil, "gauge", Known(s.Gauge, "%dG", ""))
	part(s.ReferenceAngle != nil, "angle", Known(s.ReferenceAngle, "at %g°", ""))
	part(s.Direction != 0, "direction", way(direction(s.Direction)))
	part(s.Bevel != 0, "bevel", "bevel "+bevel(s.Bevel))
	part(s.Depth != nil, "depth", Known(s.Depth, "%g mm deep", ""))
	if len(parts) > 0 {
		how = " " + strings.Join(parts, ", ")
	}
	return how, strings.Join(names, ", ")
}
