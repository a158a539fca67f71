package card_test

import (
	"strings"
	"testing"

	"cannulary/internal/card"
	"cannulary/internal/track"
)

// One order for each kind of session: every step, none between. The order is common practice,
// no source; so is holding a blunt needle by its tube, and the tape before the flashback.
func TestOneOrderForEachKindOfSession(t *testing.T) {
	const (
		hands    = "Clean hands."
		dressing = "Clean hands. Dressing off, if one is on."
		examine  = "Look, listen and feel before any needle"
		allergy  = "Allergy and skin notes: plaster with colophony."
		wash     = "Wash the skin over the access"
		first    = "First disinfection with povidone-iodine; let it act for 120 s"
		second   = "Second disinfection with povidone-iodine; let it act for 120 s"
		lookFor  = "Look for the peg"
		scab     = "Remove the scab completely"
		maybe    = "Remove a scab, if there is one, completely"
		stand    = "Make the vessel stand out"
		taut     = "Hold the skin taut"
		tube     = "Hold the needle lightly by its tube"
		repeat   = "in the same spot, along the same path, to the same depth"
		slide    = "Slide the BLUNT needle"
		gap      = "small gap between hub and skin"
		tape     = "Secure the needle with tape"
		flash    = "Check the flashback"
		release  = "Tourniquet off."
		out      = "Take the needle out at the same angle"
		press    = "Press until the bleeding stops"
		after    = "Disinfect the site."
		peg      = "Put a new sterile peg in"
		topical  = "Put topical antimicrobial prophylaxis"
		cover    = "Put on a compressive dressing"
		tell     = "Record needle, attempts"
		pegOn    = "Clean hands. Dressing off, without pulling at the peg."
		around   = "First disinfection, around the peg, with povidone-iodine"
		pegOut   = "Remove the whole peg"
	)
	planned := func(s *track.State) {
		s.Stage, s.Folded, s.Recent, s.Peg = track.Planned, track.Planned, nil, track.PegUnknown
	}
	withPeg := func(p track.Peg) func(*track.State) { return func(s *track.State) { s.Peg = p } }
	sharpOnly := func(p track.Peg) func(*track.State) {
		return func(s *track.State) {
			s.Stage, s.Folded, s.Peg, s.Protocol.SharpOnly, s.Protocol.UsesPegs = track.Established, track.Established, p, true, false
		}
	}
	for _, c := range []struct {
		session string
		of      func(testing.TB) *judged
		do      func(*track.State)
		want    []string
	}{
		{"the first insertion", forming, planned,
			[]string{hands, examine, allergy, wash, "Disinfect the site with povidone-iodine", stand, taut,
				"This first insertion sets angle, direction and depth", tape, flash, release, out, press, after, peg, topical,
				cover, tell}},
		{"forming, a peg in the track", forming, withPeg(track.PegIn), []string{pegOn, examine, allergy, wash, around, pegOut,
			second, stand, taut,
			repeat, tape, flash, release, out, press, after, peg, topical, cover, tell}},
		{"forming, nothing recorded of the peg", forming, withPeg(track.PegUnknown), []string{dressing, examine, allergy, wash, first,
			lookFor, maybe, second,
			stand, taut, repeat, tape, flash, release, out, press, after, peg, topical, cover, tell}},
		{"forming without pegs", forming, func(s *track.State) { s.Peg, s.Protocol.UsesPegs = track.PegOut, false },
			[]string{dressing, examine, allergy, wash,
				first, maybe, second, stand, taut, repeat, tape, flash, release, out, press, after, topical, cover, tell}},
		{"blunt", ready, withPeg(track.PegOut), []string{dressing, examine, allergy, wash, first, scab, second, stand, taut, tube, slide,
			gap, tape, flash, release,
			out, press, after, topical, cover, tell}},
		{"the first blunt needle, the last peg still in", ready, withPeg(track.PegIn),
			[]string{pegOn, examine, allergy, wash, around, pegOut, scab, second,
				stand, taut, tube, slide, gap, tape, flash, release, out, press, after, topical, cover, tell}},
		{"the first blunt needle, nothing recorded of the last peg", ready, withPeg(track.PegUnknown),
			[]string{dressing, examine, allergy, wash, first,
				lookFor, scab, second, stand, taut, tube, slide, gap, tape, flash, release, out, press, after, topical, cover, tell}},
		{"sharp-only routine", forming, sharpOnly(track.PegUnknown), []string{dressing, examine, allergy, wash, first, maybe,
			second, stand, taut,
			"in the same spot and along the same path", tape, flash, release, out, press, after, topical, cover, tell}},
		{"sharp-only routine, a peg left in", forming, sharpOnly(track.PegIn), []string{pegOn, examine, allergy, wash, around, pegOut,
			second, stand, taut,
			"in the same spot and along the same path", tape, flash, release, out, press, after, topical, cover, tell}},
	} {
		t.Run(c.session, func(t *testing.T) {
			x := c.of(t)
			x.j.Tracks[0].Planned.AllergyNotes = "plaster with colophony"
			c.do(&x.j.Tracks[0])
			got := x.card().Tracks[0].Preparation
			for i := range max(len(got), len(c.want)) {
				is, want := "(nothing)", "(nothing)"
				if i < len(got) {
					is = got[i].Text
				}
				if i < len(c.want) {
					want = c.want[i]
				}
				if !strings.Contains(is, want) {
					t.Fatalf("step %d is %q, want %q; all of them:\n%s", i+1, is, want, text(got, ""))
				}
			}
		})
	}
}

// A free text of the plan is given as it stands, whatever is in it.
func TestBracesInTheNotesStandForNothing(t *testing.T) {
	x := forming(t)
	x.j.Tracks[0].Planned.AllergyNotes = "{agent} {"
	if got := text(x.card().Tracks[0].Preparation, card.PhasePrepare); !strings.Contains(got, "Allergy and skin notes: {agent} {.") {
		t.Errorf("the notes are told as:\n%s", got)
	}
}
